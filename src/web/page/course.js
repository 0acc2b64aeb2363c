// A sample on its course of preparation: the next act large, the steps, casts, tins and drying. It
// decides nothing: what is possible comes from the station.

import { button, capital, find, h, keyed, mark, rebuilt, said, sentence, show, text } from "./dom.js";
import { beginDrying, drawLoads, oven } from "./drying.js";
import { act, doing } from "./link.js";
import * as time from "./time.js";
import { waitsWords } from "./waits.js";
import { named, t } from "./words.js";

const STANDS = { open: "○", running: "◔", done: "●", skipped: "⤼", "not-needed": "–" };

const by = (marked) => `${time.when(marked.atMs)}, ${marked.by}`;
/** What is written on a tin. */
const markField = () => h("input", { maxLength: 32, autocomplete: "off", spellcheck: false, size: 10 });

/** A button that does one act; a question of the station is shown, and the next press confirms it. */
export function press(card, words, what, kind = "") {
  let asked = false;
  const node = button(words, async () => {
    const message = { act: "preparation", sample: card.sample, ...what() };
    if (asked) message.confirmed = true;
    const answer = await act(message, { near: card.near, button: node });
    asked = answer.refusal?.refused === "confirm";
    text(node, asked ? t("course.all-the-same", { words }) : words);
    mark(node, "asked", asked);
  }, kind);
  return node;
}

export function drawCourse(box, sample) {
  const course = sample.course;
  const on = course?.on ?? null;
  show(box, Boolean(on || (course?.open && course.courses.length > 0)));
  if (box.hidden) return;
  box.seenAt = performance.now();
  box.on = on;
  if (!box.parts) make(box);
  const { head, choose, cards, steps, facts, tins, loads, more, near } = box.parts;
  text(find("h2", head), on ? t("course.title", { title: on.title }) : t("course.choose"));
  text(find("p", head), on ? stateOf(on, course.open) : t("course.about"));
  const free = course.open && (!on || !on.begun);
  show(choose, free);
  rebuilt(choose, [course.courses, on?.name, free], () => course.courses.filter((c) => c.name !== on?.name).map((c) =>
    doing(c.title, near, () => ({ act: "preparation", what: "follow", sample: sample.id, course: c.name }))));
  box.sample = sample.id;
  const next = on && course.open ? on.next : [];
  // A card is made anew where what it offers has changed.
  const offers = (n) => JSON.stringify([n.waits, n.step, n.waits.for === "cast" && on.overWet, n.waits.for === "begin-drying" && on.tins]);
  keyed(cards, next, offers, (n) => makeCard(box, n, on), (node, n) => drawCard(node, n, on));
  rebuilt(steps, on?.steps ?? [], () => (on?.steps ?? []).map(stepRow));
  rebuilt(facts, [on?.casts, on?.declined], () => (on ? factsOf(on) : []));
  drawTins(tins, on, course.open);
  drawLoads(loads, box, on, course.open);
  show(more, Boolean(on && course.open && on.last));
  text(find(".last", more), on?.last ? t("course.last", on) : "");
  tickCourse(box);
}

function stateOf(on, open) {
  if (!open) return t("course.has-result");
  if (on.remaining === 0) return t("course.all-placed");
  return on.next.length ? "" : t("course.ready");
}

function make(box) {
  const near = said();
  const reason = Object.assign(sentence(), { size: 30 });
  const back = button(t("course.take-back"), async () => {
    const answer = await act({ act: "preparation", what: "take-back", sample: box.sample, reason: reason.value }, { near, button: back });
    if (answer.ok) reason.value = "";
  });
  box.parts = {
    head: h("header", {}, h("h2", {}), h("p", { class: "quiet" })),
    choose: h("div", { class: "acts" }),
    cards: h("div", { class: "cards" }),
    steps: h("ol", { class: "steps rows" }),
    facts: h("ul", { class: "rows" }),
    tins: h("div", { class: "tins" }),
    loads: h("div", { class: "loads" }),
    more: h("details", { class: "more" }, h("summary", {}, t("course.mistake")),
      h("p", { class: "last" }), h("div", { class: "form" }, h("label", {}, t("course.why"), reason), back)),
    near,
  };
  const { head, choose, cards, steps, facts, tins, loads, more } = box.parts;
  box.append(head, choose, near, cards, steps, facts, tins, loads, more);
}

// The next act

function makeCard(box, next, on) {
  const card = { sample: box.sample, near: box.parts.near };
  const node = h("article", { class: "card" }, h("h3", { lang: "en" }), h("p", { class: "instruction", lang: "en" }),
    h("p", { class: "digits countdown" }), h("div", { class: "form" }, ...controls(card, next, on)), h("p", { class: "awaited" }));
  if (next.optional) node.append(skipping(card, next.step));
  return node;
}

function drawCard(node, next, on) {
  text(find("h3", node), capital(next.text));
  text(find(".instruction", node), next.instruction);
  const waits = ["mass", "load-mass"].includes(next.waits.for) ? waitsWords(next.awaited) : "";
  text(find(".awaited", node), waits);
  mark(node, "large", on.next[0] === next);
  node.next = next;
}

function skipping(card, step) {
  const reason = sentence();
  const skip = press(card, t("course.skip"), () => ({ what: "skip", step, reason: reason.value }));
  return h("details", { class: "more" }, h("summary", {}, t("course.not-here")), h("div", { class: "form" }, h("label", {}, t("course.why"), reason), skip));
}

