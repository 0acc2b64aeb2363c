// The versions of one document side by side, from the first to the newest: what differs is marked with a
// sign and in words. Compared is what the page says of each version, in the same words.

import { button, h, mark, show } from "./dom.js";
import * as time from "./time.js";
import { listed, named, t } from "./words.js";

/** Versions that are fetched at once: of more, the first and the newest ones. */
const MOST = 12;
const ABSENT = "–";

const words = (node) => (node.children.length && [...node.children].some((c) => c.tagName === "DIV")
  ? [...node.children].map((c) => c.textContent.trim()).filter(Boolean).join("; ") : node.textContent.trim());

/** What a page says of one version, as lines: name and words. Names that come again are counted. */
function linesOf(parts) {
  const lines = new Map();
  const add = (name, value) => {
    if (value === "") return;
    let key = name;
    for (let n = 2; lines.has(key); n += 1) key = `${name} (${n})`;
    lines.set(key, value);
  };
  for (const part of parts.filter((one) => !one.dataset.aside)) {
    const title = part.querySelector("h2")?.textContent ?? t("col.result");
    for (const dt of part.querySelectorAll("dt")) add(`${title}: ${dt.textContent}`, words(dt.nextElementSibling));
    for (const row of part.querySelectorAll("tbody tr")) {
      const [first, ...cells] = row.children;
      for (const cell of cells) add([title, words(first), cell.dataset.head].filter(Boolean).join(": "), words(cell));
    }
    for (const line of part.querySelectorAll(":scope > p, li")) add(title, words(line));
  }
  return lines;
}

/** Names of all versions, each behind the one that it follows where it first stands. */
function namesOf(all) {
  const names = [];
  for (const lines of all) {
    let at = 0;
    for (const name of lines.keys()) {
      const known = names.indexOf(name);
      if (known >= 0) at = known + 1;
      else names.splice(at++, 0, name);
    }
  }
  return names;
}

async function fetched(one) {
  const answer = await fetch(`/documents/${encodeURIComponent(one.document)}/shown`, { signal: AbortSignal.timeout(10_000) });
  if (!answer.ok) throw new Error((await answer.json()).detail);
  return answer.json();
}

/** Of many, the first and the newest. */
const chosen = (versions) => (versions.length <= MOST ? versions : [versions[0], ...versions.slice(1 - MOST)]);

/** What of a list was not there in the version before; a document carries all that ever was. */
const added = (list, before) => (list ?? []).filter((one) => !(before ?? []).some((old) => old.id === one.id));

/** Why a version was made: its own corrections, else what a reviewer decided. */
function reasonOf(document_, before) {
  if (!before) return "";
  const reasons = added(document_.data.changes, before.data.changes).map((change) => change.reason);
  const decided = added(document_.data.review?.decisions, before.data.review?.decisions)
    .map((d) => listed([named("decision", d.decision), d.reason], ": "));
  // One reason may stand for several corrections.
  return [...new Set(reasons.some(Boolean) ? reasons : decided)].filter(Boolean).join("; ");
}

function headOf(one, document_, before, here) {
  const reason = reasonOf(document_, before);
  const title = t("record.version", { version: one.version ?? "?" });
  return h("th", { scope: "col" }, one.document === here ? h("b", {}, `${title}, ${t("compare.this")}`) : h("a", { class: "link", href: `/record/${one.document}` }, title),
    h("span", { class: "under" }, time.when(one.madeMs)), reason && h("span", { class: "under" }, t("compare.reason", { reason })));
}

function cellOf(value, before, first) {
  if (first || value === before) return h("td", {}, value ?? ABSENT);
  const how = before === undefined ? "compare.new" : value === undefined ? "compare.gone" : "compare.differs";
  return h("td", { "data-differs": "yes" }, h("mark", {}, h("b", { "aria-hidden": "true" }, "≠ "), value ?? ABSENT), h("span", { class: "hushed" }, ` (${t(how)})`));
}

function tableOf(versions, documents, all, here) {
  const body = namesOf(all).map((name) => {
    const values = all.map((lines) => lines.get(name));
    const same = values.every((value) => value === values[0]);
    const row = h("tr", {}, h("th", { scope: "row" }, name), ...values.map((value, n) => cellOf(value, values[n - 1], n === 0)));
    mark(row, "same", same ? "yes" : null);
    return row;
  });
  return h("table", { class: "compared" }, h("caption", {}, t("compare.caption")),
    h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("col.what")), ...versions.map((one, n) => headOf(one, documents[n], documents[n - 1], here)))), h("tbody", {}, ...body));
}

/**
 * The part of a document's page; nothing where there is one version alone. `build(document)` makes what
 * the page says of one.
 */
export async function comparePart(id, build) {
  const answer = await fetch(`/documents/${encodeURIComponent(id)}/versions`, { signal: AbortSignal.timeout(10_000) }).then((r) => (r.ok ? r.json() : null)).catch(() => null);
  if (!answer || answer.versions.length < 2) return null;
  const box = h("div", {});
  const near = h("p", { class: "quiet", role: "status" });
  const open = button(t("compare.show", { n: answer.versions.length }), async () => {
    open.disabled = true;
    near.textContent = t("record.fetching");
    try {
      const kept = chosen(answer.versions.filter((one) => !one.removed));
      const documents = await Promise.all(kept.map(fetched));
      const all = documents.map((document_) => linesOf(build(document_).filter(Boolean)));
      const table = tableOf(kept, documents, all, id);
      const differ = table.querySelectorAll("tbody tr:not([data-same])").length;
      const every = h("input", { type: "checkbox", on: { change: () => mark(table, "every", every.checked ? "yes" : null) } });
      box.replaceChildren(h("label", { class: "choice" }, every, h("span", {}, t("compare.every"))),
        h("div", { class: "scroll", role: "region", tabIndex: 0, "aria-label": t("compare.caption") }, table));
      near.textContent = [t("compare.count", { lines: differ, versions: kept.length }), kept.length < answer.versions.length && t("compare.left-out", { n: answer.versions.length - kept.length })].filter(Boolean).join(" ");
      show(open, false);
    } catch (error) {
      near.textContent = t("record.unread", { why: error.message });
      open.disabled = false;
    }
  });
  return h("section", { class: "versions" }, h("h2", {}, t("compare.title")), open, near, box);
}
