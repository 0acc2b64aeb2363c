// Small helpers that change the page in place: what a person is typing into is never rebuilt.

/** Makes an element. Keys of `props`: `class`, `on` (listeners), `data-…`/`aria-…`, else properties. */
export function h(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key === "class") node.className = value;
    else if (key === "on") for (const [type, call] of Object.entries(value)) node.addEventListener(type, call);
    else if (key.includes("-") || key === "role" || key === "for") node.setAttribute(key, value);
    else node[key] = value;
  }
  node.append(...children.filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/** Words with a capital letter in front. */
export const capital = (words) => (words ? words[0].toUpperCase() + words.slice(1) : "");

/** A button that does something by itself; one without a `call` sends its form. */
export const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`.trim(), on: { click: call } }, words);

/** Where the outcome of an act is told. */
export const said = () => h("p", { class: "said" });

/** A field for a sentence: a reason, a note. */
export const sentence = (name = "reason") => h("input", { name, maxLength: 200, autocomplete: "off" });

/** A section of names with what stands under them; a name under which nothing stands is left out. */
export const facts = (title, pairs) => h("section", {}, h("h2", {}, title), h("dl", {}, ...terms(pairs)));

/** The inside of such a list. */
export const terms = (pairs) => pairs.filter(([, value]) => value !== null && value !== undefined && value !== "" && value !== false)
  .flatMap(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]);

/** A section with a table, null without rows. */
export const table = (title, heads, rows) => (rows.length ? h("section", {}, h("h2", {}, title), grid(heads, rows)) : null);

/** A table; on a narrow screen each cell stands under its head. */
export function grid(heads, rows) {
  return h("div", { class: "scroll" }, h("table", { class: "stacked" },
    h("thead", {}, h("tr", {}, ...heads.map((head) => h("th", { scope: "col" }, head)))),
    h("tbody", {}, ...rows.map((cells) => rowOf(heads, cells)))));
}

/** A cell of a table that stacks; several parts stand under each other. */
export function cell(head, content) {
  const parts = Array.isArray(content) ? content.filter(Boolean).map((part) => h("div", {}, part)) : [content || ""];
  return h("td", { "data-head": head }, ...parts);
}

/** What the station says of itself is English, whatever the page speaks (WCAG 3.1.2). */
export function byStation(node, yes = true) {
  if (yes) node.lang = "en";
  else node.removeAttribute("lang");
  return node;
}

/** Words of the station among those of the page. */
export const en = (words, tag = "span") => (words ? h(tag, { lang: "en" }, words) : null);

export const find = (selector, root = document) => root.querySelector(selector);

/** Sets text only where it differs, so that nothing is announced or repainted for nothing. */
export function text(node, words) {
  const next = words ?? "";
  if (node.textContent !== next) node.textContent = next;
  return node;
}

export function show(node, yes) {
  if (node.hidden === yes) node.hidden = !yes;
  return node;
}

/** Sets `data-name`, or takes it away. */
export function mark(node, name, value) {
  if (value === null || value === undefined || value === false) node.removeAttribute(`data-${name}`);
  else if (node.getAttribute(`data-${name}`) !== String(value)) node.setAttribute(`data-${name}`, value);
}

/**
 * Brings the children of `box` in line with `items`: made once for each key, updated in place,
 * moved only if their order changed.
 */
export function keyed(box, items, keyOf, make, update) {
  box.kept ??= new Map();
  const wanted = new Set();
  let at = null;
  for (const item of items) {
    const key = String(keyOf(item));
    wanted.add(key);
    let node = box.kept.get(key);
    if (!node) {
      node = make(item);
      box.kept.set(key, node);
    }
    const place = at ? at.nextSibling : box.firstChild;
    if (node !== place) box.insertBefore(node, place);
    update?.(node, item);
    at = node;
  }
  for (const [key, node] of box.kept) {
    if (!wanted.has(key)) {
      node.remove();
      box.kept.delete(key);
    }
  }
}

/** Rebuilds the children of `box` only when what they are made of has changed. */
export function rebuilt(box, stuff, build) {
  const signature = JSON.stringify(stuff);
  if (box.signature === signature) return false;
  box.signature = signature;
  box.replaceChildren(...build().filter(Boolean));
  return true;
}

/** Options of a select, keeping the choice where it still stands; a third word is their language. */
export function options(select, choices) {
  rebuilt(select, choices, () => {
    const kept = select.value;
    const nodes = choices.map(([value, words, lang]) => h("option", { value, selected: value === kept, ...(lang ? { lang } : {}) }, words));
    return nodes;
  });
}

/** A field under its name. */
export const field = (words, input) => h("label", {}, h("span", {}, words), input);

/** A field for words; `props` go to the input. */
export const wordsField = (words, name, props = {}) => field(words, Object.assign(sentence(name), props));

/** A row of a table with these heads; an `id` on the list of its cells is the row's. */
export const rowOf = (heads, cells) => h("tr", cells.id ? { id: cells.id } : {}, ...heads.map((head, n) => cell(head, cells[n])));
