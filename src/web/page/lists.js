// Everything beside the places and the alarms: what is next, presses, samples, instruments, results.

import { capital, en, find, h, keyed, mark, options, rebuilt, said, show, text } from "./dom.js";
import { act, doing } from "./link.js";
import { drawMaterial, portionWords } from "./measured.js";
import { drawPlan, planOf, weighings } from "./odd.js";
import { methodWords } from "./particulars.js";
import * as time from "./time.js";
import { waitsWords } from "./waits.js";
import { among, count, named, t } from "./words.js";

// Presses that named no cylinder

export function drawPresses(section, view) {
  show(section, view.presses.length > 0);
  const standing = view.places.map((p) => p.specimen).filter(Boolean);
  keyed(find("ul", section), view.presses, (p) => p.id, makePress, (node, press) => {
    rebuilt(find(".text", node), press, () => pressWords(press));
    keyed(find(".choices", node), standing, (s) => s.id,
      (s) => h("label", { class: "choice" }, h("input", { type: "checkbox", value: s.id }), h("span", {}, s.label)));
  });
}

function pressWords({ trigger, atMs, endedMs, why }) {
  const when = { trigger, time: time.when(atMs), why: en(why) };
  return endedMs ? among("press.ended", { ...when, ended: time.when(endedMs) }) : among("press.at", when);
}

function makePress(press) {
  const near = said();
  const choices = h("div", { class: "choices" });
  const chosen = () => [...choices.querySelectorAll("input:checked")].map((i) => i.value);
  const give = doing(t("press.give"), near, () => ({ act: "assign-press", press: press.id, specimens: chosen() }));
  const dismiss = doing(t("press.dismiss"), near, () => ({ act: "dismiss-press", press: press.id }));
  return h("li", { class: "press" }, h("details", {}, h("summary", {}, h("span", { class: "text" })),
    h("p", {}, t("press.which")), choices, h("div", { class: "acts" }, give, dismiss)), near);
}

// Samples

const PREPARED = ["sieved", "reduced", "moisture-changed", "moisture-right", "oven-dried"];

export function drawSamples(box, view) {
  keyed(box, view.samples, (s) => s.id, makeSample, (node, sample) => {
    node.sample = sample;
    node.seenAt = performance.now();
    text(find("h3 a", node), sample.label).href = `/samples/${sample.id}`;
    text(find(".progress", node), t("sample.progress", {
      complete: sample.complete, planned: sample.planned, begun: sample.registered, method: sample.method ?? t("sample.no-method"),
    }));
    rebuilt(find(".reported", node), [sample.reported, sample.verdict], () => (sample.reported === null ? [] : [`${t("sample.result", { value: sample.reported })} `, en(sample.verdict?.word)]));
    rebuilt(find(".done", node), sample.preparation.map((p) => [p.what, p.atMs]), () => sample.preparation.map((p) =>
      h("li", {}, `${capital(named("readied", p.what))} ${time.when(p.atMs)}`)));
    rebuilt(find(".masses", node), sample.masses, () => (sample.masses ?? []).map((m) => massRow(node, m)));
    rebuilt(find(".results", node), sample.results, () => sample.results.map((r) => h("li", {}, ...resultWords(sample, r))));
    drawMaterial(find(".material", node), sample, node.near);
    text(find(".portion", node), portionWords(sample));
    drawPlan(node, sample);
    drawCourse(node, sample);
    tickSample(node);
  });
}

/** What one specimen gave, and what there is to say against it. */
function resultWords(sample, { label, reported, deviations, doesNotCount }) {
  const result = `${label}: ${named("quantity", sample.quantity ?? "result")} ${reported}`;
  const found = deviations ? `, ${count("deviation.count", deviations)}` : "";
  return [`${result}${found}`, ...(doesNotCount ? ["; ", ...among("sample.does-not-count", { why: en(doesNotCount) })] : [])];
}

