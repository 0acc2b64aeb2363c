// What goes otherwise than planned: notes at a touch, an interrupted run, a wrong place or a
// carried cylinder, weighings given their place, samples planned anew or withdrawn.

import { find, h, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";

const NOTES = { bumped: "Bumped", spilled: "Spilled", leaked: "Leaked", "foot-dropped": "Foot dropped" };

/** Two touches within this time are one. */
const TREMBLE_MS = 1000;

/** An act on the specimen that the card shows now. */
const send = (card, button, make, seen = true) => {
  const { id, version } = card.specimen;
  return act(make(id), { near: card.said, button, ...(seen ? { seen: version } : {}) });
};

const press = (words, call) => {
  const button = h("button", { type: "button", class: "act" }, words);
  let last = -Infinity;
  button.addEventListener("click", () => {
    // A finger that trembles means it once.
    const now = performance.now();
    if (button.hasAttribute("aria-busy") || now - last < TREMBLE_MS) return;
    last = now;
    call(button);
  });
  return button;
};

/** The part of a place's 'more' for what goes otherwise; `card` is its place. */
export function oddOf(card) {
  const words = h("form", { class: "form words" },
    h("label", {}, "Or in words ", h("input", { name: "text", maxLength: 200, autocomplete: "off" })),
    h("button", { class: "act" }, "Note it"));
  words.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { text: field } = words.elements;
    const answer = await send(card, find("button", words), (specimen) => ({ act: "note-specimen", specimen, note: "words", text: field.value }), false);
    if (answer.ok) field.value = "";
  });
  const place = h("form", { class: "form moved" },
    h("p", {}, "The place is wrong, or the cylinder was carried"),
    h("label", {}, "Place ", h("select", { name: "place" })),
    h("button", { class: "act", name: "correct" }, "It always stood there"),
    h("button", { class: "act", name: "move" }, "I carried it there now"));
  place.addEventListener("submit", (event) => {
    event.preventDefault();
    const [number, swap] = JSON.parse(place.elements.place.value);
    const moved = event.submitter?.name === "move";
    send(card, event.submitter, (specimen) => (moved
      ? { act: "move-cylinder", specimen, place: number }
      : { act: "correct-place", specimen, place: number, swap }));
  });
  return h("div", { class: "odd" },
    h("p", {}, "Something happened: one touch notes it"),
    h("div", { class: "acts notes" }, ...Object.entries(NOTES).map(([note, label]) =>
      press(label, (button) => send(card, button, (specimen) => ({ act: "note-specimen", specimen, note }), false)))),
    words, h("ul", { class: "noted quiet" }), h("div", { class: "interrupted" }), place);
}

/** Brings it in line with the specimen; `places` are those of the whole bench. */
export function drawOdd(card, specimen, places) {
  const box = find(".odd", card.rest);
  const { notes, runs, interruption } = specimen.odd;
  rebuilt(find(".noted", box), notes, () => notes.map((n) =>
    h("li", {}, `${time.when(n.atMs)} ${NOTES[n.kind] ?? ""}${n.kind !== "words" && n.text ? ": " : ""}${n.text ?? ""}${n.by ? `, ${n.by}` : ""}`)));
  const over = specimen.complete || specimen.voided !== null;
  rebuilt(find(".interrupted", box), [specimen.id, runs, interruption, over], () => {
    if (runs < 2 || over) return [];
    const say = (words, counts) => press(words, (button) => send(card, button, (id) => ({ act: "interrupted-run", specimen: id, counts })));
    const said = interruption === null ? "" : interruption.counts ? " Said: the sum counts." : " Said: the first run alone counts.";
    return [
      h("p", {}, `The shaker ran ${runs} times. Was the run interrupted?${said}`),
      h("div", { class: "acts" }, say("Interrupted: the sum of the runs counts", true), say("Interrupted: the first run alone counts", false)),
    ];
  });
  const others = (places ?? []).filter((p) => p.specimen?.id !== specimen.id);
  options(find(".moved select", box), others.map((p) => [
    JSON.stringify([p.place, Boolean(p.specimen)]), p.specimen ? `${p.place}, and ${p.specimen.label} here` : String(p.place)]));
}

/** The part of a sample for its number of specimens and its withdrawal; `node.sample` is the sample. */
export function planOf(node, near) {
  const plan = h("form", { class: "form plan" },
    h("label", {}, "Specimens planned ", h("input", { name: "specimens", inputMode: "numeric", pattern: "[0-9]*", maxLength: 2, size: 4, autocomplete: "off" })),
    h("button", { class: "act" }, "Plan so many"));
  plan.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { specimens } = plan.elements;
    const answer = await act({ act: "plan-specimens", sample: node.sample.id, specimens: Number(specimens.value) }, { near, button: find("button", plan) });
    if (answer.ok) specimens.value = "";
  });
  const withdraw = h("form", { class: "form withdraw" },
    h("label", {}, "Registered by mistake, because ", h("input", { name: "reason", maxLength: 200, autocomplete: "off" })),
    h("button", { class: "act" }, "Withdraw the sample"));
  withdraw.addEventListener("submit", (event) => {
    event.preventDefault();
    act({ act: "withdraw-sample", sample: node.sample.id, reason: withdraw.elements.reason.value }, { near, button: find("button", withdraw) });
  });
  return [plan, withdraw];
}

export function drawPlan(node, sample) {
  show(find(".plan", node), sample.reported === null);
  show(find(".withdraw", node), sample.mayWithdraw);
  const again = sample.repeat ? [`${sample.repeat.text} ${sample.repeat.begun} begun, ${sample.repeat.complete} complete.`] : [];
  text(find(".again", node), [...again, ...sample.waits].map((words) => `▲ ${words}`).join(" "));
}

/** Weighings in sight, each with what it can be given to. */
export function weighings(balance, near) {
  const list = (caption, items, verb, of) => items.length > 0 && [
    h("p", { class: "quiet" }, caption),
    h("ul", { class: "rows" }, ...items.map((w) => {
      const choices = h("div", { class: "acts" }, ...balance.targets.map(({ target, words }) =>
        press(words, (button) => act({ act: verb, weighing: w.id, target }, { near, button }))));
      return h("li", {}, h("details", {}, h("summary", {}, `${w.mass}, ${time.when(w.atMs)}${of(w)}`),
        h("a", { class: "link", href: `/record/${w.id}` }, "The weighing itself"),
        balance.targets.length ? h("p", {}, "It is of") : h("p", {}, "Register a sample to give it to."), choices));
    })),
  ];
  return [
    ...(list("Weighings that nothing waited for: touch one to give it its place", balance.kept, "place-weighing", () => "") || []),
    ...(list("Weighings that have a place: touch one to give it to another", balance.given, "reassign-weighing", (w) => `: ${w.of}`) || []),
  ];
}
