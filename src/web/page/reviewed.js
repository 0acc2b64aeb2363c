// What a document says of who worked on it and who decided: for its own page and for the review.

import { h } from "./dom.js";
import * as time from "./time.js";

export const DECISIONS = { approved: "● approved", returned: "◁ returned", voided: "△ voided", answered: "▷ answered" };
export const STATUS = { preliminary: "○ preliminary", approved: "● approved", returned: "◁ returned", void: "△ void" };
const HELD = { held: "qualified", expired: "▲ qualification expired", absent: "▲ not qualified", "not-asked": "" };

/** Who worked on it, in a line. */
export const operators = (review) => (review?.operators ?? []).map((o) => {
  const held = [HELD[o.qualification] ?? "", o.until && `until ${o.until}`].filter(Boolean).join(" ");
  return held ? `${o.person} (${held})` : o.person;
}).join(", ");

/** Every decision, the newest first. */
export function decisions(review) {
  const list = [...(review?.decisions ?? [])].reverse();
  return list.map((d) => h("li", { "data-decision": d.decision }, h("span", {}, h("b", {}, DECISIONS[d.decision] ?? d.decision), ` version ${d.version}, by ${d.who.person}${d.reason ? `: ${d.reason}` : ""}`),
    h("span", { class: "quiet" }, time.when(Date.parse(d.when.time), null))));
}

/** The part of a document's page; nothing where nothing is told. */
export function reviewPart(data) {
  const { review } = data;
  if (!review) return null;
  const by = review.authorised;
  return h("section", { class: "review-part" }, h("h2", {}, "Who worked on it, who answers for it"),
    h("p", {}, by ? `Approved by ${by.person}, ${time.when(Date.parse(by.when.time), null)}` : `${STATUS[data.status] ?? data.status}: nobody has approved this version`),
    review.operators.length > 0 && h("p", {}, `Worked on by ${operators(review)}`),
    h("ul", { class: "rows" }, ...decisions(review)));
}
