// The page for the room: to be read from five metres. Alarms, the solution's temperature over the last
// hours, the places at work, today's results against their limits, and how instruments and network are.

import { drawAlarms } from "./alarms.js";
import { capital, find, h, keyed, mark, show, text } from "./dom.js";
import { followOthers, tickOthers } from "./others.js";
import { stand } from "./place.js";
import { begin, temperature } from "./shell.js";
import * as time from "./time.js";
import { count, listed, named, t } from "./words.js";

/** The picture is fetched again this often, milliseconds; the day's results at most so often. */
const PICTURE_MS = 20_000;
const RESULTS_MS = 5000;
const LEFT = 52;
const BOTTOM = 24;

let pictureAt = -Infinity;
let resultsAt = -Infinity;
let sequence = null;

function draw(view) {
  document.title = `${view.station.title}: ${t("menu.room")}`;
  text(find("#title"), view.station.title);
  drawAlarms(find("#alarms"), view);
  show(find("#alarms"), true);
  // Whoever has no account is told how many are put aside, not which.
  const aside = view.aside ?? 0;
  show(find("#alarms .none"), view.alarms.length + view.alarmsAside.length + aside === 0);
  text(find("#alarms .aside-count"), aside > 0 ? count("alarm.aside-count", aside) : "");
  const [words, state] = temperature(view.probe);
  text(find(".warmth .huge"), words);
  mark(find(".warmth"), "state", state);
  drawPlaces(view);
  drawHealth(view);
  if (performance.now() - pictureAt > PICTURE_MS) picture();
  if (view.sequence !== sequence && performance.now() - resultsAt > RESULTS_MS) results(view.sequence);
}

function drawPlaces(view) {
  const busy = view.places.filter((p) => p.specimen && !p.specimen.fault);
  keyed(find(".at-work"), busy, (p) => p.specimen.id, (p) => h("li", {}, h("span", { class: "number" }, String(p.place)),
    h("span", { class: "what" }, h("b", {}), h("span", { class: "quiet" })), h("b", { class: "digits" })),
  (node, { place, specimen }) => {
    node.specimen = specimen;
    node.seenAt = performance.now();
    text(find(".number", node), String(place));
    text(find(".what b", node), specimen.label);
    tickPlace(node);
  });
}

function tickPlace(node) {
  const { specimen } = node;
  const running = specimen.complete ? null : specimen.running;
  const now = running ? stand(running, node.seenAt) : null;
  const stage = now?.stage ?? (specimen.voided !== null ? "void" : specimen.complete ? "done" : specimen.begun ? "turn" : "idle");
  mark(node, "stage", stage);
  text(find(".digits", node), now ? now.digits : specimen.result && specimen.voided === null ? specimen.result : "");
  const deviations = specimen.deviations.length ? ` · ▲ ${count("deviation.count", specimen.deviations.length)}` : "";
  const what = running ? `${capital(named("step", running.step))}: ${now.caption}` : t(`stage.${stage}`);
  text(find(".what .quiet", node), `${what}${deviations}`);
}

function drawHealth(view) {
  const instruments = view.instruments.map((i) => ({
    key: i.name, state: i.port === "open" ? "good" : i.port === "gone" ? "bad" : "warn",
    words: `${i.name}: ${i.port === "open" ? `● ${i.live ?? t("balance.silent")}` : i.port === "gone" ? `${t("balance.gone")}${i.why ? `, ${i.why}` : ""}` : t("room.starting")}`,
  }));
  const waits = { key: "network", state: view.waiting === 0 ? "good" : "warn", words: view.waiting === 0 ? t("room.network-taken") : count("room.network-waiting", view.waiting) };
  const behind = view.consumers.filter((c) => c.behind > 0).map((c) => ({ key: `c ${c.consumer}`, state: "warn", words: t("network.behind", { consumer: c.consumer, n: c.behind }) }));
  const room = view.room ? [{ key: "room", state: view.room.stale ? "warn" : "good", words: t("room.air", { value: `${view.room.text} ${view.room.unit}` }) }] : [];
  const outputs = Object.entries(view.outputs).filter(([, o]) => o.fault !== null)
    .map(([name, o]) => ({ key: `o ${name}`, state: "bad", words: `${name}: ${t("output.fault", { why: o.fault })}` }));
  keyed(find(".health"), [...instruments, ...room, ...outputs, waits, ...behind], (one) => one.key, () => h("li", {}), (node, one) => {
    text(node, one.words);
    mark(node, "state", one.state);
  });
}

async function results(now) {
  resultsAt = performance.now();
  const answer = await fetch("/samples/list", { signal: AbortSignal.timeout(10_000) }).then((r) => r.json()).catch(() => null);
  if (!answer?.samples) return;
  sequence = now;
  const reported = answer.samples.filter((s) => s.reported !== null && s.reported !== undefined);
  show(find("#h-today ~ .none"), reported.length === 0);
  keyed(find(".today"), reported, (s) => s.id, (s) => h("li", {}, h("a", { class: "link", href: `/samples/${s.id}` }), h("span", { class: "limit quiet", lang: "en" }), h("b", {}), h("span", { class: "verdict", lang: "en" })),
    (node, s) => {
      text(find("a", node), s.label);
      text(find("b", node), s.reported);
      text(find(".limit", node), s.verdict?.text ?? "");
      text(find(".verdict", node), s.verdict?.word ?? "");
      mark(node, "verdict", s.verdict?.verdict ?? null);
    });
}

// The picture

const SVG = "http://www.w3.org/2000/svg";
function s(tag, props, words) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(props)) node.setAttribute(key, value);
  if (words !== undefined) node.textContent = words;
  return node;
}

