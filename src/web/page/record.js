// One document, readable: every figure with where it came from.

import { comparePart } from "./compare.js";
import { correctPanel } from "./correct.js";
import { capital, en, facts, find, h, said, show, table, text, wordsField } from "./dom.js";
import * as link from "./link.js";
import { recordParts } from "./measured.js";
import { inLine } from "./particulars.js";
import { reviewPart, standing } from "./reviewed.js";
import { begin } from "./shell.js";
import * as time from "./time.js";
import { count, listed, named, quantity, t } from "./words.js";

const UNITS = { "[in_i]": "in", Cel: "°C", "[degF]": "°F", "1": "", "[lb_av]": "lb", "[oz_av]": "oz" };
const LEVELS = ["clay", "sand", "sediment"];
const unit = (code) => (code in UNITS ? UNITS[code] : code ?? "");
const figure = (q) => `${q.text} ${unit(q.unit)}`.trim();
/** A figure; one that was read off the glass also as it stands there. */
const amount = (q) => (!q ? t("record.not-known") : q.shown ? `${figure(q.shown)} (${figure(q)})` : figure(q));

const moment = (at) => `${time.when(Date.parse(at.time), null)} ${time.zoneName()}`;

/** How the time of something is known. */
const known = (at) => listed([named("stamp", at.stamp), at.wallClock !== "synchronised" && t("record.wall-clock", { state: named("wall", at.wallClock) })], ", ");

const instant = (at) => (at ? `${moment(at)} (${known(at)})` : t("record.not-known"));

/** Who, and by which way; or which switch. */
function by(who) {
  if (!who) return "";
  const via = who.via?.startsWith("trigger ") ? t("record.trigger", { name: who.via.slice("trigger ".length) }) : named("via", who.via);
  return who.person ? t("record.by-person", { person: who.person, via }) : t("record.by-bench", { via });
}

const instantBy = (at) => (at ? `${instant(at)}, ${by(at.by)}` : "");

/** The same for a table: the time, and under it how it is known and by whom. */
const cell = (at, who = at?.by, more = null) => (at ? [moment(at), h("span", { class: "under" }, listed([known(at), by(who), more], "; "))] : "");

/** What was read and what was added to it. */
const correction = (c) => (c ? t("record.correction", { read: amount(c.reading), added: amount(c.added) }) : "");
const certificate = (c) => (c ? t("record.certificate", { number: c.number, date: c.date }) : "");
const range = ({ min, max }, symbol) => t("record.range", { min: min ?? "", max: max ?? "", unit: symbol });

function origin(o) {
  if (!o) return "";
  const wire = t("record.wire", { instrument: o.instrument, port: o.port, bytes: o.raw }) + (o.lines ? ` ${count("record.lines", o.lines.length)}` : "");
  const stable = { "own-rule": t("record.stable-own-rule"), hand: t("record.stable-hand") }[o.stableBy];
  const corrected = o.correction && t("record.corrected-by", { correction: correction(o.correction), certificate: certificate(o.correction.certificate) });
  return listed([wire, stable, corrected], "; ");
}

function headline(data) {
  return h("section", { class: "headline" },
    h("p", {}, h("small", {}, `${data.result ? capital(quantity(data.result.name)) : t("col.result")} `), h("b", {}, data.result?.text ?? named("status", "void"))),
    h("p", { class: "quiet" }, `${standing(data.status)}, ${t("record.version", { version: data.version })}`));
}

/** What is another in each version by its nature is not compared. */
function aside(section) {
  if (section) section.dataset.aside = "yes";
  return section;
}

/** What the signature says, looked at by the station now. Nothing is said until it has answered. */
function signature(d) {
  const words = h("span", {}, t("signature.asked"));
  fetch(`/documents/${encodeURIComponent(d.id)}/signature`, { signal: AbortSignal.timeout(10_000) })
    .then((answer) => (answer.ok ? answer.json() : Promise.reject(answer.status)))
    .then(({ seen, key }) => text(words, t(`signature.${seen}`, { key: key ?? "" })))
    .catch(() => text(words, t("signature.not-known")));
  return words;
}

function about(d) {
  const { station, method } = d.data;
  return aside(facts(t("record.about"), [
    [t("fact.station"), `${station.title} (${station.id}), ${station.software}`],
    [t("register.method"), method && t("record.method", method)],
    [t("record.document"), t("record.document-words", { number: Number(d.sequence), id: d.id, when: time.when(Date.parse(d.time), null), zone: time.zoneName() })],
    [t("record.journal"), t("record.journal-words", station.journal)],
    [t("record.signature"), signature(d)],
  ]));
}

