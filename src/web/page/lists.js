// Everything beside the places and the alarms: what is next, presses, samples, instruments, results.

import { find, h, keyed, mark, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { drawMaterial, portionWords } from "./measured.js";
import { capital } from "./place.js";
import { drawPlan, planOf, weighings } from "./odd.js";
import * as time from "./time.js";

export const said = () => h("p", { class: "said" });
export const button = (words, call, kind = "") => h("button", { type: "button", class: `act ${kind}`, on: { click: call } }, words);

// Presses that named no cylinder

export function drawPresses(section, view) {
  show(section, view.presses.length > 0);
  const standing = view.places.map((p) => p.specimen).filter(Boolean);
  keyed(find("ul", section), view.presses, (p) => p.id, makePress, (node, press) => {
    text(find(".text", node), `${press.trigger} at ${time.when(press.atMs)}${press.endedMs ? `, ended ${time.when(press.endedMs)}` : ""}: ${press.why}`);
    keyed(find(".choices", node), standing, (s) => s.id,
      (s) => h("label", { class: "choice" }, h("input", { type: "checkbox", value: s.id }), h("span", {}, s.label)));
  });
}

function makePress(press) {
  const near = said();
  const choices = h("div", { class: "choices" });
  const give = button("It was for these", () => {
    const specimens = [...choices.querySelectorAll("input:checked")].map((i) => i.value);
    act({ act: "assign-press", press: press.id, specimens }, { near, button: give });
  });
  const dismiss = button("It meant nothing", () => act({ act: "dismiss-press", press: press.id }, { near, button: dismiss }));
  return h("li", { class: "press" }, h("details", {}, h("summary", {}, h("span", { class: "text" })),
    h("p", {}, "Which cylinders was it for?"), choices, h("div", { class: "acts" }, give, dismiss)), near);
}

// Samples

const PREPARED = [["sieved", "Sieved"], ["reduced", "Reduced"], ["moisture-changed", "Moisture changed"], ["moisture-right", "Moisture right"], ["oven-dried", "Dried and cooled"]];
const SIDES = { within: "● within", below: "▼ below", above: "▲ above" };

export function drawSamples(box, view) {
  keyed(box, view.samples, (s) => s.id, makeSample, (node, sample) => {
    node.sample = sample;
    node.seenAt = performance.now();
    text(find("h3 a", node), sample.label).href = `/samples/${sample.id}`;
    text(find(".progress", node), `${sample.complete} of ${sample.planned} specimens complete, ${sample.registered} begun · ${sample.method ?? "its method is missing"}`);
    text(find(".reported", node), sample.reported === null ? "" : `Result ${sample.reported}${sample.verdict ? ` ${sample.verdict.word}` : ""}`);
    rebuilt(find(".done", node), sample.preparation.map((p) => [p.what, p.atMs]), () => sample.preparation.map((p) =>
      h("li", {}, `${PREPARED.find(([key]) => key === p.what)?.[1] ?? p.what} ${time.when(p.atMs)}`)));
    rebuilt(find(".masses", node), sample.masses, () => (sample.masses ?? []).map((m) => massRow(node, m)));
    rebuilt(find(".results", node), sample.results, () => sample.results.map((r) =>
      h("li", {}, `${r.label}: ${sample.quantity ?? "result"} ${r.reported}${r.deviations ? `, ${r.deviations} deviation${r.deviations > 1 ? "s" : ""}` : ""}${r.doesNotCount ? `; does not count: ${r.doesNotCount}` : ""}`)));
    drawMaterial(find(".material", node), sample, node.near);
    text(find(".portion", node), portionWords(sample));
    drawPlan(node, sample);
    drawCourse(node, sample);
    tickSample(node);
  });
}

function makeSample() {
  const near = said();
  const node = h("article", { class: "sample" },
    h("header", {}, h("h3", {}, h("a", { class: "link" })), h("b", { class: "reported" })),
    h("p", { class: "progress quiet" }), h("p", { class: "again" }), h("p", { class: "tempering" }),
    h("ul", { class: "results" }), h("ul", { class: "done quiet" }),
    h("p", { class: "way" }),
    h("details", { class: "more" }, h("summary", {}, "Prepare and weigh"),
      h("div", { class: "acts prepared" }, ...PREPARED.map(([done, words]) => {
        const press = button(words, () => act({ act: "prepare", sample: node.sample.id, what: { done } }, { near, button: press }));
        return press;
      })),
      h("ul", { class: "masses rows" })),
    h("div", { class: "material" }), h("p", { class: "portion quiet" }),
    near);
  find(".more", node).append(...planOf(node, near));
  node.near = near;
  return node;
}

/** On a course everything is entered on the sample's own page; else a link leads to its courses. */
function drawCourse(node, sample) {
  rebuilt(find(".way", node), [sample.course, sample.hasCourses, sample.reported], () => (sample.course
    ? [h("a", { class: "link", href: `/samples/${sample.id}#course` }, `${sample.course.title}${sample.course.next ? `: ${sample.course.next}` : ""}`)]
    : sample.hasCourses && sample.reported === null
      ? [h("a", { class: "link", href: `/samples/${sample.id}#course` }, "Prepare step by step")] : []));
  show(find(".prepared", node), !sample.course);
}

function massRow(node, mass) {
  const weigh = button(mass.mass ? "Weigh again" : "Weigh", () =>
    act({ act: "await-sample-mass", sample: node.sample.id, name: mass.name }, { near: node.near, button: weigh }));
  const limits = mass.limits ? `limits ${mass.limits}` : "no limits";
  const value = mass.mass ? `${mass.mass}${mass.side ? ` ${SIDES[mass.side]}` : ""}` : "not weighed";
  return h("li", { "data-side": mass.side ?? "" }, h("span", {}, h("b", {}, mass.title), h("span", { class: "quiet" }, ` ${limits}`)), h("span", {}, value), weigh);
}

function tickSample(node) {
  const tempering = node.sample.tempering;
  if (!tempering) {
    text(find(".tempering", node), "");
    return;
  }
  const elapsed = tempering.elapsedMs + time.runSince(node.seenAt);
  const least = tempering.atLeastMs;
  text(find(".tempering", node), least !== null && elapsed < least
    ? `◔ Tempering: ${time.span(least - elapsed, true)} still to stand`
    : `● Tempered for ${time.span(elapsed)}${least !== null ? `, at least ${time.span(least)} asked for` : ""}`);
}

export function bindRegister(form) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const { label, method, specimens } = form.elements;
    const count = specimens.value.trim();
    const answer = await act(
      { act: "register-sample", label: label.value, method: method.value, specimens: count ? Number(count) : null },
      { near: find(".said", form), button: find("button", form) });
    if (answer.ok) label.value = "";
  });
}

