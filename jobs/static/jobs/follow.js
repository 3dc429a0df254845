// Reloads the page while a plan is being made, and stops once none is.
"use strict";
(function () {
  const WAIT_MS = 2000;
  function follow() {
    if (document.querySelector('[data-unfinished="yes"]')) {
      window.setTimeout(function () {
        // A ticked row or an open menu would be lost: wait until the hands are off.
        if (document.querySelector(".action-select:checked")) {
          follow();
        } else {
          window.location.reload();
        }
      }, WAIT_MS);
    }
  }
  document.addEventListener("DOMContentLoaded", follow);
})();
