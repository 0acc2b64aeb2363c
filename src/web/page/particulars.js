// The fields for what came with a bag: one list for registering, correcting and showing.

import { find, h } from "./dom.js";
import { listed, named, t } from "./words.js";

/** Name in acts, kind of field. */
const FIELDS = [
  ["identifier", "scan"], ["project", "text"], ["lot", "text"], ["quantity", "text"], ["material", "text"], ["source", "text"],
  ["sampled-by", "text"], ["sampled-where", "text"], ["sampled-at", "when"], ["intended-use", "text"],
  ["brought-by", "text"], ["brought-at", "when"],
];

/** All that can have come with a bag, the limit included. */
export const NAMES = [...FIELDS.map(([name]) => name), "limit"];

/** What a particular is called. */
export const called = (name) => named("particular", name);

/** Fields whose label says more than the name. */
const SAYS_MORE = new Set(["identifier", "quantity"]);

function field([name, kind]) {
  const input = h("input", { name, autocomplete: "off", spellcheck: false, maxLength: name === "identifier" ? 48 : 80 });
  if (kind === "scan") input.setAttribute("data-takes-scan", "");
  if (kind === "when") Object.assign(input, { placeholder: "2026-11-24 07:30", maxLength: 16, size: 16 });
  return h("label", {}, SAYS_MORE.has(name) ? t(`particular-field.${name}`) : called(name), input);
}

/** The fields, ready to stand in a form. */
export function fields() {
  return h("div", { class: "form particulars" }, ...FIELDS.map(field),
    h("label", {}, t("limit.at-least"), h("input", { name: "at-least", inputMode: "decimal", autocomplete: "off", size: 6, maxLength: 6 })),
    h("label", {}, t("limit.specification"), h("input", { name: "specification", autocomplete: "off", maxLength: 80 })));
}

/** What stands in the fields of a form; `null`: nothing. */
export function read(form) {
  const said = {};
  for (const [name] of FIELDS) {
    const value = form.elements[name].value.trim();
    if (value) said[name] = value;
  }
  const { limit } = limitOf(form);
  if (limit) said.limit = limit;
  return Object.keys(said).length ? said : null;
}

/** Fills the fields. */
export function write(form, said) {
  for (const [name] of FIELDS) form.elements[name].value = said[name] ?? "";
  form.elements["at-least"].value = said.limit?.["at-least"] ?? "";
  form.elements.specification.value = said.limit?.specification ?? "";
}

/** One particular in words. */
export function shown(said, name) {
  if (name === "limit") return said.limit && t("limit.words", { value: said.limit["at-least"], specification: said.limit.specification });
  return name.endsWith("-at") ? said[name]?.replace("T", " ") : said[name];
}

/** All that came with a bag in a line, as a document has it. */
export function inLine(told) {
  const name = (key) => key.replace(/[A-Z]/g, (letter) => `-${letter.toLowerCase()}`);
  const words = (value) => (value.atLeast ? t("limit.words", { value: value.atLeast, specification: value.specification }) : value);
  return listed(Object.entries(told ?? {}).map(([key, value]) => `${called(name(key))}: ${words(value)}`), "; ");
}

/** A limit as it was typed; `fault`: what is wrong with it, before it is sent. */
export function limitOf(form) {
  const atLeast = form.elements["at-least"].value.trim().replace(",", ".");
  const specification = form.elements.specification.value.trim();
  if (!atLeast && !specification) return { limit: null, fault: null };
  const limit = { "at-least": atLeast, specification };
  if (!/^[0-9]{1,3}(\.[0-9]{1,2})?$/.test(atLeast)) return { limit, fault: t("limit.no-number") };
  return { limit, fault: specification ? null : t("limit.no-specification") };
}

/** A method to choose, in a line. */
export const methodWords = ({ title, edition }) => t("method.option", { title, edition: named("edition", edition) });

export const said = (form) => find(".said", form);
