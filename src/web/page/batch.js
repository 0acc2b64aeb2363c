// One batch being made: its steps in order, each with what to take, what was taken, and, while the
// balance is waited for, the difference that is left.

import { find, h, keyed, mark, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";

const SIDES = { within: "● within", below: "▼ too little", above: "▲ too much" };
const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);
const on = (what, more) => act({ act: "solution", ...what }, more);
const isOpen = (part) => (part.takes === "nothing" ? part.doneMs === null : part.taken.length === 0 || (part.side && part.side !== "within"));

/** The card of a batch; `draw(batch)` keeps it current, `live(weighing)` shows the balance. */
export function makeBatch(batch) {
  const id = batch.id;
  const near = h("p", { class: "said" });
  const head = h("h3", {});
  const facts = h("p", { class: "quiet" });
  const cautions = h("ul", { class: "cautions" });
  const steps = h("ol", { class: "steps" });
  const faults = h("p", { class: "faults" });
  const expires = h("input", { type: "date", name: "expires" });
  const reason = h("input", { name: "reason", maxLength: 200, autocomplete: "off" });
  const why = h("label", {}, "Why it is used all the same ", reason);
  const finish = button("The batch is made", async () => {
    const what = { what: "finish", batch: id };
    if (expires.value) what.expires = expires.value;
    if (reason.value.trim()) what.reason = reason.value.trim();
    const answer = await on(what, { near, button: finish });
    if (!answer.ok && answer.refusal?.field === "reason") show(why, true);
  });
  const drop = h("input", { maxLength: 200, autocomplete: "off", "aria-label": `Why ${id} is given up` });
  const discard = button("Give it up", () => on({ what: "discard", batch: id, reason: drop.value }, { near, button: discard }));
  show(why, false);
  const node = h("article", { class: "item sheet making", id: `batch-${id}` }, head, facts,
    h("details", { class: "safety", open: true }, h("summary", {}, "Safety: the laboratory's own sheets come first"), cautions),
    steps, faults,
    h("div", { class: "form" }, h("label", {}, "Last day, if the recipe knows none ", expires), why, finish, near),
    h("details", {}, h("summary", {}, "Give the batch up"), h("div", { class: "form" }, h("label", {}, "Why ", drop), discard)));
  let weighing = null;
  node.draw = (now) => {
    text(head, `${now.id}: ${now.volume} of ${now.recipe}`);
    text(facts, [`begun ${time.when(now.begunMs, null)} by ${now.begunBy ?? "?"}`, now.water, now.waterNote, now.stock && `from stock ${now.stock}`].filter(Boolean).join(" · "));
    rebuilt(cautions, now.safety, () => (now.safety ?? []).map((s) => h("li", {}, s)));
    const current = now.parts.find(isOpen)?.name;
    keyed(steps, now.parts, (p) => p.name, (p) => makeStep(id, p, near), (step, part) => step.draw(part, part.name === current));
    text(faults, now.faults.length ? `Still open: ${now.faults.join("; ")}.` : "All steps are done, and all amounts are within their limits.");
    mark(faults, "open", now.faults.length > 0);
    finish.classList.toggle("primary", now.faults.length === 0);
    node.live(weighing);
  };
  node.live = (next) => {
    weighing = next;
    for (const step of steps.children) step.live(weighing?.batch === id && weighing.component === step.now.name ? weighing : null);
  };
  return node;
}

function makeStep(batch, part, near) {
  const head = h("h4", {});
  const instruction = h("p", { class: "instruction" });
  const wanted = h("p", { class: "wanted" });
  const taken = h("p", { class: "taken" });
  const scale = makeScale();
  const acts = h("div", { class: "form" });
  const at = { batch, component: part.name };
  const weigh = button("Weigh now", () => on({ what: "await-component", ...at }, { near, button: weigh }));
  const further = button("Weigh a further portion", () => on({ what: "await-component", ...at, further: true }, { near, button: further }));
  const stop = button("Wait no longer", () => act({ act: "stop-awaiting" }, { near, button: stop }));
  const done = button("Done", () => on({ what: "step-done", batch, step: part.name }, { near, button: done }));
  const stated = makeStated(at, near);
  const lot = makeLot(at, near);
  acts.append(weigh, further, stop, done);
  const body = h("div", { class: "step-body" }, instruction, wanted, scale, taken, acts, stated, lot);
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
    const said = nothing ? (isDone ? `done ${time.clock(now.doneMs)}` : "") : isDone ? `${now.sum}, ${now.difference ?? ""} ${SIDES[now.side] ?? "held to no limits"}` : "";
    text(head, `${isDone ? (now.side === "below" || now.side === "above" ? "▲" : "●") : "○"} ${now.name}${said ? `: ${said}` : ""}`);
    text(instruction, `${now.instruction}${now.about ? ` About ${now.about}.` : ""}`);
    const amounts = [now.mass, now.volume].filter(Boolean).map((a) => `${a.text}${a.limits ? ` (${a.limits})` : ""}`);
    rebuilt(wanted, [now.ingredient, amounts, now.mass, now.volume], () => amounts.length ? [
      h("b", {}, amounts.join(" or ")), h("span", {}, now.ingredient ? ` ${now.ingredient}` : ""),
      h("span", { class: "quiet" }, ` ${(now.mass ?? now.volume).source}`)] : []);
    const portions = now.taken.map((t) => `${t.amount} by ${t.with}, ${time.clock(t.atMs)}`);
    const before = now.replaced.length ? `; before: ${now.replaced.map((t) => t.amount).join(", ")}` : "";
    text(taken, portions.length ? `Taken: ${portions.join(" + ")}${before}` : "");
    text(weigh, now.taken.length ? "Weigh it anew" : "Weigh now");
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
    node.dataset.weighing = String(Boolean(weighing));
    if (weighing) {
      box.open = true;
      scale.draw(weighing);
    }
  };
  return node;
}

