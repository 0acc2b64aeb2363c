// A sample is prepared step by step in a real browser, with a balance on a line.
//
//   node preparation.mjs URL FOLDER
//
// The station's method has a tempering and a drying of seconds (see `run-all`). PIPE names the pipe of
// `balance.py`. Everything is done by the buttons and fields of the page, without a mouse where a
// keyboard is asked for; screenshots go into FOLDER. Ends with 1 and the reasons if something is wrong.

import { appendFileSync } from "node:fs";
import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

if (!process.env.PIPE) {
  console.error("usage: PIPE=… node preparation.mjs URL FOLDER");
  process.exit(64);
}
const weigh = (grams) => appendFileSync(process.env.PIPE, `${grams}\n`);

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const page = listen(await browser.newPage({ viewport: { width: 1280, height: 900 } }), [base]);
  const shot = (name) => picture(page, join(folder, `preparation-${name}.png`));
  const large = page.locator("#course .card[data-large]");
  const isNext = async (words) => {
    await page.waitForFunction((t) => document.querySelector("#course .card[data-large] h3")?.textContent.includes(t), words, { timeout: 15_000 });
  };
  const press = (name) => page.locator("#course").getByRole("button", { name, exact: true }).first().click();
  const open = async (title) => {
    await page.locator("#course").getByText(title, { exact: true }).first().click();
  };

  await page.goto(url);
  await page.waitForFunction(() => document.querySelector("#connected").textContent.includes("connected"));
  await page.fill("#who", "Ada Brook");
  await page.locator("#who").blur();
  await page.locator("#register summary").click();
  await page.fill("#register [name=label]", "Quarry fines 31");
  await page.fill("#register [name=specimens]", "2");
  await page.locator("#register button").click();
  await page.getByRole("link", { name: "Prepare step by step" }).click();
  await page.waitForSelector("#course:not([hidden])");
  check(await page.locator("#course .acts button").count() === 4, "the method's four ways are offered");
  await press("Oven-dry reference: the tin by alternate method 2, then dried");
  await isNext("Sieve");
  await shot("begun");
  await press("Done");
  await isNext("Keep the fines");
  await press("Done");
  await isNext("Weigh what passed");
  await press("Weigh");
  await page.waitForFunction(() => document.querySelector("#course .awaited")?.textContent.includes("next stable mass"));
  weigh("950.4");
  await isNext("Reduce");
  check((await page.locator("#course .steps").textContent()).includes("▼ below"), "a mass under the range is shown");
  for (const step of ["Reduce", "Weigh what is left"]) {
    await isNext(step);
    await open("Not done here");
    await large.getByLabel("Why").fill("not done here");
    await press("Skip this step");
  }
  await isNext("Squeeze a cast");
  await press("Free water: too wet");
  await page.waitForFunction(() => document.querySelector("#course").textContent.includes("More fragile than the first cast"));
  check(await page.getByRole("button", { name: "Good: it can be handled" }).count() === 0, "after free water a good cast is no answer");
  await shot("too-wet");
  await press("More fragile than the first cast");
  await isNext("Tempering");
  check((await large.textContent()).includes("still to stand"), "the tempering counts down");
  await shot("tempering");
  await press("Fill a tin before it is over");
  await page.waitForFunction(() => document.querySelector("#course .said").textContent.includes("tempering is not over"));
  check(true, "a tin that is filled too soon is asked about");
  await isNext("Mix before the next tin");
  const tins = page.locator("#course .tins");
  for (const [mark, empty] of [["T-7", "45.2"], ["T-8", "45.4"]]) {
    await tins.getByLabel("Mark on the tin").fill(mark);
    await tins.getByRole("button", { name: "Weigh an empty tin" }).click();
    await page.waitForFunction((m) => document.querySelector("#course .tins").textContent.includes(m), mark);
    weigh(empty);
    await page.waitForFunction((m) => document.querySelector("#course .tins").textContent.includes(m), `empty ${empty} g`);
    await press("Mixed");
    await isNext("Fill a tin");
    await large.getByLabel("Mark on the tin").fill(mark);
    await page.keyboard.press("Tab");
    await page.keyboard.press("Enter");
    await page.waitForFunction((m) => document.querySelector("#course .tins").textContent.includes(`marked ${m}`), mark);
    await page.waitForFunction(() => !document.querySelector("#course .tins").textContent.includes("not filled"));
  }
  await isNext("Tins into the oven");
  await shot("filled");
  await press("Into the oven together");
  await isNext("Weigh drying 1, before");
  await press("Weigh before drying");
  await page.waitForFunction(() => document.querySelector("#course .awaited")?.textContent.includes("before"));
  weigh("352.9");
  await isNext("Weigh drying 1, dried");
  await large.getByLabel("Oven").fill("110");
  await press("Note the oven");
  await page.waitForFunction(() => document.querySelector("#course .loads").textContent.includes("110 °C"));
  await press("Weigh dried");
  await page.waitForFunction(() => document.querySelector("#course .awaited")?.textContent.includes("dried"));
  weigh("353.4");
  await page.waitForSelector("#course .declined");
  check((await page.locator("#course .declined").textContent()).includes("before drying"), "a dried mass over the wet one is said and not taken");
  await shot("declined");
  for (const [mass, rows] of [["350.6", 1], ["350.2", 2], ["350.1", 3]]) {
    if (rows > 1) {
      await page.waitForFunction(() => document.querySelector("#course .card[data-large]:not([data-waiting]) .primary"), undefined, { timeout: 15_000 });
      await press("Weigh dried");
      await page.waitForFunction(() => document.querySelector("#course .awaited")?.textContent.includes("dried"));
    }
    weigh(mass);
    await page.waitForFunction((n) => document.querySelectorAll("#course .load tbody tr").length === n, rows);
    if (rows === 2) {
      check((await page.locator("#course .load").textContent()).includes("0.154 %"), "the change is net of the tare");
      await shot("drying");
      await page.setViewportSize({ width: 390, height: 800 });
      await shot("drying-narrow");
      check(await page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), "nothing is wider than a small screen");
      await page.setViewportSize({ width: 1280, height: 900 });
    }
  }
  await isNext("Drying 1: cooled");
  check((await page.locator("#course .missing").textContent()).includes("Constant"), "constant mass is said");
  await press("Cooled to room temperature");
  await page.waitForFunction(() => document.querySelector("#course header").textContent.includes("Everything is prepared"));
  await page.emulateMedia({ colorScheme: "dark" });
  await shot("ready");
  const small = await page.evaluate(() => [...document.querySelectorAll("#course button, #course input:not([type=checkbox]), #course summary")]
    .filter((node) => node.offsetParent && node.getBoundingClientRect().height < 44).map((node) => node.textContent || node.name));
  check(small.length === 0, `every target is at least 44 px high ${small.join(", ")}`);
});
