// One document, readable: every figure with where it came from.

import { correctPanel } from "./correct.js";
import { find, h, show, text } from "./dom.js";
import * as link from "./link.js";
import { recordParts, words } from "./measured.js";
import { reviewPart } from "./reviewed.js";
import { begin } from "./shell.js";
import * as time from "./time.js";

const UNITS = { "[in_i]": "in", Cel: "°C", "[degF]": "°F", "1": "", "[lb_av]": "lb", "[oz_av]": "oz" };
const unit = (code) => (code in UNITS ? UNITS[code] : code ?? "");
const amount = (q) => (q ? `${q.text} ${unit(q.unit)}`.trim() : "not known");
const capital = (words) => (words ? words[0].toUpperCase() + words.slice(1) : "");

function instant(at) {
  if (!at) return "not known";
  const ms = Date.parse(at.time);
  const stamps = { kernel: "stamped by the kernel", arrival: "stamped on arrival", entered: "stated by a person" };
  const clock = at.wallClock === "synchronised" ? "" : `, wall clock ${at.wallClock}`;
  return `${time.when(ms, null)} ${time.zoneName()} (${stamps[at.stamp] ?? at.stamp}${clock})`;
}

function by(who) {
  if (!who) return "";
  return who.person ? `${who.person}, through the ${who.via}` : `the bench, through ${who.via}`;
}

const STABLE_BY = { "own-rule": "; the balance's lines bear no mark: stable by the program's own rule", hand: "; did not settle, taken by a person" };

/** What was read and what was added to it. */
const correction = (c) => (c ? `${amount(c.reading)} read, ${amount(c.added)} added` : "");
const certificate = (c) => (c ? `certificate ${c.number} of ${c.date}` : "");

function origin(o) {
  if (!o) return "";
  const lines = o.lines ? ` over ${o.lines.length} lines` : "";
  const corrected = o.correction ? `; ${correction(o.correction)} by ${certificate(o.correction.certificate)}` : "";
  return `${o.instrument} on ${o.port}, bytes ${o.raw}${STABLE_BY[o.stableBy] ?? ""}${lines}${corrected}`;
}

function table(caption, heads, rows) {
  if (!rows.length) return null;
  return h("section", {}, h("h2", {}, caption), h("div", { class: "scroll" }, h("table", {},
    h("thead", {}, h("tr", {}, ...heads.map((t) => h("th", { scope: "col" }, t)))),
    h("tbody", {}, ...rows.map((cells) => h("tr", {}, ...cells.map((c) => h("td", {}, c ?? ""))))))));
}

function facts(caption, pairs) {
  return h("section", {}, h("h2", {}, caption), h("dl", {},
    ...pairs.filter(([, v]) => v !== null && v !== undefined && v !== "").flatMap(([k, v]) => [h("dt", {}, k), h("dd", {}, v)])));
}

function result(data) {
  return h("section", { class: "headline" }, h("p", {}, h("small", {}, `${words(data.result?.name ?? "result")} `), h("b", {}, data.result?.text ?? "void")),
    h("p", { class: "quiet" }, `${capital(data.status)}, version ${data.version}`));
}

function about(d) {
  const { data } = d;
  return facts("What this document is", [
    ["Station", `${data.station.title} (${data.station.id}), ${data.station.software}`],
    ["Method", data.method && `${data.method.title}: ${data.method.standard}, edition ${data.method.edition}; file digest ${data.method.sha256}`],
    ["Document", `number ${Number(d.sequence)}, ${d.id}, made ${time.when(Date.parse(d.time), null)} ${time.zoneName()}`],
    ["Journal", `${data.station.journal.id}, event ${data.station.journal.sequence}, link ${data.station.journal.link}`],
  ]);
}

function masses(sample) {
  return table("Masses of the sample", ["Mass", "Read", "When", "Origin"], Object.entries(sample.masses ?? {})
    .map(([name, w]) => [name, amount(w), instant(w.at), origin(w.origin)]));
}

