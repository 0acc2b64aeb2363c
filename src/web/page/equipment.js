// The page of the equipment: the daily check, the items with what is due, their checks, and the
// records that used an item while it was in doubt. It decides nothing.

import { checkBlock, due, standing } from "./checks.js";
import { button, en, find, h, keyed, options, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import { follow } from "./shell.js";
import * as time from "./time.js";
import { listed, t } from "./words.js";

let view = null;

const on = (what, item, more, near) => act({ act: "equipment", what, item, ...more }, near);

function draw(next) {
  view = next;
  document.title = `${view.station.title}: ${t("menu.equipment")}`;
  drawDaily(find("#daily"));
  show(find("#items .none"), view.items.length === 0);
  keyed(find("#items .items"), view.items, (i) => i.id, makeItem, (node, item) => node.draw(item));
  drawRegister();
}

function drawDaily(section) {
  show(section, view.daily.length > 0);
  rebuilt(find("ul", section), view.daily, () => view.daily.map((d) => h("li", { "data-made": String(d.made) },
    h("span", {}, h("b", {}, d.made ? "● " : "○ ", d.item), ` ${d.title}`),
    button(t("equipment.not-in-order"), () => openItem(d.item)))));
  text(find(".primary", section), view.daily.every((d) => d.made) ? t("equipment.all-in-order-again") : t("equipment.all-in-order"));
}

/** A failed one opens its item, where it is said what is wrong. */
function openItem(id) {
  const node = find(`#item-${CSS.escape(id)}`);
  if (!node) return;
  find("details", node).open = true;
  node.scrollIntoView({ block: "start" });
  find("summary", node).focus();
}

function makeItem({ id }) {
  const near = said();
  const head = h("span", { class: "what" });
  const facts = h("p", { class: "quiet" });
  const checks = h("div", { class: "checks" });
  const doubts = h("div", { class: "doubts" });
  const why = wordsField(t("equipment.out-why"), "reason", { size: 30 });
  const kit = button("", () => on("change", id, { kit: !node.item.kit }, { near, button: kit }));
  const out = button(t("equipment.take-out"), () => on("take-out-of-use", id, { reason: find("input", why).value }, { near, button: out }));
  const back = button(t("equipment.put-back"), () => on("put-back", id, {}, { near, button: back }));
  const node = h("article", { class: "item sheet", id: `item-${id}` }, h("details", {},
    h("summary", {}, head), facts, checks, doubts,
    h("div", { class: "form" }, why, out, back, kit, near)));
  node.draw = (now) => {
    node.item = now;
    node.dataset.state = now.state;
    rebuilt(head, [now.id, now.title, now.state, now.dueMs, now.why, now.notFor, now.kit], () => [
      h("b", {}, `${standing(now.state)}  ${now.id}`), h("span", {}, " ", ...headWords(now))]);
    const note = !isBad(now) && now.why;
    const more = listed([now.place && t("equipment.at-place", { place: now.place }), now.class && t("equipment.of-class", { class: now.class }),
      now.nominal, now.instrument && t("equipment.read-as", { name: now.instrument })]);
    rebuilt(facts, [note, more], () => [note && en(note), note && more && " · ", more]);
    text(kit, now.kit ? t("equipment.leave-kit") : t("equipment.in-kit"));
    show(out, !now.outOfUse);
    show(why, !now.outOfUse);
    show(back, Boolean(now.outOfUse));
    keyed(checks, now.checks, (c) => c.name, (c) => checkBlock(id, c.name, c.how), (block, c) => block.draw(c, view));
    rebuilt(doubts, now.lookBack, () => now.lookBack.map((d) => doubtBlock(now, d)));
  };
  return node;
}

const isBad = ({ state }) => ["past-due", "failed", "out-of-use"].includes(state);

function headWords(item) {
  return [en(listed([item.kindTitle, item.title], ", ")), item.dueMs && `, ${due(item.dueMs)}`,
    ...(isBad(item) ? [": ", en(item.why)] : item.notFor.length ? [` · ${t("equipment.not-for", { standards: item.notFor.join(", ") })}`] : []),
    !item.kit && ` (${t("equipment.not-in-kit")})`];
}

/** Records that used the item while it was in doubt: fetched when somebody asks. */
function doubtBlock({ id, checks }, doubt) {
  const list = h("ul", { class: "rows" });
  const near = said();
  const more = button(t("records.more"), () => load(true));
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
      if (!further) list.replaceChildren(...found.atWork.map(workRow));
      list.append(...found.records.map(usedRow));
      before = found.before;
      show(more, before !== null);
      const late = !found.whole && before === null ? t("equipment.used-by-more") : "";
      text(near, list.childElementCount === 0 && !late ? t("equipment.used-by-none") : late);
    } catch (error) {
      text(near, t("equipment.list-unread", { why: error.message }));
    }
  };
  const press = button(t("equipment.list-used"), () => load(false));
  show(more, false);
  const from = doubt.fromMs ? t("equipment.doubt-from-check", { when: time.when(doubt.fromMs, null) }) : t("equipment.doubt-from-beginning");
  const to = doubt.toMs ? time.when(doubt.toMs, null) : t("equipment.doubt-to-now");
  const check = checks.find((c) => c.name === doubt.check)?.title ?? doubt.check;
  const words = listed([t("equipment.doubt", { check, from, to }),
    doubt.standards.length > 0 && t("equipment.doubt-by", { standards: doubt.standards.join(", ") })], " ");
  return h("section", { class: "doubt" }, h("p", {}, words), press, list, more, ...(doubt.kept ? [lookedThrough(id, doubt, near)] : []), near);
}

