// What every page has around its own part: the station's name, the facts at the top, the menu, who
// works here, how the page looks and sounds, and at once the word when nothing is current any more.

import * as account from "./account.js";
import { find, h, mark, options, show, text } from "./dom.js";
import * as link from "./link.js";
import { listen } from "./scan.js";
import * as sound from "./sound.js";
import * as time from "./time.js";
import * as who from "./who.js";
import { count, t } from "./words.js";

const SIDES = { within: "●", below: "▼", above: "▲" };

/**
 * Begins a page. `draw(view)` gets every view of the station, `state(fresh)` every change of the
 * connection, `tick()` comes five times a second while times run; `named`: the page gives itself its
 * title, else it keeps its own and the station's stands under it; `opened(found)`: what to do with what
 * was scanned, before its own page is opened.
 */
export function begin({ draw = () => {}, state = () => {}, tick = () => {}, named = false, opened = null } = {}) {
  who.bind(find("#who"));
  bindMenu();
  account.begin(who.own);
  listen(opened);
  link.start((view) => {
    time.setZone(view.station.zone);
    facts(view, named);
    draw(view);
    document.body.classList.remove("waiting");
    run(tick);
  }, (fresh, everHeard) => {
    connection(fresh, everHeard);
    state(fresh, everHeard);
  });
  setInterval(() => run(tick), 200);
}

function run(tick) {
  const now = time.wallNow();
  if (now === null) return;
  text(find("#time"), time.clock(now));
  text(find("#zone"), time.zoneName());
  if (link.isFresh()) tick();
}

function facts(view, named) {
  const { station } = view;
  if (!named) text(find("#under"), station.title);
  show(find("#rehearsal"), station.rehearsal);
  show(find("#fault"), Boolean(view.fault));
  text(find("#fault"), view.fault ? t("strip.fault", { fault: view.fault }) : "");
  network(view);
  solution(view.probe);
  equipment(view.equipment);
  solutions(view.solutions);
  who.hear(view);
}

// What the broker took is not yet stored where it is wanted: a consumer that confirms is shown too.
function network(view) {
  const taken = view.waiting === 0 ? t("network.taken") : count("network.waiting", view.waiting);
  const behind = view.consumers.filter((c) => c.behind > 0).map((c) => t("network.behind", { consumer: c.consumer, n: c.behind }));
  const how = view.unconfirmed ? [t("network.unconfirmed")] : [];
  text(find("#waiting"), [taken, ...behind, ...how].join("; "));
  mark(find("#network"), "state", view.waiting === 0 && !view.unconfirmed ? null : "warn");
}

/** The solution's temperature in words, and how it stands. */
export function temperature(probe) {
  if (!probe.standsIn) return [t("probe.out"), "warn"];
  if (!probe.reading) return [t("probe.none"), "warn"];
  const value = `${probe.reading.text} ${probe.reading.unit}`;
  if (probe.reading.stale) return [t("probe.stale", { value }), "bad"];
  const side = probe.side ? t(`probe.${probe.side}`, { limits: probe.limits ?? "" }) : t("probe.no-limits");
  return [`${SIDES[probe.side] ?? "◇"} ${value}, ${side}`, probe.side === "within" || !probe.side ? "good" : "bad"];
}

function solution(probe) {
  const [words, state] = temperature(probe);
  text(find("#temperature"), words);
  mark(find("#solution"), "state", state);
}

// One line, and only where the laboratory keeps the list here.
function equipment(seen) {
  const item = find("#menu-equipment");
  show(item, Boolean(seen));
  warn("equipment", Boolean(seen) && seen.notInOrder > 0);
  if (!seen) return;
  const open = seen.daily.filter((d) => !d.made).length;
  const words = seen.checking ? t("equipment.checking", { item: seen.checking.item }) : seen.notInOrder > 0 ? count("equipment.not-in-order", seen.notInOrder)
    : open > 0 ? t("equipment.daily") : seen.dueSoon > 0 ? count("equipment.due-soon", seen.dueSoon) : t("equipment.in-order");
  text(item, `${t("menu.equipment")}: ${words}`);
}

