// Signing on at the pages with an account.

import { signOff } from "./account.js";
import { button, byStation, find, h, show, text } from "./dom.js";
import { t } from "./words.js";

const form = find("#entry");
const { account, password, shown } = form.elements;
const press = find("button", form);
const near = find(".said", form);
const left = find(".left", form);
let waiting = null;

/** Where the person wanted to go: a page of this station and of nobody else. */
function wanted() {
  const to = new URL(new URLSearchParams(location.search).get("to") ?? "/", location.origin);
  return to.origin === location.origin && to.pathname !== "/sign-on" ? to.pathname + to.search : "/";
}

/** `english`: words of the station. */
function say(words, kind, english = false) {
  byStation(text(near, words), english);
  near.dataset.kind = kind;
}

/**
 * Nothing is sent before it makes sense. How long is spoken once, with what was wrong; the seconds that
 * run down are only seen.
 */
function wait(seconds, words, english) {
  clearInterval(waiting);
  const until = performance.now() + seconds * 1000;
  const tick = () => {
    const rest = Math.ceil((until - performance.now()) / 1000);
    press.disabled = rest > 0;
    text(left, rest > 0 ? t("door.left", { s: rest }) : "");
    if (rest > 0) return;
    clearInterval(waiting);
    once.remove();
  };
  say(words, "refused", english);
  const once = h("span", { lang: document.documentElement.lang }, ` ${t("door.wait", { s: seconds })}`);
  if (seconds > 0) near.append(once);
  waiting = setInterval(tick, 250);
  tick();
}

async function send() {
  const body = JSON.stringify({ account: account.value.trim(), password: password.value });
  const answer = await fetch("/sign-on", {
    method: "POST", headers: { "content-type": "application/json" }, body, signal: AbortSignal.timeout(20_000),
  });
  return { status: answer.status, told: await answer.json() };
}

const WORDS = { 401: "door.wrong", 429: "door.too-many", 503: "door.busy" };

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const empty = [account, password].find((field) => field.value.trim() === "");
  if (empty) {
    say(t("door.fill"), "refused");
    return empty.focus();
  }
  press.disabled = true;
  say(t("door.sending"), "busy");
  try {
    const { status, told } = await send();
    if (status === 200) return location.replace(wanted());
    password.value = "";
    // What has no words of its own here the station says in English.
    wait(told.againS ?? 0, WORDS[status] ? t(WORDS[status]) : told.detail, !WORDS[status]);
    return password.focus();
  } catch {
    press.disabled = false;
    return say(t("door.no-answer"), "refused");
  }
});

shown.addEventListener("change", () => {
  password.type = shown.checked ? "text" : "password";
});

const state = await fetch("/sign-on/state").then((r) => r.json()).catch(() => null);
show(find("#to-room"), Boolean(state?.roomOpen));
if (state?.on) {
  const still = h("p", { class: "said", role: "status" });
  find("#is-on").replaceChildren(h("p", {}, t("door.is-on", { name: state.on.person ?? state.on.account })),
    h("a", { class: "act link", href: wanted() }, t("door.go-on")), button(t("door.sign-off"), () => signOff(still)), still);
  show(find("#is-on"), true);
}
if (state && !state.accounts) form.replaceChildren(h("p", {}, t("door.none")), h("a", { class: "link", href: "/" }, t("menu.bench")));
else account.focus();