/** A time that was looked through leaves the list. */
function lookedThrough(id, doubt, near) {
  const note = wordsField(t("equipment.what-came"), "note", { size: 30 });
  const press = button(t("equipment.looked-through"), () => on("looked-through", id,
    { check: doubt.check, "from-ms": doubt.fromMs, note: find("input", note).value }, { near, button: press }));
  return h("div", { class: "form" }, note, press);
}

const workRow = (s) => h("li", {}, h("span", {}, t("equipment.at-work", { label: s.label, place: s.place })), h("span", {}, time.when(s.atMs, null)));

const usedRow = (r) => h("li", {}, h("a", { class: "link", href: `/record/${r.id}` }, `${r.label}: ${r.result}`),
  h("span", {}, t("equipment.stood-then", { state: standing(r.state), when: time.when(r.atMs, null) })));

// Registering

function drawRegister() {
  show(find("#register"), view.kinds.length > 0);
  show(find("#no-kinds"), view.kinds.length === 0);
  const form = find("#register form");
  options(form.elements.kind, view.kinds.map((k) => [k.kind, k.title, "en"]));
  options(form.elements.place, [["", t("equipment.every-place")], ...Array.from({ length: view.places }, (_, i) => [String(i + 1), String(i + 1)])]);
  options(form.elements.instrument, [["", t("equipment.not-read")], ...view.instruments.map((name) => [name, name])]);
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
  const { kind, title, kit } = register.elements;
  // `elements.item` is the collection's own method.
  const item = register.elements.namedItem("item");
  const more = { kind: kind.value, title: title.value.trim(), kit: kit.checked };
  if (seen("place")) more.place = Number(seen("place"));
  for (const name of ["class", "nominal", "instrument"]) if (seen(name)) more[name] = seen(name);
  const answer = await on("register", item.value.trim(), more, { near: find(".said", register), button: find("button", register) });
  if (answer.ok) for (const used of [item, title]) used.value = "";
});

find("#daily .primary").addEventListener("click", (event) => {
  const items = view.daily.map(({ item, check }) => ({ item, check }));
  act({ act: "equipment", what: "all-in-order", items }, { near: find("#daily .said"), button: event.currentTarget });
});

follow("/equipment/view", draw);
