// The register of people: who is signed on, who may do what, who is qualified for which method.

import { find, h, keyed, options, rebuilt, show, text } from "./dom.js";
import { act } from "./link.js";
import { follow } from "./shell.js";
import * as time from "./time.js";

const ROLES = { operate: "works at the bench", review: "reviews", administer: "keeps this register" };
let view = null;

const on = (what, near, button) => act({ act: "review", ...what }, { near, button });

function draw(next) {
  view = next;
  document.title = `${view.station.title}: people`;
  show(find("#none"), !view.kept);
  show(find("#items"), view.kept);
  show(find("#on"), view.kept);
  show(find("#on .none"), view.on.length === 0);
  const near = find("#on .said");
  rebuilt(find("#on ul"), view.on, () => view.on.map((p) => {
    const off = h("button", { type: "button", class: "act", on: { click: () => on({ what: "sign-off", person: p.id }, near, off) } }, "Sign off");
    return h("li", {}, h("span", {}, h("b", {}, `● ${p.name}`), ` since ${time.when(p.sinceMs)}`), off);
  }));
  keyed(find("#items .items"), view.persons, (p) => p.id, makePerson, (node, person) => node.draw(person));
}

const roleBoxes = () => Object.entries(ROLES).map(([role, words]) => h("label", { class: "choice" }, h("input", { type: "checkbox", name: role }), ` ${words}`));
const rolesOf = (form) => Object.keys(ROLES).filter((role) => form.elements[role].checked);
const secretField = (words, name, takes) => h("label", {}, words, h("input", { name, class: "code", maxLength: name === "code" ? 12 : 80, autocomplete: "off", spellcheck: false, ...(takes ? { "data-takes-scan": "" } : {}) }));

function makePerson(person) {
  const { id } = person;
  const head = h("span", { class: "what" });
  const facts = h("p", { class: "quiet" });
  const held = h("ul", { class: "rows" });
  const near = h("p", { class: "said" });
  const change = changeForm(id, near);
  const qualify = qualifyForm(id, near);
  const leave = leaveForm(id, near);
  const back = h("button", { type: "button", class: "act", on: { click: () => on({ what: "person-returns", person: id }, near, back) } }, "Is back");
  const node = h("article", { class: "item sheet", id: `person-${id}` }, h("details", {}, h("summary", {}, head), facts, held, qualify, change, leave, back, near));
  node.draw = (now) => {
    const roles = now.roles.map((role) => ROLES[role]).join(", ");
    const expired = now.qualifications.filter((q) => q.expired).length;
    node.dataset.state = now.left ? "out-of-use" : expired ? "past-due" : "good";
    const by = [now.hasCode && "code", now.hasBadge && "badge"].filter(Boolean).join(" and ") || "▲ neither code nor badge: cannot sign on";
    rebuilt(head, now, () => [h("b", {}, `${now.left ? "△" : "●"} ${now.name}`),
      h("span", {}, now.left ? ` works here no more, since ${time.when(now.left.atMs, null)}: ${now.left.reason}` : ` ${roles}${expired ? ` · ▲ ${expired} qualification${expired > 1 ? "s" : ""} expired` : ""}`)]);
    text(facts, [!now.left && by, now.earlierNames.length && `earlier ${now.earlierNames.join(", ")}`, `registered ${time.when(now.registeredMs, null)} by ${now.registeredBy}`, `identity ${now.id}`].filter(Boolean).join(" · "));
    rebuilt(held, now.qualifications, () => now.qualifications.map((q) => qualification(id, q, near)));
    for (const form of [change, qualify, leave]) show(form, !now.left);
    show(back, Boolean(now.left));
    if (change.kept !== JSON.stringify(now)) {
      change.kept = JSON.stringify(now);
      change.elements.name.value = now.name;
      for (const role of Object.keys(ROLES)) change.elements[role].checked = now.roles.includes(role);
    }
    options(qualify.elements.method, view.methods.map((m) => [m.id, m.title]));
  };
  return node;
}

function qualification(person, q, near) {
  const why = h("input", { maxLength: 200, autocomplete: "off", "aria-label": `Why ${q.title} is taken back` });
  const off = h("button", { type: "button", class: "act", on: { click: () => on({ what: "disqualify", person, method: q.method, reason: why.value }, near, off) } }, "Take back");
  const until = q.until ? `until ${q.until}` : "without an end";
  return h("li", { "data-good": String(!q.expired) }, h("span", {}, h("b", {}, q.expired ? "▲ expired: " : "● "), `${q.title}, ${until}${q.note ? ` (${q.note})` : ""}; entered by ${q.by}`),
    h("span", { class: "form" }, h("label", {}, "Why ", why), off));
}

function qualifyForm(person, near) {
  const form = h("form", { class: "form" }, h("label", {}, "Qualified for ", h("select", { name: "method" })),
    h("label", {}, "Until the end of (empty: without an end) ", h("input", { name: "until", type: "date" })),
    h("label", {}, "Shown by ", h("input", { name: "note", maxLength: 200, autocomplete: "off" })), h("button", { class: "act" }, "Enter the qualification"));
  form.onsubmit = (event) => {
    event.preventDefault();
    const { method, until, note } = form.elements;
    on({ what: "qualify", person, method: method.value, until: until.value || null, note: note.value }, near, find("button", form));
  };
  return form;
}

function changeForm(person, near) {
  const form = h("form", { class: "form" }, h("label", {}, "Name ", h("input", { name: "name", maxLength: 40, autocomplete: "off", spellcheck: false })), ...roleBoxes(),
    secretField("New code (empty: as it is) ", "code"), secretField("New badge: click and scan ", "badge", true), h("button", { class: "act" }, "Change"));
  form.onsubmit = async (event) => {
    event.preventDefault();
    const what = { what: "change-person", person, name: form.elements.name.value, roles: rolesOf(form) };
    for (const secret of ["code", "badge"]) if (form.elements[secret].value.trim()) what[secret] = form.elements[secret].value.trim();
    await on(what, near, find("button", form));
    for (const secret of ["code", "badge"]) form.elements[secret].value = "";
  };
  return form;
}

function leaveForm(person, near) {
  const form = h("form", { class: "form" }, h("label", {}, "Why ", h("input", { name: "reason", maxLength: 200, autocomplete: "off" })), h("button", { class: "act" }, "Works here no more"));
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
  if (answer.ok) for (const field of [name, code, badge]) field.value = "";
});

follow("/people/view", draw);
