// The page of the solutions: what is being made, the bottles with the one in use, and the forms
// that begin a batch. It decides nothing; every amount and every difference is the station's.

import { makeBatch } from "./batch.js";
import { find, h, keyed, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { follow } from "./shell.js";
import * as time from "./time.js";

const STATES = { good: "●", "due-soon": "◔", making: "○", "not-in-order": "▲", "past-date": "▲", discarded: "✕" };
let view = null;

const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);
const on = (what, more) => act({ act: "solution", ...what }, more);

/** What the balance shows now, at the step that waits for it. */
function drawLive(weighing) {
  for (const node of document.querySelectorAll("#making article")) node.live?.(weighing);
}

function draw(next) {
  view = next;
  document.title = `${view.station.title}: solutions`;
  const making = view.batches.filter((b) => b.state === "making");
  const shelf = view.batches.filter((b) => b.state !== "making");
  show(find("#making"), making.length > 0);
  keyed(find("#making .items"), making, (b) => b.id, makeBatch, (node, batch) => node.draw(batch));
  show(find("#shelf .none"), view.batches.length === 0);
  keyed(find("#shelf .items"), shelf, (b) => b.id, makeBottle, (node, batch) => node.draw(batch));
  drawForms();
}

/** A bottle: one touch puts it in use. */
function makeBottle(batch) {
  const id = batch.id;
  const near = h("p", { class: "said" });
  const head = h("p", { class: "bottle-head" });
  const facts = h("p", { class: "quiet" });
  const doubts = h("ul", { class: "deviations" });
  const inside = h("ul", { class: "rows" });
  const bottle = h("span", { class: "phial", "aria-hidden": "true" }, h("i", { class: "liquid" }));
  let asked = false;
  const use = button("", async () => {
    const answer = await on({ what: "put-in-use", batch: id, confirmed: asked }, { near, button: use });
    asked = answer.refusal?.refused === "confirm";
    text(use, asked ? "Put it in use all the same" : "Put in use");
  }, "primary");
  const away = button("No longer in use", () => on({ what: "take-away", kind: node.batch.kind }, { near, button: away }));
  const reason = h("input", { maxLength: 200, autocomplete: "off", "aria-label": `Why ${id} is thrown away` });
  const discard = button("Discard", () => on({ what: "discard", batch: id, reason: reason.value }, { near, button: discard }));
  const gone = h("div", { class: "form" }, h("label", {}, "Why ", reason), discard);
  const more = h("details", {}, h("summary", {}, "What is in it, and discarding"), inside, gone);
  const node = h("article", { class: "item sheet bottle", id: `batch-${id}` }, bottle, h("div", {}, head, facts, doubts, h("div", { class: "acts" }, use, away), near, more));
  node.draw = (now) => {
    node.batch = now;
    node.dataset.state = now.state;
    node.dataset.inUse = String(now.inUse);
    rebuilt(head, [now.stateText, now.inUse, now.recipe], () => [h("b", {}, `${STATES[now.state]} ${now.id}`),
      h("span", {}, ` ${now.recipe}${now.inUse ? ", " : ""}`), now.inUse && h("b", { class: "awaited" }, "in use"),
      h("span", { class: "state" }, now.state === "good" ? "" : ` ${now.stateText}`)]);
    text(facts, [
      now.discarded ? `thrown away ${time.when(now.discarded.atMs, null)}: ${now.discarded.reason}` : null,
      now.madeMs === null ? "day of making not known" : `made ${time.when(now.madeMs, null)}${now.bought ? "" : ` by ${now.madeBy ?? "?"}`}`,
      now.expiresMs === null ? "last day not known" : `good until ${time.when(now.expiresMs, null)}`,
      now.discarded ? null : `about ${now.left ?? "?"} left of ${now.volume}`,
      now.kind === "working" && now.fillings ? `${now.fillings} cylinder${now.fillings > 1 ? "s" : ""} filled` : null,
      now.cylinders !== null && !now.discarded && now.kind === "working" ? `enough for about ${now.cylinders} more` : null,
      now.stock && `from stock ${now.stock}`, now.water, now.waterNote,
      now.bought && `lot ${now.bought.lot} of ${now.bought.maker}`,
    ].filter(Boolean).join(" · "));
    rebuilt(doubts, now.doubts, () => now.doubts.map((d) => h("li", {}, h("b", {}, d.what), ` (${d.reason})`)));
    rebuilt(inside, now.parts, () => now.parts.filter((p) => p.takes !== "nothing").map((p) => h("li", {},
      h("span", {}, `${p.name}: ${p.sum ?? "nothing"}${p.difference ? ` (${p.difference})` : ""}`),
      h("span", { class: "quiet" }, [p.lot && `lot ${p.lot.number}`, p.taken.map((t) => t.with).join(", ")].filter(Boolean).join(", ")))));
    show(use, !now.inUse && !now.discarded);
    if (!asked) text(use, "Put in use");
    show(away, now.inUse);
    show(gone, !now.discarded);
    show(bottle, !now.discarded);
    bottle.style.setProperty("--fill", `${share(now)}%`);
  };
  return node;
}