async function picture() {
  pictureAt = performance.now();
  const seen = await fetch(`/room/temperatures?hours=${find("#hours").value}`, { signal: AbortSignal.timeout(10_000) }).then((r) => (r.ok ? r.json() : null)).catch(() => null);
  if (!seen) return;
  const values = seen.runs.flat().flatMap(([, low, high]) => [low, high]);
  const ahead = seen.forecast?.band ?? [];
  const ends = [...values, ...ahead.flatMap(([, bottom, , top]) => [bottom, top]), ...[seen.limits?.min, seen.limits?.max].filter((v) => v !== null && v !== undefined)];
  const box = find(".picture");
  text(find(".told"), tell(seen, values));
  if (ends.length === 0) return box.replaceChildren();
  const low = Math.floor(Math.min(...ends) - 0.5);
  const high = Math.ceil(Math.max(...ends) + 0.5);
  const wide = Math.max(300, box.clientWidth);
  const tall = Math.max(150, box.clientHeight);
  const whole = { ...seen, toMs: ahead.at(-1)?.[0] ?? seen.toMs };
  const x = (ms) => LEFT + (ms - whole.fromMs) / (whole.toMs - whole.fromMs) * (wide - LEFT - 6);
  const y = (value) => 6 + (high - value) / (high - low) * (tall - BOTTOM - 6);
  const parts = [...axes(whole, low, high, x, y, wide, tall), ...band(seen.limits, y, low, high, wide)];
  for (const run of seen.runs) {
    const up = run.map(([at, , top]) => `${x(at).toFixed(1)} ${y(top).toFixed(1)}`);
    const down = run.map(([at, bottom]) => `${x(at).toFixed(1)} ${y(bottom).toFixed(1)}`);
    if (run.length === 1) parts.push(s("circle", { class: "trace-point", cx: x(run[0][0]), cy: y(run[0][1]), r: 3 }));
    parts.push(s("path", { class: "trace-range", d: `M${up.join("L")}L${down.toReversed().join("L")}Z` }), s("path", { class: "trace-line", d: `M${up.join("L")}` }));
  }
  parts.push(...forecastParts(ahead, x, y, tall));
  const drawn = s("svg", { viewBox: `0 0 ${wide} ${tall}`, role: "img", "aria-label": tell(seen, values) });
  drawn.append(...parts);
  return box.replaceChildren(drawn);
}

function axes(seen, low, high, x, y, wide, tall) {
  const step = high - low > 14 ? 5 : high - low > 6 ? 2 : 1;
  const lines = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) lines.push(s("line", { class: "grid", x1: LEFT, x2: wide, y1: y(v), y2: y(v) }), s("text", { x: LEFT - 6, y: y(v) + 5, "text-anchor": "end" }, String(v)));
  const every = (seen.toMs - seen.fromMs) / 4;
  const round = Math.max(1, Math.round(every / 1_800_000)) * 1_800_000;
  for (let at = Math.ceil(seen.fromMs / round) * round; at < seen.toMs; at += round) lines.push(s("line", { class: "grid", x1: x(at), x2: x(at), y1: 6, y2: tall - BOTTOM }), s("text", { x: x(at), y: tall - 6, "text-anchor": "middle" }, time.clock(at).slice(0, 5)));
  return lines;
}

function band(limits, y, low, high, wide) {
  if (!limits) return [];
  const top = y(limits.max ?? high);
  const bottom = y(limits.min ?? low);
  const across = { x: LEFT, width: wide - LEFT };
  return [s("rect", { class: "band", ...across, y: top, height: bottom - top }),
    ...[limits.min, limits.max].filter((v) => v !== null).map((v) => s("line", { class: "band-edge", x1: LEFT, x2: wide, y1: y(v), y2: y(v) }))];
}

/** From now on: a hatched band with a dashed line, and the word. */
function forecastParts(ahead, x, y, tall) {
  if (ahead.length === 0) return [];
  const points = (of) => ahead.map((point) => `${x(point[0]).toFixed(1)} ${y(of(point)).toFixed(1)}`);
  const [now] = ahead[0];
  return [
    s("path", { class: "ahead-band", d: `M${points((p) => p[3]).join("L")}L${points((p) => p[1]).toReversed().join("L")}Z` }),
    s("path", { class: "ahead-line", d: `M${points((p) => p[2]).join("L")}` }),
    s("line", { class: "ahead-now", x1: x(now), x2: x(now), y1: 6, y2: tall - BOTTOM }),
    s("text", { class: "ahead-word", x: x(now) + 6, y: 20 }, t("forecast.word")),
  ];
}

/** What the forecast says, or why there is none. */
function forecastWords({ forecast }) {
  if (!forecast) return null;
  if (forecast.refused) return t(`forecast.${forecast.refused}`);
  const { crosses } = forecast;
  return crosses && t(`forecast.${crosses.kind}`, { best: crosses.bestMin, soonest: crosses.soonestMin, latest: crosses.latestMin });
}

/** The picture in a sentence, for whoever cannot see it. */
function tell(seen, values) {
  if (values.length === 0) return t("room.no-reading");
  const unit = seen.unit ?? "";
  const words = t("room.told", { low: Math.min(...values), high: Math.max(...values), unit });
  return listed([words, seen.runs.length > 1 && count("room.gaps", seen.runs.length - 1), forecastWords(seen)], " ");
}

new ResizeObserver(() => performance.now() - pictureAt > 500 && picture()).observe(find(".picture"));
find("#hours").addEventListener("change", picture);
const others = find(".others");
// By itself, not with the stream: a word of another station is no change of this one.
setInterval(() => { followOthers(others); tickOthers(others); }, 250);
begin({ draw, named: true, tick: () => document.querySelectorAll(".at-work > li").forEach(tickPlace) });