export function drawMethods(view) {
  options(find("#register select"), view.methods.map((m) => [m.id, `${m.title} (edition ${m.edition})`]));
  const chosen = view.methods.find((m) => m.id === find("#register select").value);
  find("#register [name=specimens]").placeholder = chosen?.specimens ? String(chosen.specimens) : "1";
  rebuilt(find(".methods"), view.methods, () => view.methods.map((m) => h("section", {},
    h("h3", {}, m.title), h("p", { class: "quiet" }, `${m.standard}, edition ${m.edition}. ${m.notice}`),
    h("ul", {}, ...m.safety.map((s) => h("li", {}, s))))));
}

// Instruments, switches, results

const KINDS = { balance: "Balance", "solution-probe": "Probe in the solution", "room-probe": "Probe in the room" };
const PORTS = { open: "● open", gone: "▲ gone", starting: "○ starting" };

export function drawInstruments(section, view) {
  keyed(find("ul", section), view.instruments, (i) => i.name,
    () => h("li", {}, h("span", {}, h("b", {}), h("span", { class: "quiet" })), h("span", { class: "live" })),
    (node, i) => {
      mark(node, "port", i.port);
      text(find("b", node), KINDS[i.kind] ?? i.kind);
      const errors = i.errors ? `; its error queue held ${i.errors.join("; ")}` : "";
      text(find(".quiet", node), ` ${i.name}, ${PORTS[i.port]}${i.why ? `: ${i.why}` : ""}${i.identity ? `; ${i.identity}` : ""}${errors}`);
      text(find(".live", node), i.overload ? "▲ overload" : i.live ? `${i.live}${i.kind === "balance" ? (i.stable ? " stable" : " moving") : ""}` : "nothing read");
    });
  drawProbe(find(".probe", section), view.probe);
  drawBalance(find(".balance", section), view.balance);
}

