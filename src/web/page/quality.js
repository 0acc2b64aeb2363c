// Whether a sample's result stands: the verdict on its limit, which specimens count, and the
// decisions that a person takes.

import { find, h, keyed, options, show, text } from "./dom.js";
import { act } from "./link.js";
import * as time from "./time.js";

const words = (of) => h("p", {}, of);

/** What there is to say of the whole sample; nothing where the laboratory does not use it. */
export function sections(sample) {
  const { acceptance, precision, waits, decisions } = sample.quality;
  const open = acceptance && sample.reported === null && acceptance.verdict === "not-decided";
  return [
    acceptance && h("section", { class: "acceptance" }, h("h2", {}, "Acceptance"),
      h("p", {}, h("b", { "data-verdict": acceptance.verdict }, open ? "○ open" : acceptance.word)),
      words(acceptance.text), acceptance.uncertainty && words(acceptance.uncertainty),
      h("p", { class: "quiet" }, `Decision rule: ${acceptance.rule}.`)),
    precision && h("section", { class: "precision" }, h("h2", {}, "Precision"), words(precision.text),
      precision.laboratories && h("p", { class: "quiet" }, precision.laboratories)),
    waits.length > 0 && h("section", { class: "waits" }, h("h2", {}, "What it waits for"), ...waits.map((of) => words(`▲ ${of}`))),
    decisions.length > 0 && h("section", { class: "decisions" }, h("h2", {}, "Decided"), h("ul", { class: "rows" }, ...decisions.map((d) =>
      h("li", {}, h("span", {}, h("b", {}, d.label ?? "a specimen"), ` ${d.what}: ${d.reason}`), h("span", { class: "quiet" }, `${d.by}, ${time.when(d.atMs)}`))))),
  ];
}

const SIGNS = { counts: "●", held: "◌", out: "○", void: "△", open: "" };

/** Whether one specimen counts, in words with a sign. */
export function counts({ counting }) {
  const links = [counting.replaces && `in the place of ${counting.replaces}`, counting.replacedBy && `${counting.replacedBy} is run in its place`];
  return [counting.words && `${SIGNS[counting.state]} ${counting.words}`, ...links].filter(Boolean).join("; ");
}

function makeDecision(specimen, done) {
  const near = h("p", { class: "said" });
  const node = h("li", {}, h("h3", {}), h("p", { class: "counting" }));
  const reason = h("input", { name: "reason", maxLength: 200, autocomplete: "off", size: 40 });
  const say = (label, what) => {
    const press = h("button", { type: "button", class: "act", on: { click: async () => {
      const answer = await act({ act: "quality", what, specimen: specimen.id, reason: reason.value }, { near, button: press });
      if (answer.ok) {
        reason.value = "";
        done();
      }
    } } }, label);
    return press;
  };
  const place = h("select", { name: "place" });
  const replace = h("button", { type: "button", class: "act", on: { click: async () => {
    const what = { act: "quality", what: "replace", specimen: specimen.id, place: Number(place.value) };
    if ((await act(what, { near, button: replace })).ok) done();
  } } }, "Run another in its place");
  node.append(
    h("div", { class: "form why" }, h("label", {}, "Why", reason), h("div", { class: "acts" },
      h("span", { class: "admit" }, say("Admit: it counts", "admit")), h("span", { class: "again" }, say("Hold it again", "withdraw-admission")))),
    h("div", { class: "form replace" }, h("label", {}, "Place of the new one", place), h("div", { class: "acts" }, replace)), near);
  return node;
}

/** The specimens of which something can be decided; what a person is typing stays. */
export function drawDecisions(section, sample, places, done) {
  const all = sample.specimens.filter((s) => s.counting.mayAdmit || s.counting.mayHoldAgain || s.counting.mayReplace);
  show(section, all.length > 0);
  const free = places.filter((p) => !p.specimen).map((p) => [String(p.place), String(p.place)]);
  keyed(find(".decide", section), all, (s) => s.id, (s) => makeDecision(s, done), (node, s) => {
    const { mayAdmit, mayHoldAgain, mayReplace } = s.counting;
    text(find("h3", node), s.label);
    text(find(".counting", node), [s.state, s.deviations && `▲ ${s.deviations} deviation${s.deviations > 1 ? "s" : ""}`, counts(s)].filter(Boolean).join(" · "));
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
    const { reason, specification } = form.elements;
    const atLeast = form.elements["at-least"].value.trim().replace(",", ".");
    const named = specification.value.trim();
    if (Boolean(atLeast) !== Boolean(named)) return text(said, "Give both the limit and its specification, or neither.");
    if (atLeast && !/^[0-9]{1,3}(\.[0-9]{1,2})?$/.test(atLeast)) return text(said, "Give the limit as a number from 0 to 100.");
    const limit = atLeast ? { "at-least": atLeast, specification: named } : null;
    const what = { act: "quality", what: "set-limit", sample: shown().id, limit, reason: reason.value, version: shown().version };
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
