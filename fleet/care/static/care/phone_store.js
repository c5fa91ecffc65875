/* What this phone keeps: the day, what waits to be sent, what was sent, half-filled forms.
   A promise that resolves means the row is on the disk. */
"use strict";
(function () {
  const NAME = "almanac-phone";
  const STORES = { meta: "name", queue: "key", photos: "key", sent: "key", drafts: "id" };
  let opened = null;

  function open() {
    if (!opened) {
      opened = new Promise((resolve, reject) => {
        const asked = indexedDB.open(NAME, 1);
        asked.onupgradeneeded = () => {
          for (const [name, key] of Object.entries(STORES)) {
            if (!asked.result.objectStoreNames.contains(name)) asked.result.createObjectStore(name, { keyPath: key });
          }
        };
        asked.onsuccess = () => resolve(asked.result);
        asked.onerror = () => reject(asked.error);
      });
    }
    return opened;
  }

  async function inside(names, mode, work) {
    const base = await open();
    return new Promise((resolve, reject) => {
      const change = base.transaction(names, mode, { durability: "strict" });
      let answer;
      change.oncomplete = () => resolve(answer);
      change.onerror = () => reject(change.error);
      change.onabort = () => reject(change.error || new Error("This phone did not keep it."));
      work(change, (value) => { answer = value; });
    });
  }

  function get(store, key) {
    return inside([store], "readonly", (change, answer) => {
      const asked = change.objectStore(store).get(key);
      asked.onsuccess = () => answer(asked.result);
    });
  }

  function all(store) {
    return inside([store], "readonly", (change, answer) => {
      const asked = change.objectStore(store).getAll();
      asked.onsuccess = () => answer(asked.result);
    });
  }

  function put(store, value) {
    return inside([store], "readwrite", (change) => change.objectStore(store).put(value));
  }

  function remove(store, key) {
    return inside([store], "readwrite", (change) => change.objectStore(store).delete(key));
  }

  /* An entry, its photos and the end of its draft: all of it or nothing. The order of entries comes from a
     counter, because a clock can be set back. */
  function keepEntries(rows, draft) {
    return inside(["meta", "queue", "photos", "drafts"], "readwrite", (change) => {
      const meta = change.objectStore("meta");
      const asked = meta.get("counter");
      asked.onsuccess = () => {
        let counter = asked.result ? asked.result.value : 0;
        for (const row of rows) {
          counter += 1;
          const kept = Object.assign({}, row, { seq: counter });
          if (row.picture) {
            change.objectStore("photos").put({ key: row.key, picture: row.picture });
            delete kept.picture;
          }
          change.objectStore("queue").put(kept);
        }
        meta.put({ name: "counter", value: counter });
        if (draft !== undefined) change.objectStore("drafts").delete(draft);
      };
    });
  }

  /* What the server said of entries: they leave the queue and stand among what was sent, in one step. */
  function settle(results) {
    return inside(["queue", "photos", "sent"], "readwrite", (change) => {
      const queue = change.objectStore("queue");
      for (const said of results) {
        const asked = queue.get(said.key);
        asked.onsuccess = () => {
          if (!asked.result) return;
          change.objectStore("sent").put(Object.assign({}, asked.result, { said: said, answered: Date.now() }));
          change.objectStore("photos").delete(said.key);
          queue.delete(said.key);
        };
      }
    });
  }

  async function forgetOld(days) {
    const limit = Date.now() - days * 86400000;
    for (const row of await all("sent")) {
      if (row.answered < limit && row.said.result !== "refused") await remove("sent", row.key);
    }
  }

  /* What the server gave for the day goes; what was entered here and is not with the server stays. */
  function forgetDay() {
    return inside(["meta", "sent"], "readwrite", (change) => {
      change.objectStore("meta").delete("day");
      const asked = change.objectStore("sent").openCursor();
      asked.onsuccess = () => {
        const row = asked.result;
        if (!row) return;
        if (row.value.said.result !== "refused") row.delete();
        row.continue();
      };
    });
  }

  function newKey() {
    if (crypto.randomUUID) return crypto.randomUUID();
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 15) | 64;
    bytes[8] = (bytes[8] & 63) | 128;
    const hex = Array.from(bytes, (one) => one.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  }

  window.phoneStore = { get, all, put, remove, keepEntries, settle, forgetOld, forgetDay, newKey };
})();