function deviations(list) {
  if (!list.length) return h("section", {}, h("h2", {}, "Deviations"), h("p", {}, "None."));
  return table("Deviations", ["What", "Required", "Actual", "By", "When"], list.map((d) => [
    capital(d.what), d.required, d.actual, d.by, d.time ? time.when(Date.parse(d.time), null) : ""]));
}

function limits({ required }) {
  if (required.min === null && required.max === null) return "no limit";
  return `${required.min ?? ""} to ${required.max ?? ""} s`;
}

function steps(data) {
  const end = (e) => (e ? `${e.bound ? "not marked; bounded by " : ""}${instant(e)}, ${by(e.by)}` : "");
  return table("Steps", ["Step", "Begin or instant", "End", "Lasted", "Required", "Verdict"], data.steps.map((s) => (s.kind === "interval"
    ? [capital(s.name), end(s.begin), end(s.end), `${amount(s.duration)} (${s.duration.clock.replace("-", " ")})`, limits(s), s.verdict.replace("-", " ")]
    : [capital(s.name), end(s.at)])));
}

function readings(data) {
  const row = (name, r) => [name, amount(r), r.entered, amount(r.level), amount(r.offset), `${instant(r.at)}, ${by(r.by)}${r.foot ? `; foot ${r.foot}` : ""}`];
  return table("Readings", ["Reading", "Recorded", "As entered", "Level", "Taken off", "Who and when"],
    ["clay", "sand", "sediment"].filter((of) => data.readings[of]).map((of) => row(capital(of), data.readings[of])));
}

function temperature(t) {
  const range = t.limits ? `${t.limits.min ?? ""} to ${t.limits.max ?? ""} ${unit(t.limits.unit)}` : "none";
  return facts("Temperature of the solution", [
    ["Limits", range], ["Watched", `from ${t.from} to ${t.to}`],
    ["Lowest, mean, highest", `${amount(t.minimum)}, ${amount(t.mean)}, ${amount(t.maximum)}`],
    ["Out of limits", `${amount(t.outside)} (below ${amount(t.below)}, above ${amount(t.above)})`],
    ["Without a reading", amount(t.withoutReading)],
    ["From", `${t.instrument ?? "no instrument"}, ${t.readings} readings; probe: ${t.probe}`],
    ["Corrected by", certificate(t.certificate)],
    ["Lowest before correction", correction(t.minimum?.correction)],
    ["Highest before correction", correction(t.maximum?.correction)],
  ]);
}

function room(r) {
  return r && facts("Temperature of the room", [
    ["Lowest, highest", `${amount(r.minimum)}, ${amount(r.maximum)}`],
    ["From", r.sources.map((s) => `${s.instrument} on ${s.port}${s.certificate ? `, ${certificate(s.certificate)}` : ""}`).join("; ")],
  ]);
}

function specimenRecord(d) {
  const { data } = d;
  const { specimen, sample, calculation } = data;
  return [
    result(data),
    reviewPart(data),
    deviations(data.deviations),
    readings(data),
    facts("Calculation", [
      ["Ratio", `${amount(calculation.ratio)} (exactly ${calculation.exact ? `${calculation.exact.numerator}/${calculation.exact.denominator}` : calculation.unrounded}; rule ${calculation.ratioRule})`],
      ["Reported", data.result ? `${data.result.text} (rule ${calculation.resultRule})` : "nothing: void"]]),
    changes(data), steps(data),
    table("Further runs of the shaker", ["Begin", "End"], data.furtherRuns.map((r) => [instant(r.begin), r.end ? instant(r.end) : ""])),
    table("No line yet", ["When", "Who"], data.noLineYet.map((m) => [instant(m), by(m.by)])),
    ...incidents(data.incidents),
    ...recordParts(data, { table, facts, amount, instant, by }),
    temperature(data.temperature),
    room(data.room),
    facts("Specimen", [
      ["Label and place", `${specimen.label}, place ${specimen.place}`],
      ["Registered", `${instant(specimen.registered)}, ${by(specimen.registered.by)}`],
      ["Mass", specimen.mass && `${amount(specimen.mass)}, ${instant(specimen.mass.at)}, ${origin(specimen.mass.origin)}`]]),
    preparation(sample), masses(sample), about(d),
  ];
}

