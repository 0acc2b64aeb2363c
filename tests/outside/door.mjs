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

  await fill(page, "look", accounts.look);
  await page.waitForURL(`${url}/samples`);
  await ready(page);
  await page.locator("#menu-button").click();
  await page.locator(".own").waitFor();
  check(await page.locator("#menu-samples").isVisible() && !(await page.locator("#menu-settings").isVisible()) && !(await page.locator("#menu-people").isVisible()),
    "the menu shows what the account may open");
  check((await page.locator(".own").textContent()).includes("may look"), "and whose page it is");
  check(!(await page.evaluate(() => document.cookie)).includes("stillstand"), "no script reads the cookie");
  await page.locator(".own button").click();
  await page.waitForURL(`${url}/sign-on`);

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

  const stranger = await browser.newContext({ viewport: { width: 1024, height: 600 }, ignoreHTTPSErrors: true });
  const room = listen(await stranger.newPage(), [url]);
  await room.goto(`${url}/room`);
  await ready(room);
  await room.waitForFunction(() => document.body.dataset.role === "none");
  check(await room.locator("main .act:visible").count() === 0 && !(await room.locator("#who").isVisible()), "the open room page offers no act");
  await shot(room, "room-without-an-account");
  for (let n = wrong.length - 1; n >= 0; n -= 1) if (/console: .*401/.test(wrong[n])) wrong.splice(n, 1);
});
