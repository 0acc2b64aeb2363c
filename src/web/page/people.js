// The register of people: who is signed on, who may do what, who is qualified for which method.

import { button, field, find, h, keyed, options, rebuilt, said, show, text, wordsField } from "./dom.js";
import { act } from "./link.js";
import { follow } from "./shell.js";
import * as time from "./time.js";
import { count, listed, t } from "./words.js";

const ROLES = ["operate", "review", "administer"];
let view = null;

const on = (what, near, press) => act({ act: "review", ...what }, { near, button: press });

function draw(next) {
  view = next;
  document.title = `${view.station.title}: ${t("menu.people")}`;
  show(find("#none"), !view.kept);
  show(find("#items"), view.kept);
  show(find("#on"), view.kept);
  show(find("#on .none"), view.on.length === 0);
  rebuilt(find("#on ul"), view.on, () => view.on.map(signedOn));
  keyed(find("#items .items"), view.persons, (p) => p.id, makePerson, (node, person) => node.draw(person));
}

function signedOn(person) {
  const off = button(t("people.sign-off"), () => on({ what: "sign-off", person: person.id }, find("#on .said"), off));
  return h("li", {}, h("span", {}, h("b", {}, `● ${person.name}`), ` ${t("people.since", { when: time.when(person.sinceMs) })}`), off);
}

const rolesOf = (form) => ROLES.filter((role) => form.elements[role].checked);

function makePerson({ id }) {
  const head = h("span", { class: "what" });
  const facts = h("p", { class: "quiet" });
  const held = h("ul", { class: "rows" });
  const near = said();
  const change = changeForm(id, near);
  const qualify = qualifyForm(id, near);
  const leave = leaveForm(id, near);
  const back = button(t("people.is-back"), () => on({ what: "person-returns", person: id }, near, back));
  const node = h("article", { class: "item sheet", id: `person-${id}` }, h("details", {}, h("summary", {}, head), facts, held, qualify, change, leave, back, near));
  node.draw = (now) => {
    const expired = now.qualifications.filter((q) => q.expired).length;
    node.dataset.state = now.left ? "out-of-use" : expired ? "past-due" : "good";
    rebuilt(head, now, () => [h("b", {}, `${now.left ? "△" : "●"} ${now.name}`), h("span", {}, ` ${standing(now, expired)}`)]);
    text(facts, factWords(now));
    rebuilt(held, now.qualifications, () => now.qualifications.map((q) => qualification(id, q, near)));
    for (const form of [change, qualify, leave]) show(form, !now.left);
    show(back, Boolean(now.left));
    fill(change, now);
    options(qualify.elements.method, view.methods.map((m) => [m.id, m.title]));
  };
  return node;
}

/** What somebody may do, or why no more. */
function standing(person, expired) {
  if (person.left) return t("people.left", { when: time.when(person.left.atMs, null), reason: person.left.reason });
  return listed([person.roles.map((role) => t(`role.${role}`)).join(", "), expired > 0 && `▲ ${count("people.expired", expired)}`]);
}

function factWords(person) {
  const by = listed([person.hasCode && t("people.has-code"), person.hasBadge && t("people.has-badge")], ", ");
  return listed([
    !person.left && (by || t("people.cannot-sign-on")),
    person.earlierNames.length > 0 && t("people.earlier", { names: person.earlierNames.join(", ") }),
    t("people.registered", { when: time.when(person.registeredMs, null), by: person.registeredBy }),
    t("people.identity", { id: person.id }),
  ]);
}

/** Fills the form with what holds; what somebody types stays until the person is changed. */
function fill(form, now) {
  const stands = JSON.stringify(now);
  if (form.filled === stands) return;
  form.filled = stands;
  form.elements.name.value = now.name;
  for (const role of ROLES) form.elements[role].checked = now.roles.includes(role);
}

function qualification(person, q, near) {
  const why = wordsField(t("why"), "reason", { "aria-label": t("people.take-back-why", { method: q.title }) });
  const off = button(t("people.take-back"), () => on({ what: "disqualify", person, method: q.method, reason: find("input", why).value }, near, off));
  const until = q.until ? t("people.until", { day: q.until }) : t("people.no-end");
  const words = t("people.qualification", { method: q.title, until: q.note ? `${until} (${q.note})` : until, by: q.by });
  return h("li", { "data-good": String(!q.expired) }, h("span", {}, h("b", {}, q.expired ? `▲ ${t("people.qualification-expired")} ` : "● "), words),
    h("span", { class: "form" }, why, off));
}

function qualifyForm(person, near) {
  const form = h("form", { class: "form" }, field(t("people.qualified-for"), h("select", { name: "method" })),
    field(t("people.until-end-of"), h("input", { name: "until", type: "date" })),
    wordsField(t("people.shown-by"), "note"), h("button", { class: "act" }, t("people.qualify")));
  form.onsubmit = (event) => {
    event.preventDefault();
    const { method, until, note } = form.elements;
    on({ what: "qualify", person, method: method.value, until: until.value || null, note: note.value }, near, find("button", form));
  };
  return form;
}

function changeForm(person, near) {
  const secret = { class: "code", spellcheck: false };
  const form = h("form", { class: "form" }, wordsField(t("people.name"), "name", { maxLength: 40, spellcheck: false }),
    wordsField(t("people.new-code"), "code", { ...secret, maxLength: 12, size: 10 }),
    wordsField(t("people.new-badge"), "badge", { ...secret, maxLength: 80, "data-takes-scan": "" }),
    h("fieldset", { class: "choices" }, h("legend", { class: "quiet" }, t("people.may")), ...ROLES.map((role) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: role }), ` ${t(`may.${role}`)}`))),
    h("button", { class: "act" }, t("people.change")));
  form.onsubmit = async (event) => {
    event.preventDefault();
    const what = { what: "change-person", person, name: form.elements.name.value, roles: rolesOf(form) };
    for (const name of ["code", "badge"]) if (form.elements[name].value.trim()) what[name] = form.elements[name].value.trim();
    await on(what, near, find("button", form));
    for (const name of ["code", "badge"]) form.elements[name].value = "";
  };
  return form;
}

function leaveForm(person, near) {
  const form = h("form", { class: "form" }, wordsField(t("people.leaves-why"), "reason", { size: 30 }), h("button", { class: "act" }, t("people.leaves")));
  form.onsubmit = (event) => {
    event.preventDefault();
    on({ what: "person-leaves", person, reason: form.elements.reason.value }, near, find("button", form));
  };
  return form;
}

const register = find("#register form");
register.addEventListener("submit", async (event) => {
  event.preventDefault();
  const { name, code, badge } = register.elements;
  const what = { what: "add-person", name: name.value.trim(), roles: rolesOf(register) };
  if (code.value.trim()) what.code = code.value.trim();
  if (badge.value.trim()) what.badge = badge.value.trim();
  const answer = await on(what, find(".said", register), find("button", register));
  if (answer.ok) for (const used of [name, code, badge]) used.value = "";
});

follow("/people/view", draw);
