// A graduated cylinder, drawn to scale: what somebody read in it, and nothing that nobody read.

const SVG = "http://www.w3.org/2000/svg";

/** Length of the graduations in the drawing; the rest keeps the proportions of the US cylinder: 15 in
 * of graduations on a tube 17 in high and 1.25 in wide inside (AASHTO T 176). */
const LENGTH = 150;
const FLOOR = 174;
const TUBE = { left: 3, width: LENGTH * 1.25 / 15, height: LENGTH * 17 / 15 };

function s(tag, props, words) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(props)) node.setAttribute(key, value);
  if (words !== undefined) node.textContent = words;
  return node;
}

/** Distances between the marks that are drawn: numbered, long, short. */
function marks(top, mark, large) {
  const inches = top <= 20;
  const numbered = inches ? (large ? 1 : 5) : large ? 20 : 100;
  const long = inches ? (large ? 0.5 : 1) : large ? 10 : 50;
  const short = large ? (top / mark <= 160 ? mark : mark * 2) : long / 2;
  return { numbered, long, short };
}

/** A cylinder; `update` takes levels as numbers or null, in the unit of the scale. */
export function cylinder(large = false) {
  const levels = s("g", {});
  const scale = s("g", {});
  const node = s("svg", { class: "cylinder", viewBox: large ? "-1 0 36 182" : "-1 0 33 182", preserveAspectRatio: "xMidYMid meet", "aria-hidden": "true" });
  const { left, width, height } = TUBE;
  node.append(
    s("rect", { class: "tube", x: left, y: FLOOR - height, width, height, rx: 1 }), levels, scale,
    s("rect", { class: "base", x: 0, y: FLOOR, width: width + 2 * left, height: 5, rx: 1.5 }));
  let drawn = "";
  let shown = "";

  node.update = ({ top, mark, clay = null, sand = null, sediment = null, typed = null, aim = null, unit = "" }) => {
    const y = (level) => FLOOR - level * LENGTH / top;
    if (drawn !== `${top} ${mark}`) {
      drawn = `${top} ${mark}`;
      const { numbered, long, short } = marks(top, mark, large);
      const lines = [];
      const many = Math.round(top / short);
      for (let i = 0; i <= many; i += 1) {
        const level = i * short;
        const is = (distance) => Math.abs(level / distance - Math.round(level / distance)) < 1e-6;
        const length = is(numbered) ? 8 : is(long) ? 5.5 : 3;
        lines.push(s("line", { class: "tick", x1: left + width - length, x2: left + width, y1: y(level), y2: y(level) }));
        if (is(numbered) && (large || level > 0)) lines.push(s("text", { x: left + width + 2.5, y: y(level) + (large ? 1.7 : 2.8) }, String(Math.round(level * 100) / 100)));
      }
      scale.replaceChildren(...lines);
    }
    const now = JSON.stringify([top, clay, sand, sediment, typed, aim]);
    if (shown === now) return;
    shown = now;
    const fill = (kind, level) => s("rect", { class: kind, x: left + 0.6, y: y(level), width: width - 1.2, height: FLOOR - y(level) });
    const line = (kind, level, more = 0) => s("line", { class: kind, x1: left - more, x2: left + width + more, y1: y(level), y2: y(level) });
    const parts = [];
    for (const [kind, level] of [["suspension", clay], ["sand", sediment ?? sand]]) if (level !== null) parts.push(fill(kind, level), line("read", level));
    if (aim !== null) parts.push(line("aim", aim, 2));
    if (typed !== null && typed <= top) parts.push(line("typed", typed, 2.5));
    levels.replaceChildren(...parts);
    node.dataset.unit = unit;
  };
  return node;
}

/** What a specimen of the view has in its cylinder; the level to bring it to, if that is next. */
export function inside(specimen) {
  const number = (text) => (text === null || text === undefined ? null : Number(text));
  const { readings, next } = specimen;
  if (!readings?.top) return { top: 15, mark: 0.1 };
  const aim = next[0]?.aim;
  return {
    top: Number(readings.top), mark: Number(readings.mark ?? 0.1), unit: readings.unit,
    clay: number(specimen.clay), sand: number(specimen.sand), sediment: number(specimen.sediment), aim: number(aim),
  };
}
