// One place of the bench: its cylinder, its countdown, its next act.

import { find, h, keyed, mark, options, rebuilt, show, text } from "./dom.js";
import { correctPanel } from "./correct.js";
import { entryPanel } from "./entry.js";
import { act } from "./link.js";
import { drawOdd, oddOf } from "./odd.js";
import * as time from "./time.js";

const STAGES = { idle: "not started", turn: "your turn", free: "no limit", early: "running", soon: "soon", open: "now", over: "overrun", done: "complete", void: "given up" };
const SHAPES = { idle: "○", turn: "◆", free: "◇", early: "◔", soon: "◑", open: "●", over: "▲", done: "✓", void: "✗" };

/** Just after the act under a finger has changed, a press is not taken. */
const SETTLE_MS = 500;

export const capital = (words) => (words ? words[0].toUpperCase() + words.slice(1) : "");

/** Makes the card of a place. */
export function makePlace({ place }) {
  const said = h("p", { class: "said" });
  const entry = entryPanel(said);
  const card = h("article", { class: "place", tabIndex: -1, "aria-labelledby": `place-${place}` },
    h("div", { class: "glass", "aria-hidden": "true" }, h("i", { class: "window" }), h("i", { class: "liquid" }), h("i", { class: "marks" })),
    h("div", { class: "card" },
      h("header", {}, h("span", { class: "number", title: `Place ${place}` }, String(place)),
        h("div", {}, h("h3", { id: `place-${place}` }), h("span", { class: "stage" }))),
      h("div", { class: "count" }, h("b", { class: "digits" }), h("span", { class: "caption" })),
      h("p", { class: "doing" }),
      h("p", { class: "outcome" }),
      h("div", { class: "todo" }),
      entry.node, said,
      h("ul", { class: "deviations" }),
      h("details", { class: "more" }),
      h("form", { class: "free form" })));
  card.correct = correctPanel(said);
  find(".more", card).append(card.correct.node, ...moreOf(card));
  card.entry = entry;
  card.said = said;
  return card;
}

/** Brings a card in line with its place; `samples` are those that can still give a tin. */
export function updatePlace(card, { place, specimen }, samples, places) {
  card.specimen = specimen;
  card.seenAt = performance.now();
  mark(card, "empty", specimen ? null : "yes");
  text(find("h3", card), specimen ? specimen.label : "free");
  const free = find(".free", card);
  show(free, !specimen);
  for (const part of [".count", ".doing", ".outcome", ".todo", ".deviations", ".more"]) show(find(part, card), Boolean(specimen));
  if (card.shown !== (specimen?.id ?? null)) {
    // Another cylinder: nothing said or opened for the last one belongs to it.
    if (card.shown) find(".more", card).open = false;
    if (card.shown && specimen) text(card.said, "");
    card.opened = null;
    card.shown = specimen?.id ?? null;
  }
  if (!specimen) {
    card.entry.update(null, null);
    drawFree(free, place, samples, card.said);
  } else if (specimen.fault) {
    text(find(".doing", card), specimen.fault);
  } else {
    drawSpecimen(card, specimen);
    drawOdd(card, specimen, places);
  }
  tickPlace(card);
}

function drawSpecimen(card, specimen) {
  const { running, next, readings } = specimen;
  const first = next[0];
  text(find(".doing", card), running && !specimen.complete
    ? `${capital(running.step)}${running.window ? `, window ${windowWords(running)}` : ", no limit"}${running.clock === "wall-clock" ? " (by wall clock: the machine was restarted)" : ""}`
    : "");
  const levels = [
    specimen.voided !== null && `given up: ${specimen.voided}`,
    specimen.clay && `clay ${specimen.clay} ${readings.unit}`,
    specimen.sand && `sand ${specimen.sand} ${readings.unit}`,
    specimen.mass && `${specimen.portion ? "portion" : "tin"} ${specimen.mass}`,
    specimen.noLineYet > 0 && `no line yet, said ${specimen.noLineYet}×`,
    specimen.odd.late && "no line in time: new specimens are called for, this one does not count",
  ].filter(Boolean).join(" · ");
  rebuilt(find(".outcome", card), [specimen.result, levels], () => [
    specimen.result && specimen.voided === null && h("span", { class: "value" }, h("small", {}, "sand equivalent "), specimen.result),
    levels && h("span", { class: "levels" }, levels),
  ]);
  const asked = first?.entry ?? null;
  if (card.opened && !next.some((p) => p.entry === card.opened)) card.opened = null;
  card.entry.update(specimen, asked ?? card.opened);
  drawTodo(card, specimen, first);
  rebuilt(find(".deviations", card), specimen.deviations, () => specimen.deviations.map(deviation));
  drawMore(card, specimen);
}

function windowWords({ opensMs, closesMs }) {
  if (opensMs !== null && closesMs !== null) return `${time.span(opensMs)} to ${time.span(closesMs)}`;
  return opensMs !== null ? `from ${time.span(opensMs)} on` : `up to ${time.span(closesMs)}`;
}