function drawProbe(box, probe) {
  const stands = { bottle: "in the bottle", "dummy-cylinder": "in a dummy cylinder" };
  rebuilt(box, probe.standsIn, () => {
    const near = said();
    const put = (words, standsIn) => {
      const press = button(words, () => act({ act: "put-probe-in", "stands-in": standsIn }, { near, button: press }));
      return press;
    };
    const out = button("Probe out of the solution", () => act({ act: "take-probe-out" }, { near, button: out }));
    return [
      h("p", {}, probe.standsIn ? `The probe stands ${stands[probe.standsIn]}.` : "The probe is out of the solution: there is no reading."),
      h("div", { class: "acts" }, probe.standsIn && out,
        probe.standsIn !== "bottle" && put("Probe into the bottle", "bottle"),
        probe.standsIn !== "dummy-cylinder" && put("Probe into a dummy cylinder", "dummy-cylinder")),
      near,
    ];
  });
}

function drawBalance(box, balance) {
  rebuilt(box, [balance.awaited, balance.kept, balance.given, balance.targets, balance.weighings, balance.unsettled], () => {
    const near = said();
    const confirm = (u) => {
      const press = button(`Take ${u.mass} as it is`, () => act({ act: "confirm-mass", instrument: u.instrument }, { near, button: press }));
      return press;
    };
    const stop = button("Wait no longer", () => act({ act: "stop-awaiting" }, { near, button: stop }));
    return [
      balance.awaited ? h("p", { class: "awaited" }, `The next stable mass is for ${balance.awaited}.`) : h("p", {}, "No mass is waited for."),
      balance.awaited && stop, near,
      ...balance.unsettled.map((u) => h("div", { class: "unsettled" },
        h("p", {}, `▲ ${u.instrument}: ${u.mass} does not settle. Keep draught and shaking away and put the load on anew, or take it as it is.`),
        h("div", { class: "acts" }, confirm(u)))),
      ...weighings(balance, near),
    ];
  });
}

export function drawSwitches(section, view) {
  keyed(find(".switches", section), view.switches, (s) => s.name,
    () => h("li", {}, h("b", {}), h("span", {})),
    (node, s) => {
      text(find("b", node), s.name + (s.place ? ` (place ${s.place})` : ""));
      text(find("span", node), s.meaning);
    });
  keyed(find(".refused", section), view.refused, (r) => `${r.atMs} ${r.trigger} ${r.why}`,
    (r) => h("li", {}, h("b", {}, `${r.trigger} was refused`), h("span", {}, `${time.when(r.atMs)}: ${r.why}`)));
}

export function drawRecords(section, view) {
  keyed(find("ul", section), view.finished, (f) => f.document, (f) => h("li", { class: f.kind },
    h("a", { class: "link", href: `/record/${f.document}` }, f.kind === "result" ? `Sample ${f.label}` : f.label),
    h("b", {}, f.reported),
    h("span", { class: "quiet" }, `${f.deviations ? `▲ ${f.deviations} deviation${f.deviations > 1 ? "s" : ""}, ` : ""}no. ${f.number}, ${time.when(f.atMs)}`)));
  show(find(".none", section), view.finished.length === 0);
}

export function tickLists() {
  for (const node of document.querySelectorAll(".sample")) tickSample(node);
}

