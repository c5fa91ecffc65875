/* On the sign-in page: nobody is signed in here any more, so the crew's day leaves this device. */
"use strict";
(async function () {
  if (window.caches) await caches.delete("almanac-pictures");
  const known = indexedDB.databases ? await indexedDB.databases() : [{ name: "almanac-phone" }];
  if (known.some((one) => one.name === "almanac-phone")) await window.phoneStore.forgetDay();
  document.documentElement.dataset.forgotten = "yes";
})();