/** How full a bottle is drawn. */
function share(batch) {
  const litres = (words) => {
    const [digits, unit] = (words ?? "").split(" ");
    return Number(digits) * (unit === "mL" ? 0.001 : 1);
  };
  const whole = litres(batch.volume);
  return whole > 0 ? Math.min(100, Math.round((100 * litres(batch.left)) / whole)) : 0;
}

// Beginning a batch

const begin = find("#begin form");
const receive = find("#receive form");

function drawForms() {
  for (const form of ["#begin", "#receive"]) show(find(form), view.recipes.length > 0);
  show(find("#no-recipes"), view.recipes.length === 0);
  const recipes = view.recipes.map((r) => [r.id, r.title]);
  options(begin.elements.recipe, recipes);
  options(receive.elements.recipe, recipes);
  options(begin.elements.stock, [["", "choose"], ...view.stocks.map((s) => [s, s])]);
  drawRecipe(false);
}

function drawRecipe(chosen) {
  const recipe = view?.recipes.find((r) => r.id === begin.elements.recipe.value);
  if (!recipe) return;
  options(begin.elements.water, [...recipe.water, ...(recipe.tapIf ? [["tap", "tap water, on a condition"]] : [])]);
  show(find(".stock-of", begin), recipe.takesStock);
  if ((chosen || !begin.elements.volume.value) && recipe.makes) {
    begin.elements.volume.value = recipe.makes.value;
    begin.elements.unit.value = recipe.makes.unit;
  }
  rebuilt(find(".recipe-notes"), recipe, () => [
    h("h3", {}, "Before you begin"),
    h("ul", { class: "cautions" }, ...recipe.safety.map((s) => h("li", {}, s))),
    h("p", { class: "quiet" }, `For ${recipe.makes.text} (${recipe.makesSource}); another volume in proportion. `
      + `${recipe.keepsDays === null ? `How long it keeps is not known (${recipe.keepsSource}): state its last day if you know it.` : `Keeps ${recipe.keepsDays} days (${recipe.keepsSource}).`}`),
    recipe.tapIf && h("p", { class: "quiet" }, `Tap water: ${recipe.tapIf}`),
    h("p", { class: "quiet" }, `For ${recipe.standards.join(", ") || "any method"}. ${recipe.notice}`),
  ]);
}

begin.elements.recipe.addEventListener("change", () => drawRecipe(true));
begin.addEventListener("submit", async (event) => {
  event.preventDefault();
  const field = (name) => begin.elements[name].value.trim();
  const what = { what: "begin", batch: field("batch"), recipe: field("recipe"), volume: field("volume"), unit: field("unit"), water: field("water") };
  for (const name of ["stock", "reason"]) if (field(name)) what[name] = field(name);
  const answer = await on(what, { near: find(".said", begin), button: find("button", begin) });
  if (!answer.ok) return;
  begin.elements.batch.value = "";
  begin.elements.reason.value = "";
  find("#begin").open = false;
  find("#making").scrollIntoView({ block: "start" });
});

receive.addEventListener("submit", async (event) => {
  event.preventDefault();
  const what = { what: "receive" };
  for (const name of ["batch", "recipe", "volume", "unit", "maker", "lot", "made", "expires"]) {
    const value = receive.elements[name].value.trim();
    if (value) what[name] = value;
  }
  const answer = await on(what, { near: find(".said", receive), button: find("button", receive) });
  if (answer.ok) for (const name of ["batch", "lot", "made", "expires"]) receive.elements[name].value = "";
});

follow("/solutions/view", draw, (seen) => drawLive(seen.solutions?.weighing ?? null));