/** The balance at this instant: what it shows, what is left to the target, and where that lies. */
function makeScale() {
  const words = h("p", { class: "awaited" });
  const rows = h("div", { class: "balances" });
  const node = h("div", { class: "weigh-out", hidden: true }, words, rows);
  node.draw = (weighing) => {
    const more = weighing.further ? `, beside ${weighing.before ?? "nothing"}` : "";
    text(words, `Empty vessel on, tare, pour slowly. The next stable mass counts${more}. Wanted: ${weighing.target}${weighing.limits ? ` (${weighing.limits})` : ""}`);
    keyed(rows, weighing.balances, (b) => b.instrument, () => h("div", { class: "balance-now" },
      h("span", { class: "shows quiet" }), h("b", { class: "left" }), h("span", { class: "verdict" }), h("div", { class: "gauge", "aria-hidden": "true" }, h("i", { class: "band" }), h("i", { class: "at" }))),
    (row, b) => {
      mark(row, "side", b.side ?? "none");
      text(find(".shows", row), `${b.instrument}: ${b.overload ? "overload" : b.shows}${b.stable ? ", stable" : ", moving"}`);
      text(find(".left", row), b.difference);
      text(find(".verdict", row), SIDES[b.side] ?? "");
      row.style.setProperty("--at", `${(b.at ?? 0) / 10}%`);
    });
    show(rows, weighing.balances.length > 0);
  };
  return node;
}

/** An amount that the station does not read. */
function makeStated(at, near) {
  const value = h("input", { name: "value", inputMode: "decimal", autocomplete: "off", size: 8, maxLength: 16 });
  const unit = h("select", { name: "unit" });
  const by = h("input", { name: "with", maxLength: 200, autocomplete: "off", size: 22, placeholder: "measuring cylinder 100 mL" });
  const what = (more) => ({ what: "state-component", ...at, value: value.value.trim(), unit: unit.value, with: by.value.trim(), ...more });
  const enter = button("Enter", async () => {
    const answer = await on(what({}), { near, button: enter });
    if (answer.ok) value.value = "";
  });
  const add = button("Enter a further portion", async () => {
    const answer = await on(what({ further: true }), { near, button: add });
    if (answer.ok) value.value = "";
  });
  const node = h("details", {}, h("summary", {}, "Measured with something else"),
    h("div", { class: "form" }, h("label", {}, "How much ", value), h("label", {}, "Unit ", unit), h("label", {}, "With what ", by), enter, add));
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
  const reason = h("input", { name: "reason", maxLength: 200, autocomplete: "off" });
  const why = h("label", { hidden: true }, "Past its date: why it is used ", reason);
  const note = button("Note the lot", async () => {
    const what = { what: "note-lot", ...at, lot: number.value.trim() };
    if (expires.value) what.expires = expires.value;
    if (reason.value.trim()) what.reason = reason.value.trim();
    const answer = await on(what, { near, button: note });
    if (answer.ok) number.value = "";
    else if (answer.words.includes("past its date")) show(why, true);
  });
  const known = h("p", { class: "quiet" });
  const node = h("div", { class: "form" }, known, h("label", {}, "Lot number ", number), h("label", {}, "Its last day ", expires), why, note);
  node.draw = (part) => text(known, part.lot ? `Lot ${part.lot.number}${part.lot.expires ? `, until ${part.lot.expires}` : ""}${part.lot.reason ? ` (${part.lot.reason})` : ""}` : "No lot number yet.");
  return node;
}
