// One place: its cylinder, how long still, the one sensible next act, and behind a touch all the rest.

import { cylinder, inside } from "./cylinder.js";
import { correctPanel } from "./correct.js";
import { capital, en, find, h, keyed, mark, options, rebuilt, show, text } from "./dom.js";
import { entryPanel } from "./entry.js";
import { act } from "./link.js";
import { drawCounts, portionWords, weighCorrective } from "./measured.js";
import { drawOdd, oddOf } from "./odd.js";
import * as sheet from "./sheet.js";
import * as sound from "./sound.js";
import * as time from "./time.js";
import { among, count, named, t } from "./words.js";

const SHAPES = { idle: "○", turn: "◆", free: "◇", early: "◔", soon: "◑", open: "●", over: "▲", done: "✓", void: "✗" };

/** Just after the act under a finger has changed, a press is not taken. */
const SETTLE_MS = 500;
/** So long after a press here that marks a reading, the keys for it open by themselves, milliseconds. */
const OPENS_WITHIN_MS = 4000;
/** Deviations that a card has room for; the sheet has all. */
const DEVIATIONS_SHOWN = 2;

/** Makes the card of a place. */
export function makePlace({ place }) {
  const said = h("p", { class: "said" });
  const more = h("button", { type: "button", class: "act rare more", "aria-label": t("place.more-of", { place }) }, "⋯");
  const drawing = cylinder();
  const card = h("article", { class: "place", tabIndex: -1, "aria-labelledby": `place-${place}` },
    h("header", {}, h("span", { class: "number", title: t("place.number", { place }) }, String(place)),
      h("h3", { id: `place-${place}` }), more),
    h("div", { class: "count" }, h("span", { class: "stage" }), h("b", { class: "digits" })),
    drawing,
    h("div", { class: "card" },
      h("p", { class: "doing" }),
      h("p", { class: "outcome" }),
      h("ul", { class: "deviations" }),
      h("div", { class: "todo" }),
      h("div", { class: "counts" }),
      said,
      h("form", { class: "free form" })));
  card.place = place;
  card.drawing = drawing;
  card.said = said;
  card.entry = entryPanel(said);
  card.rest = restOf(card);
  // What an act answers stands where the finger is: on the sheet while it lies there.
  const back = () => find(".free", card).before(said);
  card.entry.closed = back;
  more.addEventListener("click", () => {
    sheet.open({ title: card.specimen?.label ?? "", number: place, node: card.rest, closed: back });
    card.rest.prepend(said);
  });
  return card;
}

