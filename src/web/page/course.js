// A sample on its course of preparation: the next act large, the steps, casts, tins and drying. It
// decides nothing: what is possible comes from the station.

import { find, h, keyed, mark, rebuilt, show, text } from "./dom.js";
import { beginDrying, drawLoads, oven } from "./drying.js";
import { act } from "./link.js";
import * as time from "./time.js";

const STANDS = { open: "○", running: "◔", done: "●", skipped: "⤼", "not-needed": "–" };
const STANDS_WORDS = { open: "open", running: "under way", done: "done", skipped: "skipped", "not-needed": "not needed" };
const SIDES = { within: "● within", below: "▼ below", above: "▲ above" };
/** What is said to have been done where nothing was written. */
const CHANGED = { "too-dry": "water added, mixed", "too-wet": "drained and air-dried, mixed often", "as-firm": "dried on, mixed often" };

const by = (marked) => `${time.when(marked.atMs)}, ${marked.by}`;
const bare = (kind, words, call) => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);

/** A button that does one act; a question of the station is shown, and the next press confirms it. */
export function press(card, words, what, kind = "") {
  let asked = false;
  const node = bare(kind, words, async () => {
    const message = { act: "preparation", sample: card.sample, ...what() };
    if (asked) message.confirmed = true;
    const answer = await act(message, { near: card.near, button: node });
    asked = answer.refusal?.refused === "confirm";
    text(node, asked ? `${words}: yes, all the same` : words);
    mark(node, "asked", asked);
  });
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
  text(find("h2", head), on ? `Preparation: ${on.title}` : "Prepare step by step");
  text(find("p", head), on ? stateOf(on, course.open) : "The station leads through one of the method's ways and keeps every step. Without it, nothing is asked.");
  const free = course.open && (!on || !on.begun);
  show(choose, free);
  rebuilt(choose, [course.courses, on?.name, free], () => course.courses.filter((c) => c.name !== on?.name).map((c) => {
    const button = bare("", c.title, () => act({ act: "preparation", what: "follow", sample: sample.id, course: c.name }, { near, button }));
    return button;
  }));
  box.sample = sample.id;
  const next = on && course.open ? on.next : [];
  keyed(cards, next, (n) => `${JSON.stringify(n.waits)} ${n.step} ${n.waits.for === "cast" && on.overWet} ${JSON.stringify(n.waits.for === "begin-drying" && on.tins)}`, (n) => makeCard(box, n, on), (node, n) => drawCard(node, n, on));
  rebuilt(steps, on?.steps ?? [], () => (on?.steps ?? []).map(stepRow));
  rebuilt(facts, [on?.casts, on?.declined], () => (on ? factsOf(on) : []));
  drawTins(tins, on, course.open);
  drawLoads(loads, box, on, course.open);
  show(more, Boolean(on && course.open && on.last));
  text(find(".last", more), on?.last ? `Entered last: ${on.last}.` : "");
  tickCourse(box);
}

function stateOf(on, open) {
  if (!open) return "The sample has its result.";
  if (on.remaining === 0) return "Every specimen has its place: nothing more is to be prepared.";
  return on.next.length ? "" : "Everything is prepared: give each tin its place on the bench page.";
}

