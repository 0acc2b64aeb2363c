// Records and results of all days: searched, written to files, and the room that they take.

import { find, h, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { begin } from "./shell.js";
import * as time from "./time.js";

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
    text(find("#count"), list?.detail ?? "The station does not answer; the list may be old.");
    return;
  }
  time.setZone(list.zone);
  shown = further ? [...shown, ...list.documents] : list.documents;
  before = list.before;
  draw(list);
}

const STATUS = { preliminary: "○", void: "△", approved: "●" };

function what(d) {
  if (d.removed) return h("span", { class: "quiet" }, `${d.kind}, removed from the journal`);
  const link = d.kind === "record" ? h("a", { class: "link", href: `/record/${d.id}` }, d.label) : h("a", { class: "link", href: `/samples/${d.sampleId}` }, d.label);
  const under = [d.kind === "record" ? "record" : "result of the sample", d.project, d.version > 1 && `version ${d.version}`, d.replacedBy && `replaced by ${d.replacedBy}`].filter(Boolean);
  return h("span", {}, link, h("span", { class: "quiet" }, ` ${under.join(", ")}`));
}

function draw(list) {
  const behind = list.behind ? ` ${list.behind} older documents are still being listed.` : "";
  const count = `${shown.length}${before === null ? "" : " newest"} document${shown.length === 1 ? "" : "s"}`;
  text(find("#count"), (shown.length ? `${count}.` : list.newest ? "Nothing of this kind." : "There is no record yet.") + behind);
  rebuilt(find("#list tbody"), shown, () => shown.map((d) => h("tr", {},
    h("td", {}, String(d.number)),
    h("td", {}, what(d)),
    h("td", {}, d.result && h("b", { class: "digits-small" }, d.result), d.quantity && h("span", { class: "quiet" }, ` ${d.quantity}`)),
    h("td", {}, d.status && `${STATUS[d.status] ?? ""} ${d.status}`, d.deviations > 0 && h("span", { class: "quiet" }, ` ▲ ${d.deviations} deviation${d.deviations > 1 ? "s" : ""}`)),
    h("td", {}, d.method ?? ""),
    h("td", {}, time.when(d.madeMs)),
    h("td", {}, d.sampleId && h("button", { type: "button", class: "act", "aria-label": `Hold sample ${d.sample}`, on: { click: () => chooseHold(d) } }, "Hold…")))));
  show(find("#list"), shown.length > 0);
  show(more, before !== null);
}

/** Links to the files of the chosen days; the browser saves them. */
function drawFiles() {
  const { from, to, versions } = wanted.elements;
  const days = { from: from.value, to: to.value, versions: versions.value };
  rebuilt(find("#files"), days, () => {
    const link = (words, address, more) => h("a", { class: "act link", href: `${address}?${new URLSearchParams({ ...days, ...more })}`, download: "" }, words);
    return [
      link("Records, table", "/records/export", { what: "records", as: "csv" }),
      link("its description", "/records/export/description", { what: "records" }),
      link("Results, table", "/records/export", { what: "results", as: "csv" }),
      link("its description", "/records/export/description", { what: "results" }),
      link("Both, JSON lines", "/records/export", { what: "both", as: "json-lines" }),
    ];
  });
}

const hold = find("#hold");
const said = find("#kept-said");

/** Holding begins at a line of the list and ends below it, with a reason. */
function chooseHold(document) {
  hold.sample = document.sampleId;
  text(find(".label", hold), document.sample);
  show(hold, true);
  hold.scrollIntoView({ block: "center" });
  hold.elements.reason.focus();
}

hold.addEventListener("submit", async (event) => {
  event.preventDefault();
  const what = { act: "keeping", what: "hold", sample: hold.sample, reason: hold.elements.reason.value };
  const answer = await act(what, { near: said, button: find("button", hold) });
  if (!answer.ok) return;
  hold.reset();
  show(hold, false);
  kept();
});

function heldRow(held) {
  const reason = h("input", { maxLength: 200, autocomplete: "off", size: 24, "aria-label": `Why ${held.label} is released` });
  const button = h("button", { type: "button", class: "act", on: { click: async () => {
    const answer = await act({ act: "keeping", what: "release", sample: held.sample, reason: reason.value }, { near: said, button });
    if (answer.ok) kept();
  } } }, "Release");
  return h("li", {},
    h("span", {}, h("a", { class: "link", href: `/samples/${held.sample}` }, held.label), ` is held: ${held.reason} `,
      h("span", { class: "quiet" }, `${held.who}, ${time.when(held.atMs)}`)),
    h("label", {}, "Why not any more ", reason), button);
}

function removedRow(removal) {
  const n = removal.removed ?? {};
  const what = `${n.documents ?? 0} documents, ${n.events ?? 0} events, ${n.samples ?? 0} temperatures, ${n.inputs ?? 0} inputs`;
  const cut = removal.done ? "" : " It was cut off: run it again to finish it.";
  return h("li", {}, h("span", {}, h("b", {}, `Removed: ${what}.${cut} `), `${removal.reason}. `,
    h("span", { class: "quiet" }, `${removal.who}, ${removal.atMs ? time.when(removal.atMs) : ""}; file ${removal.file}, SHA-256 ${removal.sha256}`)));
}

async function kept() {
  const answer = await fetch("/records/kept").catch(() => null);
  const now = answer?.ok ? await answer.json().catch(() => null) : null;
  if (!now) return;
  time.setZone(now.zone);
  text(find("#rules"), `By the settings: ${now.rules}. Nothing goes by itself; the command \u201cremove\u201d shows what is past its time and takes it out.`);
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
  options(wanted.elements.method, [["", "any"], ...seen.methods.map((m) => [m.id, m.title])]);
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
const query = new URLSearchParams(location.search);
if (query.has("find")) wanted.elements.find.value = query.get("find");
drawFiles();
load();
kept();
room();
begin({ draw: view });
