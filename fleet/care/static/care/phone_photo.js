/* Makes a photo small before it is kept: less to send, and its place is left behind on the way. */
"use strict";
(function () {
  const LONGEST = 1600;
  const MOST_BYTES = 15 * 1024 * 1024;

  async function smaller(file) {
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(picture.width * scale));
      canvas.height = Math.max(1, Math.round(picture.height * scale));
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      const made = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.82));
      if (made) return made;
    } catch (error) { /* not drawn here; the server looks at it */ }
    return file;
  }

  /* The picture to keep, or the words that say why it cannot be. */
  async function prepare(file) {
    if (file.type && !file.type.startsWith("image/")) return { refused: "This is not a photo. Everything else is kept." };
    const picture = await smaller(file);
    if (picture.size > MOST_BYTES) {
      const size = Math.round(picture.size / 1048576);
      return { refused: "The photo has " + size + " MB; 15 MB is the most. Take a smaller one. Everything else is kept." };
    }
    return { picture: picture };
  }

  window.phonePhoto = { prepare };
})();
