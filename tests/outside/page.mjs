// Looks at the bench page with a real browser.
//
//   node page.mjs URL FOLDER
//
// Loads the page, checks that nothing is fetched from elsewhere and nothing is complained of,
// registers a sample by clicking, gives its tin a place, and takes screenshots into FOLDER.
// Ends with 1 and the reasons if something is wrong. `playwright-core` is looked for as usual, or
// in the folder that PLAYWRIGHT names.

import http from "node:http";
import { mkdirSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";

const [url, folder] = process.argv.slice(2);
if (!url || !folder) {
  console.error("usage: node page.mjs URL FOLDER");
  process.exit(64);
}
const require = createRequire(process.env.PLAYWRIGHT ? join(process.env.PLAYWRIGHT, "x.js") : import.meta.url);
const { chromium } = require("playwright-core");

const SIZES = [[800, 480], [1280, 800], [360, 740], [1920, 1080]];
const wrong = [];
const check = (good, words) => {
  console.log(`${good ? "ok   " : "WRONG"} ${words}`);
  if (!good) wrong.push(words);
};

/** Passes requests on to the station; while silent, nothing comes back and nothing is closed. */
async function silentRelay(target) {
  let silent = false;
  const server = http.createServer((request, response) => {
    if (silent) return;
    const headers = { ...request.headers, host: target.host };
    if (headers.origin) headers.origin = target.origin;
    const onward = http.request({ host: target.hostname, port: target.port, path: request.url, method: request.method, headers }, (answer) => {
      response.writeHead(answer.statusCode, answer.headers);
      answer.on("data", (chunk) => silent || response.write(chunk));
      answer.on("end", () => silent || response.end());
    });
    onward.on("error", () => response.destroy());
    response.on("close", () => onward.destroy());
    request.pipe(onward);
  });
  await new Promise((done) => server.listen(0, "127.0.0.1", done));
  return {
    url: `http://127.0.0.1:${server.address().port}/`,
    silent: (yes) => { silent = yes; },
    close: () => { server.closeAllConnections(); server.close(); },
  };
}

const relays = [];
mkdirSync(folder, { recursive: true });
const browser = await chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
try {
  const origin = new URL(url).origin;
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  page.on("console", (m) => m.type() === "error" && wrong.push(`console: ${m.text()}`));
  page.on("pageerror", (e) => wrong.push(`script: ${e.message}`));
  page.on("request", (r) => r.url().startsWith(origin) || relays.some((known) => r.url().startsWith(known.url)) || r.url().startsWith("data:") || wrong.push(`a request outside: ${r.url()}`));
  const shot = (name) => page.screenshot({ path: join(folder, `${name}.png`) });

  await page.goto(url);
  await page.waitForFunction(() => document.querySelector("#connected").textContent.includes("connected"));
  await page.waitForSelector(".place");
  check(await page.locator(".place").count() >= 8, "at least eight places are shown");
  const first = await page.locator("#time").textContent();
  await page.waitForFunction((t) => document.querySelector("#time").textContent !== t, first, { timeout: 15_000 });
  check(true, "the station's time goes on");

  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    for (const [width, height] of SIZES) {
      await page.setViewportSize({ width, height });
      await shot(`${scheme}-${width}x${height}`);
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      check(over <= 0, `nothing is cut off sideways at ${width}x${height}, ${scheme}`);
      const small = await page.evaluate(() => [...document.querySelectorAll("button, select, summary, .choice, input:not([type=checkbox])")]
        .filter((n) => n.offsetParent).map((n) => [n.textContent || n.name, n.getBoundingClientRect().height]).filter(([, h]) => h < 47.5));
      check(small.length === 0, `every target is 48 px high at ${width}x${height}, ${scheme} ${JSON.stringify(small)}`);
    }
  }
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize({ width: 1280, height: 800 });

  // An act by clicking: a sample, and a tin of it at a free place.
  const label = `look ${Date.now() % 100_000}`;
  await page.locator("#who").fill("Rehearsal Person");
  await page.locator("#register summary").click();
  await page.locator("#register [name=label]").fill(label);
  await page.locator("#register [name=specimens]").fill("1");
  await page.locator("#register button").click();
  await page.waitForSelector(`.sample h3 a:text-is("${label}")`);
  check(true, "a sample was registered by clicking");
  check((await page.locator("#register .said").textContent()).includes(label), "the outcome stands near the button");
  const free = page.locator(".place[data-empty]").first();
  if (await free.count()) {
    const id = await free.locator("h3").getAttribute("id");
    const card = page.locator(`.place:has(#${id})`);
    const option = await free.locator(`form.free select option:has-text("${label}")`).getAttribute("value");
    await free.locator("form.free select").selectOption(option);
    await free.locator("form.free button").click();
    await page.waitForFunction(([i, l]) => document.getElementById(i).textContent === `${l}-1`, [id, label]);
    check(true, "its tin took a place");
    // What is typed must outlive the views that come in while it is typed.
    const sheet = page.locator("#sheet");
    const more = () => card.locator("header .more").click();
    const close = () => sheet.locator(".close").click();
    await more();
    const when = sheet.locator(".missed [name=when]");
    await when.fill("25:99");
    await page.waitForTimeout(1500);
    check(await when.inputValue() === "25:99", "what is typed is kept while views come in");
    await sheet.locator(".missed button").click();
    check((await sheet.locator(".said").first().textContent()).includes("HH:MM:SS"), "an impossible time is answered beside the field");
    await close();
    await card.locator(".todo button.primary").click();
    await page.waitForFunction((i) => document.getElementById(i).closest(".place").querySelector(".said").dataset.kind === "done", id);
    check(true, "the next act was done by clicking");
    await page.waitForTimeout(700); // a press just after the act changed is not taken
    await more();
    await sheet.locator(".undo button").first().click();
    await sheet.locator(".corrections li form").waitFor();
    check(true, "it was taken back, and its reason is pending");
    await sheet.locator(".corrections [name=reason]").fill("to see whether it can be");
    await sheet.locator(".corrections button").click();
    await sheet.locator(".corrections .quiet").waitFor();
    check((await sheet.locator(".corrections").textContent()).includes("to see whether it can be"), "the reason was given afterwards");
    await sheet.locator(".correct details summary").click();
    check((await sheet.locator(".history").textContent()).includes("taken back"), "the history shows what was taken back");
    await shot("after-acts");
    // Something happened, and the place was wrong.
    await sheet.locator(".odd .notes button", { hasText: "Bumped" }).click();
    await sheet.locator(".noted li", { hasText: "Bumped" }).waitFor();
    check((await sheet.locator(".noted li").textContent()).includes("Rehearsal Person"), "a note at a touch carries the name");
    await shot("noted");
    const last = page.locator(".place").last();
    const number = await last.locator(".number").textContent();
    if (await last.getAttribute("data-empty") && await last.locator("h3").getAttribute("id") !== id) {
      await sheet.locator(".moved select").selectOption({ label: number });
      await sheet.locator(".moved button", { hasText: "always stood" }).click();
      await page.waitForFunction(([n, l]) => document.getElementById(`place-${n}`).textContent === l, [number, `${label}-1`]);
      check(await card.getAttribute("data-empty") === "yes", "a wrong place was corrected");
    }
    if (await sheet.isVisible()) await close();
    const sample = page.locator(`.sample:has(h3 a:text-is("${label}"))`);
    await sample.locator(".more > summary").click();
    await sample.locator(".plan input").fill("3");
    await sample.locator(".plan button").click();
    await sample.locator(".progress", { hasText: "of 3 specimens" }).waitFor();
    check(await sample.locator(".withdraw").isHidden(), "a sample with a specimen at work is not withdrawn");
  }
  const link = page.locator(".records a").first();
  if (await link.count()) {
    await page.goto(new URL(await link.getAttribute("href"), url).href);
    await page.waitForSelector(".record section");
    await shot("record");
    check(true, "a record can be read");
    const own = page.locator("main a[href^='/record/']").first(); // a sample's result leads to its specimens
    if (await own.count()) {
      await own.click();
      await page.waitForSelector(".correct");
    }
    const value = page.locator(".correct [name=value]");
    if (await value.isVisible()) {
      await page.locator("#who").fill("Rehearsal Person");
      const before = page.url();
      await page.waitForTimeout(1500); // until the station is heard
      await page.locator(".correct select[name=of]").selectOption("sand");
      await value.fill("13.4");
      await page.locator(".correct form:has([name=value]) button").click();
      await page.waitForSelector("text=This version has been replaced", { timeout: 15_000 });
      await page.locator("text=This version has been replaced").click();
      await page.waitForSelector("text=version 2");
      check(page.url() !== before && (await page.locator("main").textContent()).includes("pending"), "a corrected record is a new version, and the old one leads to it");
      await shot("record-corrected");
    }
    await page.goto(url);
    await page.waitForSelector(".place");
  }

  // A lost connection, through a relay that falls silent without closing anything: the page must
  // notice by itself, stand still, keep what is typed, and come back.
  const relay = await silentRelay(new URL(url));
  relays.push(relay);
  await page.goto(relay.url);
  await page.waitForSelector(".place");
  await page.locator("#register summary").click();
  await page.locator("#register [name=label]").fill("half typed");
  relay.silent(true);
  const cut = Date.now();
  await page.waitForSelector("#lost:not([hidden])", { timeout: 8000 });
  check(Date.now() - cut < 3500, `the lost connection was shown after ${Date.now() - cut} ms`);
  const times = () => page.evaluate(() => [...document.querySelectorAll("#time, .digits, .when")].map((n) => n.textContent).join(" "));
  const stood = await times();
  await page.waitForTimeout(2500);
  check(await times() === stood, "every time stands still while the connection is lost");
  for (const [width, height] of SIZES.slice(0, 3)) {
    await page.setViewportSize({ width, height });
    await shot(`lost-${width}x${height}`);
  }
  relay.silent(false);
  await page.waitForSelector("#lost", { state: "hidden", timeout: 15_000 });
  check(await page.locator("#register [name=label]").inputValue() === "half typed", "it came back by itself, with what was typed");
} catch (error) {
  wrong.push(error.message);
} finally {
  await browser.close();
  for (const relay of relays) relay.close();
}
for (const words of wrong) console.error(`page: ${words}`);
process.exit(wrong.length ? 1 : 0);
