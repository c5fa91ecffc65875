// Looks again while work is under way, until the reader stops it. What is being typed is never taken away.
"use strict";
const place = document.getElementById("under-way");
const byItself = place.querySelector(".by-itself");
let stopped = false;

function put(selector, answer, attribute) {
  const here = place.querySelector(selector);
  const there = answer.querySelector(selector);
  if (here && there && here[attribute] !== there[attribute]) here[attribute] = there[attribute];
}

function ended() {
  stopped = true;
  const typing = document.activeElement.closest("#main input, #main select, #main textarea");
  if (!typing && !document.querySelector("#main details[open]")) return location.reload();
  byItself.hidden = true;
  place.querySelector("[role=status]").textContent = "It has ended; look again to see what came of it.";
}

async function look() {
  if (stopped) return;
  if (!document.hidden) {
    try {
      const answer = await fetch(location.href, { credentials: "same-origin", cache: "no-store" });
      if (answer.redirected || answer.status === 404) return ended();
      if (answer.ok && !stopped) {
        const text = await answer.text();
        const found = new DOMParser().parseFromString(text, "text/html").getElementById("under-way");
        if (!found) return ended();
        put("[role=status]", found, "textContent");
        put("label", found, "textContent");
        put("progress", found, "value");
      }
    } catch {
      // No signal: the next look may find one.
    }
  }
  setTimeout(look, 3000);
}

byItself.hidden = false;
byItself.querySelector("button").addEventListener("click", () => {
  stopped = true;
  byItself.hidden = true;
});
setTimeout(look, 3000);
