// Whether a sample's result stands: the verdict on its limit, which specimens count, and the
// decisions that a person takes.

import { button, en, find, h, keyed, options, said as outcome, sentence, show, text } from "./dom.js";
import { act } from "./link.js";
import { limitOf } from "./particulars.js";
import * as time from "./time.js";
import { among, count, named, t } from "./words.js";

/** A sentence of the station. */
const words = (of) => h("p", { lang: "en" }, of);

/** What there is to say of the whole sample; nothing where the laboratory does not use it. */
export function sections(sample) {
  const { acceptance, precision, waits, decisions } = sample.quality;
  const open = acceptance && sample.reported === null && acceptance.verdict === "not-decided";
  return [
    acceptance && h("section", { class: "acceptance" }, h("h2", {}, t("acceptance.title")),
      h("p", {}, h("b", { "data-verdict": acceptance.verdict }, open ? t("acceptance.open") : en(acceptance.word))),
      words(acceptance.text), acceptance.uncertainty && words(acceptance.uncertainty),
      h("p", { class: "quiet" }, ...among("acceptance.rule", { rule: en(acceptance.rule) }))),
    precision && h("section", { class: "precision" }, h("h2", {}, t("precision.title")), words(precision.text),
      precision.laboratories && h("p", { class: "quiet", lang: "en" }, precision.laboratories)),
    waits.length > 0 && h("section", { class: "waits" }, h("h2", {}, t("waits.title")), ...waits.map((of) => words(`▲ ${of}`))),
    decisions.length > 0 && h("section", { class: "decisions" }, h("h2", {}, t("decisions.title")), h("ul", { class: "rows" }, ...decisions.map((d) =>
      h("li", {}, h("span", {}, h("b", {}, d.label ?? t("decisions.specimen")), ` ${named("decision", d.what)}: ${d.reason}`), h("span", { class: "quiet" }, `${d.by}, ${time.when(d.atMs)}`))))),
  ];
}

const SIGNS = { counts: "●", held: "◌", out: "○", void: "△", open: "" };

/** Whether one specimen counts, in words with a sign. */
export function counts({ counting }) {
  const links = [counting.replaces && t("counting.replaces", { label: counting.replaces }), counting.replacedBy && t("counting.replaced-by", { label: counting.replacedBy })];
  return [counting.words && `${SIGNS[counting.state]} ${counting.words}`, ...links].filter(Boolean).join("; ");
}

function makeDecision(specimen, done) {
  const near = outcome();
  const reason = Object.assign(sentence(), { size: 40 });
  const place = h("select", { name: "place" });
  /** A button that decides, with what `more()` adds. */
  const decide = (label, what, more) => {
    const press = button(label, async () => {
      const answer = await act({ act: "quality", what, specimen: specimen.id, ...more() }, { near, button: press });
      if (!answer.ok) return;
      reason.value = "";
      done();
    });
    return press;
  };
  const why = () => ({ reason: reason.value });
  return h("li", {}, h("h3", {}), h("p", { class: "counting" }),
    h("div", { class: "form why" }, h("label", {}, t("decide.why"), reason), h("div", { class: "acts" },
      h("span", { class: "admit" }, decide(t("decide.admit"), "admit", why)),
      h("span", { class: "again" }, decide(t("decide.hold"), "withdraw-admission", why)))),
    h("div", { class: "form replace" }, h("label", {}, t("decide.place"), place), h("div", { class: "acts" },
      decide(t("decide.replace"), "replace", () => ({ place: Number(place.value) })))), near);
}

/** The specimens of which something can be decided; what a person is typing stays. */
export function drawDecisions(section, sample, places, done) {
  const all = sample.specimens.filter((s) => s.counting.mayAdmit || s.counting.mayHoldAgain || s.counting.mayReplace);
  show(section, all.length > 0);
  const free = places.filter((p) => !p.specimen).map((p) => [String(p.place), String(p.place)]);
  keyed(find(".decide", section), all, (s) => s.id, (s) => makeDecision(s, done), (node, s) => {
    const { mayAdmit, mayHoldAgain, mayReplace } = s.counting;
    text(find("h3", node), s.label);
    text(find(".counting", node), [s.state, s.deviations > 0 && `▲ ${count("deviation.count", s.deviations)}`, counts(s)].filter(Boolean).join(" · "));
    show(find(".why", node), mayAdmit || mayHoldAgain);
    show(find(".admit", node), mayAdmit);
    show(find(".again", node), mayHoldAgain);
    show(find(".replace", node), mayReplace && free.length > 0);
    options(find("select", node), free);
  });
}

/** The form that sets the limit. `shown()`: the sample as it is shown. */
export function limitForm(section, shown, done) {
  const form = find("form", section);
  const said = find(".said", form);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { limit, fault } = limitOf(form);
    if (fault) return text(said, fault);
    const what = { act: "quality", what: "set-limit", sample: shown().id, limit, reason: form.elements.reason.value, version: shown().version };
    if ((await act(what, { near: said, button: find("button", form) })).ok) {
      form.reset();
      form.filled = null;
      done();
    }
    return undefined;
  });
}

/** Fills the form with the limit as it stands, unless somebody is typing. */
export function drawLimit(section, sample) {
  show(section, true);
  const form = find("form", section);
  const { limit } = sample.particulars;
  const stands = JSON.stringify(limit ?? null);
  if (form.filled === stands || form.contains(document.activeElement)) return;
  form.filled = stands;
  form.elements["at-least"].value = limit?.["at-least"] ?? "";
  form.elements.specification.value = limit?.specification ?? "";
}
