// A file that the dashboard hands out lies below the page's own address, which has the token in it.
"use strict";

const open = window.open.bind(window);
window.open = (address, ...more) => {
  const own = window.location.origin + "/download/";
  const key = String(address).startsWith(own) ? String(address).slice(own.length) : null;
  return open(key === null ? address : "download/" + key, ...more);
};

document.addEventListener("DOMContentLoaded", () => {
  document.getElementById("again").addEventListener("click", () => window.location.reload());
});
