// Times: carried on by this machine's steady clock from the station's last word, never by its
// wall clock, and only while the station says that its own clock runs and is heard.

const heard = { wallMs: null, at: 0, running: false };
let zone = "UTC";
let shape = null;

/** The station has said what time it is. */
export function hear({ wallMs, running }) {
  heard.wallMs = wallMs;
  heard.running = running;
  heard.at = performance.now();
}

let halted = true;
/** Stops or frees every time on the page. */
export function halt(yes) {
  halted = yes;
}

/** The station's time now, milliseconds since 1970; `null` before its first word. */
export function wallNow() {
  if (heard.wallMs === null) return null;
  return heard.running && !halted ? heard.wallMs + (performance.now() - heard.at) : heard.wallMs;
}

/** Milliseconds that have run since `at` (of `performance.now()`), 0 while time stands. */
export function runSince(at) {
  return heard.running && !halted ? performance.now() - at : 0;
}

export const runs = () => heard.running && !halted;

export function setZone(name) {
  if (shape && name === zone) return;
  const make = (timeZone) => new Intl.DateTimeFormat("en-GB", {
    timeZone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit",
    hour: "2-digit", minute: "2-digit", second: "2-digit",
  });
  try {
    shape = make(name);
    zone = name;
  } catch {
    // This browser does not know the zone: better a right time with its name than a wrong one.
    shape = make("UTC");
    zone = "UTC";
  }
}

export const zoneName = () => zone;

function parts(ms) {
  if (!shape) setZone(zone);
  const found = {};
  for (const { type, value } of shape.formatToParts(ms)) found[type] = value;
  return found;
}

/** HH:MM:SS in the zone. */
export function clock(ms) {
  const p = parts(ms);
  return `${p.hour}:${p.minute}:${p.second}`;
}

/** HH:MM:SS today, with the date in front on any other day. */
export function when(ms, now = wallNow()) {
  const p = parts(ms);
  const day = `${p.year}-${p.month}-${p.day}`;
  const q = now === null ? null : parts(now);
  const today = q && day === `${q.year}-${q.month}-${q.day}`;
  return today ? `${p.hour}:${p.minute}:${p.second}` : `${day} ${p.hour}:${p.minute}:${p.second}`;
}

/** The day in the zone. */
export function day(ms) {
  const p = parts(ms);
  return `${p.year}-${p.month}-${p.day}`;
}

const utcOf = (p) => Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second);

/**
 * The last instant that showed HH:MM:SS in the zone, as milliseconds since 1970; `null` if the
 * text is no such time. An hour that came twice (end of summer time) means its later pass.
 */
export function lastInstantOf(text, now = wallNow()) {
  const found = /^\s*(\d{1,2})[:.](\d{2})(?:[:.](\d{2}))?\s*$/.exec(text);
  if (!found || now === null) return null;
  const [hour, minute, second] = [found[1], found[2], found[3] ?? "0"].map(Number);
  if (hour > 23 || minute > 59 || second > 59) return null;
  const candidates = [];
  for (const back of [0, 86_400_000]) {
    const day = parts(now - back);
    const wanted = utcOf({ ...day, hour, minute, second });
    for (const probe of [wanted - 43_200_000, wanted, wanted + 43_200_000]) {
      const offset = utcOf(parts(probe)) - Math.floor(probe / 1000) * 1000;
      const instant = wanted - offset;
      if (utcOf(parts(instant)) === wanted && instant <= now + 1000) candidates.push(instant);
    }
  }
  return candidates.length ? Math.max(...candidates) : null;
}

/** A length of time as m:ss or h:mm:ss. `up`: a started second counts (time still to wait). */
export function span(ms, up = false) {
  const s = Math.max(0, up ? Math.ceil(ms / 1000) : Math.floor(ms / 1000));
  const two = (n) => String(n).padStart(2, "0");
  const h = Math.floor(s / 3600);
  return h ? `${h}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}` : `${Math.floor(s / 60)}:${two(s % 60)}`;
}