export function deviation(d) {
  return h("li", {}, h("b", {}, capital(d.what)), ` required ${d.required}, actual ${d.actual}${d.by ? ` (by ${d.by})` : ""}`);
}

/** A button that acts on the card's specimen as it is shown when it is pressed. */
function actButton(card, words, make, kind = "") {
  const button = h("button", { type: "button", class: `act ${kind}` }, words);
  button.addEventListener("click", () => {
    if (button.hasAttribute("aria-busy")) return;
    // The finger aimed at what stood here before (a double tap, or another hand's act).
    if (performance.now() - (card.changedAt ?? -Infinity) < SETTLE_MS) {
      text(card.said, "The act changed as you pressed: nothing was sent. Look, and press again if it is meant.");
      card.said.dataset.kind = "refused";
      return;
    }
    const { id, version } = card.specimen;
    act(make(id), { near: card.said, button, seen: version });
  });
  return button;
}

function drawTodo(card, specimen, first) {
  const stuff = [specimen.id, first, specimen.inFurtherRun, specimen.mayLackLine];
  const todo = find(".todo", card);
  const held = todo.contains(document.activeElement);
  const changed = rebuilt(todo, stuff, () => {
    if (specimen.inFurtherRun) return [actButton(card, "Further run ends", (id) => ({ act: "mark-next", specimen: id }), "primary")];
    if (!first) return [];
    const words = specimen.complete || specimen.voided !== null ? "Cylinder clean" : capital(first.text);
    return [
      !first.entry && actButton(card, words, (id) => ({ act: "mark-next", specimen: id }), "primary"),
      !first.entry && h("p", { class: "instruction" }, first.instruction + (first.level ? ` Level: ${first.level}.` : "")),
      first.entry && h("p", { class: "instruction" }, first.instruction),
      specimen.mayLackLine && actButton(card, "No line yet", (id) => ({ act: "no-line-yet", specimen: id })),
    ];
  });
  if (changed) {
    if (card.drawn) card.changedAt = performance.now();
    card.drawn = true;
    // The keyboard stays at this place, but not on the next act: a second Enter must not do it.
    if (held) card.focus({ preventScroll: true });
  }
}

function moreOf(card) {
  return [h("summary", {}, "More"),
    h("div", { class: "undo" }),
    h("div", { class: "others" }),
    h("form", { class: "form missed" },
      h("p", {}, "A press was missed: state its time"),
      h("label", {}, "What happened ", h("select", { name: "what" })),
      h("label", {}, "When ", h("input", { name: "when", inputMode: "numeric", placeholder: "HH:MM:SS", maxLength: 8, autocomplete: "off", size: 9 })),
      h("button", { class: "act" }, "State this time")),
    oddOf(card),
    h("div", { class: "masses" }),
    h("form", { class: "form void" },
      h("p", {}, "Bumped, spilled, leaking, wrong tin: give the specimen up"),
      h("label", {}, "Why ", h("input", { name: "reason", maxLength: 200, autocomplete: "off" })),
      h("button", { class: "act" }, "Give it up: it does not count"))];
}

function drawMore(card, specimen) {
  const more = find(".more", card);
  drawUndo(card, specimen);
  const levels = ["clay", "sand"].filter((of) => specimen[of]).map((of) => ({ of, text: specimen.entered[of] }));
  card.correct.update({ ...specimen, levels, over: specimen.voided !== null });
  const others = specimen.next.slice(1);
  const again = specimen.mayRunAgain ? specimen.machineStep : null;
  rebuilt(find(".others", more), [specimen.id, others, again], () => [
    ...others.map((p) => (p.entry
      ? h("button", { type: "button", class: "act", on: { click: () => openEntry(card, p.entry) } }, `${capital(p.text)} without the press before it`)
      : actButton(card, `${capital(p.text)} (passes what stands before it)`, (id) => ({ act: "mark", specimen: id, step: p.step, edge: p.edge })))),
    again && actButton(card, `A further run: ${again} begins`, (id) => ({ act: "mark", specimen: id, step: again, edge: "begin" })),
  ]);
  const missed = find(".missed", more);
  const points = [...specimen.next.filter((p) => !p.entry), ...specimen.passed];
  show(missed, points.length > 0);
  options(missed.elements.what, points.map((p) => [JSON.stringify([p.step, p.edge]), capital(p.text)]));
  missed.onsubmit = (event) => stateMissed(event, card, missed);
  const giveUp = find(".void", more);
  show(giveUp, specimen.voided === null);
  giveUp.onsubmit = (event) => voidSpecimen(event, card, giveUp);
  const over = specimen.complete || specimen.voided !== null;
  rebuilt(find(".masses", more), [specimen.id, over, specimen.portion], () => [
    !over && actButton(card, `Weigh the ${specimen.portion ? "portion" : "tin"}: the next stable mass is its`, (id) => ({ act: "await-specimen-mass", specimen: id })),
  ]);
}

