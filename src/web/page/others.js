// Other stations beside this one, on the page for the room: a strip for each, as it says itself how it
// stands. What nobody has said for a few seconds is greyed, its times stand still, and that is said.

import { byStation, capital, en, find, h, keyed, mark, rebuilt, show, text } from "./dom.js";
import { stand } from "./place.js";
import * as time from "./time.js";
import { among, count, listed, named, t } from "./words.js";

const ASK_MS = 1000;
/** Clocks that are further apart than this are told of, milliseconds. */
const OFF_MS = 2000;
const PRIORITY = { high: "▲", medium: "◆", low: "●" };
const SIDES = { within: "●", below: "▼", above: "▲" };
const VERDICT = { pass: "✔", fail: "✘", "not-decided": "?" };

let asked = false;
let known = null;
let knownAt = 0;

/** Asks again, for as long as any station is followed. */
export async function followOthers(section) {
  if (asked || known?.follows === false) return;
  asked = true;
  const answer = await fetch("/room/stations", { signal: AbortSignal.timeout(5000) }).then((r) => (r.ok ? r.json() : null)).catch(() => null);
  setTimeout(() => { asked = false; }, ASK_MS);
  if (!answer) return;
  known = answer;
  knownAt = performance.now();
  show(section, answer.follows);
  if (answer.follows) draw(section);
}

function draw(section) {
  rebuilt(find(".link-words", section), [known.linked, known.why],
    () => (known.linked ? [] : among("others.not-linked", { why: known.why ? en(known.why) : t("others.not-yet") })));
  text(find(".cut", section), known.cut ? t("others.cut", { n: known.stations.length }) : "");
  show(find(".none", section), known.stations.length === 0);
  keyed(find(".strips", section), known.stations, (one) => one.id, make, update);
  tickOthers(section);
}

const part = (name, words, list) => h("section", { class: name }, h("h4", {}, words), list);

function make(one) {
  return h("li", { class: "strip-of", "aria-labelledby": `other-${one.id}` },
    h("header", {}, h("h3", { id: `other-${one.id}` }), h("p", { class: "age" }), h("p", { class: "refused quiet" })),
    h("p", { class: "warm" }),
    part("alarmed", t("bench.alarms"), h("ul", {})), part("placed", t("bench.places"), h("ul", {})),
    part("resulted", t("room.today"), h("ul", {})), h("p", { class: "waits" }));
}

function update(node, one) {
  node.one = one;
  const { said } = one;
  text(find("h3", node), said ? `${said.title} (${one.id})` : one.id);
  rebuilt(find(".refused", node), one.refused, () => (one.refused ? among("others.refused", { why: en(one.refused) }) : []));
  for (const name of [".warm", ".alarmed", ".placed", ".resulted", ".waits"]) show(find(name, node), Boolean(said));
  if (!said) return;
  const warm = said.temperature;
  const [words, state] = temperature(warm);
  text(find(".warm", node), words);
  mark(find(".warm", node), "state", state);
  lines(find(".alarmed ul", node), said.alarms.map((a) => ({
    key: a.alarm, mark: a.priority, first: `${PRIORITY[a.priority]} ${t(`priority.${a.priority}`)}`, words: a.text, last: t(`alarm-state.${a.state}`),
  })), [more(said.moreAlarms), aside(said.alarmsAside)], t("room.no-alarm"));
  places(find(".placed ul", node), said.places);
  lines(find(".resulted ul", node), said.results.map((r, n) => ({
    key: `${n} ${r.label}`, mark: r.verdict, first: r.label, words: r.limit, last: `${VERDICT[r.verdict] ?? ""} ${r.reported}`.trim(),
  })), [more(said.moreResults), said.earlierMissing && ["earlier", t("others.earlier")]], t("bench.results.none"));
  text(find(".waits", node), said.waiting === null ? t("others.not-counted") : said.waiting === 0 ? t("room.network-taken") : count("room.network-waiting", said.waiting));
  mark(find(".waits", node), "state", said.waiting === 0 ? "good" : "warn");
}

function temperature(warm) {
  if (!warm) return [t("probe.none"), "warn"];
  const value = `${warm.text} ${warm.unit}`;
  if (!warm.inSolution) return [`${value}, ${t("probe.out")}`, "warn"];
  const side = warm.side ? t(`probe.${warm.side}`, { limits: warm.limits ?? "" }) : t("probe.no-limits");
  return [`${SIDES[warm.side] ?? "◇"} ${value}, ${side}`, warm.side === "within" || !warm.side ? "good" : "bad"];
}