function masses(sample) {
  return table(t("record.masses"), [t("record.mass"), t("record.read"), t("col.when"), t("record.origin")],
    Object.entries(sample.masses ?? {}).map(([name, w]) => [name, amount(w), cell(w.at, w.weighedBy), origin(w.origin)]));
}

function deviations(list) {
  if (!list.length) return h("section", {}, h("h2", {}, t("record.deviations")), h("p", {}, t("record.no-deviations")));
  return table(t("record.deviations"), [t("col.what"), t("record.required"), t("record.actual"), t("record.off-by"), t("col.when")],
    list.map((d) => [en(capital(d.what)), en(d.required), en(d.actual), en(d.by), d.time ? time.when(Date.parse(d.time), null) : ""]));
}

function steps(data) {
  const end = (e) => (e?.bound ? [t("record.bounded-by"), ...cell(e)] : cell(e));
  const limits = ({ required: r }) => (r.min === null && r.max === null ? t("record.no-limit") : range(r, "s"));
  // Not shown, though both ends were marked: the clocks of the two disagree.
  const disagree = (s) => s.verdict === "not-shown" && (!s.end?.bound || s.duration.exactNs < 0);
  const lasted = (s) => `${disagree(s) ? t("record.not-known") : amount(s.duration)} (${named("clock", s.duration.clock)})`;
  return table(t("record.steps"), [t("record.step"), t("record.begin-or-instant"), t("col.end"), t("record.lasted"), t("record.required"), t("record.verdict")],
    data.steps.map((s) => (s.kind === "interval"
      ? [capital(named("step", s.name)), end(s.begin), end(s.end), lasted(s), limits(s), named("verdict", s.verdict)]
      : [capital(named("step", s.name)), end(s.at)])));
}

function readings(data) {
  const row = (of, r) => [capital(named("level", of)), amount(r), r.entered, amount(r.level), amount(r.offset),
    cell(r.at, r.by, r.foot && t("record.foot", { foot: r.foot }))];
  return table(t("record.readings"), [t("record.reading"), t("record.recorded"), t("record.entered"), t("entry.level"), t("record.taken-off"), t("col.who-and-when")],
    LEVELS.filter((of) => data.readings[of]).map((of) => row(of, data.readings[of])));
}

function temperature(of) {
  const from = t("record.temperature-from", { instrument: of.instrument ?? t("record.no-instrument"), readings: of.readings, probe: named("stands", of.probe) });
  return facts(t("record.temperature"), [
    [t("record.limits"), of.limits ? range(of.limits, unit(of.limits.unit)) : t("record.no-limit")],
    [t("record.watched"), t("record.from-to", { from: named("step", of.from), to: named("step", of.to) })],
    [t("record.low-mean-high"), [of.minimum, of.mean, of.maximum].map(amount).join(", ")],
    [t("record.out-of-limits"), t("record.outside", { outside: amount(of.outside), below: amount(of.below), above: amount(of.above) })],
    [t("record.without-reading"), amount(of.withoutReading)],
    [t("record.taken-from"), from],
    [t("record.corrected"), certificate(of.certificate)],
    [t("record.lowest-before"), correction(of.minimum?.correction)],
    [t("record.highest-before"), correction(of.maximum?.correction)],
  ]);
}

function room(r) {
  return r && facts(t("record.room"), [
    [t("record.low-high"), `${amount(r.minimum)}, ${amount(r.maximum)}`],
    [t("record.taken-from"), r.sources.map((s) => listed([t("record.on-port", s), certificate(s.certificate)], ", ")).join("; ")],
  ]);
}

function calculation({ calculation: c, result }) {
  const exact = c.exact ? `${c.exact.numerator}/${c.exact.denominator}` : c.unrounded;
  return facts(t("record.calculation"), [
    [t("record.ratio"), t("record.ratio-words", { ratio: amount(c.ratio), exact, rule: named("rule", c.ratioRule) })],
    [t("record.reported"), result ? t("record.by-rule", { value: result.text, rule: named("rule", c.resultRule) }) : t("record.reported-void")]]);
}

function specimenPart({ specimen }) {
  const { registered, mass } = specimen;
  return facts(t("record.specimen"), [
    [t("record.label-and-place"), t("record.at-place", specimen)],
    [t("record.registered"), instantBy(registered)],
    [t("record.mass"), mass && listed([amount(mass), instant(mass.at), by(mass.weighedBy), origin(mass.origin)], ", ")]]);
}

