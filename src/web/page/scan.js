// The scanner at the bench: a reader that types. Its keystrokes come faster than anybody types and
// end with Enter, wherever the focus is. What it typed into a field is taken out of it again; a
// field that wants a scan (data-takes-scan) keeps it.

import { button, find, h, text } from "./dom.js";
import * as who from "./who.js";
import { t } from "./words.js";

/** Longest pause between two keys of a reader, milliseconds. People who type fast need 60 and more. */
const PAUSE_MS = 45;
/** Fewest characters that are taken for a scan: away from fields, and in one. */
const LEAST = 3;
const LEAST_IN_FIELD = 6;
const LONGEST = 80;

let typed = "";
let lastAt = -Infinity;
let before = null;
let listening = false;
let opened = (found) => location.assign(where(found));

/** The address of what was found. */
export const where = (found) => `/samples/${found.id}${found.specimen ? `#specimen-${found.specimen.id}` : ""}`;

/** Listens on the whole page. `open(found)` shows what was found; without it its own page opens. */
export function listen(open = null) {
  if (open) opened = (found) => open(found) || location.assign(where(found));
  if (listening) return;
  listening = true;
  document.addEventListener("keydown", key, { capture: true });
}

const isField = (node) => node?.matches?.("input:not([type=checkbox], [type=radio], [type=button], [type=submit]), textarea, select, [contenteditable]");

function forget() {
  typed = "";
  before = null;
}

function key(event) {
  if (event.isComposing || event.repeat || event.ctrlKey || event.metaKey || event.altKey) return forget();
  // A reader sends Shift as well, for capitals and signs.
  if (event.key === "Shift" || event.key === "CapsLock") return undefined;
  const at = event.timeStamp;
  const goesOn = at - lastAt <= PAUSE_MS;
  lastAt = at;
  if (event.key === "Enter") return ended(event, goesOn);
  if (event.key.length !== 1) return forget();
  if (!goesOn || typed.length >= LONGEST) forget();
  const field = isField(event.target) ? event.target : null;
  if (typed === "") before = field ? { field, value: field.value, from: field.selectionStart, to: field.selectionEnd } : null;
  typed += event.key;
  // A button must not be pressed by a blank in the middle of a scan.
  if (!field && event.key === " " && typed.length > 1) event.preventDefault();
  return undefined;
}

function ended(event, goesOn) {
  const scan = typed.trim();
  const field = before?.field ?? null;
  const least = field ? LEAST_IN_FIELD : LEAST;
  const isScan = goesOn && scan.length >= least && (!field || field === event.target);
  const kept = before;
  forget();
  if (!isScan) return undefined;
  // Neither does its Enter send a form or press the button that has the focus.
  event.preventDefault();
  event.stopPropagation();
  if (field?.hasAttribute("data-takes-scan")) return take(field, scan);
  if (kept) putBack(kept);
  return open(scan);
}

/** The field holds the scan alone, and the next field is ready. */
function take(field, scan) {
  set(field, scan);
  const fields = [...(field.form?.elements ?? [])].filter((f) => isField(f) && !f.disabled && f.offsetParent);
  fields[fields.indexOf(field) + 1]?.focus();
}

function putBack({ field, value, from, to }) {
  set(field, value);
  try {
    if (from !== null) field.setSelectionRange(from, to);
  } catch {
    // A kind of field that has no selection.
  }
}

function set(field, value) {
  if (field.value === value) return;
  field.value = value;
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

/** Looks a scan up, and opens what it belongs to or says why not. */
export async function open(scan) {
  // What may be a badge is shown to nobody.
  say(who.isKept() ? t("scan.looking") : t("scan.looking-for", { scan }));
  let answer;
  let found;
  try {
    answer = await fetch(`/samples/find?scan=${encodeURIComponent(scan)}`, { signal: AbortSignal.timeout(8000) });
    found = await answer.json();
  } catch {
    return say(t("scan.no-answer", { scan }));
  }
  if (answer.status === 404) return unknown(scan);
  if (!answer.ok) return say(`▲ ${scan}: ${found.detail}`);
  if (found.found.length > 1) return say(t("scan.which", { scan }), ...found.found.map((f) => h("a", { class: "link", href: where(f) }, `${f.label}, ${f.stateText}`)));
  say("");
  return opened(found.found[0]);
}

/** It belongs to no sample: perhaps it is a badge, else a sample can be registered with it. */
async function unknown(scan) {
  const register = (words) => h("a", { class: "link", href: `/samples?register=${encodeURIComponent(scan)}` }, words);
  const badge = who.isKept() ? await who.badge(scan) : null;
  if (badge?.ok) {
    setTimeout(() => say(""), 4000);
    return say(`● ${badge.words}`);
  }
  if (badge) return say(t("scan.no-badge", { why: badge.words }), register(t("scan.register-with")));
  return say(t("scan.nothing", { scan }), register(t("scan.register")));
}

function say(words, ...more) {
  let strip = find("#scanned");
  if (!strip) {
    strip = h("div", { id: "scanned", class: "strip scanned", role: "alert", hidden: true }, h("span", {}), h("span", { class: "acts" }),
      button(t("sheet.close"), () => say("")));
    document.querySelector("header").after(strip);
  }
  text(find("span", strip), words);
  find(".acts", strip).replaceChildren(...more);
  strip.hidden = words === "";
}
