// What waits for review: each sample with its result, its records, their deviations and changes.
// A decision names the documents that were looked at, so nobody approves what has changed since.

import { find, h, keyed, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { decisions, operators, STATUS } from "./reviewed.js";
import { follow } from "./shell.js";
import * as time from "./time.js";


function draw(view) {
  document.title = `${view.station.title}: review`;
  show(find("#off"), !view.on);
  show(find("#full"), view.full);
  const [waiting, returned] = [view.items.filter((i) => i.state !== "returned"), view.items.filter((i) => i.state === "returned")];
  show(find("#waiting"), view.on || waiting.length > 0);
  show(find("#waiting .none"), waiting.length === 0);
  show(find("#returned"), returned.length > 0);
  keyed(find("#waiting .items"), waiting, (i) => i.sample, makeItem, (node, item) => node.draw(item));
  keyed(find("#returned .items"), returned, (i) => i.sample, makeItem, (node, item) => node.draw(item));
}

const plural = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;

function makeItem(item) {
  const head = h("span", { class: "what" });
  const inside = h("div", { class: "records" });
  const details = h("details", {}, h("summary", {}, head), inside);
  const node = h("article", { class: "item sheet", id: `sample-${item.sample}` }, details);
  details.addEventListener("toggle", () => details.open && load(node, inside));
  node.draw = (now) => {
    node.item = now;
    node.dataset.state = now.state === "returned" ? "past-due" : "due-soon";
    const last = now.last && `${now.last.decision} by ${now.last.by}${now.last.reason ? `: ${now.last.reason}` : ""}`;
    const changed = rebuilt(head, now, () => [
      h("b", {}, `${now.label}: ${now.result}`),
      h("span", {}, ` ${[now.method, plural(now.records, "record"), now.deviations > 0 ? `▲ ${plural(now.deviations, "deviation")}` : "no deviation", `since ${time.when(now.sinceMs)}`, last].filter(Boolean).join(" · ")}`)]);
    // A card that stands open shows what it showed, and says that it is no longer all of it.
    if (changed && details.open && node.loaded) show(node.stale, true);
  };
  return node;
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
  const stale = h("p", { class: "strip lost", role: "alert", hidden: true }, "Something has changed since you opened this. ",
    h("button", { type: "button", class: "act", on: { click: () => load(node, inside) } }, "Look again"));
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
    inside.replaceChildren(h("p", { class: "said", "data-kind": "refused" }, `The documents could not be read: ${error.message}`));
  }
}

function cards(item, result, records) {
  const standing = records.filter((r) => r.data.status !== "void");
  const seen = [result, ...standing].filter(Boolean).map((d) => d.id);
  const said = h("p", { class: "said" });
  const all = { of: { sample: item.sample }, documents: seen };
  return [
    result && resultCard(result),
    h("div", { class: "checks" }, ...records.map((record) => recordCard(record))),
    h("div", { class: "form decide" }, h("h4", {}, "The result with all its records"), ...decide(all, result?.data.status, said), said),
  ].filter(Boolean);
}

function resultCard({ id, data }) {
  const { difference, precision, acceptance } = data;
  const facts = [
    data.average && `mean ${data.average.mean.text} of ${data.average.count}`,
    difference.text !== null && `largest difference ${difference.text} (${difference.verdict.replace("-", " ")}${difference.limit ? `, limit ${difference.limit}` : ""})`,
    precision?.text, acceptance?.text,
  ].filter(Boolean).join(" · ");
  return h("section", { class: "check" },
    h("h4", {}, h("a", { class: "link", href: `/record/${id}` }, `Result ${data.result?.text ?? "void"}`), ` ${STATUS[data.status] ?? data.status}, version ${data.version}`),
    h("p", { class: "quiet" }, facts), h("ul", { class: "rows" }, ...decisions(data.review)));
}

function recordCard({ id, data }) {
  const readings = Object.entries(data.readings).map(([of, r]) => `${of} ${r.text} ${r.unit === "[in_i]" ? "in" : r.unit}`).join(", ");
  const done = operators(data.review);
  const said = h("p", { class: "said" });
  const one = { of: { specimen: data.specimen.id }, documents: [id] };
  return h("section", { class: "check", "data-status": data.status },
    h("h4", {}, h("a", { class: "link", href: `/record/${id}` }, `${data.specimen.label}: ${data.result?.text ?? "void"}`), ` ${STATUS[data.status] ?? data.status}, version ${data.version}`),
    h("p", {}, readings), done && h("p", { class: "quiet" }, `By ${done}`),
    h("ul", { class: "deviations" }, ...data.deviations.map((d) => h("li", {}, h("b", {}, d.what), ` Required: ${d.required}. Actual: ${d.actual}.`))),
    data.deviations.length === 0 && h("p", { class: "quiet" }, "No deviation."),
    h("ul", { class: "rows" }, ...(data.changes ?? []).map((c) => h("li", {}, h("span", {}, `${c.what}: ${c.from?.text ?? c.from?.time ?? ""} ${c.to ? `instead ${c.to.text ?? c.to.time ?? ""}` : ""}, by ${c.who.person ?? c.who.via}`), h("span", { class: "quiet" }, c.reason ?? "▲ reason pending")))),
    h("ul", { class: "rows" }, ...decisions(data.review)),
    data.status !== "void" && h("details", { class: "more" }, h("summary", {}, "This record alone"), h("div", { class: "form" }, ...decide(one, data.status, said))), said);
}

/** What can be decided of it as it stands. */
function decide(subject, status, said) {
  const reason = h("input", { name: "reason", maxLength: 200, autocomplete: "off", size: 30 });
  const press = (what, words, kind = "") => {
    const button = h("button", { type: "button", class: `act ${kind}` }, words);
    button.onclick = () => act({ act: "review", what, ...subject, reason: reason.value.trim() }, { near: said, button });
    return button;
  };
  return [
    status !== "approved" && status !== "returned" && press("approve", "Approve"),
    h("label", {}, "Why (needed to return, void or answer) ", reason),
    status === "returned" ? press("answer", "Answer: it is right as it stands") : press("return", "Return"),
    press("void", "Void: it does not count"),
  ].filter(Boolean);
}

follow("/review/view", draw);