/** Brings a card in line with its place; `samples` are those that can still give a tin. */
export function updatePlace(card, { place, specimen }, samples, places) {
  card.specimen = specimen;
  card.seenAt = performance.now();
  mark(card, "empty", specimen ? null : "yes");
  text(find("h3", card), specimen ? specimen.label : t("place.free"));
  const free = find(".free", card);
  show(free, !specimen);
  for (const part of [".count", ".doing", ".outcome", ".todo", ".counts", ".deviations", ".more"]) show(find(part, card), Boolean(specimen));
  if (card.shown !== (specimen?.id ?? null)) {
    // Another cylinder: nothing said or opened for the last one belongs to it.
    if (card.shown) sheet.close(card.rest);
    if (card.shown && specimen) text(card.said, "");
    card.opened = null;
    card.shown = specimen?.id ?? null;
    card.stage = null;
  }
  card.drawing.update(specimen && !specimen.fault ? inside(specimen) : { top: 15, mark: 0.1 });
  if (!specimen) {
    card.entry.update(null, null, place);
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
  text(find(".doing", card), running && !specimen.complete && running.clock === "wall-clock" ? t(running.elapsedMs === null ? "place.clock-not-set" : "place.by-wall-clock") : "");
  text(find(".window-told", card.rest), running?.window ? t("place.window", { step: capital(named("step", running.step)), window: windowWords(running) }) : "");
  const levels = [
    specimen.voided !== null && t("place.given-up", { reason: specimen.voided }),
    ...["clay", "sand", "sediment"].map((of) => specimen[of] && `${named("level", of)} ${specimen[of]} ${readings.unit}`),
    ...specimen.counts.filter((c) => c.number !== null).map((c) => `${c.number} ${c.word}`),
    specimen.correctiveSand && t("place.corrective-sand", { mass: specimen.correctiveSand }),
    specimen.mass && t(specimen.portion ? "place.portion" : "place.tin", { mass: specimen.mass }),
    specimen.noLineYet > 0 && count("place.no-line-said", specimen.noLineYet),
    specimen.odd.late && t("place.no-line-in-time"),
  ].filter(Boolean).join(" · ");
  rebuilt(find(".outcome", card), [specimen.result, levels], () => [
    specimen.result && specimen.voided === null && h("span", { class: "value" }, h("small", {}, `${named("quantity", specimen.quantity)} `), specimen.result),
    levels && h("span", { class: "levels" }, levels),
  ]);
  const asked = first?.entry ?? null;
  if (card.opened && !next.some((p) => p.entry === card.opened)) card.opened = null;
  card.entry.update(specimen, asked ?? card.opened, card.place);
  if (asked && card.pressedAt && performance.now() - card.pressedAt < OPENS_WITHIN_MS) {
    card.pressedAt = null;
    card.entry.open();
  }
  drawTodo(card, specimen, first);
  drawCounts(find(".counts", card), specimen, card.said);
  drawDeviations(card, specimen.deviations);
  drawMore(card, specimen);
}

/** The newest on the card, all of them on the sheet. */
function drawDeviations(card, deviations) {
  rebuilt(find(".deviations", card), deviations, () => [
    ...deviations.slice(-DEVIATIONS_SHOWN).map((d) => h("li", {}, en(capital(d.what), "b"))),
    deviations.length > DEVIATIONS_SHOWN && h("li", {}, count("place.deviations-more", deviations.length - DEVIATIONS_SHOWN)),
  ]);
  rebuilt(find(".all-deviations", card.rest), deviations, () => deviations.map(deviation));
}

function windowWords({ opensMs, closesMs }) {
  if (opensMs !== null && closesMs !== null) return t("window.between", { from: time.span(opensMs), to: time.span(closesMs) });
  return opensMs !== null ? t("window.from", { from: time.span(opensMs) }) : t("window.up-to", { to: time.span(closesMs) });
}

export function deviation(d) {
  return h("li", {}, en(capital(d.what), "b"), " ", ...among("deviation.required", { required: en(d.required), actual: en(d.actual) }),
    ...(d.by ? [" (", ...among("deviation.by", { by: en(d.by) }), ")"] : []));
}

/** A button that acts on the card's specimen as it is shown when it is pressed. */
function actButton(card, words, make, kind = "") {
  const button = h("button", { type: "button", class: `act ${kind}` }, ...[words].flat());
  button.addEventListener("click", () => {
    if (button.hasAttribute("aria-busy")) return;
    // The finger aimed at what stood here before (a double tap, or another hand's act).
    if (performance.now() - (card.changedAt ?? -Infinity) < SETTLE_MS) {
      text(card.said, t("place.settle"));
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
    if (specimen.inFurtherRun) return [actButton(card, t("place.further-run-ends"), (id) => ({ act: "mark-next", specimen: id }), "primary")];
    if (!first) return [];
    if (first.entry) {
      const enter = h("button", { type: "button", class: "act primary", on: { click: () => card.entry.open() } }, t("place.enter", { level: named("level", first.entry) }));
      return [h("p", { class: "instruction", lang: "en" }, first.instruction), enter];
    }
    const words = specimen.complete || specimen.voided !== null ? t("place.clean") : capital(first.text);
    const press = actButton(card, words === t("place.clean") ? words : en(words), (id) => ({ act: "mark-next", specimen: id }), "primary");
    press.addEventListener("click", () => { card.pressedAt = performance.now(); });
    return [
      h("p", { class: "instruction" }, en(first.instruction), first.level && ` ${t("place.level", { level: first.level })}`),
      press,
      specimen.mayLackLine && actButton(card, t("place.no-line-yet"), (id) => ({ act: "no-line-yet", specimen: id }), "no-line"),
    ];
  });
  if (changed) {
    if (card.drawn) card.changedAt = performance.now();
    card.drawn = true;
    // The keyboard stays at this place, but not on the next act: a second Enter must not do it.
    if (held) card.focus({ preventScroll: true });
  }
}

/** What is rare, on a sheet of its own. */
function restOf(card) {
  card.correct = correctPanel(card.said);
  return h("div", { class: "rest" },
    h("p", { class: "window-told" }),
    h("ul", { class: "deviations all-deviations" }),
    oddOf(card),
    h("div", { class: "undo" }),
    h("div", { class: "others" }),
    h("form", { class: "form missed" },
      h("p", {}, t("missed.title")),
      h("label", {}, `${t("missed.what")} `, h("select", { name: "what" })),
      h("label", {}, `${t("missed.when")} `, h("input", { name: "when", inputMode: "numeric", placeholder: "HH:MM:SS", maxLength: 8, autocomplete: "off", size: 9 })),
      h("button", { class: "act" }, t("missed.send"))),
    h("div", { class: "masses" }),
    card.correct.node,
    h("form", { class: "form void" },
      h("p", {}, t("void.title")),
      h("label", {}, `${t("void.why")} `, h("input", { name: "reason", maxLength: 200, autocomplete: "off" })),
      h("button", { class: "act" }, t("void.send"))));
}

function drawMore(card, specimen) {
  const more = card.rest;
  drawUndo(card, specimen);
  const levels = ["clay", "sand", "sediment"].filter((of) => specimen[of]).map((of) => ({ of, text: specimen.entered[of] }));
  card.correct.update({ ...specimen, levels, over: specimen.voided !== null });
  const others = specimen.next.slice(1);
  const again = specimen.mayRunAgain ? specimen.machineStep : null;
  rebuilt(find(".others", more), [specimen.id, others, again], () => [
    ...others.map((p) => (p.entry
      ? h("button", { type: "button", class: "act", on: { click: () => openEntry(card, p.entry) } }, ...among("place.without-press", { act: en(capital(p.text)) }))
      : actButton(card, among("place.passes", { act: en(capital(p.text)) }), (id) => ({ act: "mark", specimen: id, step: p.step, edge: p.edge })))),
    again && actButton(card, t("place.further-run", { step: named("step", again) }), (id) => ({ act: "mark", specimen: id, step: again, edge: "begin" })),
  ]);
  const missed = find(".missed", more);
  const points = [...specimen.next.filter((p) => !p.entry), ...specimen.passed];
  show(missed, points.length > 0);
  options(missed.elements.what, points.map((p) => [JSON.stringify([p.step, p.edge]), capital(p.text), "en"]));
  missed.onsubmit = (event) => stateMissed(event, card, missed);
  const giveUp = find(".void", more);
  show(giveUp, specimen.voided === null);
  giveUp.onsubmit = (event) => voidSpecimen(event, card, giveUp);
  const over = specimen.complete || specimen.voided !== null;
  rebuilt(find(".masses", more), [specimen.id, over, specimen.portion, specimen.portionMasses], () => [
    !over && actButton(card, t(specimen.portion ? "place.weigh-portion" : "place.weigh-tin"), (id) => ({ act: "await-specimen-mass", specimen: id })),
    !over && specimen.portionMasses && h("p", { class: "quiet" }, portionWords(specimen)),
    !over && specimen.portionMasses?.correctiveSand && actButton(card, t("place.weigh-corrective"), weighCorrective),
  ]);
}

function drawUndo(card, specimen) {
  const { undo } = specimen;
  rebuilt(find(".undo", card.rest), [specimen.id, undo], () => (undo ? [
    actButton(card, among("undo.one", { text: en(undo.text), time: time.when(undo.atMs), by: undo.by }), (id) => ({ act: "withdraw-last", specimen: id })),
    undo.together.length > 0 && actButton(card, t("undo.together", { labels: undo.together.join(", ") }),
      (id) => ({ act: "withdraw-last", specimen: id, together: true })),
    undo.pressed && actButton(card, t("undo.other"),
      (id) => ({ act: "withdraw-last", specimen: id, together: undo.together.length > 0, "for-another": true })),
  ] : []));
}

function openEntry(card, of) {
  card.opened = of;
  card.entry.update(card.specimen, of, card.place);
  card.entry.open();
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
    text(card.said, t("missed.form", { zone: time.zoneName() }));
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
    h("label", {}, `${t("free.tin")} `, h("select", { name: "sample" })),
    h("button", { class: "act" }, t("free.take")),
    h("p", { class: "quiet none" }, t("free.none")),
  ]);
  const waiting = samples.toSorted((a, b) => Number(a.registered >= a.planned) - Number(b.registered >= b.planned));
  options(form.elements.sample, waiting.map((s) => [s.id, t("free.option", { label: s.label, n: s.registered, planned: s.planned })]));
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
  // The machine's clock has not been set since it was restarted: nobody knows.
  if (running.elapsedMs === null) return { elapsed: null, stage: "free", digits: "?", caption: t("count.not-known") };
  const elapsed = running.elapsedMs + time.runSince(seenAt);
  const { opensMs, closesMs, nominalMs } = running;
  if (opensMs !== null && elapsed < opensMs) {
    const stage = running.stage === "approaching" ? "soon" : "early";
    return { elapsed, stage, digits: time.span(opensMs - elapsed, true), caption: t("count.opens") };
  }
  if (closesMs !== null && elapsed <= closesMs) {
    return { elapsed, stage: "open", digits: time.span(closesMs - elapsed), caption: t("count.closes") };
  }
  if (closesMs !== null) return { elapsed, stage: "over", digits: `+${time.span(elapsed - closesMs)}`, caption: t("count.over") };
  return { elapsed, stage: opensMs !== null ? "open" : "free", digits: time.span(elapsed), caption: nominalMs ? t("count.of", { time: time.span(nominalMs) }) : t("count.so-far") };
}

/** Carries the countdown of a card on. */
export function tickPlace(card) {
  const specimen = card.specimen;
  const running = !specimen || specimen.fault || specimen.complete ? null : specimen.running;
  show(find(".digits", card), Boolean(running));
  if (!specimen || specimen.fault) return setStage(card, null, "");
  if (running) {
    const now = stand(running, card.seenAt);
    text(find(".digits", card), now.digits);
    return setStage(card, now.stage, `${capital(named("step", running.step))}: ${now.caption}`);
  }
  const stage = specimen.voided !== null ? "void" : specimen.complete ? "done" : specimen.begun ? "turn" : "idle";
  return setStage(card, stage, t(`stage.${stage}`));
}

function setStage(card, stage, words) {
  if (stage) sound.stage(card.place, card.stage, stage);
  card.stage = stage;
  mark(card, "stage", stage);
  text(find(".stage", card), stage ? `${SHAPES[stage]} ${words}` : "");
}

export function drawPlaces(box, view) {
  const open = view.samples.filter((s) => s.reported === null);
  keyed(box, view.places, (p) => p.place, makePlace, (card, p) => updatePlace(card, p, open, view.places));
}
