// Whose this page is, where the station has accounts: what the account may open, who acts, signing off,
// and the word that a sign-on has ended.

import { button, find, h, mark, show, text } from "./dom.js";
import { t } from "./words.js";

/** Roles in order: each may what those before it may. */
const ROLES = ["look", "operate", "review", "administer"];
/** What an account may open at least to see a link of the menu; the others need `look`. */
const NEEDS = { people: "operate", settings: "administer" };
/** The station is asked at most this often whether somebody is still signed on, milliseconds. */
const AGAIN_MS = 4000;

let state = null;
let askedAt = -Infinity;
let asking = false;
let owner = () => {};

/** The station has accounts. */
export const isKept = () => Boolean(state?.accounts);

/** The person of the account; null: whoever the page names. */
export const person = () => state?.on?.person ?? null;

async function ask() {
  askedAt = performance.now();
  asking = true;
  try {
    const answer = await fetch("/sign-on/state", { signal: AbortSignal.timeout(10_000) });
    if (answer.ok) state = await answer.json();
  } catch {
    // The strip at the top says it already.
  } finally {
    asking = false;
  }
  return state;
}

/** Asks whose this page is, and shows it in the menu. `own(name)`: the person who acts. */
export async function begin(own) {
  owner = own;
  await ask();
  if (!state?.accounts) return;
  const may = state.on ? ROLES.indexOf(state.on.role) : -1;
  mark(document.body, "role", state.on?.role ?? "none");
  for (const link of document.querySelectorAll("#menu .link")) {
    const name = link.id.replace("menu-", "");
    const enough = may >= ROLES.indexOf(NEEDS[name] ?? "look") || (name === "room" && state.roomOpen);
    // Not `hidden`: other words of the page show and hide links by that.
    mark(link, "locked", enough ? null : "yes");
  }
  find("#menu .preferences").prepend(state.on ? signedOn(state.on) : entry(t("door.sign-on")));
  if (person()) own(person());
}

const entry = (words) => h("a", { class: "link", href: `/sign-on?to=${encodeURIComponent(location.pathname + location.search)}` }, words);

function signedOn({ account, person: whose, role }) {
  const words = t("door.on", { name: whose ?? account, role: t(`door-role.${role}`) });
  const near = h("span", { class: "said", role: "status" });
  return h("span", { class: "own" }, h("span", {}, words), button(t("door.sign-off"), () => signOff(near)), near);
}

/** Signs off, and leaves the page once that is certain; else says in `near` that somebody is still on. */
export async function signOff(near) {
  const sent = { method: "POST", headers: { "content-type": "application/json" }, body: "{}", signal: AbortSignal.timeout(10_000) };
  const answer = await fetch("/sign-off", sent).catch(() => null);
  if (answer?.ok) return location.assign("/sign-on");
  near.dataset.kind = "refused";
  text(near, t("door.still-on"));
  return undefined;
}

/** The station refuses this page: says so where the sign-on has ended. What was typed stays. */
export async function refused() {
  if (performance.now() - askedAt < AGAIN_MS) return;
  await ask();
  const ended = Boolean(state?.accounts && !state.on);
  let strip = find("#ended");
  if (!strip && ended) {
    strip = h("p", { id: "ended", class: "strip lost", role: "alert" }, `${t("door.ended")} `, entry(t("door.sign-on")));
    find("#lost").before(strip);
  }
  if (strip) show(strip, ended);
}

/** The station answers again. Whose page this is must be known: the first time it may not have come. */
export function heard() {
  if (state === null && !asking && performance.now() - askedAt > AGAIN_MS) begin(owner);
  const strip = find("#ended");
  if (strip) show(strip, false);
}