function drawUndo(card, specimen) {
  const { undo } = specimen;
  rebuilt(find(".undo", card), [specimen.id, undo], () => (undo ? [
    actButton(card, `Take back: ${undo.text}, ${time.when(undo.atMs)}, ${undo.by}`, (id) => ({ act: "withdraw-last", specimen: id })),
    undo.together.length > 0 && actButton(card, `Take it back here and on ${undo.together.join(", ")}`,
      (id) => ({ act: "withdraw-last", specimen: id, together: true })),
    undo.pressed && actButton(card, "Take it back: the press was for another cylinder",
      (id) => ({ act: "withdraw-last", specimen: id, together: undo.together.length > 0, "for-another": true })),
  ] : []));
}

function openEntry(card, of) {
  card.opened = of;
  card.entry.update(card.specimen, of);
  card.entry.focus();
}

async function voidSpecimen(event, card, form) {
  event.preventDefault();
  const { id, version } = card.specimen;
  const what = { act: "void-specimen", specimen: id, reason: form.elements.reason.value };
  const answer = await act(what, { near: card.said, button: find("button", form), seen: version });
  if (answer.ok) form.elements.reason.value = "";
}

async function stateMissed(event, card, form) {
  event.preventDefault();
  const statedMs = time.lastInstantOf(form.elements.when.value);
  if (statedMs === null) {
    text(card.said, `Give the time as HH:MM:SS (${time.zoneName()}).`);
    card.said.dataset.kind = "refused";
    return form.elements.when.focus();
  }
  const [step, edge] = JSON.parse(form.elements.what.value);
  const { id, version } = card.specimen;
  const answer = await act({ act: "mark", specimen: id, step, edge },
    { near: card.said, button: find("button", form), seen: version, statedMs });
  if (answer.ok) form.elements.when.value = "";
  return undefined;
}

function drawFree(form, place, samples, said) {
  rebuilt(form, "made", () => [
    h("label", {}, "Tin of sample ", h("select", { name: "sample" })),
    h("button", { class: "act" }, "Takes this place"),
    h("p", { class: "quiet none" }, "Register a sample below to use it."),
  ]);
  options(form.elements.sample, samples.map((s) => [s.id, `${s.label} (${s.registered} of ${s.planned})`]));
  show(find("label", form), samples.length > 0);
  show(find("button", form), samples.length > 0);
  show(find(".none", form), samples.length === 0);
  form.onsubmit = (event) => {
    event.preventDefault();
    act({ act: "register-specimen", sample: form.elements.sample.value, place }, { near: said, button: find("button", form) });
  };
}

/** Where a running interval stands: how long still, in words, and for the glass. */
export function stand(running, seenAt) {
  const elapsed = running.elapsedMs + time.runSince(seenAt);
  const { opensMs, closesMs, nominalMs } = running;
  if (opensMs !== null && elapsed < opensMs) {
    const stage = running.stage === "approaching" ? "soon" : "early";
    return { elapsed, stage, digits: time.span(opensMs - elapsed, true), caption: "until the window opens" };
  }
  if (closesMs !== null && elapsed <= closesMs) {
    return { elapsed, stage: "open", digits: time.span(closesMs - elapsed), caption: "until the window closes" };
  }
  if (closesMs !== null) return { elapsed, stage: "over", digits: `+${time.span(elapsed - closesMs)}`, caption: "over the window" };
  return { elapsed, stage: opensMs !== null ? "open" : "free", digits: time.span(elapsed), caption: nominalMs ? `of ${time.span(nominalMs)}` : "so far" };
}

/** Carries the countdown of a card on. */
export function tickPlace(card) {
  const specimen = card.specimen;
  if (!specimen || specimen.fault) {
    setStage(card, null);
    fill(card, 0, 0, 0);
    return;
  }
  const running = specimen.complete ? null : specimen.running;
  show(find(".count", card), Boolean(running));
  if (!running) {
    setStage(card, specimen.voided !== null ? "void" : specimen.complete ? "done" : specimen.begun ? "turn" : "idle");
    fill(card, specimen.complete ? 1 : 0, 0, 0);
    return;
  }
  const now = stand(running, card.seenAt);
  text(find(".digits", card), now.digits);
  text(find(".caption", card), now.caption);
  setStage(card, now.stage);
  const whole = (running.closesMs ?? running.opensMs ?? running.nominalMs ?? 600_000) * 1.12;
  fill(card, now.elapsed / whole, (running.opensMs ?? whole) / whole, (running.closesMs ?? whole) / whole);
}

function setStage(card, stage) {
  mark(card, "stage", stage);
  text(find(".stage", card), stage ? `${SHAPES[stage]} ${STAGES[stage]}` : "");
}

function fill(card, level, opens, closes) {
  const glass = find(".glass", card);
  const percent = (x) => `${Math.min(100, Math.max(0, x * 100)).toFixed(1)}%`;
  glass.style.setProperty("--fill", percent(level));
  glass.style.setProperty("--opens", percent(opens));
  glass.style.setProperty("--closes", percent(closes));
}

export function drawPlaces(box, view) {
  const open = view.samples.filter((s) => s.reported === null);
  keyed(box, view.places, (p) => p.place, makePlace, (card, p) => updatePlace(card, p, open, view.places));
}
