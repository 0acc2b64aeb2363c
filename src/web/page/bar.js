// The foot of the screen: what the shared switch means now, what the balance shows and waits for, and
// the last act, which can be taken back.

import { byStation, en, find, h, rebuilt, sentence, show, text } from "./dom.js";
import { act } from "./link.js";
import { weighings } from "./odd.js";
import { close, isShown, open } from "./sheet.js";
import * as time from "./time.js";
import { waitsWords } from "./waits.js";
import { among, t } from "./words.js";

export function drawBar(view) {
  drawFoot(find("#foot"), view.switches);
  drawScale(find("#scale"), view);
  drawLast(find("#last"), view.places);
}

// A switch of one place says what it means on the place; what is shared must be said here.
function drawFoot(cell, switches) {
  const shared = switches.filter((s) => s.place === null && s.does === "next");
  show(cell, shared.length > 0);
  byStation(text(find("b", cell), shared.map((s) => (shared.length > 1 ? `${s.name}: ${s.meaning}` : s.meaning)).join(" · ")));
}

const given = h("div", { class: "given" });

function drawScale(cell, view) {
  const balances = view.instruments.filter((i) => i.kind === "balance");
  show(cell, balances.length > 0);
  const { balance } = view;
  const named = (i, words) => (balances.length > 1 ? `${i.name}: ${words}` : words);
  const live = balances.map((i) => named(i, i.overload ? t("balance.overload") : i.port !== "open" ? t("balance.gone") : i.live ? `${i.live}${i.stable ? "" : ` ${t("balance.moving")}`}` : t("balance.silent")));
  text(find(".live", cell), live.join(" · "));
  text(find(".quiet", cell), balance.unsettled.length ? t("bar.unsettled") : waitsWords(balance.waits) || t("bar.awaits-nothing"));
  const button = find("button", cell);
  show(button, balance.kept.length + balance.given.length > 0);
  button.onclick = () => open({ title: t("bar.give-title"), node: given });
  rebuilt(given, [balance.kept, balance.given, balance.targets], () => {
    const near = h("p", { class: "said" });
    return [near, ...weighings(balance, near)];
  });
  if (isShown(given) && balance.kept.length + balance.given.length === 0) close(given);
}

/** What stands on the bench now, by identity. */
let standing = new Map();

/**
 * The newest act on any cylinder. The button takes nothing back: it opens a sheet that says what would be,
 * and what it says there is what goes, whatever happens meanwhile.
 */
function drawLast(cell, places) {
  const here = places.filter((p) => p.specimen && !p.specimen.fault);
  standing = new Map(here.map(({ specimen }) => [specimen.id, specimen]));
  const at = (specimen) => (specimen.undo ? specimen.undo.atMs : specimen.history[0]?.atMs ?? -Infinity);
  const newest = here.reduce((a, p) => (!a || at(p.specimen) > at(a.specimen) ? p : a), null);
  const button = find("button", cell);
  // A specimen with its result is corrected, not taken back: then nothing older is offered in its place.
  const last = newest && (newest.specimen.undo ?? newest.specimen.history[0]);
  const when = last && `, ${time.when(last.atMs)}${last.by ? `, ${last.by}` : ""}`;
  rebuilt(find("b", cell), [last?.text, when, newest?.specimen.label], () => (last ? [`${newest.specimen.label}: `, en(last.text), when] : [t("bar.nothing")]));
  show(button, Boolean(newest?.specimen.undo));
  button.onclick = () => openUndo(newest);
}

/** Asks before an act is taken back, and for the reason afterwards. */
function openUndo({ place, specimen: { id, label, version, undo } }) {
  const near = h("p", { class: "said" });
  const others = [...standing.values()].filter((s) => undo.together.includes(s.label)).map((s) => s.id);
  const take = (words, ids) => {
    const button = h("button", { type: "button", class: "act primary" }, words);
    button.addEventListener("click", async () => {
      if (button.hasAttribute("aria-busy")) return;
      const answer = await act({ act: "withdraw-last", specimen: id, ...(ids.length > 1 ? { together: true } : {}) }, { near, button, seen: version });
      if (answer.ok) node.replaceChildren(near, ...reasons(ids, near, node));
    });
    return button;
  };
  const all = [id, ...others];
  const labels = [label, ...undo.together].join(", ");
  const node = h("div", { class: "reasons" },
    h("p", { class: "doubtful" }, ...among("bar.would", { text: en(undo.text), time: time.when(undo.atMs), by: undo.by || t("bar.by-switch") })),
    others.length > 0 && take(t("bar.undo-all", { labels }), all),
    take(t(others.length > 0 ? "bar.undo-only" : "bar.undo-one", { label }), [id]), near);
  open({ title: labels, number: place, node });
}

/** What is asked once something was taken back: a touch gives the reason to each cylinder concerned. */
function reasons(ids, near, node) {
  const give = async (reason, button) => {
    if (button.hasAttribute("aria-busy")) return;
    const pending = ids.map((id) => [id, standing.get(id)?.corrections.findLast((c) => c.reason === null)]).filter(([, c]) => c);
    let ok = pending.length > 0;
    for (const [id, correction] of pending) {
      const answer = await act({ act: "give-reason", specimen: id, correction: correction.id, reason }, { near, button });
      ok = ok && answer.ok;
    }
    if (ok) close(node);
  };
  const usual = ["early", "other-cylinder", "twice", "trial"].map((key) => {
    const button = h("button", { type: "button", class: "act" }, t(`why.${key}`));
    button.addEventListener("click", () => give(t(`why.${key}`), button));
    return button;
  });
  const field = sentence();
  const form = h("form", { class: "form" }, h("label", {}, t("why.words"), field), h("button", { class: "act" }, t("why.give")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    give(field.value.trim(), find("button", form));
  });
  return [h("h3", {}, t("why.title")), h("div", { class: "acts" }, ...usual), form, h("p", { class: "quiet" }, t("why.later"))];
}
