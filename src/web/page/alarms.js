// Alarms: what stands, what a person put aside, and what a person can do with them.

import { find, h, keyed, mark, show, text } from "./dom.js";
import { act } from "./link.js";
import { button, said } from "./lists.js";
import { capital } from "./place.js";
import * as time from "./time.js";

const STATES = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", "returned-unacknowledged": "gone again, not acknowledged",
  shelved: "shelved", "suppressed-by-design": "suppressed by design", "out-of-service": "out of service",
};
const PRIORITIES = { high: "▲ High", medium: "◆ Medium", low: "● Low" };
/** States in which nobody is called. */
const QUIET = new Set(["shelved", "suppressed-by-design", "out-of-service"]);
const spoken = new Set();

export function drawAlarms(section, view) {
  show(section, view.alarms.length + view.alarmsAside.length > 0);
  keyed(find(".alarms", section), view.alarms, (a) => a.occurrence, makeAlarm, (node, alarm) => {
    mark(node, "priority", alarm.priority);
    mark(node, "state", alarm.state);
    text(find(".text", node), alarm.text);
    const gone = QUIET.has(alarm.state) && alarm.clearedMs !== null ? ", its condition is gone" : "";
    text(find(".state", node), `${PRIORITIES[alarm.priority]}, since ${time.when(alarm.raisedMs)}, ${STATES[alarm.state]}${gone}${alarm.acknowledgedBy ? `, acknowledged by ${alarm.acknowledgedBy}` : ""}`);
    show(node.acknowledge, alarm.acknowledgedBy === null);
    show(find(".shelve", node), alarm.state !== "shelved" && alarm.state !== "out-of-service");
  });
  keyed(find(".aside", section), view.alarmsAside, (a) => `${a.state} ${a.key}`, makeAside, (node, aside) => {
    const until = aside.untilMs === null ? "until somebody puts it back" : `until ${time.when(aside.untilMs)}`;
    text(find(".why", node), ` ${STATES[aside.state]} by ${aside.by} at ${time.when(aside.sinceMs)}, ${until}: ${aside.reason}`);
  });
  const fresh = view.alarms.filter((a) => !spoken.has(a.occurrence) && !QUIET.has(a.state));
  for (const alarm of fresh) spoken.add(alarm.occurrence);
  if (fresh.length) text(find("#alarm-voice"), fresh.map((a) => `Alarm: ${a.condition}.`).join(" "));
}

/** Sends an act that must name a person; without a name it asks for one. */
async function signed(what, near, pressed) {
  const who = find("#who");
  if (!who.value.trim()) {
    text(near, "This names a person: write your name at the top first.");
    near.dataset.kind = "refused";
    who.focus();
    return;
  }
  await act(what, { near, button: pressed });
}

function makeAlarm(alarm) {
  const near = said();
  const acknowledge = button("Acknowledge", () => signed({ act: "acknowledge-alarm", occurrence: alarm.occurrence }, near, acknowledge));
  const node = h("li", { class: "alarm" },
    h("details", {}, h("summary", {}, h("span", {}, h("b", {}, capital(alarm.condition)), h("span", { class: "text" }), h("span", { class: "state quiet" }))),
      h("p", {}, h("b", {}, "What to do: "), `${alarm.response}.`),
      h("p", {}, h("b", {}, "Otherwise: "), `${alarm.consequence}.`),
      makeShelve(alarm.key, near)),
    acknowledge, near);
  node.acknowledge = acknowledge;
  return node;
}

function makeShelve(key, near) {
  const minutes = h("input", { inputMode: "numeric", pattern: "[0-9]*", maxLength: 3, size: 4, value: "30", autocomplete: "off" });
  const reason = h("input", { maxLength: 200, autocomplete: "off" });
  const shelve = button("Shelve", () => signed({ act: "shelve-alarm", key, minutes: count(minutes.value), reason: reason.value }, near, shelve));
  const out = button("Out of service", () => signed({ act: "alarm-out-of-service", key, reason: reason.value }, near, out));
  return h("div", { class: "shelve form" },
    h("label", {}, "Reason ", reason), h("label", {}, "Minutes, at most 480 ", minutes),
    h("div", { class: "acts" }, shelve, out));
}

/** A count that was typed; what is none is sent as 0, and the station says what may be given. */
function count(typed) {
  return /^\s*[0-9]{1,3}\s*$/.test(typed) ? Number(typed) : 0;
}

function makeAside(aside) {
  const near = said();
  const verb = aside.state === "shelved" ? "unshelve-alarm" : "alarm-in-service";
  const back = button(aside.state === "shelved" ? "Bring back" : "Put in service", () => signed({ act: verb, key: aside.key }, near, back));
  return h("li", {}, h("span", {}, h("b", {}, aside.key), h("span", { class: "why quiet" })), back, near);
}
