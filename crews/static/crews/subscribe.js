// Copies an address; without scripts the button stays hidden and the address can be marked by hand.
"use strict";

for (const button of document.querySelectorAll("[data-copies]")) {
  const field = document.getElementById(button.dataset.copies);
  const says = button.parentElement.querySelector("[data-says]");
  button.hidden = false;
  button.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(field.value);
      says.textContent = "Copied.";
    } catch {
      // Only pages that came by https may write to the clipboard.
      says.textContent = "The address is marked: copy it from there.";
    }
  });
}
