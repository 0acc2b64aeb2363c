// The page of the equipment: the daily check, the items with what is due, their checks, and the
// records that used an item while it was in doubt. It decides nothing.

import { STATES, checkBlock } from "./checks.js";
import { find, h, keyed, options, rebuilt, show, text } from "./dom.js";
import * as link from "./link.js";
import * as time from "./time.js";

const { act } = link;
/** The list is fetched again when the station has changed, and at least this often. */
const AGAIN_MS = 30_000;
let view = null;
let sequence = -1;
let fetchedAt = -Infinity;
let fetching = false;

const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);

async function heard(bench) {
  time.setZone(bench.station.zone);
  if (fetching || (bench.sequence === sequence && performance.now() - fetchedAt < AGAIN_MS)) return;
  fetching = true;
  try {
    const response = await fetch("/equipment/view", { signal: AbortSignal.timeout(10_000) });
    if (response.ok) {
      sequence = bench.sequence;
      fetchedAt = performance.now();
      draw(await response.json());
    }
  } catch {
    // The next word of the station tries again.
  } finally {
    fetching = false;
  }
}

function draw(next) {
  view = next;
  document.body.classList.remove("waiting");
  document.title = `${view.station.title}: equipment`;
  text(find("#station"), view.station.title);
  show(find("#rehearsal"), view.station.rehearsal);
  drawDaily(find("#daily"));
  show(find("#items .none"), view.items.length === 0);
  keyed(find("#items .items"), view.items, (i) => i.id, makeItem, (node, item) => node.draw(item));
  drawRegister();
}

function drawDaily(section) {
  show(section, view.daily.length > 0);
  rebuilt(find("ul", section), view.daily, () => view.daily.map((d) => h("li", { "data-made": String(d.made) },
    h("span", {}, h("b", {}, d.made ? "● " : "○ ", d.item), ` ${d.title}`),
    button("Not in order", () => openItem(d.item)))));
  text(find(".primary", section), view.daily.every((d) => d.made) ? "All in order (made today; confirm again)" : "All in order");
}

/** A failed one opens its item, where it is said what is wrong. */
function openItem(id) {
  const node = find(`#item-${CSS.escape(id)}`);
  if (!node) return;
  find("details", node).open = true;
  node.scrollIntoView({ block: "start" });
  find("summary", node).focus();
}

function makeItem(item) {
  const near = h("p", { class: "said" });
  const head = h("span", { class: "what" });
  const facts = h("p", { class: "quiet" });
  const checks = h("div", { class: "checks" });
  const doubts = h("div", { class: "doubts" });
  const kit = button("", () => act({ act: "equipment", what: "change", item: item.id, kit: !node.item.kit }, { near, button: kit }));
  const reason = h("input", { maxLength: 200, autocomplete: "off", "aria-label": "Why it is not to be used" });
  const out = button("Take out of use", () => act({ act: "equipment", what: "take-out-of-use", item: item.id, reason: reason.value }, { near, button: out }));
  const back = button("Put back into use", () => act({ act: "equipment", what: "put-back", item: item.id }, { near, button: back }));
  const why = h("label", {}, "Why ", reason);
  const node = h("article", { class: "item sheet", id: `item-${item.id}` }, h("details", {},
    h("summary", {}, head), facts, checks, doubts,
    h("div", { class: "form" }, kit, why, out, back, near)));
  node.draw = (now) => {
    node.item = now;
    node.dataset.state = now.state;
    const due = now.dueMs ? `, due ${time.when(now.dueMs, null)}` : "";
    const bad = ["past-due", "failed", "out-of-use"].includes(now.state) ? `: ${now.why}` : "";
    rebuilt(head, [now.id, now.title, now.state, due, bad, now.kit], () => [
      h("b", {}, `${STATES[now.state]}  ${now.id}`), h("span", {}, ` ${now.kindTitle}${now.title ? `, ${now.title}` : ""}${due}${bad}${now.kit ? "" : " (not in the kit)"}`)]);
    text(facts, [now.why, now.place && `place ${now.place}`, now.class && `class ${now.class}`, now.nominal, now.instrument && `read as ${now.instrument}`]
      .filter(Boolean).join(" · "));
    text(kit, now.kit ? "The bench no longer uses it" : "The bench uses it");
    show(out, !now.outOfUse);
    show(why, !now.outOfUse);
    show(back, Boolean(now.outOfUse));
    keyed(checks, now.checks, (c) => c.name, (c) => checkBlock(now.id, c.name, c.how), (block, c) => block.draw(c, view));
    rebuilt(doubts, now.lookBack, () => now.lookBack.map((d) => doubtBlock(now.id, d)));
  };
  return node;
}

