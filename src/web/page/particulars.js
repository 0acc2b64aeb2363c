// The fields for what came with a bag: one list for registering, correcting and showing.

import { find, h } from "./dom.js";

/** Name in acts, words, kind of field. */
export const FIELDS = [
  ["identifier", "Identifier, typed or scanned", "scan"],
  ["project", "Project", "text"],
  ["lot", "Lot", "text"],
  ["quantity", "Quantity represented, with its unit", "text"],
  ["material", "Material", "text"],
  ["source", "Source", "text"],
  ["sampled-by", "Sampled by", "text"],
  ["sampled-where", "Sampled where", "text"],
  ["sampled-at", "Sampled when", "when"],
  ["intended-use", "Intended use", "text"],
  ["brought-by", "Brought by", "text"],
  ["brought-at", "Brought when", "when"],
];

/** What the fields are called, the limit's two included. */
export const NAMES = Object.fromEntries([...FIELDS.map(([name, words]) => [name, words]), ["limit", "Acceptance limit"]]);

function field([name, words, kind]) {
  const input = h("input", { name, autocomplete: "off", spellcheck: false, maxLength: name === "identifier" ? 48 : 80 });
  if (kind === "scan") input.setAttribute("data-takes-scan", "");
  if (kind === "when") Object.assign(input, { placeholder: "2026-11-24 07:30", maxLength: 16, size: 16 });
  return h("label", {}, words, input);
}

/** The fields, ready to stand in a form. */
export function fields() {
  return h("div", { class: "form particulars" }, ...FIELDS.map(field),
    h("label", {}, "Result at least", h("input", { name: "at-least", inputMode: "decimal", autocomplete: "off", size: 6, maxLength: 6 })),
    h("label", {}, "asked for by the specification", h("input", { name: "specification", autocomplete: "off", maxLength: 80 })));
}

/** What stands in the fields of a form; `null`: nothing. */
export function read(form) {
  const said = {};
  for (const [name] of FIELDS) {
    const value = form.elements[name].value.trim();
    if (value) said[name] = value;
  }
  const atLeast = form.elements["at-least"].value.trim().replace(",", ".");
  const specification = form.elements.specification.value.trim();
  if (atLeast || specification) said.limit = { "at-least": atLeast || "missing", specification };
  return Object.keys(said).length ? said : null;
}

/** Fills the fields. */
export function write(form, said) {
  for (const [name] of FIELDS) form.elements[name].value = said[name] ?? "";
  form.elements["at-least"].value = said.limit?.["at-least"] ?? "";
  form.elements.specification.value = said.limit?.specification ?? "";
}

/** One particular in words. */
export const shown = (said, name) => (name === "limit"
  ? said.limit && `at least ${said.limit["at-least"]} (${said.limit.specification})`
  : said[name]);

/** What a form says is wrong with a limit, before it is sent. */
export function fault(form) {
  const atLeast = form.elements["at-least"].value.trim().replace(",", ".");
  const specification = form.elements.specification.value.trim();
  if (!atLeast && !specification) return null;
  if (!/^[0-9]{1,3}(\.[0-9]{1,2})?$/.test(atLeast)) return "Give the limit as a number from 0 to 100, and name its specification.";
  return specification ? null : "Name the specification that sets the limit.";
}

export const said = (form) => find(".said", form);
