/* The camera reads a label where the browser can; else the code is typed. */
"use strict";
(function () {
  async function scan(box, found) {
    const told = document.createElement("p");
    const video = document.createElement("video");
    video.setAttribute("playsinline", "");
    video.muted = true;
    video.width = 320;
    box.replaceChildren(video, told);
    let stream = null;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      video.srcObject = stream;
      await video.play();
      const reader = new BarcodeDetector({ formats: ["qr_code"] });
      const until = Date.now() + 60000;
      while (Date.now() < until && box.isConnected) {
        const codes = await reader.detect(video);
        if (codes.length) { found(codes[0].rawValue); break; }
        await new Promise((resolve) => setTimeout(resolve, 150));
      }
    } catch (error) {
      told.textContent = "The camera cannot be used here. Type the code.";
    } finally {
      if (stream) for (const track of stream.getTracks()) track.stop();
      video.remove();
    }
  }

  function button(found) {
    if (!("BarcodeDetector" in window) || !navigator.mediaDevices) return "";
    const box = document.createElement("span");
    const made = document.createElement("button");
    made.type = "button";
    made.className = "second";
    made.textContent = "Scan with the camera";
    made.addEventListener("click", () => scan(box, found));
    const all = document.createElement("span");
    all.append(made, box);
    return all;
  }

  window.phoneScan = { button };
})();