function makeSample() {
  const near = said();
  const node = h("article", { class: "sample" },
    h("header", {}, h("h3", {}, h("a", { class: "link" })), h("b", { class: "reported" })),
    h("p", { class: "progress quiet" }), h("p", { class: "again" }), h("p", { class: "tempering" }),
    h("ul", { class: "results" }), h("ul", { class: "done quiet" }),
    h("p", { class: "way" }),
    h("details", { class: "more" }, h("summary", {}, t("sample.prepare")),
      h("div", { class: "acts prepared" }, ...PREPARED.map((done) =>
        doing(capital(t(`readied.${done}`)), near, () => ({ act: "prepare", sample: node.sample.id, what: { done } })))),
      h("ul", { class: "masses rows" })),
    h("div", { class: "material" }), h("p", { class: "portion quiet" }),
    near);
  find(".more", node).append(...planOf(node, near));
  node.near = near;
  return node;
}

/** On a course everything is entered on the sample's own page; else a link leads to its courses. */
function drawCourse(node, { id, course, hasCourses, reported }) {
  const leads = course ? `${course.title}${course.next ? `: ${course.next}` : ""}` : hasCourses && reported === null ? t("course.choose") : "";
  rebuilt(find(".way", node), [id, leads], () => [leads && h("a", { class: "link", href: `/samples/${id}#course` }, leads)]);
  show(find(".prepared", node), !course);
}

function massRow(node, { name, title, limits, mass, side }) {
  const weigh = doing(mass ? t("mass.weigh-again") : t("mass.weigh"), node.near,
    () => ({ act: "await-sample-mass", sample: node.sample.id, name }));
  const value = mass ? `${mass}${side ? ` ${t(`mass-side.${side}`)}` : ""}` : t("mass.none");
  return h("li", { "data-side": side ?? "" },
    h("span", {}, h("b", {}, title), h("span", { class: "quiet" }, ` ${limits ? t("mass.limits", { limits }) : t("mass.no-limits")}`)),
    h("span", {}, value), weigh);
}

function tickSample(node) {
  const tempering = node.sample.tempering;
  if (!tempering) {
    text(find(".tempering", node), "");
    return;
  }
  if (tempering.elapsedMs === null) {
    text(find(".tempering", node), t("tempering.not-known"));
    return;
  }
  const elapsed = tempering.elapsedMs + time.runSince(node.seenAt);
  const least = tempering.atLeastMs;
  text(find(".tempering", node), least === null ? t("tempering.done", { time: time.span(elapsed) })
    : elapsed < least ? t("tempering.left", { time: time.span(least - elapsed, true) })
    : t("tempering.done-of", { time: time.span(elapsed), least: time.span(least) }));
}

export function bindRegister(form) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { label, method, specimens } = form.elements;
    const planned = specimens.value.trim();
    const answer = await act(
      { act: "register-sample", label: label.value, method: method.value, specimens: planned ? Number(planned) : null },
      { near: find(".said", form), button: find("button", form) });
    if (answer.ok) label.value = "";
  });
}

export function drawMethods(view) {
  const select = find("#register select");
  options(select, view.methods.map((m) => [m.id, methodWords(m), "en"]));
  const chosen = view.methods.find((m) => m.id === select.value);
  find("#register [name=specimens]").placeholder = chosen?.specimens ? String(chosen.specimens) : "1";
  rebuilt(find(".methods"), view.methods, () => view.methods.map((m) => h("section", {},
    h("h3", { lang: "en" }, m.title), h("p", { class: "quiet" }, t("method.about", { ...m, edition: named("edition", m.edition) })),
    h("ul", { lang: "en" }, ...m.safety.map((s) => h("li", {}, s))))));
}

// Instruments, switches, results

export function drawInstruments(section, view) {
  keyed(find("ul", section), view.instruments, (i) => i.name,
    () => h("li", {}, h("span", {}, h("b", {}), h("span", { class: "quiet" })), h("span", { class: "live" })),
    (node, i) => {
      mark(node, "port", i.port);
      text(find("b", node), named("instrument", i.kind));
      text(find(".quiet", node), ` ${portWords(i)}`);
      text(find(".live", node), liveWords(i));
    });
  keyed(find(".outputs", section), outputs(view), (o) => o.name,
    () => h("li", {}, h("span", {}, h("b", {}), h("span", { class: "quiet" })), h("span", { class: "live" })),
    (node, o) => {
      mark(node, "port", o.fault === null ? "open" : "gone");
      text(find("b", node), o.place ? t("output.of-place", o) : named("output", o.shows));
      text(find(".quiet", node), ` ${o.name}`);
      text(find(".live", node), outputWords(o));
    });
  drawProbe(find(".probe", section), view.probe);
  drawBalance(find(".balance", section), view.balance);
}