// The bottle in use, and only where the laboratory keeps its solutions here.
function solutions(seen) {
  const item = find("#menu-solutions");
  show(item, Boolean(seen));
  const bottle = seen?.inUse.find((b) => b.kind === "working");
  const bad = bottle && !["good", "due-soon"].includes(bottle.state);
  warn("solutions", Boolean(seen) && (!bottle || bad));
  if (!seen) return;
  const words = seen.weighing ? t("bottle.weighing", { batch: seen.weighing.batch }) : !bottle ? t("bottle.none")
    : bad ? `▲ ${bottle.id} ${bottle.stateText}` : bottle.state === "due-soon" ? t("bottle.due-soon", { batch: bottle.id })
    : bottle.cylinders !== null && bottle.cylinders < 2 ? t("bottle.nearly-empty", { batch: bottle.id }) : `● ${bottle.id}`;
  text(item, `${t("menu.solutions")}: ${words}`);
}

/** What the folded menu hides and somebody must see. */
const warnings = { equipment: false, solutions: false };

function warn(what, yes) {
  warnings[what] = yes;
  const some = Object.values(warnings).some(Boolean);
  const button = find("#menu-button");
  text(button, some ? `▲ ${t("menu.button")}` : t("menu.button"));
  mark(button, "warn", some ? "yes" : null);
}

function connection(fresh, everHeard) {
  document.body.classList.toggle("is-lost", !fresh);
  const now = time.wallNow();
  const words = fresh ? "" : everHeard && now !== null ? t("strip.lost-since", { time: time.clock(now) }) : t("strip.lost");
  // On a sheet too: it lies over everything else.
  for (const strip of document.querySelectorAll("#lost, dialog > .lost")) {
    show(strip, !fresh);
    text(strip, words);
  }
  text(find("#connected"), fresh ? t("fact.connected") : t("fact.lost"));
  mark(find("#connection"), "state", fresh ? null : "bad");
}

function bindMenu() {
  const menu = find("#menu");
  const button = find("#menu-button");
  button.addEventListener("click", () => {
    const open = !menu.hasAttribute("data-open");
    mark(menu, "open", open ? "yes" : null);
    button.setAttribute("aria-expanded", String(open));
  });
  const theme = h("select", { name: "theme", "aria-label": t("theme.name") });
  options(theme, ["auto", "light", "dark", "contrast"].map((name) => [name, t(`theme.${name}`)]));
  try {
    theme.value = localStorage.getItem("theme") ?? "auto";
  } catch {
    // A browser that keeps nothing follows the machine.
  }
  theme.addEventListener("change", () => {
    try {
      localStorage.setItem("theme", theme.value);
    } catch {
      document.documentElement.dataset.theme = theme.value === "auto" ? "light" : theme.value;
      return;
    }
    dispatchEvent(new Event("theme"));
  });
  menu.append(h("div", { class: "preferences" }, theme, sound.button()));
}

/** An answer is fetched again when the station has changed, and at least this often, milliseconds. */
const AGAIN_MS = 30_000;

/**
 * Begins a page that shows one answer of the station, which is fetched anew when something has changed.
 * `live(view)` comes with every view.
 */
export function follow(address, draw, live = () => {}) {
  let sequence = -1;
  let fetchedAt = -Infinity;
  let fetching = false;
  begin({
    draw: async (view) => {
      live(view);
      if (fetching || (view.sequence === sequence && performance.now() - fetchedAt < AGAIN_MS)) return;
      fetching = true;
      try {
        const answer = await fetch(address, { signal: AbortSignal.timeout(10_000) });
        if (!answer.ok) return;
        sequence = view.sequence;
        fetchedAt = performance.now();
        draw(await answer.json());
        live(view);
      } catch {
        // The next word of the station tries again.
      } finally {
        fetching = false;
      }
    },
  });
}
