// Drying to constant mass on the page of a sample: what goes into the oven, the weighings with their
// change, and what is missing.

import { press } from "./course.js";
import { h, keyed, rebuilt, show, text, find } from "./dom.js";
import * as time from "./time.js";

/** Which tins go into the oven together. */
export function beginDrying(card, on) {
  const waiting = on.tins.filter((t) => t.filled && !t.drying && !t.specimen);
  const boxes = waiting.map((t) => h("label", { class: "choice" }, h("input", { type: "checkbox", value: String(t.number), checked: true }), `Tin ${t.number}${t.mark ? ` (${t.mark})` : ""}`));
  const pan = h("input", { type: "checkbox", checked: waiting.some((t) => !t.empty) });
  const go = press(card, "Into the oven together", () => ({
    what: "begin-drying", "in-pan": pan.checked,
    tins: boxes.map((box) => find("input", box)).filter((input) => input.checked).map((input) => Number(input.value)),
  }), "primary");
  return [h("div", { class: "choices" }, ...boxes, h("label", { class: "choice" }, pan, "Their content goes into a pan")), go];
}

/** The oven's temperature, typed as it was read. */
export function oven(card, load, on) {
  const digits = h("input", { inputMode: "decimal", maxLength: 8, size: 6, autocomplete: "off" });
  const unit = on.oven?.endsWith("°F") ? "°F" : "°C";
  return [h("label", {}, `Oven, ${unit}${on.oven ? `, asked for ${on.oven}` : ""} `, digits),
    press(card, "Note the oven", () => ({ what: "note-oven", load, temperature: digits.value.trim() }))];
}

export function drawLoads(box, course, on, open) {
  keyed(box, on?.loads ?? [], (l) => l.number, () => makeLoad(course), (node, load) => {
    text(find("h3", node), `Drying ${load.number}: tin ${load.tins.join(", ")}${load.inPan ? " in a pan" : ""}`);
    text(find(".missing", node), `${load.constant ? "● " : "○ "}${load.missing[0].toUpperCase()}${load.missing.slice(1)}`);
    text(find(".criterion", node), load.criterion ? `Constant: ${load.criterion}.` : "The method has no criterion of constant mass.");
    rebuilt(find(".facts", node), [load.tare, load.before, load.oven, load.water, load.stopped, load.cooled], () => [
      ["Tare", load.tare], ["Net before drying", load.before], ["Water driven off, of the dry mass", load.water],
      ["Oven", load.oven.map((o) => `${o.text} (${time.when(o.at.atMs)})`).join(", ") || "not noted"],
      ["Taken out", load.stopped], ["Cooled", load.cooled && `${time.when(load.cooled.atMs)}, ${load.cooled.by}`]]
      .filter(([, value]) => value).flatMap(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]));
    show(find("table", node), load.weighings.length > 0);
    rebuilt(find("tbody", node), load.weighings, () => load.weighings.map((w) => h("tr", {},
      h("td", {}, time.when(w.atMs)), h("td", {}, w.gross), h("td", {}, w.net ?? "?"),
      h("td", {}, w.afterMs === null ? "" : time.span(w.afterMs)), h("td", {}, w.change ?? "first"))));
    const coarse = load.weighings.some((w) => w.coarse);
    text(find(".coarse", node), coarse ? "△ The figure is less than three divisions of this balance: weigh the tins together, or on a balance that shows one more digit." : "");
    node.load = load.number;
    show(find("details", node), open && !load.out);
  });
}

function makeLoad(course) {
  const card = { near: h("p", { class: "said" }), get sample() { return course.sample; } };
  const reason = h("input", { maxLength: 200, autocomplete: "off" });
  const head = (words) => h("th", {}, words);
  const node = h("section", { class: "load" }, h("h3", {}), h("p", { class: "missing" }), h("p", { class: "criterion quiet" }),
    h("dl", { class: "facts" }),
    h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, head("When"), head("With tare"), head("Net"), head("After"), head("Change"))), h("tbody", {}))),
    h("p", { class: "coarse" }),
    h("details", { class: "more" }, h("summary", {}, "Take it out before it is constant"),
      h("div", { class: "form" }, h("label", {}, "Why ", reason), press(card, "Taken out", () => ({ what: "stop-drying", load: node.load, reason: reason.value })))),
    card.near);
  return node;
}
