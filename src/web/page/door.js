// Signing on at the pages with an account.

import { find, h, show, text } from "./dom.js";
import { t } from "./words.js";

const form = find("#entry");
const { account, password, shown } = form.elements;
const press = find("button", form);
const near = find(".said", form);
let waiting = null;

/** Where the person wanted to go: a page of this station and of nobody else. */
function wanted() {
  const to = new URL(new URLSearchParams(location.search).get("to") ?? "/", location.origin);
  return to.origin === location.origin && to.pathname !== "/sign-on" ? to.pathname + to.search : "/";
}

function say(words, kind) {
  text(near, words);
  near.dataset.kind = kind;
}

/** Nothing is sent before it makes sense; the seconds are counted down where the finger was. */
function wait(seconds, words) {
  clearInterval(waiting);
  const until = performance.now() + seconds * 1000;
  const tick = () => {
    const left = Math.ceil((until - performance.now()) / 1000);
    press.disabled = left > 0;
    say(left > 0 ? `${words} ${t("door.wait", { s: left })}` : words, "refused");
    if (left <= 0) clearInterval(waiting);
  };
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
    wait(told.againS ?? 0, WORDS[status] ? t(WORDS[status]) : told.detail);
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
if (state && !state.accounts) form.replaceChildren(h("p", {}, t("door.none")), h("a", { class: "link", href: "/" }, t("menu.bench")));
else account.focus();
