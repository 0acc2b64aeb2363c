// Who works here. Without a register of people the field at the top holds a name, as it was typed.
// With one it gives way to the people who are signed on, and to a field for the code; a badge that
// is scanned anywhere signs on too. `#who` always holds the name that acts carry.

import { button, find, h, mark, options, said as outcome, show, text } from "./dom.js";
import { act } from "./link.js";
import { listen } from "./scan.js";
import { count, t } from "./words.js";

let people = null;
let made = null;
let wanted = null;
let owner = null;

/** The field with the name: kept from one day to the next in this browser. */
export function bind(field) {
  try {
    field.value = localStorage.getItem("who") ?? "";
    field.addEventListener("change", () => localStorage.setItem("who", field.value.trim()));
  } catch {
    // A browser that keeps nothing: the name is asked for again after a reload.
  }
}

/** The page is one person's, by account: no other name, no code. */
export function own(name) {
  owner = name;
  const field = find("#who");
  if (!field) return;
  field.value = name;
  field.readOnly = true;
  field.dispatchEvent(new Event("chosen"));
  // The stream may have said before whose page this is that people sign on here.
  people = null;
  mark(document.body, "people", null);
  if (made) show(made, false);
}

/** The view's words on people and review: on every page that hears the station. */
export function hear(view) {
  const review = find("#menu-review");
  if (review) {
    show(review, Boolean(view.review));
    const { waiting = 0, returned = 0 } = view.review ?? {};
    const words = [waiting > 0 && count("review.waiting", waiting), returned > 0 && count("review.returned", returned)].filter(Boolean).join(", ");
    text(review, words ? `${t("menu.review")}: ${words}` : t("menu.review"));
  }
  people = view.people?.needed && !owner ? view.people : null;
  const field = find("#who");
  if (!field) return;
  if (people && !made) make(field);
  if (!made) return;
  mark(document.body, "people", people ? "kept" : null);
  show(made, Boolean(people));
  if (people) draw(field);
}

/** People sign on here. */
export const isKept = () => people !== null;

function make(field) {
  const code = h("input", { name: "code", class: "code", maxLength: 12, autocomplete: "off", spellcheck: false, size: 6, "aria-label": t("sign.code-name"), placeholder: t("sign.code") });
  const on = h("select", { name: "on", "aria-label": t("sign.who") });
  const off = button(t("sign.off"), signOff);
  const said = outcome();
  said.setAttribute("role", "status");
  made = h("form", { class: "signing" }, on, off, code, h("button", { class: "act" }, t("sign.on")), said);
  on.onchange = () => choose(field, on.value);
  made.onsubmit = async (event) => {
    event.preventDefault();
    const typed = code.value.trim();
    if (typed) await signOn({ code: typed }, said);
    code.value = "";
  };
  field.closest(".who").after(made);
  listen();
}

function draw(field) {
  const names = people.on.map((p) => p.name);
  const came = people.on.find((p) => p.id === wanted);
  if (came) wanted = null;
  // Nobody slips into the place of somebody whose sign-on has ended: whoever acts next says who it is.
  const kept = names.includes(field.value) ? field.value : field.value === "" && names.length === 1 ? names[0] : "";
  const now = came ? came.name : kept;
  options(made.elements.on, [["", names.length ? t("sign.choose") : t("sign.nobody")], ...names.map((name) => [name, name])]);
  if (made.elements.on.value !== now) made.elements.on.value = now;
  if (field.value !== now) choose(field, now);
  mark(made, "nobody", now === "" ? "yes" : null);
  show(find("button[type=button]", made), now !== "");
}

function choose(field, name) {
  field.value = name;
  field.dispatchEvent(new Event("chosen"));
  mark(made, "nobody", name === "" ? "yes" : null);
  try {
    localStorage.setItem("who", name);
  } catch {
    // A browser that keeps nothing: whoever is alone is chosen anyway.
  }
}

async function signOn(by, near) {
  const answer = await act({ act: "review", what: "sign-on", ...by }, { near });
  if (answer.ok) {
    wanted = answer.made;
    if (near) setTimeout(() => text(near, ""), 4000);
  }
  return answer;
}

async function signOff() {
  const name = find("#who").value;
  const person = people?.on.find((p) => p.name === name);
  const near = find(".said", made);
  if (!person) return;
  const answer = await act({ act: "review", what: "sign-off", person: person.id }, { near });
  if (answer.ok) setTimeout(() => text(near, ""), 4000);
}

/** A scan that is no sample's may be a badge. */
export const badge = (scan) => signOn({ badge: scan }, null);
