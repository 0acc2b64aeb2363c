// What some methods ask for beside their levels: strokes that were counted, moisture and fines of
// the material, corrective sand. A method that asks for none of it shows none of it.

import { h, rebuilt } from "./dom.js";
import { act } from "./link.js";

const capital = (words) => words[0].toUpperCase() + words.slice(1);

/** One line in the card: how many strokes? Only while the number is missing, or is asked for again. */
export function drawCounts(box, specimen, said) {
  const open = specimen.complete || specimen.voided !== null ? [] : specimen.counts;
  rebuilt(box, [specimen.id, open], () => open.map((count) => countForm(box, count, said)));
  box.specimen = specimen;
}

function countForm(box, count, said) {
  const { step, word, number, required } = count;
  const entered = number !== null;
  const send = h("button", { class: "act" }, entered ? "Enter again" : `Enter the ${word}`);
  const form = h("form", { class: "form count-of" },
    h("label", {}, `${capital(word)} of ${step}${required ? ` (${required})` : ""}${entered ? `: ${number} entered ` : " "}`,
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
  if (masses.needs) return `Its mass needs the ${masses.needs} of the sample`;
  return `Portion: ${masses.portion}${masses.correctiveSand ? `, and corrective sand: ${masses.correctiveSand}` : ""}`;
}

/** Moisture and fines in the sample's panel. */
export function drawMaterial(box, sample, near) {
  rebuilt(box, [sample.id, sample.material], () => (sample.material ?? []).map((one) => {
    const send = h("button", { class: "act" }, one.percent === null ? "State it" : "State it again");
    const form = h("form", { class: "form" },
      h("label", {}, `${capital(one.word)} in percent${one.percent === null ? " " : `: ${one.percent} `}`,
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
  const range = (r) => (r ? `${r.min ?? ""} to ${r.max ?? ""} ${r.unit === "1" ? "" : r.unit}` : "no limit");
  const percent = (p) => (p ? `${p.text} %, ${instant(p.at)}, ${by(p.at.by)}` : "not stated");
  const { counts, portion } = data;
  return [
    counts && table("Counted", ["Step", "Number", "Required", "When and by whom"], counts.map((c) => [
      c.step, c.number === null ? `${c.counted}: not entered` : `${c.number} ${c.counted}`, range(c.required),
      c.at ? `${instant(c.at)}, ${by(c.at.by)}` : ""])),
    portion && facts("Portion, on the dry basis", [
      ["Moisture content", percent(portion.moisture)], ["Fines content", percent(portion.fines)],
      ["Required", portion.required && range(portion.required)],
      ["Corrective sand", portion.correctiveSand && `${range(portion.correctiveSand.required)}; weighed: ${portion.correctiveSand.mass ? amount(portion.correctiveSand.mass) : "no"}`]]),
  ].filter(Boolean);
}
