/* The crew's day on a phone, with or without a signal: visits, heaters, tasks, what waits to be sent. */
"use strict";
(function () {
  const store = window.phoneStore;
  const sender = window.phoneSend;
  const form = window.phoneForm;
  const main = document.getElementById("main");
  const state = document.getElementById("state");
  const live = document.getElementById("said");
  let day = null;
  let waiting = [];
  let signal = "";

  function make(name, values, ...inside) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(values || {})) {
      if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
      else if (value === true) made.setAttribute(key, "");
      else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
    }
    made.append(...inside.flat().filter((one) => one !== null && one !== undefined && one !== ""));
    return made;
  }
  const link = (to, ...words) => make("a", { href: "#/" + to }, ...words);
  const list = (rows, kind) => make(kind || "ul", {}, rows.map((row) => make("li", {}, row)));
  const plural = (count, word) => count + " " + word + (count === 1 ? "" : "s");
  const howLong = (minutes) => (minutes >= 600 ? plural(Math.round(minutes / 60), "hour")
    : [minutes >= 60 && plural(Math.floor(minutes / 60), "hour"), (minutes % 60 || !minutes) && plural(minutes % 60, "minute")].filter(Boolean).join(" "));
  const dayWords = (text) => new Date(text + "T12:00:00").toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric" });

  function say(words) {
    live.textContent = "";
    live.className = words.startsWith("Stop") ? "said danger" : "said";
    setTimeout(() => { live.textContent = words; }, 30);
  }

  /* ---- what is known here: the fetched day with this phone's own entries laid over it ---- */
  const howTo = (heater) => day.shut_offs[heater.shut_off];
  function heaters() {
    return day.visits.flatMap((visit) => visit.heaters.map((heater) => ({ visit: visit, heater: heater })));
  }
  function findHeater(number) { return heaters().find((row) => row.heater.id === number); }
  function findTask(number) {
    for (const row of heaters()) {
      const task = row.heater.tasks.find((one) => one.id === number);
      if (task) return Object.assign({ task: task, kind: day.kinds[task.kind], metric: Boolean(day.metric) }, row);
    }
    return null;
  }
  const closes = (row) => row.body.kind === "done" || row.body.kind === "left_out";
  function ownEntry(task) { return waiting.find((row) => row.body.task === task.id && closes(row)); }
  function ownDangers(heater) {
    const numbers = heater.tasks.map((task) => task.id);
    return waiting.filter((row) => numbers.includes(row.body.task)).flatMap((row) => row.unsafe || []);
  }
  function dangers(heater) { return heater.unsafe.concat(ownDangers(heater)); }
  function isOpen(task) { return !ownEntry(task) && !task.stopped; }
  function visitMark(visit, kind) { return waiting.some((row) => row.body.visit === visit.id && row.body.kind === kind); }

  async function entry(kind, title, body, more) {
    const clock = await store.get("meta", "clock");
    const key = store.newKey();
    const full = Object.assign({ key: key, kind: kind, claimed_at: new Date().toISOString() }, body);
    if (clock) Object.assign(full, { fetched_at: clock.fetched_at, offset_ms: clock.offset_ms });
    return Object.assign({ key: key, person: day.person.id, organisation: day.organisation.id, title: title, body: full }, more || {});
  }

  async function keep(rows, draft, words) {
    try {
      await store.keepEntries(rows, draft);
    } catch (error) {
      say("");
      window.alert("This phone could not keep it: " + error.message + ". Write it down on paper and tell the office.");
      return false;
    }
    waiting = await sender.mine();
    say(words || "Kept on this phone. It is sent as soon as there is a signal.");
    sendSoon();
    return true;
  }

  function sendSoon() { setTimeout(() => sender.send(heard), 50); }
  async function heard(what, words) {
    signal = what === "sent" ? "" : what === "signed out" ? words : what === "refused" ? words : "No signal.";
    const kept = await store.get("meta", "day");
    waiting = await sender.mine();
    if (what === "sent" && kept) {
      day = kept.value;
      if (!location.hash.startsWith("#/t/")) await draw(false);
    }
    if (!waiting.length && live.textContent.includes("on this phone")) say(live.className.includes("danger") ? "Stop. This is unsafe. It is sent and the alert is raised." : "Sent.");
    await drawState();
  }

  /* ---- screens ---- */
  async function drawState() {
    const sent = await store.all("sent");
    const troubled = sent.filter((row) => ["decide", "refused"].includes(row.said.result)).length;
    const parts = [];
    if (signal) parts.push(make("p", { class: "note warning" }, signal, signal.startsWith("Sign in") ? make("span", {}, " ", make("a", { href: document.body.dataset.signIn }, "Sign in")) : ""));
    // Before the day has come it is not known whose the entries are that wait here: all of them do.
    const kept = day ? waiting.length : (await store.all("queue")).length;
    parts.push(make("p", {}, link("sent", kept ? plural(kept, "entry").replace("entrys", "entries") + " on this phone, not sent yet" : "Everything is sent"), troubled ? " · " + troubled + " with a question" : ""));
    state.replaceChildren(...parts);
  }

  function ready() {
    const kept = "serviceWorker" in navigator && navigator.serviceWorker.controller;
    return make("p", { class: kept ? "good" : "caution" }, kept
      ? "The day is on this phone, as of " + new Date(day.server_now).toLocaleTimeString("en-US", { hour: "numeric", minute: "2-digit" }) + ". It works without a signal."
      : "Not ready for a place without a signal: this page is not kept on the phone yet. Stay on this page for a moment, or use the secure address.");
  }

  function screenDay() {
    const visits = day.visits.map((visit) => {
      const open = visit.heaters.flatMap((heater) => heater.tasks).filter(isOpen);
      return make("li", { class: "card" }, make("h2", {}, link("v/" + visit.id, visit.property + ", " + visit.building)),
        make("p", {}, dayWords(visit.day) + ": " + plural(visit.heaters.length, "heater") + ", " + plural(open.length, "open task") + ", about " + howLong(visit.minutes) + "." + (visit.crew ? " " + visit.crew + "." : "")));
    });
    return [make("h1", { tabindex: "-1" }, "Work for " + dayWords(day.today)), ready(),
      day.cut_short ? make("p", { class: "caution" }, "There is more than one day's work laid out; the rest is in the office's list.") : null,
      visits.length ? make("ul", { class: "cards" }, visits) : make("p", { class: "note" }, "No visit is laid out for today. Open a building in the work list and choose “Go there today”."),
      finder(), make("p", {}, make("a", { href: document.body.dataset.work }, "The whole work list (needs a signal)"))];
  }

  function screenVisit(number) {
    const visit = day.visits.find((one) => one.id === number);
    if (!visit) return gone();
    const begun = visit.begun || visitMark(visit, "started");
    const ended = visit.ended || visitMark(visit, "ended");
    const mark = async (kind, words) => { if (await keep([await entry(kind, words + ", " + visit.building, { visit: visit.id })])) draw(true); };
    return [make("p", { class: "trail" }, link("", "Today")), make("h1", { tabindex: "-1" }, visit.property + ", " + visit.building),
      visit.address ? make("p", {}, visit.address) : null, visit.note ? make("p", { class: "note" }, visit.note) : null,
      make("p", { class: "buttons" },
        !begun ? make("button", { type: "button", onclick: () => mark("started", "Visit begun") }, "Begin this visit") : make("span", { class: "mark" }, "begun"),
        begun && !ended ? make("button", { type: "button", class: "second", onclick: () => mark("ended", "Visit ended") }, "End this visit") : null,
        ended ? make("span", { class: "mark" }, "ended") : null),
      make("ul", { class: "cards" }, visit.heaters.map((heater) => {
        const open = heater.tasks.filter(isOpen);
        return make("li", { class: "card" }, make("h2", {}, link("h/" + heater.id, heater.tag)), make("p", {}, heater.where + ": " + heater.kind + "."),
          dangers(heater).length ? make("p", { class: "danger" }, make("strong", {}, "Unsafe: out of service.")) : null,
          make("p", {}, open.length ? plural(open.length, "open task") : "Nothing left to do here"));
      })), finder()];
  }

  function finder() {
    const field = make("input", { id: "code", autocomplete: "off", autocapitalize: "characters", placeholder: "ABCDE-23456" });
    const told = make("p", { role: "status" });
    const go = (text) => {
      const code = text.trim().toUpperCase().replace(/\/$/, "").split("/").pop().replace(/[^0-9A-Z]/g, "");
      const found = heaters().find((row) => row.heater.code && row.heater.code.replace(/[^0-9A-Z]/g, "") === code);
      if (found) location.hash = "#/h/" + found.heater.id;
      else told.replaceChildren(code ? "This label is not in today's work. " : "Type the code first. ", code ? make("a", { href: "/c/" + code.slice(0, 5) + "-" + code.slice(5) + "/" }, "Look it up (needs a signal)") : "");
    };
    const box = make("form", { class: "stack", onsubmit: (event) => { event.preventDefault(); go(field.value); } },
      make("p", {}, make("label", { for: "code" }, "Next heater: the code on its label"), field), make("p", { class: "buttons" }, make("button", { class: "second" }, "Find"), window.phoneScan.button(go)), told);
    return make("section", { "aria-label": "Find a heater by its label" }, box);
  }

  function shutOff(heater, opened) {
    const inside = [make("ul", {}, howTo(heater).dangers.map((row) => make("li", {}, row))), list(howTo(heater).steps, "ol"), howTo(heater).call ? make("p", {}, "Call: ", make("strong", {}, howTo(heater).call)) : null];
    return make("details", { class: "caution", open: opened }, make("summary", {}, "How to shut it off"), inside);
  }

  function unsafeBox(heater) {
    const rows = dangers(heater);
    if (!rows.length) return null;
    return make("section", { class: "danger", "aria-label": "Unsafe" }, make("h2", {}, "Unsafe: out of service"), list(rows),
      make("p", {}, "Stop work. ", make("strong", {}, howTo(heater).dangers.join(" "))),
      make("p", {}, "Only if it is safe, in this order:"), list(howTo(heater).steps, "ol"),
      ownDangers(heater).length ? make("p", {}, make("strong", {}, "Nobody has heard of it yet: it is not sent. " + (howTo(heater).call ? "Call " + howTo(heater).call + "." : "Call the office."))) : null);
  }

  function screenHeater(number) {
    const found = findHeater(number);
    if (!found) return gone();
    const { heater, visit } = found;
    const next = visit.heaters.find((one) => one !== heater && one.tasks.some(isOpen));
    const tasks = heater.tasks.map((task) => {
      const own = ownEntry(task);
      const kind = day.kinds[task.kind];
      return make("li", { class: "card" }, make("h3", {}, own || !task.offered ? kind.name : link("t/" + task.id, kind.name)),
        own && own.unsafe && own.unsafe.length ? make("p", { class: "danger" }, "Stopped: unsafe. Not sent yet.")
          : own ? make("p", { class: "good" }, (own.body.kind === "done" ? "Done" : "Left out") + ", not sent yet.") : null,
        task.stopped ? make("p", { class: "mark" }, "stopped, unsafe") : null,
        !task.offered ? make("p", { class: "note" }, "For a " + task.worker + ".") : null,
        task.caution ? make("p", { class: "caution" }, make("strong", {}, task.caution)) : null,
        make("p", {}, "Due " + dayWords(task.due_on) + (task.late ? " (past its day)" : "") + ". " + task.why + " About " + howLong(kind.minutes) + "."),
        task.promised_by ? make("p", {}, "Promised by " + dayWords(task.promised_by) + ".") : null,
        task.first ? make("p", { class: "quiet" }, task.first) : null);
    });
    return [make("p", { class: "trail" }, link("", "Today"), " › ", link("v/" + visit.id, visit.building)), make("h1", { tabindex: "-1" }, heater.tag),
      make("p", { class: "lead" }, heater.where + ": " + heater.kind + "."), unsafeBox(heater), shutOff(heater, false),
      heater.picture ? make("img", { src: heater.picture, alt: "Photo of " + heater.tag, width: "320" }) : null,
      heater.last.length ? make("details", {}, make("summary", {}, "Seen here before"), list(heater.last.map((row) => row[0] + ": " + row[1] + ", " + dayWords(row[2])))) : null,
      make("h2", {}, "Tasks"), make("ul", { class: "cards" }, tasks),
      next ? make("p", {}, link("h/" + next.id, "Next heater: " + next.tag + ", " + next.where)) : make("p", {}, link("v/" + visit.id, "Back to the visit"))];
  }

  function gone() {
    return [make("p", { class: "trail" }, link("", "Today")), make("h1", { tabindex: "-1" }, "Not in today's work"), make("p", {}, "It was done, moved or taken out meanwhile. What you entered is under ", link("sent", "sent and waiting"), ".")];
  }

  async function screenSent() {
    const asks = (one) => ["decide", "refused"].includes(one.said.result);
    const sent = (await store.all("sent")).sort((one, other) => asks(other) - asks(one) || other.answered - one.answered).slice(0, 100);
    const others = (await store.all("queue")).length - waiting.length;
    const row = (one) => make("li", { class: "card" }, make("h3", {}, one.title), make("p", {}, one.said ? one.said.words : "On this phone, not sent yet."),
      one.said && one.said.result === "decide" ? make("p", { class: "caution" }, "Nothing of yours is lost: the office sees both and decides.") : null,
      one.said && one.said.both && one.said.both.length ? make("ul", {}, one.said.both.map((pair) => make("li", {}, pair[0] + ": on record ", make("strong", {}, pair[1]), "; yours ", make("strong", {}, pair[2])))) : null);
    return [make("p", { class: "trail" }, link("", "Today")), make("h1", { tabindex: "-1" }, "Sent and waiting"),
      make("p", { class: "buttons" }, make("button", { type: "button", onclick: () => { say("Trying to send."); sender.send(heard); } }, "Send now")),
      others > 0 ? make("p", { class: "caution" }, plural(others, "more entry").replace("entrys", "entries") + " of another person wait on this phone. They are sent when that person signs in here.") : null,
      make("h2", {}, "Not sent yet"), waiting.length ? make("ul", { class: "cards" }, waiting.map(row)) : make("p", { class: "note" }, "Nothing waits."),
      make("h2", {}, "Sent"), sent.length ? make("ul", { class: "cards" }, sent.map(row)) : make("p", { class: "note" }, "Nothing yet.")];
  }

  // A word half typed, or the camera at work: what comes back from the server does not take it from under the hand.
  const underHand = () => main.querySelector("video") ||
    [...main.querySelectorAll("input:not([type=radio]):not([type=checkbox]), textarea")].some((one) => one.value !== one.defaultValue);
  const alike = (one) => [...main.querySelectorAll(one.tagName)].filter((other) => other.id === one.id && other.textContent === one.textContent);

  async function draw(move) {
    if (move === false && underHand()) return drawState();
    const [where, number] = location.hash.replace(/^#\//, "").split("/");
    let inside;
    if (where === "sent") inside = await screenSent();
    else if (!day) inside = [make("h1", { tabindex: "-1" }, "Today's work"), make("p", { class: "note" }, signal || "Fetching the day …", signal ? " The day is not on this phone yet: open this page once with a signal." : "")];
    else if (where === "v") inside = screenVisit(Number(number));
    else if (where === "h") inside = screenHeater(Number(number));
    else if (where === "t") inside = await window.phoneTask.screen(findTask(Number(number)) || null, tools) || gone();
    else inside = screenDay();
    // Within the screen, so that what stands above does not move when the day comes.
    const invented = day && day.organisation.invented ? make("p", { class: "banner", role: "note" }, "Invented demonstration data: no real property, person or heater is shown.") : null;
    const held = move === false && main.contains(document.activeElement) ? document.activeElement : null;
    const place = held ? alike(held).indexOf(held) : -1;
    main.replaceChildren(...[invented, ...inside].flat().filter(Boolean));
    if (held && alike(held)[place]) alike(held)[place].focus({ preventScroll: true });
    await drawState();
    if (move !== false) {
      const head = main.querySelector("h1");
      if (head) head.focus();
      window.scrollTo(0, 0);
    }
  }

  const tools = { make, link, list, dayWords, plural, howLong, keep, entry, say, shutOff, unsafeBox, dangers, ownEntry, draw, form, store };

  async function begin() {
    window.addEventListener("hashchange", () => draw(true));
    window.addEventListener("online", sendSoon);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) sendSoon(); });
    setInterval(() => { if (waiting.length && navigator.onLine !== false) sendSoon(); }, 30000);
    const kept = await store.get("meta", "day");
    if (kept) day = kept.value;
    waiting = await sender.mine();
    await draw(true);
    if ("serviceWorker" in navigator) {
      navigator.serviceWorker.addEventListener("controllerchange", () => { if (day && !location.hash.startsWith("#/t/")) draw(false); });
      navigator.serviceWorker.register(document.body.dataset.worker, { scope: document.body.dataset.scope }).catch(() => {});
    }
    if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
    store.forgetOld(30);
    sendSoon();
  }

  begin().catch((error) => { main.replaceChildren(make("h1", {}, "This browser cannot keep the day"), make("p", { class: "caution" }, "Use the ordinary work list. (" + error.message + ")")); });
})();