/** What went otherwise than planned. */
function incidents(all) {
  if (!all) return [];
  const run = all.interruption;
  return [
    all.lateLine && facts("No line in time", [["Standing", all.lateLine.text]]),
    table("Notes", ["What", "Words", "During", "When", "Who"], all.notes.map((n) => [n.kind.replace("-", " "), n.text, n.during, instant(n.at), by(n.at.by)])),
    table("Changes of place", ["From", "To", "How", "During", "When", "Who"], all.places.map((p) => [p.from, p.to, p.change, p.during, instant(p.at), by(p.at.by)])),
    run && facts(`Interrupted: ${run.step}`, [
      ["In all", `${amount(run.total)} in ${run.runs} runs; what counts: ${run.counts === "sum" ? "the sum" : "the first run"} (${run.verdict.replace("-", " ")})`],
      ["Why", run.reason], ["Said", run.said && `${instant(run.said)}, ${by(run.said.by)}`]]),
    table("Masses that were given their place afterwards", ["Mass", "When", "Who"], all.placedWeighings.map((w) => [w.mass, instant(w.at), by(w.at.by)])),
  ];
}

/** A test that was run again: what each new specimen took, and what does not count. */
function repeated(repeat) {
  if (!repeat) return [];
  return [
    facts("Run again", [
      ["No line in time", repeat.calledForBy.map((c) => c.label).join(", ")],
      ["What counts", `both readings of the new specimen that settled soonest${repeat.certain ? "" : "; another, whose end was not marked, may have settled sooner"}`]]),
    table("New specimens", ["Specimen", "Sedimentation", "Counts"], repeat.candidates.map((c) => [c.label, `${c.bound ? "no longer than " : ""}${amount(c.sedimentation)}`, c.counts ? "yes" : "no"])),
    table("Complete and not counted", ["Specimen", "Result", "Why"], repeat.notCounted.map((c) => [c.label, amount(c.reported), c.text])),
  ];
}

function preparation(sample) {
  return table(`Preparation of sample ${sample.label}`, ["What", "When", "Who"],
    [["registered", instant(sample.registered), by(sample.registered.by)],
      ...sample.preparation.map((p) => [p.what?.replace("-", " "), instant(p.at), by(p.at.by)])]);
}

function sampleResult(d) {
  const { data } = d;
  const { average, difference } = data;
  return [
    result(data),
    reviewPart(data),
    h("section", {}, h("h2", {}, "Specimens"), h("ul", { class: "rows" }, ...data.specimens.map((s) => h("li", {},
      h("a", { class: "link", href: `/record/${s.record}` }, s.label), h("b", {}, amount(s.reported)),
      h("span", { class: "quiet" }, `ratio ${amount(s.ratio)}, ${s.deviations} deviations`))))),
    facts("Average", [
      ["Mean", average && `${amount(average.mean)} of ${average.count} (rule ${average.rule})`],
      ["Largest difference", `${difference.text ?? "none"} (limit ${difference.limit ?? "not set"}: ${difference.verdict.replace("-", " ")})`]]),
    ...repeated(data.repeat), changes(data), preparation(data.sample), masses(data.sample), about(d),
  ];
}

function changes(data) {
  if (!data.changes) return null;
  const shown = (x) => (!x ? "" : x.text ? amount(x) : instant(x));
  return table(`What was corrected${data.replaces ? `; this version replaces document ${data.replaces.number}` : ""}`,
    ["What", "Original", "Instead", "Who and when", "Reason"],
    data.changes.map((c) => [`${c.specimen ? `${c.specimen.label}: ` : ""}${c.what}`, shown(c.from), shown(c.to),
      `${by(c.who)}, ${instant(c.when)}`, c.reason ?? "pending"]));
}

