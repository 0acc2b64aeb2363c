// Alarms: what stands, what a person put aside, and what a person can do with them.

import { button, capital, en, find, h, keyed, mark, said, sentence, show, text } from "./dom.js";
import { act } from "./link.js";
import * as sound from "./sound.js";
import * as time from "./time.js";
import { t } from "./words.js";

/** States in which nobody is called. */
const QUIET = new Set(["shelved", "suppressed-by-design", "out-of-service"]);
const spoken = new Set();

export function drawAlarms(section, view) {
  show(section, view.alarms.length + view.alarmsAside.length > 0);
  keyed(find(".alarms", section), view.alarms, (a) => a.occurrence, makeAlarm, (node, alarm) => {
    mark(node, "priority", alarm.priority);
    mark(node, "state", alarm.state);
    text(find(".text", node), alarm.text);
    text(find(".state", node), stateWords(alarm));
    show(node.acknowledge, alarm.acknowledgedBy === null);
    show(find(".shelve", node), alarm.state !== "shelved" && alarm.state !== "out-of-service");
  });
  keyed(find(".aside", section), view.alarmsAside, (a) => `${a.state} ${a.key}`, makeAside, (node, aside) => {
    text(find(".why", node), ` ${asideWords(aside)}`);
  });
  const fresh = view.alarms.filter((a) => !spoken.has(a.occurrence) && !QUIET.has(a.state));
  for (const alarm of fresh) spoken.add(alarm.occurrence);
  if (fresh.length === 0) return;
  // On a sheet too: what lies under it is not spoken.
  for (const voice of document.querySelectorAll("#alarm-voice, dialog > .voice")) text(voice, fresh.map((a) => t("alarm.voice", a)).join(" "));
  sound.play("alarm");
}

function stateWords(alarm) {
  const gone = QUIET.has(alarm.state) && alarm.clearedMs !== null;
  return [
    t(`priority.${alarm.priority}`), t("alarm.since", { time: time.when(alarm.raisedMs) }), t(`alarm-state.${alarm.state}`),
    gone && t("alarm.gone"), alarm.acknowledgedBy && t("alarm.by", { name: alarm.acknowledgedBy }),
  ].filter(Boolean).join(", ");
}

function asideWords({ state, by, sinceMs, untilMs, reason }) {
  const values = { state: t(`alarm-state.${state}`), by, since: time.when(sinceMs), reason };
  return untilMs === null ? t("alarm.aside", values) : t("alarm.aside-until", { ...values, until: time.when(untilMs) });
}

/** Sends an act that must name a person; without a name it asks for one. */
async function signed(what, near, pressed) {
  const who = find("#who");
  if (!who.value.trim()) {
    text(near, t("who.needed"));
    near.dataset.kind = "refused";
    who.focus();
    return;
  }
  await act(what, { near, button: pressed });
}

function makeAlarm(alarm) {
  const near = said();
  const acknowledge = button(t("alarm.acknowledge"), () => signed({ act: "acknowledge-alarm", occurrence: alarm.occurrence }, near, acknowledge));
  const node = h("li", { class: "alarm" },
    h("details", {}, h("summary", {}, h("span", {}, h("b", { lang: "en" }, capital(alarm.condition)), h("span", { class: "text", lang: "en" }), h("span", { class: "state quiet" }))),
      h("p", {}, h("b", {}, t("alarm.to-do")), " ", en(`${alarm.response}.`)),
      h("p", {}, h("b", {}, t("alarm.otherwise")), " ", en(`${alarm.consequence}.`)),
      makeShelve(alarm.key, near)),
    acknowledge, near);
  node.acknowledge = acknowledge;
  return node;
}

function makeShelve(key, near) {
  const minutes = h("input", { inputMode: "numeric", pattern: "[0-9]*", maxLength: 3, size: 4, value: "30", autocomplete: "off" });
  const reason = sentence();
  const shelve = button(t("alarm.shelve"), () => signed({ act: "shelve-alarm", key, minutes: number(minutes.value), reason: reason.value }, near, shelve));
  const out = button(t("alarm.take-out"), () => signed({ act: "alarm-out-of-service", key, reason: reason.value }, near, out));
  return h("div", { class: "shelve form" },
    h("label", {}, t("alarm.reason"), reason), h("label", {}, t("alarm.minutes"), minutes),
    h("div", { class: "acts" }, shelve, out));
}

/** A number that was typed; what is none is sent as 0, and the station says what may be given. */
function number(typed) {
  return /^\s*[0-9]{1,3}\s*$/.test(typed) ? Number(typed) : 0;
}

function makeAside({ state, key }) {
  const near = said();
  const back = state === "shelved"
    ? button(t("alarm.bring-back"), () => signed({ act: "unshelve-alarm", key }, near, back))
    : button(t("alarm.put-in-service"), () => signed({ act: "alarm-in-service", key }, near, back));
  return h("li", {}, h("span", {}, h("b", {}, key), h("span", { class: "why quiet" })), back, near);
}
