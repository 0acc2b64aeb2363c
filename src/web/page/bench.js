// The bench page. The station's view is the only source of what is shown; this file decides nothing
// and carries running times on.

import { drawAhead, tickAhead } from "./ahead.js";
import { drawAlarms } from "./alarms.js";
import { drawBar } from "./bar.js";
import { find, text } from "./dom.js";
import * as lists from "./lists.js";
import { drawPlaces, tickPlace } from "./place.js";
import { begin } from "./shell.js";
import { bindSheet } from "./sheet.js";
import { t } from "./words.js";

function draw(view) {
  document.title = `${view.station.title}: ${t("menu.bench")}`;
  text(find("#title"), view.station.title);
  text(find("#under"), t("bench.under", { id: view.station.id, foot: view.station.foot }));
  drawAlarms(find("#alarms"), view);
  lists.drawPresses(find("#presses"), view);
  drawAhead(find("#next"), view);
  drawPlaces(find("div.places"), view);
  drawBar(view);
  lists.drawSamples(find(".samples"), view);
  lists.drawMethods(view);
  lists.drawInstruments(find("[aria-labelledby=h-instruments]"), view);
  lists.drawSwitches(find("[aria-labelledby=h-switches]"), view);
  lists.drawRecords(find("[aria-labelledby=h-records]"), view);
}

function tick() {
  for (const card of document.querySelectorAll(".place")) tickPlace(card);
  tickAhead(find("#next"));
  lists.tickLists();
}

/** A tin whose cylinder stands here is shown here; everything else has a page of its own. */
function opened(found) {
  const card = found.specimen?.place && document.getElementById(`place-${found.specimen.place}`);
  if (!card) return false;
  location.hash = `place-${found.specimen.place}`;
  return true;
}

lists.bindRegister(find("#register form"));
bindSheet();
begin({ draw, tick, named: true, opened });
