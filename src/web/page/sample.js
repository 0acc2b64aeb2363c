// One sample: what came with it, its specimens, weighings, records and their versions.

import { drawCourse, tickCourse } from "./course.js";
import { find, h, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import * as particulars from "./particulars.js";
import { counts, drawDecisions, drawLimit, limitForm, sections } from "./quality.js";
import { begin } from "./shell.js";
import * as time from "./time.js";

const id = location.pathname.split("/").pop();
const form = find("#correct form");
let sequence = null;
let shown = null;
let filled = null;
let places = [];

find(".fields", form).append(particulars.fields());

const NAMED = Object.keys(particulars.NAMES);
const row = (name, value) => [h("dt", {}, name), h("dd", {}, value)];
const facts = (title, rows) => h("section", {}, h("h2", {}, title), h("dl", {}, ...rows.filter(([, value]) => value).flatMap(([name, value]) => row(name, value))));
const cell = (value) => h("td", {}, ...(Array.isArray(value) ? value.flatMap((part, n) => (n ? [" ", part] : [part])) : [value ?? ""]));
function table(title, heads, rows) {
  return rows.length > 0 && h("section", {}, h("h2", {}, title), h("div", { class: "scroll" }, h("table", {},
    h("thead", {}, h("tr", {}, ...heads.map((head) => h("th", {}, head)))),
    h("tbody", {}, ...rows.map((cells) => h("tr", { id: cells.id ?? "" }, ...cells.map(cell)))))));
}

const report = (s) => h("section", {}, h("h2", {}, "Report"), h("div", { class: "acts" },
  h("a", { class: "link", href: `/report/${s.id}` }, "Report to read and print"),
  h("a", { class: "link", href: `/report/${s.id}/pdf`, download: "" }, "Report as PDF")));

const versions = (list) => list.map((v) => h("a", { class: "link", href: `/record/${v.document}` },
  `version ${v.version ?? 1}${v.status && v.status !== "preliminary" ? `, ${v.status}` : ""} (no. ${v.number}, ${time.when(v.madeMs)})`));

function specimenRow(s) {
  const place = s.place ? h("a", { class: "link", href: `/#place-${s.place}` }, `place ${s.place}`) : "left the bench";
  const deviations = s.deviations ? `▲ ${s.deviations} deviation${s.deviations > 1 ? "s" : ""}` : "";
  const cells = [s.label, place, [s.state, deviations, counts(s)].filter(Boolean), s.versions.length ? versions(s.versions) : "no record yet",
    h("a", { class: "link", href: `/samples/${id}/label?of=${s.id}` }, "Label")];
  cells.id = `specimen-${s.id}`;
  return cells;
}

function parts(s) {
  return [
    h("section", { class: "headline" }, h("h2", {}, "State"), s.reported !== null && h("b", {}, s.reported), h("p", {}, s.stateText)),
    ...sections(s),
    facts("What came with the bag", [
      ...NAMED.map((name) => [particulars.NAMES[name].replace(/, typed or scanned|, with its unit/, ""), particulars.shown(s.particulars, name)]),
      ["Registered", `${time.when(s.registeredMs)}, ${s.by}`],
      ["Left the bench", s.leftMs && time.when(s.leftMs)],
      ["Method", s.method && `${s.method} (${s.standard}, edition ${s.edition})`],
      ["Specimens planned", String(s.planned)],
      ["Code on the label", s.code]]),
    table("Specimens", ["Specimen", "Where", "State", "Record", ""], s.specimens.map(specimenRow)),
    table("Result", ["Version"], s.versions.map((v) => [[...versions([v]), v.result ? `: ${v.result}` : ""]])),
    report(s),
    table("Weighings", ["Of", "Mass", "When", "Balance", ""], s.weighings.map((w) => [w.of, w.mass, time.when(w.atMs), w.instrument, w.replaced ? "replaced by a later one" : ""])),
    table("Preparation", ["What", "When", "Who"], s.preparation.map((p) => [p.what?.replace("-", " "), time.when(p.atMs), p.by])),
    table("Corrected", ["What", "Was", "Is", "Why", "Who"], s.corrections.flatMap((c) => c.fields.map((name) => [
      particulars.NAMES[name] ?? name, particulars.shown(c.before, name) ?? "nothing", particulars.shown(c.after, name) ?? "nothing",
      c.reason, `${c.by}, ${time.when(c.atMs)}`]))),
  ].filter(Boolean);
}

async function load() {
  const answer = await fetch(`/samples/${encodeURIComponent(id)}/data`).catch(() => null);
  const sample = await answer?.json().catch(() => null);
  const good = Boolean(answer?.ok);
  show(find("#trouble"), !good);
  if (!good) {
    text(find("#trouble"), sample?.detail ?? "The station does not answer. Reload to try again.");
    return;
  }
  time.setZone(sample.zone);
  const first = shown === null;
  shown = sample;
  text(find("#title"), `Sample ${sample.label}`);
  text(find("#under"), sample.particulars.project ?? "");
  document.title = `${sample.label}: sample`;
  find("#label").href = `/samples/${sample.id}/label`;
  const { course, ...rest } = sample;
  find("#report").href = `/report/${sample.id}`;
  drawCourse(find("#course"), sample);
  rebuilt(find("#parts"), rest, () => parts(sample));
  show(find("#correct"), true);
  drawDecisions(find("#decide"), sample, places, load);
  drawLimit(find("#limit"), sample);
  // What a person is typing is never overwritten; an untouched form follows.
  if (filled === null || (filled !== sample.version && !form.dirty)) {
    particulars.write(form, sample.particulars);
    filled = sample.version;
  }
  if (first && location.hash === "#course") find("#course").scrollIntoView();
  if (first && location.hash.startsWith("#specimen-")) document.getElementById(location.hash.slice(1))?.scrollIntoView();
}

form.addEventListener("input", () => { form.dirty = true; });
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const fault = particulars.fault(form);
  if (fault) return text(particulars.said(form), fault);
  const what = {
    act: "intake", what: "correct-particulars", sample: shown.id, particulars: particulars.read(form) ?? {},
    reason: form.elements.reason.value, version: filled,
  };
  const answer = await act(what, { near: particulars.said(form), button: find("button", form) });
  if (answer.ok) {
    form.elements.reason.value = "";
    form.dirty = false;
    filled = null;
    load();
  } else if (answer.refusal?.refused === "changed") {
    filled = answer.refusal.version;
    load();
  }
  return undefined;
});

limitForm(find("#limit"), () => shown, load);
load();
setInterval(() => tickCourse(find("#course")), 250);
begin({
  named: true,
  draw: (view) => {
    places = view.places;
    if (shown) drawDecisions(find("#decide"), shown, places, load);
    if (view.sequence === sequence) return;
    sequence = view.sequence;
    load();
  },
});
