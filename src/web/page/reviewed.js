// What a document says of who worked on it and who decided: for its own page and for the review.

import { h } from "./dom.js";
import * as time from "./time.js";
import { listed, named, t } from "./words.js";

const STATUS = { preliminary: "○", approved: "●", returned: "◁", void: "△" };
const DECISIONS = { approved: "●", returned: "◁", voided: "△", answered: "▷" };
const HELD = ["held", "expired", "absent"];

/** How a document stands, in words with a sign. */
export const standing = (status) => `${STATUS[status] ?? ""} ${named("status", status)}`.trim();

/** Who worked on it, in a line. */
export const operators = (review) => (review?.operators ?? []).map((o) => {
  const held = listed([HELD.includes(o.qualification) && t(`held.${o.qualification}`), o.until && t("people.until", { day: o.until })], " ");
  return held ? `${o.person} (${held})` : o.person;
}).join(", ");

/** Every decision, the newest first. */
export function decisions(review) {
  const list = [...(review?.decisions ?? [])].reverse();
  return list.map((d) => h("li", { "data-decision": d.decision },
    h("span", {}, h("b", {}, `${DECISIONS[d.decision] ?? ""} ${named("decision", d.decision)}`.trim()),
      ` ${t("review.of-version", { version: d.version, by: d.who.person })}${d.reason ? `: ${d.reason}` : ""}`),
    h("span", { class: "quiet" }, time.when(Date.parse(d.when.time), null))));
}

/** The part of a document's page; nothing where nothing is told. */
export function reviewPart(data) {
  const { review } = data;
  if (!review) return null;
  const by = review.authorised;
  return h("section", { class: "review-part" }, h("h2", {}, t("review.part")),
    h("p", {}, by ? t("review.approved-by", { by: by.person, when: time.when(Date.parse(by.when.time), null) })
      : t("review.approved-by-none", { status: standing(data.status) })),
    review.operators.length > 0 && h("p", {}, t("review.worked-on", { people: operators(review) })),
    h("ul", { class: "rows" }, ...decisions(review)));
}