function controls(card, next, on) {
  const { waits, step } = next;
  switch (waits.for) {
    case "done": return [press(card, t("course.done"), () => ({ what: "done", step }), "primary")];
    case "mass": return [doing(t("mass.weigh"), card.near, () => ({ act: "await-sample-mass", sample: card.sample, name: next.mass }), "primary")];
    case "cast": return casts(card, on.overWet);
    case "tempering": return [press(card, t("fill.too-soon"), () => ({ what: "fill-tin" }))];
    case "remix": return [press(card, t("fill.mixed"), () => ({ what: "remix" }), "primary"), press(card, t("fill.unmixed"), () => ({ what: "fill-tin" }))];
    case "fill": return filling(card);
    case "begin-drying": return beginDrying(card, on);
    case "load-mass": return [...loadMass(card, waits.of), ...oven(card, waits.of.load, on)];
    case "cool": return [press(card, t("load.cool"), () => ({ what: "cooled", load: waits.load }), "primary"), ...oven(card, waits.load, on)];
    default: return [];
  }
}

function loadMass(card, of) {
  const weigh = press(card, t(`load-mass.${of.mass}`), () => ({ what: "await-drying-mass", of }), "primary");
  if (of.mass !== "before-drying") return [weigh];
  return [weigh, press(card, t("load-mass.none-before"), () => ({ what: "await-drying-mass", of: { mass: "dried", load: of.load } }))];
}

function casts(card, overWet) {
  const done = Object.assign(sentence("changed"), { placeholder: t(`changed.${overWet ? "as-firm" : "too-dry"}`) });
  // Where nothing was written, what is usually done is said to have been done.
  const changed = (finding) => () => ({ what: "cast", finding, changed: done.value.trim() || t(`changed.${finding}`) });
  const good = overWet ? "more-fragile" : "good";
  return [
    press(card, t(`squeeze.${good}`), () => ({ what: "cast", finding: good }), "primary"),
    h("label", {}, t("squeeze.what-was-done"), done),
    ...["too-dry", overWet ? "as-firm" : "too-wet"].map((finding) => press(card, t(`squeeze.${finding}`), changed(finding))),
  ];
}

function filling(card) {
  const tin = markField();
  const filled = press(card, t("fill.filled"), () => ({ what: "fill-tin", mark: tin.value.trim() || null }), "primary");
  return [h("label", {}, t("fill.mark"), tin), filled];
}

// What was entered

function stepRow(s) {
  const mass = s.mass ? ` ${s.mass}${s.side ? ` ${t(`mass-side.${s.side}`)}` : ""}` : "";
  const limits = s.kind.kind !== "weigh" ? "" : ` (${s.limits ? t("mass.limits", s) : t("mass.no-limits")})`;
  const why = s.reason ? `: ${s.reason}` : "";
  return h("li", { "data-standing": s.standing, "data-side": s.side ?? "", "aria-current": s.isNext ? "step" : "false" },
    h("span", {}, h("b", {}, `${STANDS[s.standing]} ${capital(named("step", s.name))}`), h("span", { class: "quiet" }, limits)),
    h("span", {}, `${t(`standing.${s.standing}`)}${why}${mass}`), h("span", { class: "quiet" }, s.at ? by(s.at) : ""));
}

function factsOf({ casts: made, declined }) {
  const rows = made.map((c) => h("li", {},
    h("span", {}, `${c.accepted ? "●" : "○"} ${t("cast.was", { found: named("cast", c.text) })}${c.changed ? `: ${c.changed}` : ""}`),
    h("span", { class: "quiet" }, by(c.at))));
  if (!declined) return rows;
  return [h("li", { class: "declined", role: "alert" }, `▲ ${t("course.declined", { ...declined, time: time.when(declined.atMs) })}`), ...rows];
}

function drawTins(box, on, open) {
  if (!box.made) {
    const card = { near: said() };
    const tin = markField();
    const weigh = press(card, t("tin.weigh-empty"), () => ({ what: "weigh-empty-tin", mark: tin.value.trim() || null }));
    box.made = { card, rows: h("ul", { class: "rows" }), form: h("div", { class: "form" }, h("label", {}, t("tin.mark"), tin), weigh) };
    box.append(h("h3", {}, t("tin.title")), box.made.rows, box.made.form, card.near);
  }
  show(box, Boolean(on && (on.dries || on.tins.length > 0)));
  box.made.card.sample = box.parentElement.sample;
  show(box.made.form, Boolean(on?.dries && open && on.toFill > 0));
  rebuilt(box.made.rows, on?.tins ?? [], () => (on?.tins ?? []).map((tin) => h("li", {},
    h("span", {}, h("b", {}, t("tin.number", tin)), tin.mark ? ` ${t("tin.marked", tin)}` : ""), h("span", {}, tinWords(tin)))));
}

const tinWords = (tin) => [
  tin.empty && t("tin.empty", tin), tin.filled ? t("tin.filled", { by: by(tin.filled) }) : t("tin.not-filled"),
  tin.drying && t("tin.drying", tin), tin.specimen && t("tin.specimen", tin),
].filter(Boolean).join(" · ");

/** Countdowns go on between two words of the station. */
export function tickCourse(box) {
  if (!box.parts || !box.on) return;
  const gone = time.runSince(box.seenAt);
  for (const node of box.parts.cards.children) {
    const left = node.next.opensInMs - gone;
    const waiting = node.next.opensInMs > 0 && left > 0;
    const tempers = node.next.waits.for === "tempering";
    text(find(".countdown", node), waiting ? t(tempers ? "countdown.stand" : "countdown.weigh", { time: time.span(left, true) }) : "");
    show(find(".countdown", node), waiting);
    mark(node, "waiting", waiting);
  }
}
