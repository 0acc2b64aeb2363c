// Solutions in a real browser, with a balance on a line of its own: making a batch step by step with
// the live difference, the bottle in use, refusals, on a large screen and a small one.
//
//   node solutions.mjs URL FOLDER
//
// BALANCE names the pseudo-terminal's link that the station reads; a small Python program holds
// the other end and prints the lines of the shape `balance-trailing-mark`.

import { spawn } from "node:child_process";
import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

if (!process.env.BALANCE) {
  console.error("usage: BALANCE=LINK node solutions.mjs URL FOLDER");
  process.exit(64);
}
// The balance: each line of its input is printed to the pseudo-terminal.
const balance = spawn("python3", ["-u", "-c", `
import os, sys, tty
main, end = os.openpty()
tty.setraw(end)
link = sys.argv[1]
if os.path.lexists(link): os.unlink(link)
os.symlink(os.ttyname(end), link)
for line in sys.stdin:
    os.write(main, line.rstrip("\\n").encode() + b"\\r\\n")
`, process.env.BALANCE], { stdio: ["pipe", "inherit", "inherit"] });
const shows = (grams, moving) => balance.stdin.write(`${grams.padStart(11)} g${moving ? " ?" : ""}\n`);

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  const page = listen(await context.newPage(), [base], /404|409/);
  page.setDefaultTimeout(20_000);
  const shot = (name) => picture(page, join(folder, `${name}.png`));

  // The bench says so when the balance's port is open.
  await page.goto(url);
  await page.waitForSelector(".instruments li[data-port='open']");
  check((await page.locator("#menu-solutions").textContent()) === "Solutions", "without a batch the bench says nothing of solutions");

  await page.goto(`${url}solutions`);
  await page.waitForSelector("#begin summary");
  await page.locator("#who").fill("Ada Brook");
  await page.locator("#who").dispatchEvent("change");
  await page.locator("#begin summary").click();
  await page.locator("#begin [name=recipe]").selectOption("t176-stock-formaldehyde");
  check((await page.locator(".recipe-notes").textContent()).includes("under extraction"), "cautions stand there before the batch is begun");
  check(await page.locator("#begin [name=volume]").inputValue() === "3.78", "the recipe's own volume is offered");
  await shot("solutions-begin-1280x800");
  await page.locator("#begin [name=recipe]").selectOption("en-933-8-stock");
  await page.locator("#begin [name=batch]").fill("EN-1");
  await page.locator("#begin [name=volume]").fill("0.5");
  await page.locator("#begin button.act").click();
  const card = page.locator("#batch-EN-1");
  const step = (name) => card.locator(`.steps > li:has(h4:text-matches("[○●▲] ${name}"))`);

  // The live difference: 109.5 ± 1 g.
  await step("calcium chloride").getByRole("button", { name: "Weigh now" }).click();
  const now = step("calcium chloride").locator(".balance-now");
  await step("calcium chloride").locator(".weigh-out").waitFor();
  shows("73.2", true);
  await now.locator(".left:text-is('-36.3 g')").waitFor();
  check((await now.locator(".verdict").textContent()).includes("too little"), "the difference follows the balance while it moves");
  await page.locator("#making").scrollIntoViewIfNeeded();
  shows("109.1", true);
  await now.locator(".verdict:text-is('● within')").waitFor();
  await shot("solutions-weighing-1280x800");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("solutions-weighing-360x740");
  await page.setViewportSize({ width: 1280, height: 800 });
  shows("112.0", true);
  await now.locator(".verdict:text-is('▲ too much')").waitFor();
  shows("108.1");
  await step("calcium chloride").locator("h4:text-matches('108.1 g, -1.4 g ▼ too little')").waitFor();
  await step("calcium chloride").getByRole("button", { name: "Weigh a further portion" }).click();
  shows("1.0", true);
  await now.locator(".left:text-is('-0.4 g')").waitFor();
  shows("1.2");
  await step("calcium chloride").locator("h4:text-matches('109.3 g, -0.2 g ● within')").waitFor();
  check(true, "a further portion is added");

  // A lot past its date is refused until a reason is given. The step has closed behind its amount.
  check(await step("dissolve").getByRole("button", { name: "Done" }).isVisible(), "the next step opens by itself");
  await step("calcium chloride").locator("summary").first().click();
  await step("calcium chloride").locator("[name=lot]").fill("C-11");
  await step("calcium chloride").locator("[name=expires]").fill("2020-01-31");
  await step("calcium chloride").getByRole("button", { name: "Note the lot" }).click();
  await card.locator(".said[data-kind=refused]").first().waitFor();
  check((await card.locator(".said").first().textContent()).includes("past its date"), "a lot past its date is refused");
  await step("calcium chloride").locator("[name=expires]").fill("2031-01-31");
  await step("calcium chloride").getByRole("button", { name: "Note the lot" }).click();
  await step("calcium chloride").locator("p:text-matches('Lot C-11, until 2031-01-31')").waitFor();

  for (const name of ["dissolve", "cool"]) await step(name).getByRole("button", { name: "Done" }).click();
  for (const [name, grams] of [["glycerine", "240.1"], ["formaldehyde", "6.3"]]) {
    await step(name).getByRole("button", { name: "Weigh now" }).click();
    await step(name).locator(".weigh-out").waitFor();
    shows(grams);
    await step(name).locator("h4:text-matches('●')").waitFor();
  }
  await card.getByRole("button", { name: "The batch is made" }).click();
  await card.locator("label:has-text('Why it is used all the same')").waitFor();
  check(true, "an unfinished batch is refused, and a reason is asked for");
  await step("make up").locator("[name=value]").fill("500");
  await step("make up").locator("[name=unit]").selectOption("mL");
  await step("make up").locator("[name=with]").fill("measuring flask 500 mL");
  await step("make up").getByRole("button", { name: "Enter", exact: true }).click();
  await step("make up").locator("h4:text-matches('●')").waitFor();
  await step("mix").getByRole("button", { name: "Done" }).click();
  await card.locator(".faults:not([data-open])").waitFor();
  await shot("solutions-made-1280x800");
  await card.getByRole("button", { name: "The batch is made" }).click();
  await page.waitForSelector("#shelf #batch-EN-1");

  // A working solution from it, and the bottle in one touch.
  if (!(await page.locator("#begin").evaluate((node) => node.open))) await page.locator("#begin summary").click();
  await page.locator("#begin [name=recipe]").selectOption("en-933-8-working");
  await page.locator("#begin [name=batch]").fill("W-1");
  await page.locator("#begin [name=stock]").selectOption("EN-1");
  await page.locator("#begin button.act").click();
  const working = page.locator("#batch-W-1");
  for (const [name, value, unit] of [["stock", "125", "mL"], ["make up", "5", "L"]]) {
    const li = working.locator(`.steps > li:has(h4:text-matches("[○●▲] ${name}"))`);
    await li.locator("[name=value]").fill(value);
    await li.locator("[name=unit]").selectOption(unit);
    await li.locator("[name=with]").fill("measuring cylinder");
    await li.getByRole("button", { name: "Enter", exact: true }).click();
    await li.locator("h4:text-matches('●')").waitFor();
  }
  await working.locator(".steps > li:has(h4:text-matches('mix'))").getByRole("button", { name: "Done" }).click();
  await working.locator(".faults:not([data-open])").waitFor();
  await working.getByRole("button", { name: "The batch is made" }).click();
  await page.waitForSelector("#shelf #batch-W-1");
  await page.locator("#shelf #batch-W-1").getByRole("button", { name: "Put in use" }).click();
  await page.waitForSelector("#shelf #batch-W-1[data-in-use=true]");
  await shot("solutions-shelf-1280x800");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("solutions-shelf-360x740");
  const small = await page.locator("#shelf button:visible, #shelf summary:visible, .links a:visible").evaluateAll((all) => all.map((node) => node.getBoundingClientRect()).filter((box) => box.height < 44 || box.width < 44).length);
  check(small === 0, "what is touched is 44 px at least");
  const wide = await page.evaluate(() => document.documentElement.scrollWidth > window.innerWidth);
  check(!wide, "a small screen needs no scrolling to the side");
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.goto(url);
  await page.locator("#menu-button").click();
  await page.waitForSelector("#menu-solutions:text-is('Solutions: ● W-1')");
  check(true, "the bench page names the bottle in use");
  await shot("bench-with-bottle-1280x800");
}, () => balance.kill());
