// Names what the admin's own widgets leave nameless, for who hears a page instead of seeing it.
"use strict";
(function () {
  function wordsOf(element) {
    return element ? element.textContent.trim().replace(/:$/, "") : "";
  }

  // A day and its time are two fields under one legend.
  function nameMoments() {
    document.querySelectorAll("p.datetime").forEach(function (both) {
      const row = both.closest("fieldset, .form-row");
      const words = wordsOf(row && row.querySelector("legend, label"));
      both.querySelectorAll("input").forEach(function (input, n) {
        if (words && !input.hasAttribute("aria-label")) {
          input.setAttribute("aria-label", words + (n ? ", time" : ", date"));
        }
      });
    });
  }

  // A list that is searched stands in the place of a select, whose label does not reach it.
  function nameSearches() {
    document.querySelectorAll("select.admin-autocomplete").forEach(function (select) {
      const label = select.id && document.querySelector('label[for="' + select.id + '"]');
      const words = select.getAttribute("aria-label") || wordsOf(label);
      const box = select.parentElement.querySelector(".select2-selection");
      if (!words || !box) {
        return;
      }
      box.setAttribute("aria-label", words);
      const chosen = box.querySelector(".select2-selection__rendered");
      if (chosen) {
        chosen.setAttribute("aria-label", words + ": " + (chosen.title || "nothing chosen"));
      }
    });
  }

  function nameAll() {
    nameMoments();
    nameSearches();
    document.querySelectorAll(".search-label-icon[aria-label]").forEach(function (icon) {
      icon.setAttribute("role", "img");
    });
  }

  // Other scripts build these parts some time after the page is ready, when a row is added, and
  // anew with each choice.
  window.addEventListener("load", nameAll);
  new MutationObserver(nameAll).observe(document.body, { childList: true, subtree: true });
})();
