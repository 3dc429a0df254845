/* The folds of a long page: an address with #part opens the fold of that part, one button opens or
   closes all, and paper shows them open. Without this script each fold still opens by itself. */
"use strict";

(function () {
  const folds = () => Array.from(document.querySelectorAll("details.fold"));

  function reveal() {
    const part = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!part) return;
    for (let at = part; at; at = at.parentElement) {
      if (at.tagName === "DETAILS") at.open = true;
    }
    part.scrollIntoView();
  }

  function allButton() {
    const place = document.querySelector("[data-folds]");
    if (!place) return;
    const button = document.createElement("button");
    const isOpen = () => folds().every((fold) => fold.open);
    const name = () => { button.textContent = isOpen() ? "Fold all" : "Unfold all"; };
    button.type = "button";
    button.className = "button";
    button.addEventListener("click", () => {
      const open = !isOpen();
      folds().forEach((fold) => { fold.open = open; });
    });
    folds().forEach((fold) => fold.addEventListener("toggle", name));
    name();
    place.append(button);
  }

  let closed = [];
  window.addEventListener("beforeprint", () => {
    closed = folds().filter((fold) => !fold.open);
    closed.forEach((fold) => { fold.open = true; });
  });
  window.addEventListener("afterprint", () => {
    closed.forEach((fold) => { fold.open = false; });
    closed = [];
  });
  window.addEventListener("hashchange", reveal);
  document.addEventListener("DOMContentLoaded", () => { allButton(); reveal(); });
})();
