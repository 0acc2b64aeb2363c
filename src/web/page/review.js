// What waits for review: each sample with its result, its records, their deviations and changes.
// A decision names the documents that were looked at, so nobody approves what has changed since.

import { button, capital, en, find, h, keyed, rebuilt, said, show, wordsField } from "./dom.js";
import { act } from "./link.js";
import { inLine } from "./particulars.js";
import { decisions, operators, standing } from "./reviewed.js";
import { follow } from "./shell.js";
import * as time from "./time.js";
import { among, count, listed, named, t } from "./words.js";

function draw(view) {
  document.title = `${view.station.title}: ${t("menu.review")}`;
  show(find("#off"), !view.on);
  show(find("#full"), view.full);
  const [waiting, returned] = [view.items.filter((i) => i.state !== "returned"), view.items.filter((i) => i.state === "returned")];
  show(find("#waiting"), view.on || waiting.length > 0);
  show(find("#waiting .none"), waiting.length === 0);
  show(find("#returned"), returned.length > 0);
  keyed(find("#waiting .items"), waiting, (i) => i.sample, makeItem, (node, item) => node.draw(item));
  keyed(find("#returned .items"), returned, (i) => i.sample, makeItem, (node, item) => node.draw(item));
}

function makeItem({ sample }) {
  const head = h("span", { class: "what" });
  const inside = h("div", { class: "records" });
  const details = h("details", {}, h("summary", {}, head), inside);
  const node = h("article", { class: "item sheet", id: `sample-${sample}` }, details);
  details.addEventListener("toggle", () => details.open && load(node, inside));
  node.draw = (now) => {
    node.item = now;
    node.dataset.state = now.state === "returned" ? "past-due" : "due-soon";
    const changed = rebuilt(head, now, () => [h("b", {}, `${now.label}: ${now.result}`), h("span", {}, ` ${headWords(now)}`)]);
    // A card that stands open shows what it showed, and says that it is no longer all of it.
    if (changed && details.open && node.loaded) show(node.stale, true);
  };
  return node;
}

function headWords({ method, records, deviations, sinceMs, last }) {
  return listed([
    method, count("review.records", records),
    deviations > 0 ? `▲ ${count("deviation.count", deviations)}` : t("review.no-deviation"),
    t("people.since", { when: time.when(sinceMs) }),
    last && t("review.last", { decision: named("decision", last.decision), by: last.by }) + (last.reason ? `: ${last.reason}` : ""),
  ]);
}

const newest = async (versions) => {
  if (!versions.length) return null;
  const answer = await fetch(`/documents/${versions[0].document}`);
  if (!answer.ok) throw new Error((await answer.json()).detail);
  return answer.json();
};

/** All documents of a sample as they stand; what is decided, is decided of these. */
async function load(node, inside) {
  const { sample } = node.item;
  const stale = h("p", { class: "strip lost", role: "alert", hidden: true }, t("review.stale"), " ", button(t("review.look-again"), () => load(node, inside)));
  node.stale = stale;
  try {
    const answer = await fetch(`/samples/${sample}/data`);
    const whole = await answer.json();
    if (!answer.ok) throw new Error(whole.detail);
    const result = await newest(whole.versions);
    const records = (await Promise.all(whole.specimens.map((s) => newest(s.versions)))).filter(Boolean);
    node.loaded = true;
    inside.replaceChildren(stale, ...cards(node.item, result, records));
  } catch (error) {
    inside.replaceChildren(h("p", { class: "said", "data-kind": "refused" }, t("review.unread", { why: error.message })));
  }
}

function cards(item, result, records) {
  const there = records.filter((r) => r.data.status !== "void");
  const seen = [result, ...there].filter(Boolean).map((d) => d.id);
  const near = said();
  const all = { of: { sample: item.sample }, documents: seen };
  return [
    result && resultCard(result),
    h("div", { class: "checks" }, ...records.map(recordCard)),
    h("div", { class: "form decide" }, h("h4", {}, t("review.decide-all")), ...decide(all, result?.data.status, near), near),
  ].filter(Boolean);
}

/** The heading of a document's card, which leads to the document. */
const headed = ({ id, data }, words) => h("h4", {}, h("a", { class: "link", href: `/record/${id}` }, words),
  ` ${standing(data.status)}, ${t("record.version", { version: data.version })}`);

function resultCard(document) {
  const { average, difference, precision, acceptance, result, review } = document.data;
  return h("section", { class: "check" },
    headed(document, result ? t("review.result", { value: result.text }) : t("review.result-void")),
    h("p", { class: "quiet" }, listed([
      average && t("review.mean", { mean: average.mean.text, n: average.count }), difference.text !== null && differenceWords(difference),
    ]), ...[precision?.text, acceptance?.text].filter(Boolean).flatMap((words) => [" · ", en(words)])),
    h("ul", { class: "rows" }, ...decisions(review)));
}

function differenceWords({ text: value, limit, verdict }) {
  const words = named("verdict", verdict);
  return limit ? t("review.difference-limit", { value, limit, verdict: words }) : t("review.difference", { value, verdict: words });
}

function recordCard(document) {
  const { id, data } = document;
  const readings = Object.entries(data.readings).map(([of, r]) => `${named("level", of)} ${r.text} ${r.unit === "[in_i]" ? "in" : r.unit}`).join(", ");
  const done = operators(data.review);
  const near = said();
  const one = { of: { specimen: data.specimen.id }, documents: [id] };
  return h("section", { class: "check", "data-status": data.status },
    headed(document, `${data.specimen.label}: ${data.result?.text ?? named("status", "void")}`),
    h("p", {}, readings), done && h("p", { class: "quiet" }, t("review.by", { people: done })),
    h("ul", { class: "deviations" }, ...data.deviations.map(deviation)),
    data.deviations.length === 0 && h("p", { class: "quiet" }, t("review.no-deviation-here")),
    h("ul", { class: "rows" }, ...(data.changes ?? []).map(changeRow)),
    h("ul", { class: "rows" }, ...decisions(data.review)),
    data.status !== "void" && h("details", { class: "more" }, h("summary", {}, t("review.record-alone")),
      h("div", { class: "form" }, ...decide(one, data.status, near))), near);
}

const deviation = (d) => h("li", {}, en(capital(d.what), "b"), " ", ...among("review.deviation", { required: en(d.required), actual: en(d.actual) }));

/** What was corrected of a record. */
function changeRow({ what, from, to, who, reason }) {
  const words = { what: en(what), from: from?.text ?? from?.time ?? inLine(from), to: to?.text ?? to?.time ?? inLine(to), by: who.person ?? who.via };
  return h("li", {}, h("span", {}, ...among(to ? "review.change-instead" : "review.change", words)),
    h("span", { class: "quiet" }, reason ?? t("review.reason-pending")));
}

/** What can be decided of it as it stands. */
function decide(subject, status, near) {
  const reason = wordsField(t("review.why"), "reason", { size: 30 });
  const press = (what, words) => {
    const send = button(words, () => act({ act: "review", what, ...subject, reason: find("input", reason).value.trim() }, { near, button: send }));
    return send;
  };
  return [
    reason,
    status !== "approved" && status !== "returned" && press("approve", t("review.approve")),
    status === "returned" ? press("answer", t("review.answer")) : press("return", t("review.return")),
    press("void", t("review.void")),
  ].filter(Boolean);
}

follow("/review/view", draw);
