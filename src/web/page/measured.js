// What some methods ask for beside their levels: strokes that were counted, moisture and fines of
// the material, corrective sand. A method that asks for none of it shows none of it.

import { capital, h, rebuilt } from "./dom.js";
import { act } from "./link.js";
import { named, t } from "./words.js";

/** One line in the card: how many strokes? Only while the number is missing, or is asked for again. */
export function drawCounts(box, specimen, said) {
  const open = specimen.complete || specimen.voided !== null ? [] : specimen.counts;
  rebuilt(box, [specimen.id, open], () => open.map((count) => countForm(box, count, said)));
  box.specimen = specimen;
}

function countForm(box, count, said) {
  const { step, word, number, required } = count;
  const entered = number !== null;
  const counted = named("counted", word);
  const send = h("button", { class: "act" }, entered ? t("counts.again") : t("counts.enter", { counted }));
  const what = t("counts.of", { counted: capital(counted), step: named("step", step) });
  const form = h("form", { class: "form count-of" },
    h("label", {}, `${what}${required ? ` (${required})` : ""}${entered ? `: ${t("counts.entered", { number })}` : ""}`,
      h("input", { name: "number", inputMode: "numeric", autocomplete: "off", size: 5, maxLength: 6 })),
    send);
  form.onsubmit = async (event) => {
    event.preventDefault();
    const digits = form.elements.number.value.trim();
    if (!/^[0-9]+$/.test(digits)) return form.elements.number.focus();
    const { id, version } = box.specimen;
    await act({ act: "measure", what: "count", specimen: id, step, number: Number(digits) }, { near: said, button: send, seen: version });
    return undefined;
  };
  return form;
}

/** What the specimen weighs, in a sentence; empty where its method does not ask. */
export function portionWords({ portionMasses: masses }) {
  if (!masses) return "";
  if (masses.needs) return t("portion.needs", { what: named("property", masses.needs) });
  return masses.correctiveSand ? t("portion.with-sand", masses) : t("portion.mass", masses);
}

/** Moisture and fines in the sample's panel. */
export function drawMaterial(box, sample, near) {
  rebuilt(box, [sample.id, sample.material], () => (sample.material ?? []).map((one) => {
    const send = h("button", { class: "act" }, one.percent === null ? t("material.state") : t("material.again"));
    const form = h("form", { class: "form" },
      h("label", {}, `${t("material.percent", { what: capital(named("property", one.word)) })}${one.percent === null ? "" : `: ${one.percent}`}`,
        h("input", { name: "percent", inputMode: "decimal", autocomplete: "off", size: 6, maxLength: 8 })),
      send);
    form.onsubmit = async (event) => {
      event.preventDefault();
      const percent = form.elements.percent.value.trim().replace(",", ".");
      if (!percent) return form.elements.percent.focus();
      const answer = await act({ act: "measure", what: "state-material", sample: sample.id, of: one.of, percent }, { near, button: send });
      if (answer.ok) form.elements.percent.value = "";
      return undefined;
    };
    return form;
  }));
}

export const weighCorrective = (id) => ({ act: "measure", what: "await-corrective-sand", specimen: id });

/** The parts of a record that only such methods have. */
export function recordParts(data, { table, facts, amount, instant, by }) {
  const range = (r) => (r ? `${t("window.between", { from: r.min ?? "", to: r.max ?? "" })} ${r.unit === "1" ? "" : r.unit}` : t("portion.no-limit"));
  const percent = (p) => (p ? `${p.text} %, ${instant(p.at)}, ${by(p.at.by)}` : t("portion.not-stated"));
  const { counts, portion } = data;
  return [
    counts && table(t("counts.title"), [t("counts.step"), t("counts.number"), t("portion.required"), t("counts.when")], counts.map((c) => [
      named("step", c.step), countWords(c), range(c.required), c.at ? `${instant(c.at)}, ${by(c.at.by)}` : ""])),
    portion && facts(t("portion.title"), [
      [capital(named("property", "moisture content")), percent(portion.moisture)],
      [capital(named("property", "fines content")), percent(portion.fines)],
      [t("portion.required"), portion.required && range(portion.required)],
      [t("portion.sand"), portion.correctiveSand && sandWords(portion.correctiveSand, range, amount)]]),
  ].filter(Boolean);
}

function countWords({ number, counted }) {
  const what = named("counted", counted);
  return number === null ? t("counts.missing", { counted: what }) : `${number} ${what}`;
}

const sandWords = ({ required, mass }, range, amount) => (mass
  ? t("portion.sand-weighed", { required: range(required), mass: amount(mass) })
  : t("portion.sand-not-weighed", { required: range(required) }));
