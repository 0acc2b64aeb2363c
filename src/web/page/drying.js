// Drying to constant mass on the page of a sample: what goes into the oven, the weighings with their
// change, and what is missing.

import { press } from "./course.js";
import { capital, cell, find, h, keyed, rebuilt, said, sentence, show, terms, text } from "./dom.js";
import * as time from "./time.js";
import { t } from "./words.js";

/** Which tins go into the oven together. */
export function beginDrying(card, on) {
  const waiting = on.tins.filter((tin) => tin.filled && !tin.drying && !tin.specimen);
  const boxes = waiting.map((tin) => h("label", { class: "choice" }, h("input", { type: "checkbox", value: String(tin.number), checked: true }),
    `${t("tin.number", tin)}${tin.mark ? ` (${tin.mark})` : ""}`));
  const pan = h("input", { type: "checkbox", checked: waiting.some((tin) => !tin.empty) });
  const go = press(card, t("drying.begin"), () => ({
    what: "begin-drying", "in-pan": pan.checked,
    tins: boxes.map((box) => find("input", box)).filter((input) => input.checked).map((input) => Number(input.value)),
  }), "primary");
  return [h("div", { class: "choices" }, ...boxes, h("label", { class: "choice" }, pan, t("drying.in-pan"))), go];
}

/** The oven's temperature, typed as it was read. */
export function oven(card, load, on) {
  const digits = h("input", { inputMode: "decimal", maxLength: 8, size: 6, autocomplete: "off" });
  const unit = on.oven?.endsWith("°F") ? "°F" : "°C";
  return [h("label", {}, on.oven ? t("oven.field-with-limits", { unit, limits: on.oven }) : t("oven.field", { unit }), digits),
    press(card, t("oven.note"), () => ({ what: "note-oven", load, temperature: digits.value.trim() }))];
}

export function drawLoads(box, course, on, open) {
  keyed(box, on?.loads ?? [], (l) => l.number, () => makeLoad(course), (node, load) => {
    const which = { number: load.number, tins: load.tins.join(", ") };
    text(find("h3", node), load.inPan ? t("load.title-in-pan", which) : t("load.title", which));
    text(find(".missing", node), `${load.constant ? "●" : "○"} ${capital(load.missing)}`);
    text(find(".criterion", node), load.criterion ? t("load.criterion", load) : t("load.no-criterion"));
    rebuilt(find(".facts", node), [load.tare, load.before, load.oven, load.water, load.stopped, load.cooled], () => terms(factsOf(load)));
    show(find("table", node), load.weighings.length > 0);
    rebuilt(find("tbody", node), load.weighings, () => load.weighings.map(weighingRow));
    text(find(".coarse", node), load.weighings.some((w) => w.coarse) ? `△ ${t("load.coarse")}` : "");
    node.load = load.number;
    show(find("details", node), open && !load.out);
  });
}

const factsOf = ({ tare, before, water, oven: read, stopped, cooled }) => [
  [t("load.tare"), tare], [t("load.before"), before], [t("load.water"), water],
  [t("load.oven"), read.map((o) => `${o.text} (${time.when(o.at.atMs)})`).join(", ") || t("load.oven-not-noted")],
  [t("load.stopped"), stopped], [t("load.cooled"), cooled && `${time.when(cooled.atMs)}, ${cooled.by}`],
];

const heads = () => [t("weighings.when"), t("load.gross"), t("load.net"), t("load.after"), t("load.change")];

const weighingRow = (w) => h("tr", {}, ...[
  time.when(w.atMs), w.gross, w.net ?? "?", w.afterMs === null ? "" : time.span(w.afterMs), w.change ?? t("load.first"),
].map((content, n) => cell(heads()[n], content)));

function makeLoad(course) {
  const card = { near: said(), get sample() { return course.sample; } };
  const reason = sentence();
  const node = h("section", { class: "load" }, h("h3", {}), h("p", { class: "missing" }), h("p", { class: "criterion quiet" }),
    h("dl", { class: "facts" }),
    h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, ...heads().map((head) => h("th", { scope: "col" }, head)))), h("tbody", {}))),
    h("p", { class: "coarse" }),
    h("details", { class: "more" }, h("summary", {}, t("load.stop-title")),
      h("div", { class: "form" }, h("label", {}, t("course.why"), reason), press(card, t("load.stop"), () => ({ what: "stop-drying", load: node.load, reason: reason.value })))),
    card.near);
  return node;
}
