// Records and results of all days: searched, written to files, and the room that they take.

import { button, find, h, options, rebuilt, rowOf, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import { standing } from "./reviewed.js";
import { begin } from "./shell.js";
import * as time from "./time.js";
import { count, listed, named, quantity, t } from "./words.js";

const wanted = find("#wanted");
const more = find("#more");
/** What is fetched again after a change waits so long for the next change. */
const TYPING_MS = 150;
let sequence = null;
let asked = 0;
let shown = [];
let before = null;
let typing = 0;

function chosen() {
  const ask = new URLSearchParams();
  for (const { name, value } of wanted.elements) if (name && value.trim()) ask.set(name, value.trim());
  return ask;
}

/** The first page, or the one after what is shown; a later question makes an earlier answer void. */
async function load(further = false) {
  asked += 1;
  const mine = asked;
  const ask = chosen();
  if (further && before !== null) ask.set("before", before);
  const answer = await fetch(`/records/list?${ask}`).catch(() => null);
  if (mine !== asked) return;
  const list = await answer?.json().catch(() => null);
  if (!answer?.ok) {
    text(find("#count"), list?.detail ?? t("records.no-answer"));
    return;
  }
  time.setZone(list.zone);
  shown = further ? [...shown, ...list.documents] : list.documents;
  before = list.before;
  draw(list);
}

function draw(list) {
  text(find("#count"), listed([countWords(list), list.behind > 0 && t("records.behind", { n: list.behind })], " "));
  rebuilt(find("#list tbody"), shown, () => shown.map(row));
  show(find("#list"), shown.length > 0);
  show(more, before !== null);
}

function countWords(list) {
  if (shown.length) return before === null ? count("records.count", shown.length) : count("records.count-newest", shown.length);
  return list.newest ? t("records.none-of-kind") : t("records.none");
}

const HEADS = [...document.querySelectorAll("#list th")].map((head) => head.textContent);

function row(d) {
  const hold = d.sampleId && button(t("records.hold-begin"), () => chooseHold(d));
  hold?.setAttribute("aria-label", t("records.hold-sample", { sample: d.sample }));
  const under = (words) => words && h("span", { class: "under" }, words);
  return rowOf(HEADS, [
    String(d.number), what(d), [d.result && h("b", {}, d.result), under(d.quantity && quantity(d.quantity))],
    [d.status && standing(d.status), under(d.deviations > 0 && `▲ ${count("deviation.count", d.deviations)}`)],
    d.method, time.when(d.madeMs), hold]);
}

function what(d) {
  const isRecord = d.kind === "record";
  if (d.removed) return h("span", { class: "quiet" }, isRecord ? t("records.record-removed") : t("records.result-removed"));
  const under = listed([isRecord ? t("records.a-record") : t("records.a-result"), d.project,
    d.version > 1 && t("record.version", { version: d.version }), d.replacedBy && t("records.replaced-by", { number: d.replacedBy })], ", ");
  return [h("a", { class: "link", href: isRecord ? `/record/${d.id}` : `/samples/${d.sampleId}` }, d.label), h("span", { class: "under" }, under)];
}

/** Links to the files of the chosen days; the browser saves them. */
function drawFiles() {
  const { from, to, versions } = wanted.elements;
  const days = { from: from.value, to: to.value, versions: versions.value };
  rebuilt(find("#files"), days, () => {
    const link = (words, address, more) => h("a", { class: "act link", href: `${address}?${new URLSearchParams({ ...days, ...more })}`, download: "" }, words);
    return [
      link(t("records.table-records"), "/records/export", { what: "records", as: "csv" }),
      link(t("records.description"), "/records/export/description", { what: "records" }),
      link(t("records.table-results"), "/records/export", { what: "results", as: "csv" }),
      link(t("records.description"), "/records/export/description", { what: "results" }),
      link(t("records.both"), "/records/export", { what: "both", as: "json-lines" }),
    ];
  });
}

const hold = find("#hold");
const near = find("#kept-said");

/** Holding begins at a line of the list and ends below it, with a reason. */
function chooseHold(document) {
  hold.sample = document.sampleId;
  text(find("p", hold), t("records.hold-means", { sample: document.sample }));
  show(hold, true);
  hold.scrollIntoView({ block: "center" });
  hold.elements.reason.focus();
}

hold.addEventListener("submit", async (event) => {
  event.preventDefault();
  const what = { act: "keeping", what: "hold", sample: hold.sample, reason: hold.elements.reason.value };
  const answer = await act(what, { near, button: find("button", hold) });
  if (!answer.ok) return;
  hold.reset();
  show(hold, false);
  kept();
});

function heldRow(held) {
  const why = wordsField(t("records.release-why"), "reason", { size: 24, "aria-label": t("records.release-why-of", { sample: held.label }) });
  const release = button(t("records.release"), async () => {
    const answer = await act({ act: "keeping", what: "release", sample: held.sample, reason: find("input", why).value }, { near, button: release });
    if (answer.ok) kept();
  });
  return h("li", {},
    h("span", {}, h("a", { class: "link", href: `/samples/${held.sample}` }, held.label), ` ${t("records.is-held", { reason: held.reason })} `,
      h("span", { class: "quiet" }, `${held.who}, ${time.when(held.atMs)}`)),
    why, release);
}

function removedRow(removal) {
  const { documents = 0, events = 0, samples = 0, inputs = 0 } = removal.removed ?? {};
  const cut = removal.done ? "" : ` ${t("records.cut-off")}`;
  const when = removal.atMs ? time.when(removal.atMs) : "";
  return h("li", {}, h("span", {}, h("b", {}, `${t("records.removed", { documents, events, samples, inputs })}${cut} `), `${removal.reason}. `,
    h("span", { class: "quiet" }, t("records.removed-file", { who: removal.who, when, file: removal.file, sha256: removal.sha256 }))));
}

async function kept() {
  const answer = await fetch("/records/kept").catch(() => null);
  const now = answer?.ok ? await answer.json().catch(() => null) : null;
  if (!now) return;
  time.setZone(now.zone);
  text(find("#rules"), t("records.rules", { rules: now.rules }));
  rebuilt(find("#holds"), now.holds, () => now.holds.map(heldRow));
  rebuilt(find("#removals"), now.removals, () => now.removals.map(removedRow));
}

async function room() {
  const answer = await fetch("/records/room").catch(() => null);
  const now = answer?.ok ? await answer.json().catch(() => null) : null;
  if (now) rebuilt(find("#room"), now.words, () => now.words.map((words) => h("li", {}, words)));
}

/** From the station's view: methods, and that something changed. */
function view(seen) {
  document.title = `${seen.station.title}: ${t("menu.records")}`;
  options(wanted.elements.method, [["", t("records.any")], ...seen.methods.map((m) => [m.id, m.title])]);
  if (seen.sequence !== sequence) {
    const first = sequence === null;
    sequence = seen.sequence;
    // Further pages that somebody reads are not taken away under his eyes.
    if (!first && shown.length <= 50) load();
  }
}

function changed() {
  clearTimeout(typing);
  drawFiles();
  typing = setTimeout(load, TYPING_MS);
}

wanted.addEventListener("submit", (event) => event.preventDefault());
wanted.addEventListener("input", changed);
more.addEventListener("click", () => load(true));
options(wanted.elements.method, [["", t("records.any")]]);
options(wanted.elements.status, [["", t("records.any")], ...["preliminary", "approved", "returned", "void"].map((status) => [status, named("status", status)])]);
const query = new URLSearchParams(location.search);
if (query.has("find")) wanted.elements.find.value = query.get("find");
drawFiles();
load();
kept();
room();
begin({ draw: view });