/** Records that used the item while it was in doubt: fetched when somebody asks. */
function doubtBlock(id, doubt) {
  const list = h("ul", { class: "rows" });
  const near = h("p", { class: "said" });
  const from = doubt.fromMs ? `the last good check on ${time.when(doubt.fromMs, null)}` : "the beginning";
  const to = doubt.toMs ? time.when(doubt.toMs, null) : "now";
  const more = button("Show more", () => load(true));
  let before = null;
  const load = async (further) => {
    const range = new URLSearchParams();
    if (doubt.fromMs !== null) range.set("from-ms", doubt.fromMs);
    if (doubt.toMs !== null) range.set("to-ms", doubt.toMs);
    if (further && before !== null) range.set("before", before);
    try {
      const response = await fetch(`/equipment/${encodeURIComponent(id)}/records?${range}`);
      const found = await response.json();
      if (!response.ok) throw new Error(found.detail);
      const atWork = further ? [] : found.atWork;
      if (!further) list.replaceChildren();
      list.append(
        ...atWork.map((s) => h("li", {}, h("span", {}, `${s.label}, at work at place ${s.place}`), h("span", {}, time.when(s.atMs, null)))),
        ...found.records.map((r) => h("li", {}, h("a", { class: "link", href: `/record/${r.id}` }, `${r.label}: ${r.result}`),
          h("span", {}, `${STATES[r.state] ?? r.state} then, ${time.when(r.atMs, null)}`))));
      before = found.before;
      show(more, before !== null);
      const late = !found.whole && before === null ? "Older documents are still being listed: ask again." : "";
      text(near, list.childElementCount === 0 && !late ? "No record used it in that time." : late);
    } catch (error) {
      text(near, `The list could not be read: ${error.message}`);
    }
  };
  const press = button("List what used it", () => load(false));
  show(more, false);
  return h("section", { class: "doubt" }, h("p", {}, `In doubt by the check “${doubt.check}”: from ${from} to ${to}.`), press, near, list, more);
}

// Registering

function drawRegister() {
  show(find("#register"), view.kinds.length > 0);
  show(find("#no-kinds"), view.kinds.length === 0);
  const form = find("#register form");
  options(form.elements.kind, view.kinds.map((k) => [k.kind, k.title]));
  options(form.elements.place, [["", "every place"], ...Array.from({ length: view.places }, (_, i) => [String(i + 1), String(i + 1)])]);
  options(form.elements.instrument, [["", "not read"], ...view.instruments.map((name) => [name, name])]);
  drawKind();
}

function drawKind() {
  const form = find("#register form");
  const kind = view?.kinds.find((k) => k.kind === form.elements.kind.value);
  show(find(".place-of", form), Boolean(kind?.standsAtPlace));
  show(find(".class-of", form), Boolean(kind?.classes.length));
  show(find(".nominal-of", form), Boolean(kind?.nominals));
  show(find(".instrument-of", form), ["balance", "probe"].includes(kind?.kind));
  options(form.elements.class, (kind?.classes ?? []).map((c) => [c, c]));
  options(form.elements.nominal, (kind?.nominals ?? []).map((n) => [n, n]));
}

const register = find("#register form");
register.elements.kind.addEventListener("change", drawKind);
register.addEventListener("submit", async (event) => {
  event.preventDefault();
  const seen = (name) => !register.elements[name].closest("label").hidden && register.elements[name].value;
  const what = { act: "equipment", what: "register", item: register.elements.item.value.trim(), kind: register.elements.kind.value,
    title: register.elements.title.value.trim(), kit: register.elements.kit.checked };
  if (seen("place")) what.place = Number(seen("place"));
  for (const name of ["class", "nominal", "instrument"]) if (seen(name)) what[name] = seen(name);
  const answer = await act(what, { near: find(".said", register), button: find("button", register) });
  if (answer.ok) {
    register.elements.item.value = "";
    register.elements.title.value = "";
  }
});

find("#daily .primary").addEventListener("click", (event) => {
  const items = view.daily.map(({ item, check }) => ({ item, check }));
  act({ act: "equipment", what: "all-in-order", items }, { near: find("#daily .said"), button: event.currentTarget });
});

const who = find("#who");
try {
  who.value = localStorage.getItem("who") ?? "";
  who.addEventListener("change", () => localStorage.setItem("who", who.value.trim()));
} catch {
  // A browser that keeps nothing: the name is asked for again after a reload.
}

link.start(heard, (fresh) => {
  document.body.classList.toggle("is-lost", !fresh);
  show(find("#lost"), !fresh);
});