function specimenRecord(d) {
  const { data } = d;
  return [
    headline(data), reviewPart(data), deviations(data.deviations), readings(data), calculation(data), changes(data), steps(data),
    table(t("record.further-runs"), [t("col.begin"), t("col.end")], data.furtherRuns.map((r) => [cell(r.begin), cell(r.end)])),
    table(t("place.no-line-yet"), [t("col.who-and-when")], data.noLineYet.map((m) => [cell(m)])),
    ...incidents(data.incidents),
    ...recordParts(data, { table, facts, amount, instant, by }),
    temperature(data.temperature), room(data.room), specimenPart(data), preparation(data.sample), masses(data.sample), about(d),
  ];
}

/** What went otherwise than planned. */
function incidents(all) {
  if (!all) return [];
  return [
    all.lateLine && facts(t("record.late-line"), [[t("record.standing"), en(all.lateLine.text)]]),
    table(t("record.notes"), [t("col.what"), t("record.words"), t("record.during"), t("col.who-and-when")],
      all.notes.map((n) => [named("incident", n.kind), n.text, n.during, cell(n.at)])),
    table(t("record.places"), [t("record.from"), t("record.to"), t("record.how"), t("record.during"), t("col.who-and-when")],
      all.places.map((p) => [p.from, p.to, named("placing", p.change), p.during, cell(p.at)])),
    all.interruption && interruption(all.interruption),
    table(t("record.placed-weighings"), [t("record.mass"), t("col.who-and-when")], all.placedWeighings.map((w) => [w.mass, cell(w.at)])),
  ];
}

function interruption(run) {
  const counts = run.counts === "sum" ? t("record.sum-counts") : t("record.first-counts");
  return facts(t("record.interrupted", { step: named("step", run.step) }), [
    [t("record.in-all"), t("record.in-runs", { total: amount(run.total), runs: run.runs, counts, verdict: named("verdict", run.verdict) })],
    [t("why"), run.reason], [t("record.said"), instantBy(run.said)]]);
}

/** A test that was run again: what each new specimen took, and what does not count. */
function repeated(repeat) {
  if (!repeat) return [];
  const lasted = (c) => (c.bound ? t("record.no-longer-than", { time: amount(c.sedimentation) }) : amount(c.sedimentation));
  return [
    facts(t("record.run-again"), [
      [t("record.late-line"), repeat.calledForBy.map((c) => c.label).join(", ")],
      [t("record.what-counts"), repeat.certain ? t("record.soonest") : t("record.soonest-uncertain")]]),
    table(t("record.new-specimens"), [t("record.specimen"), t("record.sedimentation"), t("record.counts")],
      repeat.candidates.map((c) => [c.label, lasted(c), c.counts ? t("yes") : t("no")])),
    table(t("record.not-counted"), [t("record.specimen"), t("col.result"), t("why")], repeat.notCounted.map((c) => [c.label, amount(c.reported), en(c.text)])),
  ];
}

function preparation(sample) {
  return table(t("record.preparation", sample), [t("col.what"), t("col.who-and-when")],
    [[t("record.registered"), cell(sample.registered)], ...sample.preparation.map((p) => [capital(named("readied", p.what)), cell(p.at)])]);
}

function specimenRow(s) {
  return h("li", {}, h("a", { class: "link", href: `/record/${s.record}` }, s.label), h("b", {}, amount(s.reported)),
    h("span", { class: "quiet" }, listed([t("record.ratio-of", { ratio: amount(s.ratio) }), count("deviation.count", s.deviations)], ", ")));
}

function averagePart({ average, difference }) {
  const limit = difference.limit ?? t("record.limit-not-set");
  return facts(t("record.average"), [
    [t("record.mean"), average && t("record.mean-words", { mean: amount(average.mean), n: average.count, rule: named("rule", average.rule) })],
    [t("record.difference"), t("record.difference-words", { value: difference.text ?? t("record.none"), limit, verdict: named("verdict", difference.verdict) })]]);
}

function sampleResult(d) {
  const { data } = d;
  return [
    headline(data), reviewPart(data),
    h("section", {}, h("h2", {}, t("register.specimens")), h("ul", { class: "rows" }, ...data.specimens.map(specimenRow))),
    averagePart(data), ...repeated(data.repeat), changes(data), preparation(data.sample), masses(data.sample), about(d),
  ];
}

function changes(data) {
  if (!data.changes) return null;
  const shown = (x) => (!x ? "" : x.text ? amount(x) : x.time ? instant(x) : inLine(x));
  const caption = data.replaces ? t("record.corrected-replaces", data.replaces) : t("record.was-corrected");
  return aside(table(caption, [t("col.what"), t("record.original"), t("record.instead"), t("col.who-and-when"), t("record.reason")],
    data.changes.map((c) => [h("span", {}, c.specimen && `${c.specimen.label}: `, en(c.what)), shown(c.from), shown(c.to),
      cell(c.when, c.who), c.reason ?? t("record.pending")])));
}

