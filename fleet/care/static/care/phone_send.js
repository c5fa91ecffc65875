/* Fetching the day and sending what waits. The server applies each entry once, so sending again is always safe. */
"use strict";
(function () {
  const store = window.phoneStore;
  const addresses = document.body.dataset;
  const BATCH = 50;
  let token = "";
  let busy = false;

  class SignedOut extends Error {}
  class Refused extends Error {}

  async function ask(address, options, seconds) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), (seconds || 20) * 1000);
    try {
      const answer = await fetch(address, Object.assign({ redirect: "manual", cache: "no-store", credentials: "same-origin", signal: stop.signal }, options));
      if (answer.type === "opaqueredirect" || answer.status === 401) throw new SignedOut("Sign in again to send.");
      return answer;
    } finally {
      clearTimeout(timer);
    }
  }

  /* Both clocks at one moment: the server's word is compared with this phone's, and kept for later entries. */
  async function noteClock(serverNow) {
    await store.put("meta", { name: "clock", fetched_at: serverNow, offset_ms: Date.parse(serverNow) - Date.now() });
  }

  async function fetchDay() {
    const answer = await ask(addresses.day);
    if (answer.status === 403) throw new SignedOut("This person may not work here. Sign in as another one.");
    if (!answer.ok) throw new Refused("The day could not be fetched (" + answer.status + ").");
    const day = await answer.json();
    token = day.csrf;
    delete day.csrf;
    await noteClock(day.server_now);
    await store.put("meta", { name: "day", value: day });
    keepPictures(day);
    return day;
  }

  async function keepPictures(day) {
    if (!window.caches) return;
    try {
      const kept = await caches.open("almanac-pictures");
      const wanted = day.visits.flatMap((visit) => visit.heaters.map((heater) => heater.picture)).filter(Boolean);
      const have = (await kept.keys()).map((one) => new URL(one.url).pathname);
      for (const old of have) if (!wanted.includes(old)) await kept.delete(old);
      for (const address of wanted) if (!have.includes(address)) await kept.add(address);
    } catch (error) { /* a picture less; the day itself is kept */ }
  }

  async function post(address, options, again) {
    if (!token) await fetchDay();
    const headers = Object.assign({ "X-CSRFToken": token }, options.headers || {});
    const answer = await ask(address, Object.assign({}, options, { method: "POST", headers: headers }), 120);
    if (answer.status === 403 && !again) {
      token = "";
      return post(address, options, true);
    }
    if (!answer.ok) throw new Refused("The server did not take it (" + answer.status + "). It stays on this phone.");
    const said = await answer.json();
    await noteClock(said.server_now);
    return said;
  }

  async function mine() {
    const day = await store.get("meta", "day");
    if (!day) return [];
    const rows = await store.all("queue");
    return rows
      .filter((row) => row.person === day.value.person.id && row.organisation === day.value.organisation.id)
      .sort((one, other) => one.seq - other.seq);
  }

  async function sendEntries() {
    const later = new Set();  // the server could not take these now; they stay, and hold up no other
    for (;;) {
      const waiting = (await mine()).filter((row) => row.body.kind !== "photo" && !later.has(row.key));
      const rows = waiting.slice(0, BATCH);
      if (!rows.length) return;
      const batch = { device_now: new Date().toISOString(), entries: rows.map((row) => row.body) };
      const said = await post(addresses.sync, { body: JSON.stringify(batch), headers: { "Content-Type": "application/json" } });
      const keys = new Set(rows.map((row) => row.key));
      const answered = said.results.filter((one) => keys.has(one.key));
      if (!answered.length) throw new Refused("The server gave no answer to these entries. They stay on this phone.");
      for (const one of answered) if (one.result === "later") later.add(one.key);
      await store.settle(answered.filter((one) => one.result !== "later"));
    }
  }

  async function sendPhotos() {
    for (const row of (await mine()).filter((one) => one.body.kind === "photo")) {
      const kept = await store.get("photos", row.key);
      if (!kept) {
        await store.settle([{ key: row.key, result: "refused", words: "The picture is no longer on this phone." }]);
        continue;
      }
      const form = new FormData();
      form.append("entry", JSON.stringify(row.body));
      form.append("device_now", new Date().toISOString());
      form.append("photo", kept.picture, "photo.jpg");
      const said = await post(addresses.photo, { body: form });
      await store.settle(said.results.filter((one) => one.result !== "later"));
    }
  }

  /* Sends everything that waits, then fetches the day anew. Only one page sends at a time. */
  async function send(tell) {
    if (busy) return;
    busy = true;
    const work = async () => {
      try {
        const before = await store.get("meta", "day");
        if (!before || !token) await fetchDay();
        await sendEntries();
        await sendPhotos();
        await fetchDay();
        tell("sent", "");
      } catch (error) {
        const known = error instanceof SignedOut || error instanceof Refused;
        tell(error instanceof SignedOut ? "signed out" : known ? "refused" : "no signal", known ? error.message : "");
      }
    };
    try {
      if (navigator.locks) await navigator.locks.request("almanac-send", work);
      else await work();
    } finally {
      busy = false;
    }
  }

  window.phoneSend = { send, mine };
})();
