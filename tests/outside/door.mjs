// The page to sign on, and pages behind accounts, in a real browser.
//
//   ACCOUNTS='{"look": "…", …}' node door.mjs URL FOLDER
//
// `door.py` starts the station and calls this. Its certificate is a private authority's: that browsers
// and others verify it is looked at there.

import { readFileSync } from "node:fs";
import { check, listen, ready, require, withBrowser, wrong } from "./browser.mjs";

const AXE = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
const SIZES = [[1024, 600], [320, 568], [1280, 800]];
const accounts = JSON.parse(process.env.ACCOUNTS);

const fill = async (page, account, password) => {
  await page.locator("[name=account]").fill(account);
  await page.locator("[name=password]").fill(password);
  await page.locator("#entry button").click();
};

await withBrowser(async ({ browser, url, shot }) => {
  const context = await browser.newContext({ viewport: { width: 1024, height: 600 }, ignoreHTTPSErrors: true });
  const page = listen(await context.newPage(), [url]);
  await page.goto(`${url}/samples`);
  check(page.url() === `${url}/sign-on?to=/samples`, `who opens a page is led to the sign-on: ${page.url()}`);
  for (const theme of ["light", "dark", "contrast"]) {
    await page.evaluate((name) => localStorage.setItem("theme", name), theme);
    await page.reload();
    for (const [width, height] of SIZES) {
      await page.setViewportSize({ width, height });
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      check(over <= 0, `${theme}, ${width}: nothing is cut off sideways`);
      const wide = await page.locator("#entry input:not([type=checkbox]), #entry button").evaluateAll((all) => all.map((one) => one.getBoundingClientRect().width));
      check(Math.min(...wide) >= Math.min(width, 500) * 0.8, `${theme}, ${width}: fields and button are as wide as the form: ${wide.map(Math.round)}`);
      await shot(page, `sign-on-${theme}-${width}`);
    }
    await page.setViewportSize({ width: 1024, height: 600 });
    const boxes = await page.locator("#entry input:not([type=checkbox]), #entry button").evaluateAll((all) => all.map((one) => one.getBoundingClientRect()).map((b) => [b.height, b.bottom]));
    check(boxes.length === 3 && boxes.every(([high, low]) => high >= 60 && low <= 600), `${theme}: large fields, all seen at 1024x600: ${boxes.map(([h]) => h)}`);
    await page.evaluate(AXE);
    const found = await page.evaluate((tags) => globalThis.axe.run(document, { runOnly: tags }), TAGS);
    for (const v of found.violations) console.log(`      ${v.id}: ${v.help}; ${v.nodes[0].html.slice(0, 160)}`);
    check(found.violations.length === 0, `${theme}: axe finds nothing`);
  }
  await page.evaluate(() => localStorage.setItem("theme", "light"));
  await page.reload();

  await fill(page, "operate", "wrong on purpose");
  await page.locator(".said", { hasText: "do not belong together" }).waitFor();
  check(await page.locator("[name=password]").inputValue() === "", "a wrong password is taken out of its field");
  // The browser calls the answer 401 an error, and that is what it is.
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (wrong[n].includes("401")) wrong.splice(n, 1);

  // How long one waits is spoken once; the seconds that run down are for the eye alone. The answer is made
  // up here, so that nobody has to wait.
  await page.route("**/sign-on", (route) => (route.request().method() === "POST" ? route.fulfill({ status: 429, json: { detail: "too many were wrong: wait 3 s", againS: 3 } }) : route.continue()));
  await page.evaluate(() => {
    globalThis.spoken = [];
    new MutationObserver(() => globalThis.spoken.push(document.querySelector("#entry .said").textContent)).observe(document.querySelector("#entry .said"), { childList: true, characterData: true, subtree: true });
  });
  await fill(page, "look", "not the right one");
  await page.locator("#entry .left", { hasText: "1 s" }).waitFor();
  await page.waitForFunction(() => !document.querySelector("#entry button").disabled);
  const spoken = await page.evaluate(() => [...new Set(globalThis.spoken)]);
  check(spoken.includes("Too many were wrong. Next try in 3 s.") && spoken.filter((words) => /[0-9]/.test(words)).length === 1, `the wait is spoken once: ${spoken.join(" | ")}`);
  check(await page.locator("#entry .left").getAttribute("aria-hidden") === "true", "the seconds are not spoken");
  await page.unroute("**/sign-on");
  await page.route("**/sign-on", (route) => (route.request().method() === "POST" ? route.fulfill({ status: 403, json: { detail: "`Ada Field`, whose account this is, works here no more" } }) : route.continue()));
  await fill(page, "look", "not the right one");
  await page.locator("#entry .said[lang=en]", { hasText: "works here no more" }).waitFor();
  check(true, "what the station says of it is marked as English");
  await page.unroute("**/sign-on");
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (/console: .*(429|403)/.test(wrong[n])) wrong.splice(n, 1);

  await fill(page, "look", accounts.look);
  await page.waitForURL(`${url}/samples`);
  await ready(page);
  await page.locator("#menu-button").click();
  await page.locator(".own").waitFor();
  check(await page.locator("#menu-samples").isVisible() && !(await page.locator("#menu-settings").isVisible()) && !(await page.locator("#menu-people").isVisible()),
    "the menu shows what the account may open");
  check((await page.locator(".own").textContent()).includes("may look"), "and whose page it is");
  check(!(await page.evaluate(() => document.cookie)).includes("stillstand"), "no script reads the cookie");
  await page.route("**/sign-off", (route) => route.fulfill({ status: 503, json: { detail: "made up" } }));
  await page.locator(".own button").click();
  await page.locator(".own .said", { hasText: "you may still be signed on" }).waitFor();
  check(page.url() === `${url}/samples`, "where signing off failed the page stays and says so");
  await page.unroute("**/sign-off");
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (wrong[n].includes("503")) wrong.splice(n, 1);
  await page.goto(`${url}/sign-on?to=/records`);
  await page.locator("#is-on").waitFor();
  check((await page.locator("#is-on p").first().textContent()).includes("is signed on here") && await page.locator("#is-on a").getAttribute("href") === "/records",
    "the page to sign on says who is signed on, and leads on");
  await page.evaluate(AXE);
  const still = await page.evaluate((tags) => globalThis.axe.run(document, { runOnly: tags }), TAGS);
  check(still.violations.length === 0, `axe finds nothing there: ${still.violations.map((v) => v.id).join(" ")}`);
  await shot(page, "still-on");
  await page.locator("#is-on button").click();
  await page.waitForURL(`${url}/sign-on`);
  check(await page.evaluate(() => fetch("/sign-on/state").then((r) => r.json()).then((s) => s.on)) === null, "and signs off");

  await fill(page, "operate", accounts.operate);
  await page.waitForURL(`${url}/`);
  await ready(page);
  await page.waitForFunction(() => document.querySelector("#who").readOnly);
  check(await page.locator("#who").inputValue() === "Ada Field", "the page acts as the person of the account");
  check(await page.locator(".signing").count() === 0 || !(await page.locator(".signing").isVisible()), "and asks for no code");
  await page.locator("#register summary").click();
  await page.locator("#register [name=label]").fill("half a label");
  const other = await context.newPage();
  await other.goto(`${url}/samples`);
  await ready(other);
  await other.locator("#menu-button").click();
  await other.locator(".own button").click();
  await other.waitForURL(`${url}/sign-on`);
  await page.locator("#ended").waitFor({ timeout: 20_000 });
  check(await page.locator("#register [name=label]").inputValue() === "half a label", "when the sign-on has ended the page says so and keeps what was typed");
  const link = await page.locator("#ended .link").evaluate((a) => {
    const box = a.getBoundingClientRect();
    return a === document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  });
  check(link, "and nothing lies over the link to sign on");
  await shot(page, "ended");
  await fill(other, "operate", accounts.operate);
  await other.waitForURL(`${url}/`);
  await page.locator("#ended").waitFor({ state: "hidden", timeout: 20_000 });
  check(await page.locator("#register [name=label]").inputValue() === "half a label", "signed on again in another window it goes on");
  await other.close();

  // The first answer to whose page this is may be lost: it is asked for again while the page is open.
  const late = listen(await context.newPage(), [url]);
  let answers = 0;
  await late.route("**/sign-on/state", (route) => {
    answers += 1;
    return answers === 1 ? route.fulfill({ status: 503, json: {} }) : route.continue();
  });
  await late.goto(url);
  await ready(late);
  await late.waitForFunction(() => document.querySelector("#who").readOnly && document.querySelector("#who").value === "Ada Field", null, { timeout: 20_000 });
  check(answers > 1 && await late.locator(".own").count() === 1, "a page that did not learn whose it is asks again");
  await late.close();
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (wrong[n].includes("503")) wrong.splice(n, 1);

  const stranger = await browser.newContext({ viewport: { width: 1024, height: 600 }, ignoreHTTPSErrors: true });
  const room = listen(await stranger.newPage(), [url]);
  await room.goto(`${url}/room`);
  await ready(room);
  await room.waitForFunction(() => document.body.dataset.role === "none");
  check(await room.locator("main .act:visible").count() === 0 && !(await room.locator("#who").isVisible()), "the open room page offers no act");
  await shot(room, "room-without-an-account");
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (/console: .*401/.test(wrong[n])) wrong.splice(n, 1);
});
