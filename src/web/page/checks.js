// One check of one item: what to do, what was found, and the results so far.

import { find, h, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";

export const STATES = {
  good: "● good", "due-soon": "◔ due soon", "past-due": "▲ past due", failed: "✕ failed", "out-of-use": "○ out of use",
};
const SPANS = { h: "hours", d: "days", mo: "months" };
const WEIGHED = { "check-mass": 1, weigh: 1, "water-volume": 2 };
// Fields of each way to check: name, words, and whether a number is wanted.
const FIELDS = {
  "check-mass": [["zero", "Zero before, g"], ["value", "Shows, if not taken from the balance, g"], ["zero-after", "Zero after, g"]],
  weigh: [["value", "Mass, if not taken from the balance"]],
  "water-volume": [["empty", "Empty, if not from the balance, g"], ["value", "Full, if not from the balance, g"], ["temperature", "Water °C, if not from the probe"]],
  rate: [["cycles", "Complete cycles"], ["seconds", "In seconds, if not begun here"]],
  thermometer: [["value", "Reference shows"], ["shown", "Probe shows, if not read by the station"]],
  "network-time": [],
  value: [["value", "Measured"]],
  look: [],
};
const WITH = { "check-mass": "check-mass", thermometer: "reference-thermometer" };

const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);

/** The block of a check; `draw(item, check, view)` keeps it current. */
export function checkBlock(id, name, how) {
  const near = h("p", { class: "said" });
  const head = h("h4", {});
  const about = h("p", { class: "quiet about" });
  const instruction = h("p", { class: "instruction" });
  const under = h("p", { class: "awaited", hidden: true });
  const results = h("ul", { class: "rows results" });
  const withWhat = WITH[how] ? h("select", { name: "with" }) : null;
  const fields = FIELDS[how].map(([field, words]) => h("label", {}, `${words} `,
    h("input", { name: field, inputMode: "decimal", autocomplete: "off", size: 9, maxLength: 16 })));
  const note = h("label", {}, "Note ", h("input", { name: "note", maxLength: 200, autocomplete: "off" }));
  const made = h("label", {}, "Made on another day ", h("input", { name: "day", type: "date" }));
  const form = h("form", { class: "form", noValidate: true },
    withWhat && h("label", {}, how === "check-mass" ? "Check mass " : "Reference ", withWhat), ...fields, note, made);

  const found = (more = {}) => {
    const values = { ...more };
    for (const input of form.querySelectorAll("input, select")) {
      const value = input.value.trim();
      if (!value || input.name === "day") continue;
      values[input.name] = input.name === "cycles" ? Number(value) : value;
    }
    return values;
  };
  const send = async (press, more) => {
    const day = find("[name=day]", form).value;
    const statedMs = day ? Math.min(Date.parse(`${day}T12:00:00Z`), time.wallNow() ?? Infinity) : null;
    const answer = await act({ act: "equipment", what: "check", item: id, check: name, found: found(more) }, { near, button: press, statedMs });
    if (answer.ok) form.reset();
  };
  const buttons = h("div", { class: "acts" });
  const begin = WEIGHED[how] || how === "rate"
    ? button(how === "rate" ? "Begin to count" : "Weigh now", () => act({ act: "equipment", what: "begin-check", item: id, check: name }, { near, button: begin }))
    : null;
  const stop = button("Stop", () => act({ act: "equipment", what: "stop-check" }, { near, button: stop }));
  const good = button(how === "look" ? "In order" : "Record the check", () => send(good, how === "look" ? { good: true } : {}));
  const bad = how === "look" ? button("Not in order", () => send(bad, { good: false })) : null;
  buttons.append(...[begin, good, bad, stop].filter(Boolean));
  form.append(buttons, near);
  form.addEventListener("submit", (event) => event.preventDefault());

  const node = h("section", { class: "check" }, head, about, instruction, under, form, results);
  node.draw = (check, view) => {
    node.dataset.state = check.state ?? "";
    text(head, `${check.title}: ${STATES[check.state] ?? "not required at an interval"}`);
    const every = check.every ? `every ${check.every.value} ${SPANS[check.every.unit]}` : null;
    const due = check.dueMs ? `due ${time.when(check.dueMs, null)}` : null;
    text(about, [check.required && `limits ${check.required}`, check.source, every, due].filter(Boolean).join(" · "));
    text(instruction, check.instruction);
    if (withWhat) {
      const known = view.items.filter((i) => i.kind === WITH[how]);
      options(withWhat, [["", "choose"], ...known.map((i) => [i.id, `${i.id} ${i.class ?? ""} ${i.nominal ?? ""}`.trim()])]);
    }
    const began = view.began && view.began.item === id && view.began.check === name ? view.began : null;
    show(stop, Boolean(began));
    show(under, Boolean(began));
    if (began) {
      text(under, began.wants ? `Stable masses taken: ${began.masses.join(", ") || "none yet"} (${began.masses.length} of ${began.wants})`
        : `Counting since ${time.clock(began.atMs)}`);
    }
    rebuilt(results, check.results, () => check.results.map((r) => h("li", { "data-good": String(r.good) },
      h("span", {}, h("b", {}, r.good ? "● good" : "✕ not good"), ` ${r.detail}`, r.limits ? ` (limits ${r.limits})` : "", r.note ? `; ${r.note}` : ""),
      h("span", { class: "quiet" }, `${time.when(r.atMs, null)}, ${r.by ?? ""}`))));
  };
  return node;
}
