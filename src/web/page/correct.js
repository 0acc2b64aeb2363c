// Mistakes corrected: a time, a level, a reason given later. On a place and on a record's page.
// The original always stays; the person's name goes with each.

import { en, find, h, options, rebuilt, sentence, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";
import { among, named, t } from "./words.js";

/** Half a day: a time of day means the pass that lies nearest to what it corrects. */
const NEAR_MS = 43_200_000;
/** A question that has just come takes no answer, milliseconds. */
const SETTLE_MS = 800;

const reasonField = () => h("label", {}, t("correct.why"), sentence());

/**
 * A panel for one specimen. `update` takes `{ id, version, marks, levels, corrections, history }`,
 * or null; `version` null: nobody can have seen an older one. `done` is called after each act that
 * was carried out.
 */
export function correctPanel(said, done = () => {}) {
  const times = h("form", { class: "form" },
    h("p", {}, t("correct.time")),
    h("label", {}, t("correct.of-what"), h("select", { name: "what" })),
    h("label", {}, t("correct.when"), h("input", { name: "when", inputMode: "numeric", placeholder: "HH:MM:SS", maxLength: 8, autocomplete: "off", size: 9 })),
    reasonField(), h("button", { class: "act" }, t("correct.send-time")));
  const levels = h("form", { class: "form" },
    h("p", {}, t("correct.reading")),
    h("label", {}, t("correct.which"), h("select", { name: "of" })),
    h("label", {}, t("correct.value"), h("input", { name: "value", inputMode: "decimal", maxLength: 8, autocomplete: "off", size: 9 })),
    reasonField(), h("button", { class: "act" }, t("correct.send-reading")));
  const made = h("ul", { class: "rows corrections" });
  const past = h("details", {}, h("summary", {}, t("correct.history")), h("ul", { class: "rows history" }));
  const node = h("div", { class: "correct" }, times, levels, made, past);
  let shown = null;
  let asked = "";
  let askedAt = -Infinity;

  const send = async (what, form, extra = {}) => {
    const answer = await act(what, { near: said, button: find("button", form), seen: shown.version, ...extra });
    if (answer.ok) {
      for (const field of form.querySelectorAll("input")) field.value = "";
      done();
    }
    return answer;
  };
  const why = (form) => form.elements.reason.value.trim() || null;

  times.onsubmit = (event) => {
    event.preventDefault();
    const { step, edge, atMs } = JSON.parse(times.elements.what.value);
    const statedMs = time.lastInstantOf(times.elements.when.value, Math.min(atMs + NEAR_MS, time.wallNow() ?? atMs));
    if (statedMs === null) {
      text(said, t("missed.form", { zone: time.zoneName() }));
      said.dataset.kind = "refused";
      times.elements.when.focus();
      return;
    }
    send({ act: "correct-time", specimen: shown.id, step, edge, reason: why(times) }, times, { statedMs });
  };
  levels.onsubmit = async (event) => {
    event.preventDefault();
    const [of, value] = [levels.elements.of.value, levels.elements.value.value];
    // The same digits again after a question confirm it.
    const confirmed = asked === `${shown.id} ${of} ${value}`;
    // The second half of a double tap must not answer a question that nobody has read.
    if (confirmed && performance.now() - askedAt < SETTLE_MS) return;
    const answer = await send({ act: "correct-reading", specimen: shown.id, of, value, confirmed, reason: why(levels) }, levels);
    asked = answer.refusal?.refused === "confirm" ? `${shown.id} ${of} ${value}` : "";
    askedAt = performance.now();
  };

  const pending = (c) => {
    const form = h("form", { class: "form" },
      h("label", {}, t("correct.pending"), sentence()),
      h("button", { class: "act" }, t("correct.give-reason")));
    form.onsubmit = (event) => {
      event.preventDefault();
      send({ act: "give-reason", specimen: shown.id, correction: c.id, reason: form.elements.reason.value }, form);
    };
    return form;
  };

  return {
    node,
    update(specimen) {
      shown = specimen;
      show(node, Boolean(specimen));
      if (!specimen) return;
      show(times, !specimen.over && specimen.marks.length > 0);
      options(times.elements.what, specimen.marks.map((m) => [
        JSON.stringify({ step: m.step, edge: m.edge, atMs: m.atMs }), `${m.text}, ${time.when(m.atMs)}`, "en"]));
      show(levels, !specimen.over && specimen.levels.length > 0);
      options(levels.elements.of, specimen.levels.map((l) => [l.of, t("correct.entered", { level: named("level", l.of), value: l.text })]));
      rebuilt(made, specimen.corrections, () => specimen.corrections.map((c) => h("li", {},
        h("span", {}, ...among("correct.made", { text: en(c.text), by: c.by, time: time.when(c.atMs) })),
        c.reason === null ? pending(c) : h("span", { class: "quiet" }, ` ${c.reason}`))));
      show(past, specimen.history.length > 0);
      rebuilt(find(".history", past), specimen.history, () => specimen.history.map((n) => h("li", {},
        `${time.when(n.atMs)} `, en(n.text), `, ${n.by}${n.withdrawn ? ` ${t("correct.taken-back")}` : ""}`)));
    },
  };
}
