// Control charts: individuals above, moving ranges below, drawn as SVG.

import { find, h, keyed, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { begin } from "./shell.js";
import * as time from "./time.js";

const WIDTH = 760;
const UPPER = { top: 16, height: 190 };
const LOWER = { top: 236, height: 84 };
const LEFT = 56;
const RIGHT = 96;

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
  const every = Math.ceil(points.length / 12);
  const words = `${chart.title}: ${points.length} results, ${points.filter((p) => p.rules.length).length} that break a rule`;
  return svg("svg", { viewBox: `0 0 ${WIDTH} 360`, role: "img", "aria-label": words, class: "chart" },
    ...(limits ? [
      ...line(y(limits.upper.value), limits.upper, "upper", kind), ...line(y(limits.centre.value), limits.centre, "mean", "centre"),
      ...line(y(limits.lower.value), limits.lower, "lower", kind), ...line(below(limits.rangeEnd.value), limits.rangeEnd, "largest", kind),
      ...line(below(limits.meanRange.value), limits.meanRange, "mean", "centre"),
    ] : []),
    svg("text", { x: 4, y: UPPER.top + 10, class: "name" }, "Result"), svg("text", { x: 4, y: LOWER.top + 10, class: "name" }, "Range"),
    svg("path", { d: path(points.map((p, at) => [x(at), y(p.value)])), class: "trace" }),
    svg("path", { d: path(moved.map(([at, range]) => [x(at), below(range)])), class: "trace" }),
    ...points.flatMap((p, at) => {
      const [px, py] = [x(at), y(p.value)];
      const title = svg("title", {}, `${p.label}: ${p.text}, ${time.when(p.atMs)}${p.rules.length ? `; ${p.rules.join("; ")}` : ""}`);
      return [
        p.rules.length ? svg("path", { d: `M${px} ${py - 9}l8 14h-16z`, class: "signal" }, title) : svg("circle", { cx: px, cy: py, r: 4, class: "point" }, title),
        at % every === 0 && svg("text", { x: px, y: 344, class: "name", "text-anchor": "middle" }, p.label.slice(0, 10)),
      ];
    }),
    ...moved.map(([at, range]) => svg("circle", { cx: x(at), cy: below(range), r: 2.5, class: "point" })));
}

function make() {
  const near = h("p", { class: "said" });
  const form = h("form", { class: "form" }, h("label", {}, "Why the limits are frozen now", h("input", { name: "reason", maxLength: 200, required: true, autocomplete: "off", size: 40 })),
    h("div", { class: "acts" }, h("button", { class: "act" }, "Freeze the limits")), near);
  const node = h("section", { class: "sheet" }, h("h2", {}), h("div", { class: "scroll drawn" }), h("p", { class: "about quiet" }), h("ul", { class: "signals" }),
    h("details", { class: "more" }, h("summary", {}, "The results as a table"), h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, ...["Sample", "When", "Result", "Range", "Rule"].map((head) => h("th", {}, head)))), h("tbody", {})))),
    h("details", { class: "more" }, h("summary", {}, "Limits"), h("ul", { class: "rows frozen" }), form));
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
  text(find("h2", node), chart.title);
  rebuilt(find(".drawn", node), [points, limits], () => [drawing(chart)]);
  text(find(".about", node), limits === null ? `No limits yet: ${points.length} of ${fewest} results.`
    : limits.frozen ? `Limits frozen from ${limits.results} results.`
    : `Provisional limits from the ${limits.results} results that are shown; they move with each result until somebody freezes them.`);
  rebuilt(find(".signals", node), points.map((p) => [p.label, p.rules]), () => points.filter((p) => p.rules.length).map((p) =>
    h("li", {}, "▲ ", h("a", { class: "link", href: `/samples/${p.sample}` }, p.label), ` ${p.text}: ${p.rules.join("; ")}`)));
  rebuilt(find("tbody", node), points, () => [...points].reverse().map((p) => h("tr", {},
    ...[h("a", { class: "link", href: `/samples/${p.sample}` }, p.label), time.when(p.atMs), p.text, p.range === null ? "" : p.range.toFixed(2), p.rules.join("; ")].map((c) => h("td", {}, c)))));
  rebuilt(find(".frozen", node), chart.frozen, () => chart.frozen.map((f, n) => h("li", {},
    h("span", {}, `${n ? "Before: " : "Now: "}mean ${f.centre}, ${f.lower} to ${f.upper}, of ${f.results} results, ${f.from} to ${f.to}: ${f.reason}`), h("span", { class: "quiet" }, `${f.by}, ${time.when(f.atMs)}`))));
}

async function load() {
  const answer = await fetch(`/charts/view?zones=${find("#zones").checked}`).catch(() => null);
  const seen = await answer?.json().catch(() => null);
  if (!answer?.ok) return;
  time.setZone(seen.zone);
  keyed(find("#charts"), seen.charts, (c) => JSON.stringify(c.of), make, (node, chart) => update(node, chart, seen.fewest));
  const none = seen.charts.length === 0;
  show(find("#none"), none);
  text(find("#none"), seen.kept ? "No result yet whose bag says its material." : "No charts are kept: set `charts = \"on\"` under [bench] in the settings.");
}

find("#zones").addEventListener("change", load);
load();
begin({
  draw: (view) => {
    if (view.sequence === sequence) return;
    sequence = view.sequence;
    load();
  },
});
