// Entry of a level on the sheet: large keys for wet gloves, the keyboard as well. What the station would
// record is drawn on the cylinder while it is typed, and confirmed by entering it.

import { cylinder, inside } from "./cylinder.js";
import { en, h, mark, show, text } from "./dom.js";
import { act, isFresh } from "./link.js";
import { close, isShown, open } from "./sheet.js";
import { named, t } from "./words.js";

const KEYS = ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "back"];
const LONGEST = 8;
/** Between the last key and the question to the station, milliseconds. */
const TYPING_MS = 120;
/** A question that has just come takes no answer, milliseconds. */
const SETTLE_MS = 800;

/** What the digits mean, in a sentence. */
export function meaning(of, readings) {
  const unit = named("unit", readings.unit);
  const offset = Number(readings.sandOffset ?? 0);
  const what = of === "sand" ? t(offset > 0 ? "entry.sand-at-indicator" : "entry.sand-at-foot", { unit, offset: readings.sandOffset ?? "", symbol: readings.unit })
    : of === "clay" ? t("entry.clay", { unit }) : t("entry.sediment", { unit });
  if (!readings.mark) return what;
  const marks = { mark: readings.mark, symbol: readings.unit };
  const between = readings.betweenMarks === "higher" ? t("entry.marks-higher", marks)
    : readings.betweenMarks === "nearest" ? t("entry.marks-nearest", marks) : t("entry.marks", marks);
  return `${what} ${between}`;
}

/** A panel for one place; `said` is where its outcome is shown. */
export function entryPanel(said) {
  const drawing = cylinder(true);
  const sense = h("p", { class: "quiet" });
  const digits = h("input", { class: "digits-in", inputMode: "none", autocomplete: "off", spellcheck: false, maxLength: LONGEST, "aria-label": t("entry.level") });
  const unit = h("span", { class: "unit" });
  const recorded = h("p", { class: "recorded", role: "status" });
  const send = h("button", { type: "submit", class: "act primary" });
  const question = h("p", { class: "question", hidden: true, role: "alert" });
  const keys = KEYS.map((key) => h("button", {
    type: "button", class: "key", "aria-label": key === "back" ? t("entry.delete") : key === "." ? t("entry.point") : key,
    on: { click: () => press(key) },
  }, key === "back" ? "⌫" : key));
  const node = h("form", { class: "entry", noValidate: true }, drawing,
    h("div", { class: "tell" }, sense, h("div", { class: "level" }, digits, unit), recorded, question, send),
    h("div", { class: "keys" }, ...keys));
  const panel = { node, specimen: null, of: null, asked: false };
  let askedAt = -Infinity;
  let would = null;
  let typing = null;

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
    would = null;
    clearTimeout(typing);
    if (digits.value) typing = setTimeout(ask, TYPING_MS);
    draw();
  }
  /** What would be recorded: the station knows the rule, not the page. */
  async function ask() {
    if (!isFresh() || !panel.specimen) return;
    const value = digits.value;
    const query = new URLSearchParams({ specimen: panel.specimen.id, of: panel.of, value });
    const answer = await fetch(`/reading?${query}`, { signal: AbortSignal.timeout(4000) }).then(async (r) => [r.ok, await r.json()]).catch(() => null);
    if (!answer || digits.value !== value) return;
    would = { ok: answer[0], ...answer[1] };
    draw();
  }
  function draw() {
    if (!panel.specimen || panel.of === null) return;
    const symbol = panel.specimen.readings.unit;
    show(question, panel.asked);
    mark(node, "asked", panel.asked || null);
    const level = would?.ok ? would.recorded : null;
    const typed = level ?? (digits.value && panel.of !== "sand" ? digits.value : null);
    drawing.update({ ...inside(panel.specimen), aim: null, typed: typed === null || Number.isNaN(Number(typed)) ? null : Number(typed) });
    recorded.replaceChildren(...(!would ? [] : !would.ok ? ["▲ ", en(would.text)]
      : [t("entry.recorded"), " ", h("b", {}, `${would.recorded} ${symbol}`), " ",
        Number(would.offset) > 0 ? t("entry.taken-off", { offset: would.offset, reading: would.reading, symbol }) : "",
        would.moved ? ` ${t("entry.moved", { reading: would.reading, symbol })}` : ""]));
    mark(recorded, "kind", would && !would.ok ? "refused" : null);
    const value = level ?? digits.value;
    text(send, panel.asked ? t("entry.send-all-the-same", { value, symbol }) : value ? t("entry.send", { value, symbol }) : t("entry.type"));
    mark(send, "idle", digits.value === "" || null);
  }
  digits.addEventListener("input", changed);
  node.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!digits.value) return digits.focus();
    // The second half of a double tap must not answer a question that nobody has read.
    if (send.hasAttribute("aria-busy") || performance.now() - askedAt < SETTLE_MS) return undefined;
    const { id, version } = panel.specimen;
    const what = { act: "enter-reading", specimen: id, of: panel.of, value: digits.value, confirmed: panel.asked };
    const answer = await act(what, { near: said, button: send, seen: version });
    if (answer.ok) {
      digits.value = "";
      would = null;
      panel.asked = false;
    } else if (answer.refusal?.refused === "confirm") {
      panel.asked = true;
      askedAt = performance.now();
      text(question, answer.refusal.question);
      text(said, "");
    }
    draw();
    return undefined;
  });

  const title = () => t("entry.title", { label: panel.specimen.label, level: named("level", panel.of) });
  let place = null;

  /** Brings the panel in line with the specimen; `of`: the level that is asked for, or null. */
  panel.update = (specimen, of, number) => {
    const other = panel.specimen?.id !== specimen?.id || panel.of !== of;
    // Somebody else has acted on it: what was asked is no longer the question.
    if (panel.specimen?.version !== specimen?.version) panel.asked = false;
    if (other) {
      digits.value = "";
      would = null;
      panel.asked = false;
    }
    panel.specimen = specimen;
    panel.of = of;
    place = number;
    if (of === null) return close(node);
    text(sense, meaning(of, specimen.readings));
    text(unit, specimen.readings.unit);
    // The next level of the same cylinder follows on the same sheet.
    if (other && isShown(node)) panel.open();
    draw();
    return undefined;
  };
  panel.open = () => {
    open({ title: title(), number: place, node, closed: () => panel.closed?.() });
    // After what lay there before has taken its own words away.
    node.append(said);
    digits.focus();
  };
  return panel;
}
