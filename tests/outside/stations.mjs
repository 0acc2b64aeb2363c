// Two stations at one broker, in a real browser: the page of the room shows the other one beside its own
// places, says within seconds that it was killed, and offers no act for it.
//
// usage: OTHER_URL=… OTHER_PID=… node stations.mjs URL FOLDER

import { randomUUID } from "node:crypto";
import { check, listen, ready, withBrowser } from "./browser.mjs";

const { OTHER_URL, OTHER_PID } = process.env;

/** An act at the other station, as its own page would make it. */
async function act(what) {
  const body = JSON.stringify({ id: randomUUID(), who: "Ada Field", do: what });
  const answer = await fetch(`${OTHER_URL}/act`, { method: "POST", headers: { "content-type": "application/json" }, body });
  const said = await answer.json();
  if (!answer.ok) throw new Error(`${what.act}: ${JSON.stringify(said)}`);
  return said.made;
}

const words = (page, selector) => page.locator(selector).textContent();
const seconds = (digits) => digits.replace("+", "").split(":").reduce((sum, part) => sum * 60 + Number(part), 0);

await withBrowser(async ({ browser, url, shot }) => {
  const page = listen(await browser.newPage({ viewport: { width: 1280, height: 800 } }), [url]);
  await page.goto(`${url}/room`);
  await ready(page);
  const strip = (id) => `.strip-of:has(#other-${id})`;
  const two = strip("bench-2");
  await page.waitForSelector(`${two}[data-stand="fresh"]`, { timeout: 20_000 });
  check((await words(page, `${two} h3`)) === "Bench two (bench-2)", "the other station is named");
  check((await words(page, `${two} .placed`)).includes("No place is at work."), "an idle bench says so");
  check((await words(page, `${two} .alarmed`)).includes("No alarm.") && (await words(page, `${two} .resulted h4`)) === "Today's results", "no alarm, and results of today");
  check((await words(page, `${two} .warm`)).includes("no reading"), "no probe is no temperature");
  check((await page.getAttribute(strip("bench-3"), "data-stand")) === "unheard", "a station that is named and never came is missed");
  check(await page.locator(`${strip("bench-3")} .age`).textContent() === "▲ Never heard", "in words too");

  const method = "aashto-t176-mechanical";
  const sample = await act({ act: "register-sample", label: "Q-7", method, specimens: 1 });
  const specimen = await act({ act: "register-specimen", sample, place: 3 });
  const marks = [["first fill", "done"], ["tap", "done"], ["soak", "begin"]];
  for (const [step, edge] of marks) await act({ act: "mark", specimen, step, edge }).catch((error) => step === "tap" ? null : Promise.reject(error));
  const row = `${two} .placed li`;
  await page.waitForFunction((at) => document.querySelector(`${at} .digits`)?.textContent !== "", row, { timeout: 10_000 });
  check((await words(page, `${row} .number`)) === "3" && (await words(page, `${row} .what b`)).startsWith("Q-7"), "place and label of the other bench");
  const first = seconds(await words(page, `${row} .digits`));
  await page.waitForFunction(([at, than]) => {
    const [m, s] = document.querySelector(`${at} .digits`).textContent.replace("+", "").split(":").map(Number);
    return Math.abs(m * 60 + s - than) >= 2;
  }, [row, first], { timeout: 10_000 });
  // The soak's window opens after nine minutes (T 176: 10 ± 1 min).
  check(first <= 540 && first > 500, `the time left counts down to the ninth minute: ${first} s`);
  check((await page.locator(`.others :is(button, input, a, summary)`).count()) === 0, "no act is offered for another station");
  await shot(page, "two-stations", { fullPage: true });

  process.kill(Number(OTHER_PID), "SIGKILL");
  const killed = Date.now();
  await page.waitForSelector(`${two}:not([data-stand="fresh"])`, { timeout: 20_000 });
  const after = (Date.now() - killed) / 1000;
  check(after < 9, `a killed station is greyed after ${after.toFixed(1)} s`);
  const said = await words(page, `${two} .age`);
  check(/Not heard for|connection is gone/.test(said), `and it is said: ${said}`);
  await page.waitForFunction((at) => document.querySelector(`${at} .age`).textContent.includes("connection is gone"), two, { timeout: 20_000 });
  check((await words(page, `${two} .resulted h4`)) === `Results of ${new Date().toISOString().slice(0, 10)}`, "what stands there is of that day, not of today");
  const frozen = await words(page, `${row} .digits`);
  for (let answers = 0; answers < 3; answers += 1) await page.waitForResponse(`${url}/room/stations`);
  check((await words(page, `${row} .digits`)) === frozen, "its times stand still");
  await shot(page, "one-killed", { fullPage: true });

  // How a forecast is drawn and told: the figures are made up here, the station's own are held by its tests.
  const now = Date.now();
  const minute = 60_000;
  const runs = [Array.from({ length: 40 }, (_, n) => [now - (40 - n) * minute, 22 + n * 0.06, 22.05 + n * 0.06])];
  const band = Array.from({ length: 9 }, (_, n) => [now + n * 5 * minute, 24.3 + n * 0.1, 24.4 + n * 0.15, 24.5 + n * 0.2]);
  const crosses = { kind: "leaves", bestMin: 20, soonestMin: 15, latestMin: 31 };
  const made = { fromMs: now - 240 * minute, toMs: now, unit: "°C", limits: { min: 19, max: 25 }, runs, forecast: { band, crosses } };
  await page.route("**/room/temperatures*", (route) => route.fulfill({ json: made }));
  await page.locator("#hours").selectOption("2");
  await page.waitForSelector(".ahead-band");
  check((await words(page, ".ahead-word")) === "forecast", "the forecast is a band of its own, with the word");
  check((await words(page, ".told")).includes("out of limits in about 20 min (between 15 and 31)"), "and a sentence");
  await shot(page, "forecast");
  made.forecast.crosses = { kind: "returns", bestMin: 5, soonestMin: 4, latestMin: 7 };
  await page.locator("#hours").selectOption("4");
  await page.waitForFunction(() => document.querySelector(".told").textContent.includes("back within limits in about 5 min (between 4 and 7)"));
  check(!(await words(page, ".told")).includes("out of limits"), "outside its limits it is told when it comes back");

  // What another station may say, and what its strip says of it; the document is made up here.
  const old = {
    title: "Bench two", rehearsal: false, clockRuns: true, atMs: now - 26 * 60 * minute, ageMs: 25 * 60 * minute, clockOffMs: 0, waiting: null, temperature: null, places: [],
    alarms: [], moreAlarms: 0, alarmsAside: 2, results: [{ label: "Q-9", reported: "41", verdict: null, limit: null }], moreResults: 0, earlierMissing: true,
  };
  const known = { follows: true, linked: false, why: "connection refused", cut: false, silentMs: 6000, stations: [{ id: "bench-2", stand: "gone", presence: "lost", refused: "its overview cannot be read", said: old }] };
  await page.route("**/room/stations", (route) => route.fulfill({ json: known }));
  await page.locator(`${two} .alarmed`, { hasText: "2 put aside" }).waitFor();
  check(!(await words(page, `${two} .alarmed`)).includes("No alarm"), "alarms that are put aside are not 'no alarm'");
  check((await words(page, `${two} .resulted`)).includes("earlier samples of the day are not listed"), "what is missing of the day is said");
  check((await words(page, `${two} .waits`)).includes("not counted yet"), "what nobody has counted is not none");
  const day = new Date(old.atMs).toISOString().slice(0, 10);
  check((await words(page, `${two} .resulted h4`)) === `Results of ${day}` && (await words(page, `${two} .age`)).includes(day), "a state of yesterday bears its date");
  const english = await page.locator(".link-words [lang=en], .strip-of .refused [lang=en]").allTextContents();
  check(JSON.stringify(english) === JSON.stringify([known.why, known.stations[0].refused]), `the station's English says that it is English: ${english.join(" | ")}`);
  await shot(page, "of-yesterday", { fullPage: true });
});
