// What the balances wait for, in words: the same at the foot of the bench, in the list and on a course.

import { t } from "./words.js";

function waitWords({ target, who, balance }) {
  const of = who ? t("bar.asked-by", { target, who }) : target;
  return balance ? t("bar.awaits-at", { balance, target: of }) : t("bar.awaits", { target: of });
}

/** One clause for each balance that somebody waits at; nothing where nobody does. */
export const waitsWords = (waits) => waits.map(waitWords).join(" · ");
