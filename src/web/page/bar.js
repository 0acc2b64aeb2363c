// The foot of the screen: what the shared switch means now, what the balance shows and waits for, and
// the last act, which can be taken back.

import { find, h, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { weighings } from "./odd.js";
import { close, isShown, open } from "./sheet.js";
import * as time from "./time.js";
import { t } from "./words.js";

/** How long a reason is asked for after an act was taken back, milliseconds. */
const ASKED_MS = 60_000;

export function drawBar(view) {
  drawFoot(find("#foot"), view.switches);
  drawScale(find("#scale"), view);
  drawLast(find("#last"), view.places.map((p) => p.specimen).filter(Boolean));
}

// A switch of one place says what it means on the place; what is shared must be said here.
function drawFoot(cell, switches) {
  const shared = switches.filter((s) => s.place === null && s.does === "next");
  show(cell, shared.length > 0);
  text(find("b", cell), shared.map((s) => (shared.length > 1 ? `${s.name}: ${s.meaning}` : s.meaning)).join(" · "));
}

const given = h("div", { class: "given" });

function drawScale(cell, view) {
  const balances = view.instruments.filter((i) => i.kind === "balance");
  show(cell, balances.length > 0);
  const { balance } = view;
  const live = balances.map((i) => (i.overload ? t("balance.overload") : i.port !== "open" ? t("balance.gone") : i.live ? `${i.live}${i.stable ? "" : ` ${t("balance.moving")}`}` : t("balance.silent")));
  text(find(".live", cell), live.join(" · "));
  text(find(".quiet", cell), balance.unsettled.length ? t("bar.unsettled") : balance.awaited ? t("bar.awaits", { target: balance.awaited }) : t("bar.awaits-nothing"));
  const button = find("button", cell);
  show(button, balance.kept.length + balance.given.length > 0);
  button.onclick = () => open({ title: t("bar.give-title"), node: given });
  rebuilt(given, [balance.kept, balance.given, balance.targets], () => {
    const near = h("p", { class: "said" });
    return [near, ...weighings(balance, near)];
  });
  if (isShown(given) && balance.kept.length + balance.given.length === 0) close(given);
}

let takenBack = null;

/** The newest act on any cylinder. */
function drawLast(cell, specimens) {
  const newest = specimens.filter((s) => s.undo).reduce((a, s) => (!a || s.undo.atMs > a.undo.atMs ? s : a), null);
  const button = find("button", cell);
  const pending = pendingReason(specimens);
  show(button, Boolean(newest) || Boolean(pending));
  if (pending) {
    text(find("b", cell), t("bar.taken-back", { text: pending.correction.text }));
    text(button, t("bar.why"));
    button.onclick = () => askWhy(pending);
    return;
  }
  text(button, t("bar.undo"));
  const undo = newest?.undo;
  text(find("b", cell), undo ? `${newest.label}: ${undo.text}, ${time.when(undo.atMs)}${undo.by ? `, ${undo.by}` : ""}` : t("bar.nothing"));
  button.onclick = async () => {
    const { id, version } = newest;
    const what = { act: "withdraw-last", specimen: id };
    if (undo.together.length > 0) what.together = true;
    const answer = await act(what, { near: find(".said", cell), button, seen: version });
    if (answer.ok) takenBack = { specimen: id, atMs: time.wallNow() };
  };
}

/** What was taken back here a moment ago and has no reason yet. */
function pendingReason(specimens) {
  if (!takenBack || time.wallNow() - takenBack.atMs > ASKED_MS) return null;
  const specimen = specimens.find((s) => s.id === takenBack.specimen);
  const correction = specimen?.corrections.filter((c) => c.reason === null).at(-1);
  return correction ? { specimen, correction } : null;
}

function askWhy({ specimen, correction }) {
  const near = h("p", { class: "said" });
  const field = h("input", { name: "reason", maxLength: 200, autocomplete: "off" });
  const give = async (reason, button) => {
    const what = { act: "give-reason", specimen: specimen.id, correction: correction.id, reason };
    const answer = await act(what, { near, button });
    if (answer.ok) {
      takenBack = null;
      close(node);
    }
  };
  const usual = ["early", "other-cylinder", "twice", "trial"].map((key) => {
    const button = h("button", { type: "button", class: "act" }, t(`why.${key}`));
    button.addEventListener("click", () => give(t(`why.${key}`), button));
    return button;
  });
  const form = h("form", { class: "form" }, h("label", {}, t("why.words"), field), h("button", { class: "act" }, t("why.give")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    give(field.value.trim(), find("button", form));
  });
  const node = h("div", { class: "reasons" }, h("p", {}, correction.text), h("div", { class: "acts" }, ...usual), form, h("p", { class: "quiet" }, t("why.later")), near);
  open({ title: t("why.title"), node });
}
