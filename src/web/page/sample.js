// One sample: what came with it, its specimens, weighings, records and their versions.

import { drawCourse, tickCourse } from "./course.js";
import { capital, en, facts, find, h, rebuilt, show, table, text } from "./dom.js";
import { act } from "./link.js";
import * as particulars from "./particulars.js";
import { counts, drawDecisions, drawLimit, limitForm, sections } from "./quality.js";
import { begin } from "./shell.js";
import * as time from "./time.js";
import { count, named, t } from "./words.js";

const id = location.pathname.split("/").pop();
const form = find("#correct form");
let sequence = null;
let shown = null;
let filled = null;
let places = [];

find(".fields", form).append(particulars.fields());

function versionLink({ document: id, version, status, number, madeMs }) {
  const what = t("version.number", { version: version ?? 1 });
  const more = status && status !== "preliminary" ? `, ${named("status", status)}` : "";
  return h("a", { class: "link", href: `/record/${id}` }, `${what}${more} (${t("sample.document", { number, time: time.when(madeMs) })})`);
}

function specimenRow(s) {
  const place = s.place ? h("a", { class: "link", href: `/#place-${s.place}` }, t("place.number", { place: s.place })) : t("specimen.left");
  const cells = [s.label, place, [en(s.state), s.deviations > 0 && `▲ ${count("deviation.count", s.deviations)}`, counts(s)],
    s.versions.length ? s.versions.map(versionLink) : t("specimen.no-record"),
    h("a", { class: "link", href: `/samples/${id}/label?of=${s.id}` }, t("sample.label"))];
  cells.id = `specimen-${s.id}`;
  return cells;
}

const came = (s) => facts(t("particulars.title"), [
  ...particulars.NAMES.map((name) => [particulars.called(name), particulars.shown(s.particulars, name)]),
  [t("samples.registered"), `${time.when(s.registeredMs)}, ${s.by}`],
  [t("sample.left"), s.leftMs && time.when(s.leftMs)],
  [t("register.method"), s.method && t("sample.method", { method: s.method, standard: s.standard, edition: named("edition", s.edition) })],
  [t("plan.specimens"), String(s.planned)],
  [t("sample.code"), s.code]]);

function corrected(s) {
  const shown = (said, name) => particulars.shown(said, name) ?? t("corrected.nothing");
  return table(t("corrected.title"), [t("corrected.what"), t("corrected.was"), t("corrected.is"), t("corrected.why"), t("corrected.who")],
    s.corrections.flatMap((c) => c.fields.map((name) => [
      particulars.called(name), shown(c.before, name), shown(c.after, name), c.reason, `${c.by}, ${time.when(c.atMs)}`])));
}

function parts(s) {
  return [
    h("div", { class: "record stands" },
      h("section", { class: "headline" }, h("h2", {}, t("samples.state")), s.reported !== null && h("b", {}, s.reported), en(s.stateText, "p")),
      ...sections(s)),
    came(s),
    table(t("register.specimens"), [t("specimen.name"), t("specimen.where"), t("samples.state"), t("specimen.record"), t("sample.label")], s.specimens.map(specimenRow)),
    table(t("version.title"), [t("version.name"), t("version.result")], s.versions.map((v) => [versionLink(v), v.result])),
    table(t("weighings.title"), [t("weighings.of"), t("weighings.mass"), t("weighings.when"), t("weighings.balance"), t("title.record")],
      s.weighings.map((w) => [w.of, w.mass, time.when(w.atMs), w.instrument, w.replaced && t("weighings.replaced")])),
    table(t("prepared.title"), [t("corrected.what"), t("weighings.when"), t("corrected.who")],
      s.preparation.map((p) => [capital(named("readied", p.what)), time.when(p.atMs), p.by])),
    corrected(s),
  ].filter(Boolean);
}

async function load() {
  const answer = await fetch(`/samples/${encodeURIComponent(id)}/data`).catch(() => null);
  const sample = await answer?.json().catch(() => null);
  const good = Boolean(answer?.ok);
  show(find("#trouble"), !good);
  if (!good) {
    text(find("#trouble"), sample?.detail ?? t("sample.no-answer"));
    return;
  }
  time.setZone(sample.zone);
  const first = shown === null;
  shown = sample;
  text(find("#title"), t("sample.named", sample));
  text(find("#under"), sample.particulars.project ?? "");
  document.title = `${sample.label}: ${t("title.sample")}`;
  find("#label").href = `/samples/${sample.id}/label`;
  const { course, ...rest } = sample;
  find("#report").href = `/report/${sample.id}`;
  find("#pdf").href = `/report/${sample.id}/pdf`;
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
  const { fault } = particulars.limitOf(form);
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
setInterval(() => tickCourse(find("#course")), 250);
// What belongs to the sample is asked for once the station has been heard: its word comes with its time.
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