/** What a record's page can correct: from the document itself, whatever has become of its place. */
function correctable({ data }) {
  const mark = (step, edge, at, words) => at && !at.bound && { step: step.name, edge, text: words, at: at.bootClock.text, atMs: Date.parse(at.time) };
  const marks = data.steps.flatMap((s) => {
    if (s.kind === "interval") return [mark(s, "begin", s.begin, t("record.begins", { step: named("step", s.name) })), mark(s, "end", s.end, t("record.ends", { step: named("step", s.name) }))];
    if (s.kind === "mark") return [mark(s, "done", s.at, t("record.done", { step: named("step", s.name) }))];
    return [];
  }).filter((m, at, all) => m && all.findIndex((n) => n && n.at === m.at) === at);
  return {
    id: data.specimen.id, version: null, marks, history: [], over: data.status === "void",
    levels: LEVELS.filter((of) => data.readings[of]).map((of) => ({ of, text: data.readings[of].entered })),
    corrections: (data.changes ?? []).map((c) => ({ id: c.id, text: c.what, by: by(c.who), atMs: Date.parse(c.when.time), reason: c.reason })),
  };
}

/** Corrects the newest version; an older one leads to it. */
async function correctionPart(d, id) {
  const answer = await fetch(`/documents/${encodeURIComponent(id)}/versions`).then((r) => (r.ok ? r.json() : null)).catch(() => null);
  const newest = answer?.versions.at(-1)?.document;
  if (newest && newest !== id) {
    return h("section", {}, h("p", {}, h("a", { class: "link", href: `/record/${newest}` }, t("record.replaced"))));
  }
  const near = said();
  const panel = correctPanel(near, () => setTimeout(() => location.reload(), 1500));
  panel.update(correctable(d));
  const giveUp = h("form", { class: "form" }, wordsField(t("record.why-later"), "reason"), h("button", { class: "act" }, t("record.give-up")));
  giveUp.onsubmit = async (event) => {
    event.preventDefault();
    const what = { act: "void-specimen", specimen: d.data.specimen.id, reason: giveUp.elements.reason.value };
    const answer = await link.act(what, { near, button: find("button", giveUp) });
    if (answer.ok) setTimeout(() => location.reload(), 1500);
  };
  show(giveUp, d.data.status !== "void");
  return h("section", {}, h("h2", {}, t("record.correct")), h("p", { class: "quiet" }, t("record.correct-means")),
    panel.node, giveUp, near);
}

function oneWeighing(d) {
  const { weighing } = d.data;
  const { for: target } = d.data;
  return [facts(t("record.weighing"), [
    [t("record.mass"), amount(weighing)], [t("col.when"), listed([instant(weighing.at), by(weighing.weighedBy)], ", ")], [t("record.origin"), origin(weighing.origin)],
    [t("record.for"), target ? listed([target.label, target.mass], " ") : t("record.for-nothing")]]), about(d)];
}

/** Fetches the document and shows it; the station's view says in which zone. */
async function fetchAndShow() {
  const id = location.pathname.split("/").pop();
  const trouble = find("#trouble");
  find("#raw").href = `/documents/${encodeURIComponent(id)}`;
  try {
    const answer = await fetch(`/documents/${encodeURIComponent(id)}/shown`);
    const document_ = await answer.json();
    if (!answer.ok) return text(trouble, capital(document_.detail));
    const { data } = document_;
    const name = data.specimen?.label ?? data.sample?.label ?? t("record.weighing");
    text(find("#title"), data.specimens ? t("record.of-sample", { label: name }) : name);
    text(find("#under"), data.method?.title ?? data.station.title);
    document.title = `${name}: ${t("title.record")}`;
    const build = data.steps ? specimenRecord : data.specimens ? sampleResult : oneWeighing;
    const parts = build(document_).filter(Boolean);
    const compared = await comparePart(id, build);
    if (compared) parts.splice(1, 0, compared);
    if (data.steps) parts.push(await correctionPart(document_, id));
    show(trouble, false);
    find("#parts").replaceChildren(...parts);
  } catch (error) {
    return text(trouble, t("record.unread", { why: error.message }));
  }
  return undefined;
}

let fetched = false;
begin({
  named: true,
  draw: () => {
    // Once: what somebody reads is not redrawn under his eyes.
    if (fetched) return;
    fetched = true;
    fetchAndShow();
  },
});
