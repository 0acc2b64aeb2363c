// The page of the solutions: what is being made, the bottles with the one in use, and the forms
// that begin a batch. It decides nothing; every amount and every difference is the station's.

import { makeBatch } from "./batch.js";
import { button, en, find, h, keyed, options, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import { follow } from "./shell.js";
import * as time from "./time.js";
import { among, count, listed, named, t } from "./words.js";

const SHAPES = { good: "●", "due-soon": "◔", "not-in-order": "▲", "past-date": "▲", discarded: "✕" };
let view = null;

const on = (what, more) => act({ act: "solution", ...what }, more);

/** What the balance shows now, at the step that waits for it. */
function drawLive(weighing) {
  for (const node of document.querySelectorAll("#making article")) node.live?.(weighing);
}

function draw(next) {
  view = next;
  document.title = `${view.station.title}: ${t("menu.solutions")}`;
  const making = view.batches.filter((b) => b.state === "making");
  const shelf = view.batches.filter((b) => b.state !== "making");
  show(find("#making"), making.length > 0);
  keyed(find("#making .items"), making, (b) => b.id, makeBatch, (node, batch) => node.draw(batch));
  show(find("#shelf .none"), view.batches.length === 0);
  keyed(find("#shelf .items"), shelf, (b) => b.id, makeBottle, (node, batch) => node.draw(batch));
  drawForms();
}

/** A bottle: one touch puts it in use. */
function makeBottle({ id }) {
  const near = said();
  const head = h("p", { class: "bottle-head" });
  const facts = h("p", { class: "quiet" });
  const doubts = h("ul", { class: "deviations" });
  const inside = h("ul", { class: "rows" });
  const phial = h("span", { class: "phial", "aria-hidden": "true" }, h("i", { class: "liquid" }));
  const use = useButton(id, near);
  const away = button(t("bottle.take-away"), () => on({ what: "take-away", kind: node.batch.kind }, { near, button: away }));
  const why = wordsField(t("bottle.discard-why"), "reason", { size: 30 });
  const discard = button(t("bottle.discard"), () => on({ what: "discard", batch: id, reason: find("input", why).value }, { near, button: discard }));
  const gone = h("div", { class: "form" }, why, discard);
  const more = h("details", {}, h("summary", {}, t("bottle.inside")), inside, gone);
  const node = h("article", { class: "item sheet bottle", id: `batch-${id}` }, phial,
    h("div", {}, head, facts, doubts, h("div", { class: "acts" }, use, away), near, more));
  node.draw = (now) => {
    node.batch = now;
    node.dataset.state = now.state;
    node.dataset.inUse = String(now.inUse);
    rebuilt(head, [now.state, now.inUse, now.recipe], () => headWords(now));
    text(facts, factWords(now));
    rebuilt(doubts, now.doubts, () => now.doubts.map((d) => h("li", {}, h("b", {}, d.what), ` (${d.reason})`)));
    rebuilt(inside, now.parts, () => now.parts.filter((p) => p.takes !== "nothing").map(partRow));
    show(use, !now.inUse && !now.discarded);
    show(away, now.inUse);
    show(gone, !now.discarded);
    show(phial, !now.discarded);
    phial.style.setProperty("--fill", `${share(now)}%`);
  };
  return node;
}

/** Puts a bottle in use; one that the station asks about, with the second press. */
function useButton(id, near) {
  let asked = false;
  const use = button(t("bottle.use"), async () => {
    const answer = await on({ what: "put-in-use", batch: id, confirmed: asked }, { near, button: use });
    asked = answer.refusal?.refused === "confirm";
    text(use, asked ? t("bottle.use-all-the-same") : t("bottle.use"));
  }, "primary");
  return use;
}

function headWords(now) {
  return [h("b", {}, `${SHAPES[now.state]} ${now.id}`), h("span", {}, ` ${now.recipe}${now.inUse ? ", " : ""}`),
    now.inUse && h("b", { class: "awaited" }, t("bottle.in-use")),
    now.state !== "good" && h("span", { class: "state" }, `, ${t(`batch-state.${now.state}`)}`)];
}

function factWords(now) {
  const { discarded } = now;
  const made = { when: time.day(now.madeMs), by: now.madeBy ?? "?" };
  const used = now.kind === "working" && !discarded;
  return listed([
    discarded && t("bottle.discarded", { when: time.when(discarded.atMs, null), reason: discarded.reason }),
    now.madeMs === null ? t("bottle.made-unknown") : now.bought ? t("bottle.made", made) : t("bottle.made-by", made),
    now.expiresMs === null ? t("bottle.last-day-unknown") : t("bottle.good-until", { when: time.day(now.expiresMs) }),
    !discarded && t("bottle.left", { left: now.left ?? "?", volume: now.volume }),
    used && now.fillings > 0 && count("bottle.filled", now.fillings),
    used && now.cylinders !== null && (now.cylinders > 0 ? count("bottle.enough", now.cylinders) : t("bottle.not-enough")),
    now.stock && t("bottle.from-stock", { stock: now.stock }), now.water && named("water", now.water), now.waterNote,
    now.bought && t("bottle.lot-of", now.bought),
  ]);
}

const partRow = (p) => h("li", {},
  h("span", {}, `${p.name}: ${p.sum ?? t("bottle.nothing")}${p.difference ? ` (${p.difference})` : ""}`),
  h("span", { class: "quiet" }, listed([p.lot && t("bottle.lot", { number: p.lot.number }), ...p.taken.map((one) => one.with)], ", ")));

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
  options(begin.elements.stock, [["", t("choose")], ...view.stocks.map((s) => [s, s])]);
  drawRecipe(false);
}

