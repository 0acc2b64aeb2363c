// Every page in each theme and at each size, looked at by `axe-core` (WCAG 2.2, levels A and AA), with
// its weight and the time until it is first painted. Where the pages speak another language than the
// station, once, and then the station's own words must say that they are English (WCAG 3.1.2).
//
//   node axe.mjs URL FOLDER
//
// The station's journal should hold something: run-all gives one that a rehearsal left.

import { readFileSync } from "node:fs";
import { gzipSync } from "node:zlib";
import { check, listen, ready, require, withBrowser } from "./browser.mjs";

const AXE = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const THEMES = ["light", "dark", "contrast"];
const SIZES = [[320, 640], [1024, 600], [1920, 1080]];
/** What holds words of the station alone, wherever it stands. */
const ENGLISH = ".instruction, .alarm summary b, .alarm .text, .cautions li, .deviations li b, .acceptance p:not(.quiet), .switches span";
/** Compressed bytes of all that a page takes before it is first painted. */
const MOST = 100 * 1024;

await withBrowser(async ({ browser, url, shot }) => {
  const pages = await addresses(url);
  const weighed = new Set();
  const language = /lang="(\w+)"/.exec(await (await fetch(`${url}/`)).text())[1];
  let english = 0;
  for (const theme of language === "en" ? THEMES : THEMES.slice(0, 1)) {
    const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
    await context.addInitScript((name) => localStorage.setItem("theme", name), theme);
    const page = listen(await context.newPage(), [url]);
    for (const [name, path] of pages) {
      const loads = [];
      const heard = (response) => loads.push(response);
      page.on("response", heard);
      await page.goto(url + path);
      if (await page.locator("body.waiting").count()) await ready(page);
      await page.waitForTimeout(400);
      page.off("response", heard);
      if (!weighed.has(name)) {
        weighed.add(name);
        await weigh(page, name, loads);
      }
      for (const [width, height] of SIZES) {
        await page.setViewportSize({ width, height });
        const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        check(over <= 0, `${name}, ${theme}: nothing is cut off sideways at ${width} px`);
      }
      await page.setViewportSize({ width: 1280, height: 800 });
      await page.evaluate(AXE);
      const found = await page.evaluate((tags) => globalThis.axe.run(document, { runOnly: tags }), TAGS);
      for (const v of found.violations) console.log(`      ${v.id}: ${v.help}; ${v.nodes.slice(0, 3).map((n) => `${n.html.slice(0, 120)} (${n.any[0]?.message ?? n.failureSummary ?? ""})`).join(" | ")}`);
      if (language !== "en") english += await marked(page, name);
      check(found.violations.length === 0, `${name}, ${theme}: no violation in ${found.passes.length} rules that apply`);
      if (theme !== "contrast" || name === "bench") await shot(page, `${name}-${theme}`, { fullPage: true });
    }
    await context.close();
  }
  if (language !== "en") check(english > 5, `${english} parts in the station's English were looked at`);
});

/** How many parts hold words of the station; each must say that it is English. */
async function marked(page, name) {
  const parts = await page.evaluate((english) => [...document.querySelectorAll(english)].filter((node) => node.textContent.trim())
    .map((node) => [node.closest("[lang]").lang === "en" || [...node.querySelectorAll("[lang=en]")].length > 0, node.textContent.slice(0, 50)]), ENGLISH);
  const silent = parts.filter(([good]) => !good).map(([, words]) => words);
  check(silent.length === 0, `${name}: the station's English says that it is English ${silent.join(" | ")}`);
  return parts.length;
}

/** Each page, and one record, one sample, one report and one label of those that there are. */
async function addresses(url) {
  const get = async (path) => (await fetch(url + path)).json();
  const pages = ["bench", "room", "samples", "review", "solutions", "equipment", "records", "charts", "people", "settings"].map((name) => [name, name === "bench" ? "/" : `/${name}`]);
  const { documents } = await get("/documents?kind=record");
  const record = documents[0];
  if (record) pages.push(["record", `/record/${record.id}`]);
  const { samples } = await get("/samples/list?days=31");
  if (samples[0]) for (const [name, path] of [["sample", `/samples/${samples[0].id}`], ["report", `/report/${samples[0].id}`], ["label", `/samples/${samples[0].id}/label`]]) pages.push([name, path]);
  check(pages.length === 14, "the journal holds a record and a sample to look at");
  return pages;
}

async function weigh(page, name, loads) {
  let bytes = 0;
  for (const response of loads.filter((r) => /\/(page\/|$)|\/[a-z]+$/.test(new URL(r.url()).pathname) || r.request().isNavigationRequest())) {
    if (response.url().includes("/events")) continue;
    const body = await response.body().catch(() => Buffer.alloc(0));
    bytes += gzipSync(body).length;
  }
  const painted = await page.evaluate(() => performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? null);
  console.log(`      ${name}: ${(bytes / 1024).toFixed(1)} KB compressed, first painted after ${painted === null ? "?" : Math.round(painted)} ms`);
  check(bytes > 0 && bytes < MOST, `${name} takes less than 100 KB compressed`);
}
