// Entry of a level: large keys for wet gloves, the keyboard as well, and a second question where
// the station asks one.

import { h, mark, show, text } from "./dom.js";
import { act } from "./link.js";

const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "back"];
const LONGEST = 8;

const WORDS = { in: "inches", mm: "millimetres" };

/** What the digits mean, in a sentence. */
export function meaning(of, readings) {
  const unit = readings.unit;
  const marks = !readings.mark ? ""
    : readings.betweenMarks === "higher" ? ` Between two marks (every ${readings.mark} ${unit}) the higher one counts.`
    : readings.betweenMarks === "nearest" ? ` Between two marks (every ${readings.mark} ${unit}) the nearest one counts.`
    : ` Marks stand every ${readings.mark} ${unit}.`;
  if (of === "sediment") return `Top of the sediment, in ${WORDS[unit] ?? unit}.${marks}`;
  if (of === "clay") return `Top of the clay suspension, in ${WORDS[unit] ?? unit}.${marks}`;
  const offset = Number(readings.sandOffset ?? 0);
  return offset > 0
    ? `Level at the indicator, in ${WORDS[unit] ?? unit}; ${readings.sandOffset} ${unit} is taken off.${marks}`
    : `Level of the sand at the foot, in ${WORDS[unit] ?? unit}; nothing is taken off.${marks}`;
}

/** A panel for one specimen's place; `said` is where its outcome is shown. */
export function entryPanel(said) {
  const title = h("h4", {});
  const sense = h("p", { class: "quiet" });
  const digits = h("input", {
    class: "digits-in", inputMode: "none", autocomplete: "off", spellcheck: false, maxLength: LONGEST, "aria-label": "Level",
  });
  const unit = h("span", { class: "unit" });
  const send = h("button", { type: "submit", class: "act primary" }, "Enter");
  const question = h("p", { class: "question", hidden: true, role: "alert" });
  const keys = KEYS.map((key) => h("button", {
    type: "button", class: "key", "aria-label": key === "back" ? "Delete the last digit" : key === "." ? "Point" : key,
    on: { click: () => press(key) },
  }, key === "back" ? "⌫" : key));
  const node = h("form", { class: "entry", hidden: true, noValidate: true },
    title, sense, h("div", { class: "level" }, digits, unit), h("div", { class: "keys" }, ...keys), question, send);
  const panel = { node, specimen: null, of: null, asked: false };

  function press(key) {
    digits.value = key === "back" ? digits.value.slice(0, -1)
      : key === "." && digits.value.includes(".") ? digits.value
      : (digits.value + key).slice(0, LONGEST);
    changed();
  }
  function changed() {
    const clean = digits.value.replace(",", ".").replace(/[^0-9.]/g, "");
    if (clean !== digits.value) digits.value = clean;
    panel.asked = false;
    draw();
  }
  function draw() {
    show(question, panel.asked);
    mark(node, "asked", panel.asked || null);
    const value = digits.value ? ` ${digits.value} ${unit.textContent}` : "";
    text(send, panel.asked ? `It is right: enter${value} all the same` : `Enter the ${panel.of} reading${value}`);
    mark(send, "idle", digits.value === "" || null);
  }
  digits.addEventListener("input", changed);
  node.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!digits.value) return digits.focus();
    const { id, version } = panel.specimen;
    const what = { act: "enter-reading", specimen: id, of: panel.of, value: digits.value, confirmed: panel.asked };
    const answer = await act(what, { near: said, button: send, seen: version });
    if (answer.ok) {
      digits.value = "";
      panel.asked = false;
      panel.opened = null;
    } else if (answer.refusal?.refused === "confirm") {
      panel.asked = true;
      text(question, answer.refusal.question);
      text(said, "");
    }
    draw();
    return undefined;
  });

  /** Shows the panel for a level (`null`: none is asked for), keeping what is typed for it. */
  panel.update = (specimen, of) => {
    if (panel.specimen?.id !== specimen?.id || panel.of !== of) {
      digits.value = "";
      panel.asked = false;
    }
    panel.specimen = specimen;
    panel.of = of;
    show(node, of !== null);
    if (of === null) return;
    text(title, `${of[0].toUpperCase()}${of.slice(1)} reading`);
    text(sense, meaning(of, specimen.readings));
    text(unit, specimen.readings.unit);
    draw();
  };
  panel.focus = () => digits.focus();
  return panel;
}
