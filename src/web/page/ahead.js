// What to do next, in order, each on the same line of time: now on the left, windows as bands. Where
// two cylinders would need the same hands, it is said before it happens.

import { capital, find, h, keyed, mark, show, text } from "./dom.js";
import * as time from "./time.js";
import { t } from "./words.js";

const MINUTE = 60_000;
/** The line of time is at least and at most so long. */
const LEAST_MS = 10 * MINUTE;
const MOST_MS = 45 * MINUTE;

let length = LEAST_MS;

export function drawAhead(section, view) {
  const list = find("ol", section);
  const last = Math.max(0, ...view.ahead.map((c) => c.closesInMs));
  length = Math.min(MOST_MS, Math.max(LEAST_MS, Math.ceil((last + MINUTE) / (5 * MINUTE)) * 5 * MINUTE));
  const coming = new Map(view.ahead.map((c) => [c.place, c]));
  keyed(list, view.doNext, (n) => n.specimen ?? `${n.sample} ${n.step} ${n.text}`, makeRow, (node, next) => {
    node.next = next;
    node.coming = next.specimen ? coming.get(next.place) ?? null : null;
    node.seenAt = performance.now();
    text(find(".number", node), next.specimen ? String(next.place) : "▤");
    text(find(".what b", node), capital(next.text));
    text(find(".what .quiet", node), next.label);
    const clash = node.coming?.clash ?? null;
    mark(node, "clash", clash === null ? null : "yes");
    text(find(".clash", node), clash === null ? "" : t("ahead.clash", { place: clash }));
    tickRow(node);
  });
  show(find(".none", section), view.doNext.length === 0);
  show(find(".axis", section), view.doNext.length > 0);
  tickAxis(section);
}

function makeRow(next) {
  const inner = [h("b", { lang: "en" }), h("span", { class: "quiet" })];
  // A sample that is prepared step by step has no place yet: its acts lead to its own page.
  const what = next.specimen ? h("span", { class: "what" }, ...inner) : h("a", { class: "what", href: `/samples/${next.sample}#course` }, ...inner);
  return h("li", { class: "row" }, h("span", { class: "number" }), what,
    h("span", { class: "track", "aria-hidden": "true" }, h("i", { class: "wait" }), h("i", { class: "window" })),
    h("span", { class: "when" }, h("span", {}), h("span", { class: "clash" })));
}

const share = (ms) => `${Math.min(101, Math.max(0, ms / length * 100)).toFixed(2)}%`;

function tickRow(node) {
  const { opensInMs, closesInMs } = node.next;
  const gone = time.runSince(node.seenAt);
  const opens = opensInMs - gone;
  const closes = closesInMs === null ? null : closesInMs - gone;
  const [words, stage] = node.next.unknown ? [t("ahead.not-known"), "free"]
    : opens > 0 ? [t("ahead.in", { time: time.span(opens, true) }), "early"]
    : closes === null ? [t("ahead.ready"), "free"]
    : closes >= 0 ? [t("ahead.now", { time: time.span(closes) }), "open"]
    : [t("ahead.over", { time: time.span(-closes) }), "over"];
  text(find(".when span", node), words);
  mark(node, "stage", stage);
  const set = (part, from, to) => {
    show(part, closes !== null);
    if (closes === null) return;
    part.style.setProperty("--x", share(from));
    part.style.setProperty("--w", share(Math.max(0, to) - Math.max(0, from)));
  };
  set(find(".wait", node), 0, opens);
  set(find(".window", node), opens, closes);
}

/** Marks of the clock, every five minutes. */
function tickAxis(section) {
  const now = time.wallNow();
  if (now === null) return;
  const first = Math.ceil(now / (5 * MINUTE)) * 5 * MINUTE;
  const at = [];
  for (let ms = first; ms < now + length; ms += 5 * MINUTE) at.push(ms);
  keyed(find(".ticks", section), at, String, () => h("span", {}), (node, ms) => {
    text(node, time.clock(ms).slice(0, 5));
    node.style.setProperty("--x", share(ms - now));
  });
}

export function tickAhead(section) {
  for (const node of section.querySelectorAll("li")) tickRow(node);
  tickAxis(section);
}