function make(box) {
  const near = h("p", { class: "said" });
  const reason = h("input", { maxLength: 200, autocomplete: "off", size: 30 });
  const back = bare("", "Take it back", async () => {
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
    more: h("details", { class: "more" }, h("summary", {}, "It was entered by mistake"),
      h("p", { class: "last" }), h("div", { class: "form" }, h("label", {}, "Why ", reason), back)),
    near,
  };
  const { head, choose, near: said, cards, steps, facts, tins, loads, more } = box.parts;
  box.append(head, choose, said, cards, steps, facts, tins, loads, more);
}

// The next act

function makeCard(box, next, on) {
  const card = { sample: box.sample, near: box.parts.near };
  const node = h("article", { class: "card" }, h("h3", {}), h("p", { class: "instruction" }),
    h("p", { class: "digits countdown" }), h("div", { class: "form" }, ...controls(card, next, on)), h("p", { class: "awaited" }));
  if (next.optional) node.append(skipping(card, next.step));
  return node;
}

function drawCard(node, next, on) {
  text(find("h3", node), next.text[0].toUpperCase() + next.text.slice(1));
  text(find(".instruction", node), next.instruction);
  const waits = next.awaited && ["mass", "load-mass"].includes(next.waits.for) ? `The next stable mass is for ${next.awaited}.` : "";
  text(find(".awaited", node), waits);
  mark(node, "large", on.next[0] === next);
  node.next = next;
}

function skipping(card, step) {
  const reason = h("input", { maxLength: 200, autocomplete: "off" });
  const button = press(card, "Skip this step", () => ({ what: "skip", step, reason: reason.value }));
  return h("details", { class: "more" }, h("summary", {}, "Not done here"), h("div", { class: "form" }, h("label", {}, "Why ", reason), button));
}

function controls(card, next, on) {
  const { waits, step } = next;
  switch (waits.for) {
    case "done": return [press(card, "Done", () => ({ what: "done", step }), "primary")];
    case "mass": {
      const button = bare("primary", "Weigh", () => act({ act: "await-sample-mass", sample: card.sample, name: next.mass }, { near: card.near, button }));
      return [button];
    }
    case "cast": return casts(card, on.overWet);
    case "tempering": return [press(card, "Fill a tin before it is over", () => ({ what: "fill-tin" }))];
    case "remix": return [press(card, "Mixed", () => ({ what: "remix" }), "primary"), press(card, "Fill without mixing", () => ({ what: "fill-tin" }))];
    case "fill": return filling(card, "Filled and struck off");
    case "begin-drying": return beginDrying(card, on);
    case "load-mass": {
      const words = { "empty-pan": "Weigh the empty pan", "before-drying": "Weigh before drying", dried: "Weigh dried" };
      const buttons = [press(card, words[waits.of.mass], () => ({ what: "await-drying-mass", of: waits.of }), "primary")];
      if (waits.of.mass === "before-drying") buttons.push(press(card, "No mass before: weigh dried", () => ({ what: "await-drying-mass", of: { mass: "dried", load: waits.of.load } })));
      return [...buttons, ...oven(card, waits.of.load, on)];
    }
    case "cool": return [press(card, "Cooled to room temperature", () => ({ what: "cooled", load: waits.load }), "primary"), ...oven(card, waits.load, on)];
    default: return [];
  }
}

function casts(card, overWet) {
  const done = h("input", { maxLength: 200, autocomplete: "off", placeholder: overWet ? CHANGED["as-firm"] : CHANGED["too-dry"] });
  const changed = (finding) => () => ({ what: "cast", finding, changed: done.value.trim() || CHANGED[finding] });
  const good = overWet ? "more-fragile" : "good";
  return [
    press(card, overWet ? "More fragile than the first cast" : "Good: it can be handled", () => ({ what: "cast", finding: good }), "primary"),
    h("label", {}, "If not: what was done ", done),
    press(card, "Crumbles: too dry", changed("too-dry")),
    overWet ? press(card, "As firm as the first: dried on", changed("as-firm")) : press(card, "Free water: too wet", changed("too-wet")),
  ];
}

function filling(card, words) {
  const tin = h("input", { maxLength: 32, autocomplete: "off", spellcheck: false, size: 10 });
  const button = press(card, words, () => ({ what: "fill-tin", mark: tin.value.trim() || null }), "primary");
  return [h("label", {}, "Mark on the tin, if it has one ", tin), button];
}

// What was entered

function stepRow(s) {
  const mass = s.mass ? ` ${s.mass}${s.side ? ` ${SIDES[s.side]}` : ""}` : "";
  const limits = s.kind.kind === "weigh" ? ` (limits ${s.limits ?? "none"})` : "";
  const why = s.reason ? `: ${s.reason}` : "";
  return h("li", { "data-standing": s.standing, "data-side": s.side ?? "", "aria-current": s.isNext ? "step" : "false" },
    h("span", {}, h("b", {}, `${STANDS[s.standing]} ${s.name}`), h("span", { class: "quiet" }, limits)),
    h("span", {}, `${STANDS_WORDS[s.standing]}${why}${mass}`), h("span", { class: "quiet" }, s.at ? by(s.at) : ""));
}

function factsOf(on) {
  const casts = on.casts.map((c) => h("li", {}, h("span", {}, `${c.accepted ? "●" : "○"} Cast ${c.text}${c.changed ? `: ${c.changed}` : ""}`), h("span", { class: "quiet" }, by(c.at))));
  const declined = on.declined && h("li", { class: "declined", role: "alert" }, `▲ ${on.declined.mass} at ${time.when(on.declined.atMs)} was not taken for ${on.declined.of}: ${on.declined.why}. It is kept beside.`);
  return [declined, ...casts];
}

function drawTins(box, on, open) {
  if (!box.made) {
    const card = { near: h("p", { class: "said" }) };
    const tin = h("input", { maxLength: 32, autocomplete: "off", spellcheck: false, size: 10 });
    const weigh = press(card, "Weigh an empty tin", () => ({ what: "weigh-empty-tin", mark: tin.value.trim() || null }));
    box.made = { card, rows: h("ul", { class: "rows" }), form: h("div", { class: "form" }, h("label", {}, "Mark on the tin ", tin), weigh) };
    box.append(h("h3", {}, "Tins"), box.made.rows, box.made.form, card.near);
  }
  show(box, Boolean(on && (on.dries || on.tins.length > 0)));
  box.made.card.sample = box.parentElement.sample;
  show(box.made.form, Boolean(on?.dries && open && on.toFill > 0));
  rebuilt(box.made.rows, on?.tins ?? [], () => (on?.tins ?? []).map((t) => h("li", {},
    h("span", {}, h("b", {}, `Tin ${t.number}`), t.mark ? ` marked ${t.mark}` : ""),
    h("span", {}, [t.empty && `empty ${t.empty}`, t.filled ? `filled ${by(t.filled)}` : "not filled", t.drying && `drying ${t.drying}`, t.specimen && `specimen ${t.specimen}`].filter(Boolean).join(" · ")))));
}

/** Countdowns go on between two words of the station. */
export function tickCourse(box) {
  if (!box.parts || !box.on) return;
  const gone = time.runSince(box.seenAt);
  for (const node of box.parts.cards.children) {
    const left = node.next.opensInMs - gone;
    const waiting = node.next.opensInMs > 0 && left > 0;
    const words = node.next.waits.for === "tempering" ? "still to stand" : "until the next weighing";
    text(find(".countdown", node), waiting ? `${time.span(left, true)} ${words}` : "");
    show(find(".countdown", node), waiting);
    mark(node, "waiting", waiting);
  }
}
