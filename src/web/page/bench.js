// The bench page. The station's view is the only source of what is shown; this file decides
// nothing, carries running times on, and says at once when it can no longer know them.

import { drawAlarms } from "./alarms.js";
import { find, mark, show, text } from "./dom.js";
import * as link from "./link.js";
import * as lists from "./lists.js";
import { drawPlaces, tickPlace } from "./place.js";
import { listen } from "./scan.js";
import * as time from "./time.js";

const SIDES = { within: ["●", "within"], below: ["▼", "too cold, limits"], above: ["▲", "too warm, limits"] };
let last = null;

function draw(view) {
  last = view;
  time.setZone(view.station.zone);
  document.body.classList.remove("waiting");
  document.title = `${view.station.title}: bench`;
  text(find("#title"), view.station.title);
  text(find("#station"), `${view.station.id}, foot: ${view.station.foot}`);
  show(find("#rehearsal"), view.station.rehearsal);
  show(find("#fault"), Boolean(view.fault));
  text(find("#fault"), view.fault ? `Nothing is being stored: ${view.fault}. What you enter is refused; what switches and instruments say waits.` : "");
  drawNetwork(view);
  drawSolution(view.probe);
  drawEquipment(view.equipment);
  drawSolutions(view.solutions);
  drawAlarms(find("#alarms"), view);
  lists.drawPresses(find("#presses"), view);
  lists.drawNext(find("#next"), view);
  drawPlaces(find("div.places"), view);
  lists.drawSamples(find(".samples"), view);
  lists.drawMethods(view);
  lists.drawInstruments(find("[aria-labelledby=h-instruments]"), view);
  lists.drawSwitches(find("[aria-labelledby=h-switches]"), view);
  lists.drawRecords(find("[aria-labelledby=h-records]"), view);
  tick();
}

// What the broker took is not yet stored where it is wanted: a consumer that confirms is shown too.
function drawNetwork(view) {
  const taken = view.waiting === 0 ? "● all taken" : `◔ ${view.waiting} waiting`;
  const behind = view.consumers.filter((c) => c.behind > 0).map((c) => `${c.consumer} is ${c.behind} behind`);
  const how = view.unconfirmed ? ["△ MQTT 3.1.1: what the broker denies looks taken"] : [];
  text(find("#waiting"), [taken, ...behind, ...how].join("; "));
  mark(find("#network"), "state", view.waiting === 0 && !view.unconfirmed ? null : "warn");
}

function drawSolution(probe) {
  const box = find("#temperature");
  const limits = probe.limits ? ` ${probe.limits}` : "";
  const [words, state] = !probe.standsIn ? ["○ probe is out", "warn"]
    : !probe.reading ? ["○ no reading", "warn"]
    : probe.reading.stale ? [`○ stale: ${probe.reading.text} ${probe.reading.unit} is old`, "bad"]
    : [`${SIDES[probe.side]?.[0] ?? "◇"} ${probe.reading.text} ${probe.reading.unit}, ${SIDES[probe.side]?.[1] ?? "no limits"}${limits}`,
      probe.side === "within" || !probe.side ? "good" : "bad"];
  text(box, words);
  mark(find("#solution"), "state", state);
}

// One line, and only where the laboratory keeps the list here.
function drawEquipment(equipment) {
  const open = equipment ? equipment.daily.filter((d) => !d.made).length : 0;
  const words = !equipment ? "" : equipment.checking ? `: checking ${equipment.checking.item}` : equipment.notInOrder > 0 ? `: ▲ ${equipment.notInOrder} not in order`
    : open > 0 ? ": daily check" : equipment.dueSoon > 0 ? `: ${equipment.dueSoon} due soon` : ": ● in order";
  text(find("#menu-equipment"), `Equipment${words}`);
}

// The bottle in use, and only where the laboratory keeps its solutions here.
function drawSolutions(solutions) {
  const bottle = solutions?.inUse.find((b) => b.kind === "working");
  const bad = bottle && !["good", "due-soon"].includes(bottle.state);
  const words = !solutions ? "" : solutions.weighing ? `: weighing out ${solutions.weighing.batch}` : !bottle ? ": ▲ no bottle in use"
    : bad ? `: ▲ ${bottle.id} ${bottle.stateText}` : bottle.state === "due-soon" ? `: ◔ ${bottle.id}, its last day is near`
    : bottle.cylinders !== null && bottle.cylinders < 2 ? `: ◔ ${bottle.id}, nearly empty` : `: ● ${bottle.id}`;
  text(find("#menu-solutions"), `Solutions${words}`);
}

function tick() {
  const now = time.wallNow();
  if (now === null) return;
  text(find("#time"), time.clock(now));
  text(find("#zone"), time.zoneName());
  if (!last || !link.isFresh()) return;
  for (const card of document.querySelectorAll(".place")) tickPlace(card);
  lists.tickLists();
}

function connection(fresh, everHeard) {
  const lost = find("#lost");
  document.body.classList.toggle("is-lost", !fresh);
  show(lost, !fresh);
  const since = everHeard && time.wallNow() !== null ? ` since ${time.clock(time.wallNow())}` : "";
  text(lost, fresh ? "" : `Connection to the station lost${since}. Times stand still; nothing below is current. What you typed is kept. If the station runs, its switches go on working.`);
  text(find("#connected"), fresh ? "● connected" : "▲ lost");
  mark(find("#connection"), "state", fresh ? null : "bad");
}

const who = find("#who");
try {
  who.value = localStorage.getItem("who") ?? "";
  who.addEventListener("change", () => localStorage.setItem("who", who.value.trim()));
} catch {
  // A browser that keeps nothing: the name is asked for again after a reload.
}

lists.bindRegister(find("#register form"));
// A tin whose cylinder stands here is shown here; everything else has a page of its own.
listen((found) => {
  const card = found.specimen?.place && document.getElementById(`place-${found.specimen.place}`);
  if (!card) return false;
  location.hash = `place-${found.specimen.place}`;
  return true;
});
link.start(draw, connection);
setInterval(tick, 200);
