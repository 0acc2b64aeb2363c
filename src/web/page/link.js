// The connection to the station: views and beats in, acts out.

import * as account from "./account.js";
import { button as plain, byStation, find, h, text } from "./dom.js";
import * as time from "./time.js";
import { t } from "./words.js";

/** Without a word from the station for this long, what the page shows is not current. */
const STALE_MS = 1600;
/** Pauses before an act is sent again. */
const AGAIN_MS = [1000, 2000, 4000, 8000];

let lastHeard = null;
let lastOpened = 0;
let source = null;
let fresh = false;
let onView = () => {};
let onState = () => {};

export const isFresh = () => fresh;

/** Opens the stream and keeps it open. `view(value)` for each view, `state(isFresh)` at changes. */
export function start(view, state) {
  onView = view;
  onState = state;
  open();
  setInterval(watch, 100);
}

function open() {
  source?.close();
  lastOpened = performance.now();
  // The room page may be open to whoever has no account; it has a stream of its own.
  source = new EventSource(location.pathname === "/room" ? "/room/events" : "/events");
  source.addEventListener("view", (event) => {
    const value = JSON.parse(event.data);
    hear(value.now);
    onView(value);
  });
  source.addEventListener("beat", (event) => hear(JSON.parse(event.data)));
}

function hear(now) {
  lastHeard = performance.now();
  account.heard();
  time.hear(now);
  settle(true);
}

function watch() {
  const silent = performance.now() - (lastHeard ?? lastOpened);
  if (silent > STALE_MS) {
    settle(false);
    if (source.readyState === EventSource.CLOSED) account.refused();
    if (performance.now() - lastOpened > STALE_MS) open();
  }
}

function settle(now) {
  time.halt(!now);
  if (fresh === now && lastHeard !== null) return;
  fresh = now;
  onState(now, lastHeard !== null);
}

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

// Marks are about an instant: sent again late, they carry the instant of the press with them.
const IS_INSTANT = new Set(["mark", "mark-next", "no-line-yet", "note-specimen", "move-cylinder"]);

/**
 * Carries out one act. The answer comes back as `{ ok, words, refusal }`; the words are shown in
 * `near`, where the finger was, and spoken. Without an answer the same act, with the same
 * identity, is sent again: the station does it once. `beside` stands beside the act in the message.
 */
export async function act(what, { near = null, button = null, seen = null, statedMs = null, beside = {} } = {}) {
  const say = (words, kind, english = false) => {
    if (near) {
      byStation(text(near, words), english);
      near.dataset.kind = kind;
    }
    byStation(text(find("#status"), words), english);
  };
  answers(near, null);
  if (!fresh) {
    const words = t("act.no-connection");
    say(words, "refused");
    return { ok: false, words };
  }
  const message = { id: newId(), who: find("#who").value.trim() || null, ...beside, do: what };
  if (seen !== null) message.seen = seen;
  const pressedMs = time.runs() ? time.wallNow() : null;
  if (button) button.setAttribute("aria-busy", "true");
  say(t("act.sending"), "busy");
  try {
    for (let round = 0; round <= AGAIN_MS.length; round += 1) {
      const late = round > 0 && IS_INSTANT.has(what.act) ? pressedMs : null;
      const answer = await post(message, statedMs ?? late);
      if (answer) {
        say(answer.words, answer.ok ? "done" : "refused", answer.english);
        answers(near, answer.refusal, (more) => act(what, { near, button, seen, statedMs, beside: { ...beside, ...more } }));
        return answer;
      }
      if (round < AGAIN_MS.length) {
        say(t("act.again"), "busy");
        await pause(AGAIN_MS[round]);
      }
    }
    const words = t("act.not-confirmed");
    say(words, "refused");
    return { ok: false, words };
  } finally {
    button?.removeAttribute("aria-busy");
  }
}

/** A button that carries out one act, which `what()` names; its outcome stands in `near`. */
export function doing(words, near, what, kind = "", beside = {}) {
  const node = plain(words, () => act(what(), { near, button: node, beside }), kind);
  return node;
}

/**
 * What can be answered to a question about a mass, as buttons under the words: that the balance is taken
 * over from whoever waits there, or which balance is meant. Each sends the act again.
 */
function answers(near, refusal, again) {
  if (near?.nextElementSibling?.matches(".answers")) near.nextElementSibling.remove();
  const known = { waited: () => [[t("weigh.take-over"), { "take-over": true }]], "which-balance": () => refusal.balances.map((name) => [name, { balance: name }]) };
  const offered = known[refusal?.refused]?.() ?? [];
  if (near && offered.length > 0) near.after(h("div", { class: "acts answers" }, ...offered.map(([words, more]) => plain(words, () => again(more)))));
}

/** One try; `null`: no answer, the same act may be sent again. */
async function post(message, statedMs) {
  let body = JSON.stringify(message);
  // Nanoseconds are more than a JavaScript number holds: written as digits.
  if (statedMs !== null) body = `${body.slice(0, -1)},"stated-wall-ns":${Math.round(statedMs)}000000}`;
  let response;
  let answer;
  try {
    response = await fetch("/act", {
      method: "POST", headers: { "content-type": "application/json" }, body, signal: AbortSignal.timeout(12_000),
    });
    answer = await response.json();
  } catch {
    return null;
  }
  if ([429, 503, 504].includes(response.status)) return null;
  if (response.ok) {
    const before = answer.outcome === "done-before";
    const words = before ? t("act.done-before") : answer.note || t("act.done");
    return { ok: true, words, english: !before && Boolean(answer.note), made: answer.made };
  }
  if (response.status === 409) return { ok: false, words: answer.text, english: true, refusal: answer.refusal };
  if (response.status === 401) {
    account.refused();
    return { ok: false, words: t("door.ended") };
  }
  // What the account may not do, as the station says it.
  if (response.status === 403 && account.isKept()) return { ok: false, words: answer.detail, english: true };
  return { ok: false, words: t("act.not-understood", { detail: answer.detail }) };
}

/** A random identity (UUID version 4). */
function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
}
