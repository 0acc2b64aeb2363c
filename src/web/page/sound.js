// Sounds, made here: a window that is about to open, one that is open, one that is overrun, and an
// alarm. Each has a shape of its own, so that nobody needs to look. Silent until somebody asks for
// them, for each person and browser.

import { h, mark, text } from "./dom.js";
import { t } from "./words.js";

/** Notes of each sound: hertz, start and length in seconds. */
const SOUNDS = {
  approaching: [[660, 0, 0.18]],
  due: [[660, 0, 0.16], [880, 0.2, 0.3]],
  overdue: [[880, 0, 0.12], [880, 0.2, 0.12], [880, 0.4, 0.12], [588, 0.6, 0.3]],
  alarm: [[520, 0, 0.3], [392, 0.35, 0.3], [520, 0.7, 0.3]],
};
/** An overrun is told again after this time, milliseconds, as long as it lasts. */
const AGAIN_MS = 15_000;

let audio = null;
let pressed = null;
const overdue = new Map();

const person = () => document.querySelector("#who")?.value.trim() || "anybody";
const key = () => `sound ${person()}`;

function wanted() {
  try {
    return localStorage.getItem(key()) === "on";
  } catch {
    return audio !== null;
  }
}

/** Whether sounds are heard now. */
export const isOn = () => wanted() && audio?.state === "running";

/** A browser lets a page sound only after somebody has touched it: this is the touch. */
async function allow() {
  audio ??= new AudioContext();
  await audio.resume();
}

/** The button that turns sounds on and off for whoever works here. */
export function button() {
  pressed = h("button", { type: "button", class: "act", id: "sound" });
  pressed.addEventListener("click", async () => {
    const on = !isOn();
    if (on) await allow();
    try {
      localStorage.setItem(key(), on ? "on" : "off");
    } catch {
      if (!on) audio = null;
    }
    draw();
    if (on) play("due");
  });
  // What was asked for on an earlier day is asked for again: the next touch of anything gives leave.
  addEventListener("click", (event) => {
    if (!pressed.contains(event.target) && wanted() && !isOn()) allow().then(draw);
  }, { capture: true });
  for (const type of ["change", "chosen"]) document.querySelector("#who")?.addEventListener(type, draw);
  draw();
  return pressed;
}

function draw() {
  if (!pressed) return;
  const state = isOn() ? "on" : wanted() ? "touch" : "off";
  text(pressed, t(`sound.${state}`));
  mark(pressed, "state", state);
  pressed.setAttribute("aria-pressed", String(isOn()));
}

/** Plays a sound, if they are on. */
export function play(name) {
  document.body.dataset.sounded = name;
  if (!isOn()) return;
  const start = audio.currentTime + 0.02;
  for (const [hertz, at, length] of SOUNDS[name]) {
    const tone = new OscillatorNode(audio, { type: "triangle", frequency: hertz });
    const loud = new GainNode(audio, { gain: 0 });
    loud.gain.setValueAtTime(0, start + at);
    loud.gain.linearRampToValueAtTime(0.5, start + at + 0.015);
    loud.gain.setValueAtTime(0.5, start + at + length - 0.03);
    loud.gain.linearRampToValueAtTime(0, start + at + length);
    tone.connect(loud).connect(audio.destination);
    tone.start(start + at);
    tone.stop(start + at + length);
  }
}

/** A place has come to another stage of its interval, or is still in it. */
export function stage(place, before, now) {
  if (now === "over") {
    const last = overdue.get(place) ?? -Infinity;
    if (performance.now() - last < AGAIN_MS) return;
    overdue.set(place, performance.now());
    play("overdue");
    return;
  }
  overdue.delete(place);
  if (before === null || before === now) return;
  if (now === "soon") play("approaching");
  if (now === "open") play("due");
}
