// Control charts: individuals above, moving ranges below, drawn as SVG.

import { byStation, en, find, grid, h, keyed, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import { begin } from "./shell.js";
import * as time from "./time.js";
import { count, listed, t } from "./words.js";

const WIDTH = 760;
const UPPER = { top: 16, height: 190 };
const LOWER = { top: 236, height: 84 };
const LEFT = 56;
const RIGHT = 96;
/** Room for a label below the points, and the letters that it holds. */
const LABEL = 110;
const LABEL_LETTERS = 16;

let sequence = null;

function svg(tag, props = {}, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(props)) node.setAttribute(key, value);
  node.append(...children.filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/** From a value to a height within a panel, with some air at both ends. */
function scale(panel, values) {
  const low = Math.min(...values);
  const high = Math.max(...values);
  const air = (high - low || 1) * 0.08;
  return (value) => panel.top + panel.height - ((value - low + air) / (high - low + 2 * air)) * panel.height;
}

function line(y, { text: words }, name, kind) {
  return [
    svg("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: y, y2: y, class: kind }),
    svg("text", { x: WIDTH - RIGHT + 6, y: y + 4, class: "name" }, `${name} ${words}`),
  ];
}

function drawing(chart) {
  const { points, limits } = chart;
  const step = (WIDTH - LEFT - RIGHT) / Math.max(points.length - 1, 1);
  const x = (at) => (points.length > 1 ? LEFT + at * step : (LEFT + WIDTH - RIGHT) / 2);
  const high = limits ? [limits.lower.value, limits.upper.value] : [];
  const y = scale(UPPER, [...points.map((p) => p.value), ...high]);
  const moved = points.map((p, at) => [at, p.range]).filter(([, range]) => range !== null);
  const below = scale(LOWER, [0, ...moved.map(([, range]) => range), ...(limits ? [limits.rangeEnd.value] : [])]);
  const path = (list) => list.map(([px, py], n) => `${n ? "L" : "M"}${px.toFixed(1)} ${py.toFixed(1)}`).join("");
  const kind = limits?.frozen ? "limit" : "limit open";
  const every = Math.ceil(LABEL / step);
  const words = t("charts.told", { title: chart.title, results: points.length, signals: points.filter((p) => p.rules.length).length });
  return svg("svg", { viewBox: `0 0 ${WIDTH} 360`, role: "img", "aria-label": words, class: "chart" },
    ...(limits ? [
      ...line(y(limits.upper.value), limits.upper, t("charts.upper"), kind), ...line(y(limits.centre.value), limits.centre, t("charts.mean"), "centre"),
      ...line(y(limits.lower.value), limits.lower, t("charts.lower"), kind), ...line(below(limits.rangeEnd.value), limits.rangeEnd, t("charts.largest"), kind),
      ...line(below(limits.meanRange.value), limits.meanRange, t("charts.mean"), "centre"),
    ] : []),
    svg("text", { x: 4, y: UPPER.top + 10, class: "name" }, t("col.result")), svg("text", { x: 4, y: LOWER.top + 10, class: "name" }, t("charts.range")),
    svg("path", { d: path(points.map((p, at) => [x(at), y(p.value)])), class: "trace" }),
    svg("path", { d: path(moved.map(([at, range]) => [x(at), below(range)])), class: "trace" }),
    ...points.flatMap((p, at) => {
      const [px, py] = [x(at), y(p.value)];
      const title = svg("title", {}, `${p.label}: ${p.text}, ${time.when(p.atMs)}${p.rules.length ? `; ${p.rules.join("; ")}` : ""}`);
      return [
        p.rules.length ? svg("path", { d: `M${px} ${py - 9}l8 14h-16z`, class: "signal" }, title) : svg("circle", { cx: px, cy: py, r: 4, class: "point" }, title),
        at % every === 0 && svg("text", { x: px, y: 344, class: "name", "text-anchor": "middle" }, p.label.length > LABEL_LETTERS ? `${p.label.slice(0, LABEL_LETTERS - 1)}…` : p.label),
      ];
    }),
    ...moved.map(([at, range]) => svg("circle", { cx: x(at), cy: below(range), r: 2.5, class: "point" })));
}

function make() {
  const near = said();
  const form = h("form", { class: "form" }, wordsField(t("charts.freeze-why"), "reason", { required: true, size: 40 }),
    h("button", { class: "act" }, t("charts.freeze")), near);
  const node = h("section", { class: "sheet" }, h("h2", {}), h("div", { class: "scroll drawn" }), h("p", { class: "about quiet" }), h("ul", { class: "signals" }),
    h("details", { class: "more" }, h("summary", {}, t("charts.as-table")), h("div", { class: "results-table" })),
    h("details", { class: "more" }, h("summary", {}, t("charts.limits")), h("ul", { class: "rows frozen" }), form));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const what = { act: "quality", what: "freeze-limits", chart: node.chart.of, reason: form.elements.reason.value };
    if ((await act(what, { near, button: find("button", form) })).ok) form.elements.reason.value = "";
  });
  return node;
}

function update(node, chart, fewest) {
  node.chart = chart;
  const { limits, points } = chart;
  const sample = (p) => h("a", { class: "link", href: `/samples/${p.sample}` }, p.label);
  byStation(text(find("h2", node), chart.title));
  rebuilt(find(".drawn", node), [points, limits], () => [drawing(chart)]);
  text(find(".about", node), limitsWords(chart, fewest));
  rebuilt(find(".signals", node), points, () => points.filter((p) => p.rules.length).map((p) =>
    h("li", {}, "▲ ", sample(p), ` ${p.text}: `, en(p.rules.join("; ")))));
  rebuilt(find(".results-table", node), points, () => [
    grid([t("col.sample"), t("col.when"), t("col.result"), t("charts.range"), t("charts.rule")],
      [...points].reverse().map((p) => [sample(p), time.when(p.atMs), p.text, p.range === null ? "" : p.range.toFixed(2), en(p.rules.join("; "))]))]);
  rebuilt(find(".frozen", node), chart.frozen, () => chart.frozen.map((f, n) => h("li", {},
    h("span", {}, n ? t("charts.frozen-before", f) : t("charts.frozen-now", f)), h("span", { class: "quiet" }, listed([f.by, time.when(f.atMs)], ", ")))));
}

function limitsWords({ limits, points }, fewest) {
  if (limits === null) return t("charts.no-limits", { n: points.length, fewest });
  return limits.frozen ? count("charts.frozen", limits.results) : count("charts.provisional", limits.results);
}

async function load() {
  const answer = await fetch(`/charts/view?zones=${find("#zones").checked}`).catch(() => null);
  const seen = await answer?.json().catch(() => null);
  if (!answer?.ok) return;
  time.setZone(seen.zone);
  keyed(find("#charts"), seen.charts, (c) => JSON.stringify(c.of), make, (node, chart) => update(node, chart, seen.fewest));
  const none = seen.charts.length === 0;
  show(find("#none"), none);
  text(find("#none"), seen.kept ? t("charts.none") : t("charts.off"));
}

find("#zones").addEventListener("change", load);
load();
begin({
  draw: (view) => {
    document.title = `${view.station.title}: ${t("title.charts")}`;
    if (view.sequence === sequence) return;
    sequence = view.sequence;
    load();
  },
});