const more = (n) => n > 0 && ["more", t("others.more", { n })];
const aside = (n) => n > 0 && ["aside", count("alarm.aside-count", n)];

/** Rows, and beneath them what is not among them; `none` where there is nothing at all. */
function lines(list, rows, besides, none) {
  const beneath = besides.filter(Boolean).map(([key, first]) => ({ key: ` ${key}`, first }));
  const all = rows.length + beneath.length === 0 ? [{ key: " none", first: none }] : [...rows, ...beneath];
  keyed(list, all, (row) => row.key, () => h("li", {}, h("b", {}), byStation(h("span", {})), h("span", { class: "last" })), (node, row) => {
    text(find("b", node), row.first);
    text(find("span", node), row.words ?? "");
    text(find(".last", node), row.last ?? "");
    mark(node, "is", row.mark ?? null);
  });
}

function places(list, all) {
  const rows = all.length === 0 ? [{ place: 0, label: t("others.idle") }] : all;
  keyed(list, rows, (row) => `${row.place} ${row.label}`,
    (row) => h("li", {}, h("span", { class: "number" }, row.place ? String(row.place) : "–"), h("span", { class: "what" }, h("b", {}, row.label), h("span", { class: "quiet" })), h("b", { class: "digits" })),
    (node, row) => {
      node.row = row;
      // The answer was made when it left the station; its way here counts as none.
      node.seenAt = performance.now();
    });
}

/** Carries countdowns and ages on between two answers. */
export function tickOthers(section) {
  if (!known?.follows) return;
  for (const node of section.querySelectorAll(".strip-of")) tick(node);
}

function tick(node) {
  const { one } = node;
  const since = performance.now() - knownAt;
  const age = one.said?.ageMs === null || one.said?.ageMs === undefined ? null : one.said.ageMs + since;
  // An answer that does not come any more is silence too.
  const silent = one.stand === "fresh" && (age > known.silentMs || since > known.silentMs);
  const now = silent ? "silent" : one.stand;
  mark(node, "stand", now);
  text(find(".age", node), ageWords(one, now, age));
  // "Today" is only said of a station that says so now.
  if (one.said) text(find(".resulted h4", node), now === "fresh" ? t("room.today") : t("others.results-of", { day: time.day(one.said.atMs) }));
  for (const row of node.querySelectorAll(".placed li")) if (row.row?.place) tickPlace(row, now === "fresh" && one.said.clockRuns);
}

function ageWords({ said, presence }, now, age) {
  const at = said ? time.when(said.atMs) : null;
  const seconds = Math.floor((age ?? 0) / 1000);
  const off = said?.clockOffMs ?? 0;
  const clocks = Math.abs(off) > OFF_MS ? t(off > 0 ? "others.clock-ahead" : "others.clock-behind", { time: time.span(Math.abs(off)) }) : null;
  const words = now === "fresh" ? t("others.fresh", { n: seconds })
    : now === "silent" ? t("others.silent", { time: time.span(age ?? 0), at })
    : now === "gone" ? [t(presence === "offline" ? "others.offline" : "others.lost"), at && t("others.last", { at })]
    : now === "kept" ? t("others.kept", { at }) : t("others.unheard");
  return listed([words, said?.rehearsal && t("others.rehearsal"), clocks].flat());
}

function tickPlace(node, runs) {
  const { row } = node;
  const live = row.complete || row.voided ? null : row.running;
  const window = (ms) => (ms === null || ms === undefined ? null : live.elapsedMs + ms);
  const shown = live && { ...live, opensMs: window(live.opensInMs), closesMs: window(live.closesInMs), nominalMs: null, stage: null };
  const now = shown ? stand(shown, runs ? node.seenAt : performance.now()) : null;
  const stage = now?.stage ?? (row.voided ? "void" : row.complete ? "done" : "turn");
  mark(node, "stage", stage);
  text(find(".digits", node), now ? now.digits : !row.voided && row.result ? row.result : "");
  const what = live ? `${capital(named("step", live.step))}: ${now.caption}` : t(`stage.${stage}`);
  const next = stage === "turn" || stage === "over" ? row.next : null;
  const deviations = row.deviations > 0 && ` · ▲ ${count("deviation.count", row.deviations)}`;
  rebuilt(find(".what .quiet", node), [what, next, deviations], () => [what, next && ": ", next && en(next), deviations]);
}
