// One batch being made: its steps in order, each with what to take, what was taken, and, while the
// balance is waited for, the difference that is left.

import { button, field, find, h, keyed, mark, options, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";
import { listed, named, t } from "./words.js";

const SHAPES = { within: "●", below: "▼", above: "▲" };
const on = (what, more) => act({ act: "solution", ...what }, more);
/** How an amount stands to its limits; nothing where there are none. */
const sideWords = (side) => (side ? `${SHAPES[side]} ${t(`side.${side}`)}` : "");
const isOpen = (part) => (part.takes === "nothing" ? part.doneMs === null : part.taken.length === 0 || (part.side && part.side !== "within"));

/** The card of a batch; `draw(batch)` keeps it current, `live(weighing)` shows the balance. */
export function makeBatch({ id }) {
  const near = said();
  const head = h("h3", {});
  const facts = h("p", { class: "quiet" });
  const cautions = h("ul", { class: "cautions", lang: "en" });
  const steps = h("ol", { class: "steps" });
  const faults = h("p", { class: "faults" });
  const finish = finishForm(id, near);
  const drop = wordsField(t("why"), "reason", { size: 30 });
  const discard = button(t("batch.give-up"), () => on({ what: "discard", batch: id, reason: find("input", drop).value }, { near, button: discard }));
  const node = h("article", { class: "item sheet making", id: `batch-${id}` }, head, facts,
    h("details", { class: "safety", open: true }, h("summary", {}, t("batch.safety")), cautions),
    steps, faults, finish,
    h("details", {}, h("summary", {}, t("batch.give-up-batch")), h("div", { class: "form" }, drop, discard)));
  let weighing = null;
  node.draw = (now) => {
    text(head, t("batch.head", { id: now.id, volume: now.volume, recipe: now.recipe }));
    text(facts, listed([t("batch.begun", { when: time.when(now.begunMs, null), by: now.begunBy ?? "?" }), now.water && named("water", now.water),
      now.waterNote, now.stock && t("bottle.from-stock", { stock: now.stock })]));
    rebuilt(cautions, now.safety, () => (now.safety ?? []).map((s) => h("li", {}, s)));
    const current = now.parts.find(isOpen)?.name;
    keyed(steps, now.parts, (p) => p.name, (p) => makeStep(id, p, near), (step, part) => step.draw(part, part.name === current));
    text(faults, now.faults.length ? t("batch.open", { faults: now.faults.join("; ") }) : t("batch.whole"));
    mark(faults, "open", now.faults.length > 0);
    find("button", finish).classList.toggle("primary", now.faults.length === 0);
    node.live(weighing);
  };
  node.live = (next) => {
    weighing = next;
    for (const step of steps.children) step.live(weighing?.batch === id && weighing.component === step.now.name ? weighing : null);
  };
  return node;
}

/** Ends the making; a reason is asked for once the station wants one. */
function finishForm(id, near) {
  const expires = h("input", { type: "date", name: "expires" });
  const reason = wordsField(t("batch.use-why"), "reason", { size: 30 });
  const finish = button(t("batch.made"), async () => {
    const what = { what: "finish", batch: id };
    if (expires.value) what.expires = expires.value;
    if (find("input", reason).value.trim()) what.reason = find("input", reason).value.trim();
    const answer = await on(what, { near, button: finish });
    if (!answer.ok && answer.refusal?.field === "reason") show(reason, true);
  });
  show(reason, false);
  return h("div", { class: "form" }, field(t("batch.last-day"), expires), reason, finish, near);
}

function makeStep(batch, part, near) {
  const at = { batch, component: part.name };
  const head = h("h4", {});
  const instruction = h("p", { class: "instruction", lang: "en" });
  const wanted = h("p", { class: "wanted" });
  const taken = h("p", { class: "taken" });
  const scale = makeScale();
  const weigh = button("", () => on({ what: "await-component", ...at }, { near, button: weigh }));
  const further = button(t("weigh.further"), () => on({ what: "await-component", ...at, further: true }, { near, button: further }));
  const stop = button(t("weigh.stop"), () => act({ act: "stop-awaiting" }, { near, button: stop, beside: node.at ? { balance: node.at } : {} }));
  const done = button(t("batch.done"), () => on({ what: "step-done", batch, step: part.name }, { near, button: done }));
  const stated = makeStated(at, near);
  const lot = makeLot(at, near);
  const body = h("div", { class: "step-body" }, instruction, wanted, scale, taken, h("div", { class: "form" }, weigh, further, stop, done), stated, lot);
  // The step that is next stands open; another opens at a touch of its heading.
  const box = h("details", {}, h("summary", {}, head), body);
  const node = h("li", {}, box);
  node.draw = (now, current) => {
    node.now = now;
    const nothing = now.takes === "nothing";
    const isDone = nothing ? now.doneMs !== null : now.taken.length > 0;
    node.dataset.side = now.side ?? (isDone ? "within" : "");
    if (node.dataset.current !== String(current)) box.open = current;
    node.dataset.current = String(current);
    text(head, headWords(now, isDone));
    text(instruction, listed([now.instruction, now.about && t("batch.about", { amount: now.about })], " "));
    rebuilt(wanted, [now.ingredient, now.mass, now.volume], () => wantedWords(now));
    text(taken, takenWords(now));
    text(weigh, now.taken.length ? t("weigh.anew") : t("weigh.now"));
    weigh.classList.toggle("primary", current && !now.taken.length);
    show(weigh, Boolean(now.mass));
    show(further, Boolean(now.mass) && now.taken.length > 0 && now.side !== "above");
    show(done, nothing && !isDone);
    done.classList.toggle("primary", current);
    show(stated, !nothing);
    stated.draw(now);
    show(lot, now.takes === "ingredient");
    lot.draw(now);
  };
  node.live = (weighing) => {
    show(scale, Boolean(weighing));
    show(stop, Boolean(weighing));
    node.at = weighing?.balance ?? null;
    node.dataset.weighing = String(Boolean(weighing));
    if (weighing) {
      box.open = true;
      scale.draw(weighing);
    }
  };
  return node;
}

/** The name of a step with what became of it. */
function headWords(now, isDone) {
  const off = now.side === "below" || now.side === "above";
  const head = `${!isDone ? "○" : off ? "▲" : "●"} ${now.name}`;
  if (!isDone) return head;
  if (now.takes === "nothing") return `${head}: ${t("batch.done-at", { time: time.clock(now.doneMs) })}`;
  return `${head}: ${listed([`${now.sum},`, now.difference, sideWords(now.side) || t("batch.no-limits")], " ")}`;
}

function wantedWords(now) {
  const amounts = [now.mass, now.volume].filter(Boolean);
  if (!amounts.length) return [];
  const words = amounts.map((a) => `${a.text}${a.limits ? ` (${a.limits})` : ""}`);
  return [h("b", {}, words.length > 1 ? t("batch.or", { one: words[0], other: words[1] }) : words[0]),
    now.ingredient && h("span", {}, ` ${now.ingredient}`), h("span", { class: "quiet" }, ` ${amounts[0].source}`)];
}

function takenWords(now) {
  if (!now.taken.length) return "";
  const portions = now.taken.map((one) => t("batch.portion", { amount: one.amount, with: one.with, time: listed([time.clock(one.atMs), one.by], ", ") })).join(" + ");
  const before = now.replaced.map((one) => one.amount).join(", ");
  return before ? t("batch.taken-before", { portions, before }) : t("batch.taken", { portions });
}

/** The balance at this instant: what it shows, what is left to the target, and where that lies. */
function makeScale() {
  const words = h("p", { class: "awaited" });
  const rows = h("div", { class: "balances" });
  const node = h("div", { class: "weigh-out", hidden: true }, words, rows);
  node.draw = (weighing) => {
    const next = weighing.further ? t("scale.counts-beside", { before: weighing.before ?? "0" }) : t("scale.counts");
    const wanted = t("scale.wanted", { target: weighing.target }) + (weighing.limits ? ` (${weighing.limits})` : "");
    text(words, `${t("scale.pour")} ${next} ${wanted}`);
    keyed(rows, weighing.balances, (b) => b.instrument, makeBalance, drawBalance);
    show(rows, weighing.balances.length > 0);
  };
  return node;
}

const makeBalance = () => h("div", { class: "balance-now" },
  h("span", { class: "shows quiet" }), h("b", { class: "left" }), h("span", { class: "verdict" }),
  h("div", { class: "gauge", "aria-hidden": "true" }, h("i", { class: "band" }), h("i", { class: "at" })));

function drawBalance(row, b) {
  mark(row, "side", b.side ?? "none");
  text(find(".shows", row), `${b.instrument}: ${b.overload ? t("balance.overload") : b.shows}, ${b.stable ? t("scale.stable") : t("balance.moving")}`);
  text(find(".left", row), b.difference);
  text(find(".verdict", row), sideWords(b.side));
  row.style.setProperty("--at", `${(b.at ?? 0) / 10}%`);
}

/** An amount that the station does not read. */
function makeStated(at, near) {
  const value = h("input", { name: "value", inputMode: "decimal", autocomplete: "off", size: 8, maxLength: 16 });
  const unit = h("select", { name: "unit" });
  const by = wordsField(t("stated.with"), "with", { size: 26, placeholder: t("stated.example") });
  const send = async (press, more) => {
    const what = { what: "state-component", ...at, value: value.value.trim(), unit: unit.value, with: find("input", by).value.trim(), ...more };
    const answer = await on(what, { near, button: press });
    if (answer.ok) value.value = "";
  };
  const enter = button(t("stated.enter"), () => send(enter, {}));
  const add = button(t("stated.further"), () => send(add, { further: true }));
  const node = h("details", {}, h("summary", {}, t("stated.title")),
    h("div", { class: "form" }, field(t("solutions.how-much"), value), field(t("solutions.unit"), unit), by, enter, add));
  let opened = false;
  node.draw = (part) => {
    const units = [];
    if (part.mass) units.push("g", "kg");
    if (part.volume) units.push("mL", "L");
    options(unit, units.map((u) => [u, u]));
    show(add, part.taken.length > 0);
    // What has no mass is only ever measured: it stands open.
    if (!opened && !part.mass) node.open = true;
    opened = true;
  };
  return node;
}

/** The package of an ingredient. */
function makeLot(at, near) {
  const number = h("input", { name: "lot", maxLength: 200, autocomplete: "off", spellcheck: false, size: 14 });
  const expires = h("input", { name: "expires", type: "date" });
  const why = wordsField(t("lot.past-why"), "reason", { size: 30 });
  const note = button(t("lot.note"), async () => {
    const what = { what: "note-lot", ...at, lot: number.value.trim() };
    if (expires.value) what.expires = expires.value;
    if (find("input", why).value.trim()) what.reason = find("input", why).value.trim();
    const answer = await on(what, { near, button: note });
    if (answer.ok) number.value = "";
    else if (answer.refusal?.field === "lot" && what.lot && what.expires) show(why, true);
  });
  show(why, false);
  const known = h("p", { class: "quiet" });
  const node = h("div", { class: "form" }, known, field(t("lot.number"), number), field(t("lot.last-day"), expires), why, note);
  node.draw = (part) => text(known, part.lot ? lotWords(part.lot) : t("lot.none"));
  return node;
}

function lotWords({ number, expires, reason }) {
  const words = expires ? t("lot.until", { number, day: expires }) : t("lot.known", { number });
  return reason ? `${words} (${reason})` : words;
}
