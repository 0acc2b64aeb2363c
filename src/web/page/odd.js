// What goes otherwise than planned: notes at a touch, an interrupted run, a wrong place or a
// carried cylinder, weighings given their place, samples planned anew or withdrawn.

import { button as plain, byStation, capital, find, h, options, rebuilt, sentence, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";
import { count, named, t } from "./words.js";

const NOTES = ["bumped", "spilled", "leaked", "foot-dropped"];

/** Two touches within this time are one. */
const TREMBLE_MS = 1000;

/** An act on the specimen that the card shows now. */
const send = (card, button, make, seen = true) => {
  const { id, version } = card.specimen;
  return act(make(id), { near: card.said, button, ...(seen ? { seen: version } : {}) });
};

const press = (words, call) => {
  let last = -Infinity;
  const button = plain(words, () => {
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
    h("label", {}, t("odd.words"), sentence("text")),
    h("button", { class: "act" }, t("odd.note")));
  words.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { text: field } = words.elements;
    const answer = await send(card, find("button", words), (specimen) => ({ act: "note-specimen", specimen, note: "words", text: field.value }), false);
    if (answer.ok) field.value = "";
  });
  const place = h("form", { class: "form moved" },
    h("p", {}, t("odd.place")),
    h("label", {}, t("odd.to-place"), h("select", { name: "place" })),
    h("button", { class: "act", name: "correct" }, t("odd.stood-there")),
    h("button", { class: "act", name: "move" }, t("odd.carried")));
  place.addEventListener("submit", (event) => {
    event.preventDefault();
    const [number, swap] = JSON.parse(place.elements.place.value);
    const moved = event.submitter?.name === "move";
    send(card, event.submitter, (specimen) => (moved
      ? { act: "move-cylinder", specimen, place: number }
      : { act: "correct-place", specimen, place: number, swap }));
  });
  return h("div", { class: "odd" },
    h("p", {}, t("odd.happened")),
    h("div", { class: "acts notes" }, ...NOTES.map((note) =>
      press(capital(t(`incident.${note}`)), (button) => send(card, button, (specimen) => ({ act: "note-specimen", specimen, note }), false)))),
    words, h("ul", { class: "noted quiet" }), h("div", { class: "interrupted" }), place);
}

/** Brings it in line with the specimen; `places` are those of the whole bench. */
export function drawOdd(card, specimen, places) {
  const box = find(".odd", card.rest);
  const { notes, runs, interruption } = specimen.odd;
  rebuilt(find(".noted", box), notes, () => notes.map((n) => h("li", {}, noteWords(n))));
  const over = specimen.complete || specimen.voided !== null;
  rebuilt(find(".interrupted", box), [specimen.id, runs, interruption, over], () => {
    if (runs < 2 || over) return [];
    const say = (words, counts) => press(words, (button) => send(card, button, (id) => ({ act: "interrupted-run", specimen: id, counts })));
    const said = interruption === null ? "" : ` ${t(interruption.counts ? "runs.said-sum" : "runs.said-first")}`;
    return [
      h("p", {}, `${count("runs.ran", runs)}${said}`),
      h("div", { class: "acts" }, say(t("runs.sum"), true), say(t("runs.first"), false)),
    ];
  });
  const others = (places ?? []).filter((p) => p.specimen?.id !== specimen.id);
  options(find(".moved select", box), others.map((p) => [
    JSON.stringify([p.place, Boolean(p.specimen)]), p.specimen ? t("odd.swap", { place: p.place, label: p.specimen.label }) : String(p.place)]));
}

function noteWords({ kind, text: words, atMs, by }) {
  const what = kind === "words" ? words : `${capital(named("incident", kind))}${words ? `: ${words}` : ""}`;
  return `${time.when(atMs)} ${what}${by ? `, ${by}` : ""}`;
}

/** The part of a sample for its number of specimens and its withdrawal; `node.sample` is the sample. */
export function planOf(node, near) {
  const plan = h("form", { class: "form plan" },
    h("label", {}, t("plan.specimens"), h("input", { name: "specimens", inputMode: "numeric", pattern: "[0-9]*", maxLength: 2, size: 4, autocomplete: "off" })),
    h("button", { class: "act" }, t("plan.send")));
  plan.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { specimens } = plan.elements;
    const answer = await act({ act: "plan-specimens", sample: node.sample.id, specimens: Number(specimens.value) }, { near, button: find("button", plan) });
    if (answer.ok) specimens.value = "";
  });
  const withdraw = h("form", { class: "form withdraw" },
    h("label", {}, t("withdraw.why"), sentence()),
    h("button", { class: "act" }, t("withdraw.send")));
  withdraw.addEventListener("submit", (event) => {
    event.preventDefault();
    act({ act: "withdraw-sample", sample: node.sample.id, reason: withdraw.elements.reason.value }, { near, button: find("button", withdraw) });
  });
  return [plan, withdraw];
}

export function drawPlan(node, sample) {
  show(find(".plan", node), sample.reported === null);
  show(find(".withdraw", node), sample.mayWithdraw);
  const again = sample.repeat ? [`${sample.repeat.text} ${t("plan.repeat", sample.repeat)}`] : [];
  byStation(text(find(".again", node), [...again, ...sample.waits].map((words) => `▲ ${words}`).join(" ")));
}

/** Weighings in sight, each with what it can be given to. */
export function weighings(balance, near) {
  const list = (caption, items, verb, of) => items.length > 0 && [
    h("p", { class: "quiet" }, caption),
    h("ul", { class: "rows" }, ...items.map((w) => {
      const choices = h("div", { class: "acts" }, ...balance.targets.map(({ target, words }) =>
        press(words, (button) => act({ act: verb, weighing: w.id, target }, { near, button }))));
      return h("li", {}, h("details", {}, h("summary", {}, `${w.mass}, ${time.when(w.atMs)}${of(w)}`),
        h("a", { class: "link", href: `/record/${w.id}` }, t("weighing.itself")),
        h("p", {}, balance.targets.length ? t("weighing.of") : t("weighing.no-target")), choices));
    })),
  ];
  return [
    ...(list(t("weighing.kept"), balance.kept, "place-weighing", () => "") || []),
    ...(list(t("weighing.given"), balance.given, "reassign-weighing", (w) => `: ${w.of}`) || []),
  ];
}