function drawRecipe(chosen) {
  const recipe = view?.recipes.find((r) => r.id === begin.elements.recipe.value);
  if (!recipe) return;
  const water = recipe.water.map(([kind, words]) => [kind, named("water", words)]);
  options(begin.elements.water, [...water, ...(recipe.tapIf ? [["tap", t("solutions.tap")]] : [])]);
  show(find(".stock-of", begin), recipe.takesStock);
  if ((chosen || !begin.elements.volume.value) && recipe.makes) {
    begin.elements.volume.value = recipe.makes.value;
    begin.elements.unit.value = recipe.makes.unit;
  }
  rebuilt(find(".recipe-notes"), recipe, () => recipeNotes(recipe));
}

function recipeNotes(recipe) {
  const makes = recipe.makes && t("solutions.makes", { volume: recipe.makes.text, source: recipe.makesSource });
  const keeps = recipe.keepsDays === null ? t("solutions.keeps-unknown", { source: recipe.keepsSource })
    : count("solutions.keeps", recipe.keepsDays, { source: recipe.keepsSource });
  return [
    h("h3", {}, t("solutions.before")),
    h("ul", { class: "cautions", lang: "en" }, ...recipe.safety.map((s) => h("li", {}, s))),
    h("p", { class: "quiet" }, listed([makes, keeps], " ")),
    recipe.tapIf && h("p", { class: "quiet" }, ...among("solutions.tap-if", { condition: en(recipe.tapIf) })),
    h("p", { class: "quiet" }, `${t("solutions.for", { standards: recipe.standards.join(", ") || t("solutions.any-method") })} `, en(recipe.notice)),
  ];
}

begin.elements.recipe.addEventListener("change", () => drawRecipe(true));
begin.addEventListener("submit", async (event) => {
  event.preventDefault();
  const filled = (name) => begin.elements[name].value.trim();
  const what = { what: "begin", batch: filled("batch"), recipe: filled("recipe"), volume: filled("volume"), unit: filled("unit"), water: filled("water") };
  for (const name of ["stock", "reason"]) if (filled(name)) what[name] = filled(name);
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