/** Horn, lamps and relay, by name. */
function outputs(view) {
  return Object.entries(view.outputs).map(([name, output]) => ({ name, ...output }));
}

function outputWords(o) {
  if (o.fault !== null) return t("output.fault", { why: o.fault });
  if (o.shows !== "shaker-relay") return t(`rhythm.${o.rhythm}`);
  return o.why === null ? t("output.closed") : t("output.open", { why: o.why });
}

/** How its line stands, and what it says of itself. */
function portWords(i) {
  const port = `${i.name}, ${t(`port.${i.port}`)}${i.why ? `: ${i.why}` : ""}`;
  return [port, i.identity, i.errors && t("instrument.errors", { errors: i.errors.join("; ") })].filter(Boolean).join("; ");
}

function liveWords(i) {
  if (i.overload) return t("balance.overload");
  if (!i.live) return t("balance.silent");
  return i.kind === "balance" ? `${i.live} ${t(i.stable ? "balance.stable" : "balance.moving")}` : i.live;
}

const STANDS = ["bottle", "dummy-cylinder"];

function drawProbe(box, probe) {
  rebuilt(box, probe.standsIn, () => {
    const near = said();
    return [
      h("p", {}, t(`probe-in.${probe.standsIn ?? "nowhere"}`)),
      h("div", { class: "acts" }, probe.standsIn && doing(t("probe.take-out"), near, () => ({ act: "take-probe-out" })),
        ...STANDS.filter((where) => where !== probe.standsIn).map((where) =>
          doing(t(`probe-put.${where}`), near, () => ({ act: "put-probe-in", "stands-in": where })))),
      near,
    ];
  });
}

function drawBalance(box, balance) {
  rebuilt(box, [balance.waits, balance.kept, balance.given, balance.targets, balance.weighings, balance.unsettled], () => {
    const near = said();
    return [
      ...balance.waits.map((wait) => h("div", {}, h("p", { class: "awaited" }, waitsWords([wait])),
        doing(t("balance.wait-no-longer"), near, () => ({ act: "stop-awaiting" }), "", wait.balance ? { balance: wait.balance } : {}))),
      balance.waits.length === 0 && h("p", {}, t("bar.awaits-nothing")), near,
      ...balance.unsettled.map((u) => h("div", { class: "unsettled" },
        h("p", {}, t("balance.unsettled", u)),
        h("div", { class: "acts" }, doing(t("balance.take", u), near, () => ({ act: "confirm-mass", instrument: u.instrument }))))),
      ...weighings(balance, near),
    ];
  });
}

export function drawSwitches(section, view) {
  keyed(find(".switches", section), view.switches, (s) => s.name,
    () => h("li", {}, h("b", {}), h("span", { lang: "en" })),
    (node, s) => {
      text(find("b", node), s.place ? t("switch.at-place", s) : s.name);
      text(find("span", node), s.meaning);
    });
  keyed(find(".refused", section), view.refused, (r) => `${r.atMs} ${r.trigger} ${r.why}`,
    (r) => h("li", {}, h("b", {}, t("switch.refused", r)), h("span", {}, `${time.when(r.atMs)}: `, en(r.why))));
}

export function drawRecords(section, view) {
  keyed(find("ul", section), view.finished, (f) => f.document, (f) => h("li", { class: f.kind },
    h("a", { class: "link", href: `/record/${f.document}` }, f.kind === "result" ? t("sample.named", f) : f.label),
    h("b", {}, f.reported),
    h("span", { class: "quiet" }, `${f.deviations ? `▲ ${count("deviation.count", f.deviations)}, ` : ""}${t("sample.document", { number: f.number, time: time.when(f.atMs) })}`)));
  show(find(".none", section), view.finished.length === 0);
}

export function tickLists() {
  for (const node of document.querySelectorAll(".sample")) tickSample(node);
}