/** What a record's page can correct: from the document itself, whatever has become of its place. */
function correctable({ data }) {
  const mark = (step, edge, at, words) => at && !at.bound && { step: step.name, edge, text: words, at: at.bootClock.text, atMs: Date.parse(at.time) };
  const marks = data.steps.flatMap((s) => {
    if (s.kind === "interval") return [mark(s, "begin", s.begin, `${s.name} begins`), mark(s, "end", s.end, `${s.name} ends`)];
    if (s.kind === "mark") return [mark(s, "done", s.at, `${s.name} done`)];
    return [];
  }).filter((m, at, all) => m && all.findIndex((n) => n && n.at === m.at) === at);
  return {
    id: data.specimen.id, version: null, marks, history: [], over: data.status === "void",
    levels: ["clay", "sand", "sediment"].filter((of) => data.readings[of]).map((of) => ({ of, text: data.readings[of].entered })),
    corrections: (data.changes ?? []).map((c) => ({ id: c.id, text: c.what, by: by(c.who), atMs: Date.parse(c.when.time), reason: c.reason })),
  };
}

/** Corrects the newest version; an older one leads to it. */
async function correctionPart(d, id) {
  const list = await fetch("/documents?kind=record&limit=200").then((r) => r.json()).catch(() => null);
  const newest = list?.documents.find((one) => one.subject === d.data.specimen.id);
  if (newest && newest.id !== id) {
    return h("section", {}, h("p", {}, h("a", { class: "link", href: `/record/${newest.id}` }, "This version has been replaced: see the newest one")));
  }
  const said = h("p", { class: "said" });
  const panel = correctPanel(said, () => setTimeout(() => location.reload(), 1500));
  panel.update(correctable(d));
  const giveUp = h("form", { class: "form" },
    h("label", {}, "Why (may follow later) ", h("input", { name: "reason", maxLength: 200, autocomplete: "off" })),
    h("button", { class: "act" }, "Give the specimen up: it does not count"));
  giveUp.onsubmit = async (event) => {
    event.preventDefault();
    const what = { act: "void-specimen", specimen: d.data.specimen.id, reason: giveUp.elements.reason.value };
    const answer = await link.act(what, { near: said, button: find("button", giveUp) });
    if (answer.ok) setTimeout(() => location.reload(), 1500);
  };
  show(giveUp, d.data.status !== "void");
  return h("section", {}, h("h2", {}, "Correct this record"), h("p", { class: "quiet" }, "A correction makes a new version, which goes out; this one stays as it is."),
    panel.node, giveUp, said);
}

function oneWeighing(d) {
  const { weighing } = d.data;
  return [facts("Weighing", [
    ["Mass", amount(weighing)], ["When", instant(weighing.at)], ["Origin", origin(weighing.origin)],
    ["For", d.data.for ? `${d.data.for.label ?? ""} ${d.data.for.mass ?? ""}`.trim() : "nothing waited for it"]]), about(d)];
}

/** Fetches the document and shows it; the station's view says in which zone. */
async function fetchAndShow() {
  const id = location.pathname.split("/").pop();
  const trouble = find("#trouble");
  find("#raw").href = `/documents/${encodeURIComponent(id)}`;
  try {
    const answer = await fetch(`/documents/${encodeURIComponent(id)}`);
    const document_ = await answer.json();
    if (!answer.ok) return text(trouble, capital(document_.detail));
    const { data } = document_;
    const name = data.specimen?.label ?? data.sample?.label ?? "Weighing";
    text(find("#title"), data.specimens ? `Sample ${name}` : name);
    text(find("#under"), data.method?.title ?? data.station.title);
    document.title = `${name}: record`;
    const build = data.steps ? specimenRecord : data.specimens ? sampleResult : oneWeighing;
    const parts = build(document_).filter(Boolean);
    if (data.steps) parts.push(await correctionPart(document_, id));
    show(trouble, false);
    find("#parts").replaceChildren(...parts);
  } catch (error) {
    return text(trouble, `The document could not be fetched or read (${error.message}). Is the station running? Reload to try again.`);
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
