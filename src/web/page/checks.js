// One check of one item: what to do, what was found, and the results so far.

import { button, en, field, h, options, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";
import { count, listed, named, t } from "./words.js";

const SHAPES = { good: "●", "due-soon": "◔", "past-due": "▲", failed: "✕", "out-of-use": "○" };
const EVERY = { h: (n) => count("every.hour", n), d: (n) => count("every.day", n), mo: (n) => count("every.month", n) };
/** Fields of each way to check. */
const FIELDS = {
  "check-mass": ["zero", "value", "zero-after"], weigh: ["value"], "water-volume": ["empty", "value", "temperature"],
  rate: ["cycles", "seconds"], thermometer: ["value", "shown"], "network-time": [], value: ["value"], look: [],
};
/** Kinds of item that a check is made with. */
const WITH = { "check-mass": "check-mass", thermometer: "reference-thermometer" };
/** Ways that begin with a press: masses from the balance, cycles that are counted. */
const BEGUN = ["check-mass", "weigh", "water-volume", "rate"];

const SOON_MS = 2 * 86_400_000;

/** How an item or a check stands, in words with a sign. */
export const standing = (state) => `${SHAPES[state] ?? ""} ${named("standing", state)}`.trim();

/** Until when it holds: to the hour where that is soon, else the day. */
export function due(ms) {
  const soon = ms - (time.wallNow() ?? ms) < SOON_MS;
  return t("equipment.due", { when: soon ? time.when(ms) : time.day(ms) });
}

/** The block of a check; `draw(check, view)` keeps it current. */
export function checkBlock(id, name, how) {
  const near = said();
  const head = h("h4", {});
  const about = h("p", { class: "quiet about" });
  const instruction = h("p", { class: "instruction", lang: "en" });
  const under = h("p", { class: "awaited", hidden: true });
  const results = h("ul", { class: "rows results" });
  const form = checkForm(how);
  const stop = button(t("check.stop"), () => act({ act: "equipment", what: "stop-check" }, { near, button: stop }));
  form.append(h("div", { class: "acts" }, ...acts(id, name, how, form, near), stop), near);
  const node = h("section", { class: "check" }, head, about, instruction, under, form, results);
  node.draw = (check, view) => {
    node.dataset.state = check.state ?? "";
    rebuilt(head, [check.title, check.state], () => [en(check.title), `: ${check.state ? standing(check.state) : t("check.no-interval")}`]);
    text(about, listed([check.required && t("check.limits", { limits: check.required }), check.source,
      check.every && EVERY[check.every.unit](check.every.value), check.dueMs && due(check.dueMs)]));
    text(instruction, check.instruction);
    const known = view.items.filter((i) => i.kind === WITH[how]);
    if (WITH[how]) options(form.elements.with, [["", t("choose")], ...known.map((i) => [i.id, listed([i.id, i.class, i.nominal], " ")])]);
    const began = view.began && view.began.item === id && view.began.check === name ? view.began : null;
    show(stop, Boolean(began));
    show(under, Boolean(began));
    text(under, began ? underWay(began) : "");
    rebuilt(results, check.results, () => check.results.map(result));
  };
  return node;
}

function checkForm(how) {
  const withWhat = WITH[how] && field(t(`check-with.${how}`), h("select", { name: "with" }));
  const fields = FIELDS[how].map((name) => field(t(`check-field.${how}-${name}`),
    h("input", { name, inputMode: "decimal", autocomplete: "off", size: 9, maxLength: 16 })));
  const form = h("form", { class: "form", noValidate: true }, withWhat, ...fields,
    wordsField(t("check.note"), "note"), field(t("check.another-day"), h("input", { name: "day", type: "date" })));
  form.addEventListener("submit", (event) => event.preventDefault());
  return form;
}

/** The buttons that begin a check and record it. */
function acts(id, name, how, form, near) {
  const send = async (press, more) => {
    const day = form.elements.day.value;
    const statedMs = day ? Math.min(Date.parse(`${day}T12:00:00Z`), time.wallNow() ?? Infinity) : null;
    const what = { act: "equipment", what: "check", item: id, check: name, found: { ...found(form), ...more } };
    const answer = await act(what, { near, button: press, statedMs });
    if (answer.ok) form.reset();
  };
  if (how === "look") {
    const good = button(t("check.in-order"), () => send(good, { good: true }));
    const bad = button(t("equipment.not-in-order"), () => send(bad, { good: false }));
    return [good, bad];
  }
  const what = { act: "equipment", what: "begin-check", item: id, check: name };
  const begin = button(how === "rate" ? t("check.count") : t("weigh.now"), () => act(what, { near, button: begin }));
  const record = button(t("check.record"), () => send(record, {}));
  return BEGUN.includes(how) ? [begin, record] : [record];
}

/** What was filled in. */
function found(form) {
  const values = {};
  for (const { name, value } of form.elements) {
    if (!name || name === "day" || !value.trim()) continue;
    values[name] = name === "cycles" ? Number(value) : value.trim();
  }
  return values;
}

function underWay(began) {
  if (!began.wants) return t("check.counting", { time: time.clock(began.atMs) });
  return t("check.masses", { masses: began.masses.join(", ") || t("check.none-yet"), n: began.masses.length, wants: began.wants });
}

function result(r) {
  const more = (r.limits ? ` (${t("check.limits", { limits: r.limits })})` : "") + (r.note ? `; ${r.note}` : "");
  return h("li", { "data-good": String(r.good) },
    h("span", {}, h("b", {}, r.good ? t("check.good") : t("check.not-good")), ` ${r.detail}${more}`),
    h("span", { class: "quiet" }, listed([time.when(r.atMs, null), r.by], ", ")));
}
