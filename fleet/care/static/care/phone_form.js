/* Reading what was found, by the same limits as the server: beyond the usual range it is asked once again. */
"use strict";
(function () {
  function usual(field) {
    return field.usual_low + " to " + field.usual_high + " " + field.unit;
  }

  function isUnsafe(field, value) {
    if (field.type !== "number") return (field.unsafe || []).includes(value);
    return (field.unsafe_above !== undefined && value > field.unsafe_above) || (field.unsafe_below !== undefined && value < field.unsafe_below);
  }

  function readNumber(field, text) {
    if (/^-?\d{1,3},\d{3}$/.test(text)) return { problem: "can be read in two ways. Write it without the comma." };
    const number = Number(text.replace(",", "."));
    if (!Number.isFinite(number)) return { problem: "'" + text + "' is not a number. Usual is " + usual(field) + "." };
    if (number < field.low || number > field.high) {
      return { problem: number + " " + field.unit + " cannot be; " + field.low + " to " + field.high + " " + field.unit + " can. Usual is " + usual(field) + "." };
    }
    return { number: number, unusual: number < field.usual_low || number > field.usual_high };
  }

  /* { problems: {name: words}, unsafe: [words], odd: true where only the usual range is left } */
  function check(fields, answers, sure) {
    const problems = {};
    const unsafe = [];
    let odd = false;
    for (const field of fields) {
      const text = (answers[field.name] || "").trim();
      if (!text) {
        if (!field.may_stay_empty) problems[field.name] = "Nothing entered.";
        continue;
      }
      if (field.type !== "number") {
        if (isUnsafe(field, text)) unsafe.push(field.label + ": " + text);
        continue;
      }
      const read = readNumber(field, text);
      if (read.problem) problems[field.name] = read.problem;
      else if (isUnsafe(field, read.number)) unsafe.push(field.label + ": " + text + " " + field.unit);
      else if (read.unusual && !sure) {
        odd = true;
        problems[field.name] = text + " " + field.unit + "? Usual is " + usual(field) + ".";
      }
    }
    return { problems: problems, unsafe: unsafe, odd: odd };
  }

  window.phoneForm = { check, usual };
})();
