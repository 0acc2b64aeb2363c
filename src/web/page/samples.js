// The samples of a day, and registering one with all that came with it.

import { button, cell, en, find, h, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import * as particulars from "./particulars.js";
import { begin } from "./shell.js";
import * as time from "./time.js";
import { count, t } from "./words.js";

const wanted = find("#wanted");
const form = find("#register form");
const query = new URLSearchParams(location.search);
let sequence = null;
let today = "";
let asked = 0;

find(".fields", form).append(particulars.fields());

/** The list as it stands; a later question makes an earlier answer void. */
async function load() {
  asked += 1;
  const mine = asked;
  const { day, days, find: words } = wanted.elements;
  const ask = new URLSearchParams({ days: days.value, find: words.value.trim() });
  if (day.value) ask.set("day", day.value);
  const answer = await fetch(`/samples/list?${ask}`).catch(() => null);
  if (mine !== asked) return;
  const list = await answer?.json().catch(() => null);
  if (!answer?.ok) {
    text(find("#count"), list?.detail ?? t("samples.no-answer"));
    return;
  }
  time.setZone(list.zone);
  today = list.today;
  if (!day.value) day.value = list.day;
  draw(list);
}

const STATES = { waits: "○", "at-work": "◔", result: "●", done: "●", void: "△" };

function draw({ samples, all, day, today: now, cut }) {
  const found = samples.length === all ? count("samples.all", all) : t("samples.some", { n: samples.length, all });
  text(find("#count"), [found, day === now && t("samples.at-work"), cut && t("samples.cut")].filter(Boolean).join(" "));
  const heads = [...document.querySelectorAll("#list th")].map((head) => head.textContent);
  rebuilt(find("#list tbody"), samples, () => samples.map((s) => h("tr", {}, ...rowOf(s).map((content, n) => cell(heads[n], content)))));
  show(find("#list"), samples.length > 0);
}

const rowOf = (s) => [
  [h("a", { class: "link", href: `/samples/${s.id}` }, s.label), s.identifier && h("span", { class: "quiet" }, s.identifier)],
  [h("b", {}, `${STATES[s.state] ?? ""} `, en(s.stateText)),
    s.verdict && h("b", { class: "verdict", "data-verdict": s.verdict.verdict, title: s.verdict.text, lang: "en" }, s.verdict.word),
    s.deviations > 0 && h("span", { class: "quiet" }, `▲ ${count("deviation.count", s.deviations)}`)],
  [s.project, s.lot && t("samples.lot", { lot: s.lot })].filter(Boolean).join(", "),
  [s.material, s.source].filter(Boolean).join(", "),
  s.method ? en(s.method) : t("samples.no-method"),
  `${time.when(s.registeredMs)}, ${s.by}`,
];

function move(by) {
  const { day } = wanted.elements;
  const at = new Date(`${day.value || today}T12:00:00Z`);
  at.setUTCDate(at.getUTCDate() + by);
  day.value = at.toISOString().slice(0, 10);
  load();
}

/** From the station's view: methods, the last sample of each project, and that something changed. */
function view(seen) {
  show(find("#charts"), seen.station.charts);
  options(form.elements.method, seen.methods.map((m) => [m.id, particulars.methodWords(m)]));
  const chosen = seen.methods.find((m) => m.id === form.elements.method.value);
  worksheet();
  form.elements.specimens.placeholder = chosen?.specimens ? String(chosen.specimens) : "1";
  rebuilt(find(".last", form), seen.lastOfProjects, () => [
    seen.lastOfProjects.length > 0 && h("span", { class: "quiet" }, t("samples.as-last")),
    ...seen.lastOfProjects.map((last) => button(last.project, () => copy(last)))]);
  if (seen.sequence !== sequence) {
    sequence = seen.sequence;
    load();
  }
}

/** The link to the blank worksheet follows the chosen method. */
function worksheet() {
  find("#worksheet").href = `/worksheet/${form.elements.method.value}`;
}
form.elements.method.addEventListener("change", worksheet);

function copy(last) {
  const { identifier, label } = form.elements;
  const kept = identifier.value;
  particulars.write(form, last.particulars);
  identifier.value = kept;
  if (last.method) form.elements.method.value = last.method;
  worksheet();
  form.elements.specimens.value = last.planned;
  text(particulars.said(form), t("samples.copied", { label: last.label }));
  (label.value ? identifier : label).focus();
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const { fault } = particulars.limitOf(form);
  if (fault) return text(particulars.said(form), fault);
  const { label, method, specimens } = form.elements;
  const planned = specimens.value.trim();
  const what = {
    act: "register-sample", label: label.value, method: method.value, specimens: planned ? Number(planned) : null,
    particulars: particulars.read(form),
  };
  const answer = await act(what, { near: particulars.said(form), button: find("button.act:not([type])", form) });
  if (answer.ok) {
    label.value = "";
    particulars.write(form, {});
    const made = find(".made", form);
    made.href = `/samples/${answer.made}/label`;
    show(made, true);
    label.focus();
  }
  return undefined;
});

wanted.addEventListener("submit", (event) => event.preventDefault());
wanted.elements.day.addEventListener("change", load);
wanted.elements.days.addEventListener("change", load);
wanted.elements.find.addEventListener("input", load);
find("#back").addEventListener("click", () => move(-1));
find("#on").addEventListener("click", () => move(1));
find("#today").addEventListener("click", () => { wanted.elements.day.value = ""; load(); });
if (query.has("find")) wanted.elements.find.value = query.get("find");
if (query.has("register")) {
  find("#register").open = true;
  form.elements.identifier.value = query.get("register");
  form.elements.label.focus();
}
// The list is asked for once the station has been heard: its word comes with its time.
begin({ draw: view });
