// Single keys as shortcuts. They sleep while something is being typed, and each person can switch them off.
"use strict";
const doors = { a: "/", w: "/work/", p: "/plan/", h: "/heaters/", b: "/properties/" };
let waiting = 0;
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
  if (event.target.closest("input, select, textarea, [contenteditable]")) {
    if (event.key === "Escape") event.target.blur();
    return;
  }
  const open = document.querySelector("details.more[open]");
  if (event.key === "Escape" && open) {
    open.open = false;
    open.querySelector("summary").focus();
  } else if (event.key === "/") {
    event.preventDefault();
    document.getElementById("find-words")?.focus();
  } else if (event.key === "?") {
    location.assign("/help/keys/");
  } else if (event.key === "g") {
    waiting = event.timeStamp;
  } else if (waiting && event.timeStamp - waiting < 1500 && document.querySelector(`header a[href="${doors[event.key]}"]`)) {
    location.assign(doors[event.key]);
  } else {
    waiting = 0;
  }
});
