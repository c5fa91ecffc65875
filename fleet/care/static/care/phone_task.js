/* One task on the phone: cautions first, then the steps, then what was found in a few taps. */
"use strict";
(function () {
  function cautions(found, tools) {
    const { make, list } = tools;
    const { kind, task } = found;
    return make("section", { "aria-labelledby": "before" }, make("h2", { id: "before" }, "Before you start"),
      task.caution ? make("p", { class: "caution" }, make("strong", {}, task.caution)) : null,
      make("div", { class: "danger" }, make("h3", {}, "Stop and leave it if"), list(kind.stop_work)),
      make("div", { class: "caution" }, make("h3", {}, "What can hurt you"), list(kind.hazards), make("h3", {}, "Isolate"), list(kind.isolation), make("h3", {}, "Wear"), make("p", {}, kind.protective_gear.join(", "))),
      make("p", {}, make("strong", {}, "Who may do it: "), task.worker + ". Local code and licence rules come first; the maker's instructions come before these reminders."),
      kind.tools.length + kind.parts.length ? make("p", {}, make("strong", {}, "Take along: "), kind.tools.concat(kind.parts).join(", ") + ".") : null);
  }

  function question(field, answers, problem, tools) {
    const { make } = tools;
    const optional = field.may_stay_empty ? " (may stay empty)" : "";
    const wrong = problem ? make("p", { class: "errorlist", id: "p-" + field.name }, problem) : null;
    if (field.type === "choice") {
      return make("fieldset", { "aria-describedby": problem ? "p-" + field.name : null }, make("legend", {}, field.label + optional),
        field.choices.map((choice) => make("label", { class: "tap" }, make("input", { type: "radio", name: field.name, value: choice, checked: answers[field.name] === choice }), " " + choice,
          (field.unsafe || []).includes(choice) ? make("span", { class: "mark" }, "unsafe: stops the task") : null)), wrong);
    }
    return make("p", {}, make("label", { for: "f-" + field.name }, field.label + (field.unit ? ", " + field.unit : "") + optional),
      make("input", { id: "f-" + field.name, name: field.name, value: answers[field.name] || "", autocomplete: "off", inputmode: field.type === "number" ? "decimal" : null, "aria-invalid": problem ? "true" : null, "aria-describedby": "h-" + field.name }),
      make("span", { class: "help", id: "h-" + field.name }, problem ? make("strong", {}, problem) : field.type === "number" ? "Usual: " + tools.form.usual(field) : ""));
  }

  function readForm(box) {
    const values = {};
    for (const [name, value] of new FormData(box).entries()) if (typeof value === "string") values[name] = value;
    return values;
  }

  async function save(box, found, tools, photos) {
    const values = readForm(box);
    const answers = {};
    for (const field of found.kind.fields) if (values[field.name]) answers[field.name] = values[field.name];
    const looked = tools.form.check(found.kind.fields, answers, Boolean(values.sure));
    if (Object.keys(looked.problems).length && !looked.unsafe.length) return looked;
    const title = found.kind.name + ", " + found.heater.tag;
    const base = { due_on: found.task.due_on, visit_day: found.visit.day, values: found.task.values || {} };
    const body = { task: found.task.id, answers: answers, metric: found.metric, sure: Boolean(values.sure), words: values.note || "", base: base };
    const rows = [await tools.entry("done", title, body, { unsafe: looked.unsafe })];
    for (const picture of photos) rows.push(await photoRow(picture, found, tools));
    const words = looked.unsafe.length ? "Stop. This is unsafe. Kept on this phone." : "Kept on this phone. It is sent as soon as there is a signal.";
    if (await tools.keep(rows, found.task.id, words)) location.hash = "#/h/" + found.heater.id;
    return null;
  }

  function photoRow(picture, found, tools) {
    return tools.entry("photo", "Photo, " + found.kind.name + ", " + found.heater.tag, { task: found.task.id }, { picture: picture });
  }

  function photoField(photos, keepDraft, tools) {
    const told = tools.make("span", { class: "help", role: "status", id: "h-photo" }, photos.length ? tools.plural(photos.length, "photo") + " chosen." : "");
    const field = tools.make("input", { id: "f-photo", type: "file", accept: "image/*", capture: "environment", "aria-describedby": "h-photo", onchange: async (event) => {
      for (const file of event.target.files) {
        const made = await window.phonePhoto.prepare(file);
        if (made.refused) told.textContent = made.refused;
        else { photos.push(made.picture); await keepDraft(); told.textContent = tools.plural(photos.length, "photo") + " chosen, kept with this task."; }
      }
      event.target.value = "";
    } });
    return tools.make("p", {}, tools.make("label", { for: "f-photo" }, "Photo (may stay empty)"), field, told);
  }

  function aside(title, label, button, done, tools) {
    const field = tools.make("input", { id: "w-" + button.length, maxlength: "300", required: true });
    return tools.make("details", {}, tools.make("summary", {}, title), tools.make("form", { class: "stack", onsubmit: (event) => { event.preventDefault(); if (field.value.trim()) done(field.value.trim()); else field.focus(); } },
      tools.make("p", {}, tools.make("label", { for: field.id }, label), field), tools.make("p", {}, tools.make("button", { class: "second" }, button))));
  }

  async function screen(found, tools) {
    if (!found || tools.ownEntry(found.task) || !found.task.offered) return null;
    const { make } = tools;
    const { task, kind, heater, visit } = found;
    const draft = (await tools.store.get("drafts", task.id)) || { values: {} };
    // Half filled in before the reader changed her units: a number would now mean something else.
    if (Boolean(draft.metric) !== found.metric) for (const field of kind.fields) if (field.type === "number") delete draft.values[field.name];
    const photos = draft.photos || [];
    const box = make("form", { class: "stack", novalidate: true });
    const keepDraft = () => tools.store.put("drafts", { id: task.id, metric: found.metric, values: readForm(box), photos: photos });
    const fill = (values, looked) => {
      const problems = looked ? looked.problems : {};
      box.replaceChildren(
        looked ? make("div", { class: "danger", role: "alert", tabindex: "-1" }, make("p", {}, "Please look again:"), tools.list(kind.fields.filter((field) => problems[field.name]).map((field) => field.label + ": " + problems[field.name]))) : "",
        ...kind.fields.map((field) => question(field, values, problems[field.name], tools)),
        make("p", {}, make("label", { for: "f-note" }, "Note (may stay empty)"), make("textarea", { id: "f-note", name: "note", maxlength: "1000" }, values.note || "")),
        photoField(photos, keepDraft, tools),
        looked && looked.odd ? make("p", {}, make("label", { class: "tap" }, make("input", { type: "checkbox", name: "sure", value: "1" }), " I looked again: the unusual values are right")) : "",
        make("p", {}, make("button", {}, "Record as done")));
      if (looked) box.querySelector("[role=alert]").focus();
    };
    box.addEventListener("input", keepDraft);
    let saving = false;
    box.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (saving) return;
      saving = true;
      try {
        const looked = await save(box, found, tools, photos);
        if (looked) fill(readForm(box), looked);
      } finally { saving = false; }
    });
    fill(draft.values, null);
    const unsafe = async (words) => { if (await tools.keep([await tools.entry("unsafe", "Unsafe, " + heater.tag, { task: task.id, words: words }, { unsafe: [words] })], undefined, "Stop. Kept on this phone; sent as soon as there is a signal.")) location.hash = "#/h/" + heater.id; };
    const leave = async (words) => { if (await tools.keep([await tools.entry("left_out", "Left out: " + kind.name + ", " + heater.tag, { task: task.id, words: words })], task.id)) location.hash = "#/h/" + heater.id; };
    const work = task.stopped ? [make("p", { class: "danger" }, "Stopped by an unsafe finding. It opens again when that is closed with its follow-up.")]
      : [make("section", { "aria-labelledby": "found" }, make("h2", { id: "found" }, "What did you find?"), box), aside("Leave it out this time", "Why?", "Leave out", leave, tools)];
    return [make("p", { class: "trail" }, tools.link("", "Today"), " › ", tools.link("v/" + visit.id, visit.building), " › ", tools.link("h/" + heater.id, heater.tag)),
      make("h1", { tabindex: "-1" }, kind.name), make("p", { class: "lead" }, heater.tag + ", " + heater.kind + ": " + heater.where + "."),
      make("p", {}, "Due " + tools.dayWords(task.due_on) + (task.late ? " (past its day)" : "") + ". " + task.why + " About " + tools.howLong(kind.minutes) + "."),
      tools.unsafeBox(heater), cautions(found, tools), tools.shutOff(heater, false),
      make("section", { "aria-labelledby": "steps" }, make("h2", { id: "steps" }, "Steps"), task.stopped ? make("p", { class: "caution" }, "Its steps stand here again once the unsafe finding is closed.") : tools.list(kind.steps, "ol"), make("p", { class: "source" }, "How often and why: " + kind.source + ".")),
      ...work, aside("Something is unsafe that is not asked above", "What is unsafe?", "Stop the task and raise an alert", unsafe, tools)];
  }

  window.phoneTask = { screen };
})();
