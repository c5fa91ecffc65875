/* Keeps the page itself on the phone. What people enter is kept by the page, not here. */
"use strict";
const KEPT = "almanac-page-{{ version }}";
const PAGE = "{{ page }}";
const PARTS = [{% for part in parts %}"{{ part }}"{% if not forloop.last %}, {% endif %}{% endfor %}];

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const store = await caches.open(KEPT);
    for (const address of [PAGE, ...PARTS]) {
      const answer = await fetch(address, { cache: "reload", credentials: "same-origin" });
      if (!answer.ok || answer.redirected) throw new Error("not kept: " + address);
      await store.put(address, answer);
    }
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("almanac-page-") && name !== KEPT) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const asked = new URL(event.request.url);
  if (event.request.method !== "GET" || asked.origin !== self.location.origin) return;
  if (asked.pathname === PAGE) event.respondWith(fromStore(KEPT, PAGE, event.request));
  else if (PARTS.includes(asked.pathname)) event.respondWith(fromStore(KEPT, asked.pathname, event.request));
  else if (asked.pathname.startsWith("{{ pictures }}")) event.respondWith(fromStore("almanac-pictures", asked.pathname, event.request));
});

async function fromStore(name, address, request) {
  const store = await caches.open(name);
  return (await store.match(address)) || fetch(request);
}
