// What the page says, in the station's language: the words stand in one file for each language.

import words, { language } from "./catalogue.js";

export { language };
const plural = new Intl.PluralRules(language);

/** The words for a key, with `{name}` filled in. A key without words is shown as it is. */
export function t(key, values = {}) {
  return (words[key] ?? key).replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}

/** The same in parts: a value that is a node stands among the words as it is. */
export const among = (key, values) => (words[key] ?? key).split(/(\{\w+\})/).map((part) => {
  const name = /^\{(\w+)\}$/.exec(part)?.[1];
  return name === undefined ? part : values[name] ?? part;
});

/** The words for a count: those under `key.one`, `key.other`… as the language has it. */
export const count = (key, n, values = {}) => t(`${key}.${plural.select(n)}`, { n, ...values });

/** A word of the station, if this language has one for it; else as the station says it. */
export const named = (kind, word) => words[`${kind}.${word}`] ?? word;

/** A name of a document, as `sandEquivalent` or `sandEquivalent10`, in words of this language. */
export function quantity(name) {
  const [, what, number] = /^(.*?)([0-9]*)$/.exec(name.replace(/[A-Z]/g, (c) => ` ${c.toLowerCase()}`));
  return named("quantity", what) + (number ? ` (${number})` : "");
}

/** What is there of a list, one after the other. */
export const listed = (parts, between = " · ") => parts.filter(Boolean).join(between);
