"use strict";

document.addEventListener("DOMContentLoaded", () => {
  document.getElementById("again").addEventListener("click", () => window.location.reload());
});

// Keys are for the dashboard from its first sign on, without a click.
window.addEventListener("load", () => {
  new MutationObserver((_, observer) => {
    if (document.body.classList.contains("-first-byte")) {
      observer.disconnect();
      document.querySelector(".xterm-helper-textarea").focus();
    }
  }).observe(document.body, { attributes: true, attributeFilter: ["class"] });
});
