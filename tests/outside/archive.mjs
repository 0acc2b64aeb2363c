// The page of records in a real browser, on the journal of a rehearsal: searching, files, holding.
//
//   node archive.mjs URL FOLDER
//
// FOLDER gets pictures of the page, on a screen and on a telephone.

import { readFileSync } from "node:fs";
import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, acceptDownloads: true });
  const page = listen(await context.newPage(), [base]);
  const shot = (name) => picture(page, join(folder, `${name}.png`));
  await page.goto(`${url}records`);
  await page.locator("#who").fill("Ada Brook");
  await page.locator("#who").blur();
  const lines = page.locator("#list tbody tr");
  await lines.first().waitFor();
  const all = await lines.count();
  check(all > 2, `${all} documents are listed`);
  await page.locator("#room li").first().waitFor();
  await page.locator("#rules").filter({ hasText: "records for ever" }).waitFor();
  await shot("records");

  const label = await lines.last().locator("a.link").first().textContent();
  await page.locator("#wanted [name=find]").fill(label.toUpperCase());
  await page.waitForFunction((n) => document.querySelectorAll("#list tbody tr").length < n, all);
  const found = await lines.allTextContents();
  check(found.length > 0 && found.every((line) => line.includes(label)), `${found.length} of ${label}, typed in capitals`);
  await page.locator("#wanted [name=find]").fill("nothing like this");
  await page.locator("#count").filter({ hasText: "Nothing of this kind" }).waitFor();
  check(true, "nothing found is said");
  await page.locator("#wanted [name=find]").fill("");
  await page.locator("#wanted [name=kind]").selectOption("result");
  await page.waitForFunction(() => [...document.querySelectorAll("#list tbody tr")].every((row) => row.textContent.includes("result of the sample")));
  check(await lines.count() < all, "results alone");

  const waiting = page.waitForEvent("download");
  await page.locator("#files a", { hasText: "Records, table" }).click();
  const download = await waiting;
  const table = readFileSync(await download.path(), "utf8");
  check(table.startsWith("number,document,") && table.split("\r\n").length > 2, `a table is saved as ${download.suggestedFilename()}`);

  await lines.first().locator("button").click();
  await page.locator("#hold [name=reason]").fill("a claim about lot 4");
  await page.locator("#hold button").click();
  await page.locator("#holds li").first().waitFor();
  check((await page.locator("#holds li").first().textContent()).includes("a claim about lot 4"), "a sample is held, with its reason");
  await shot("held");
  await page.locator("#holds li input").fill("settled");
  await page.locator("#holds li button").click();
  await page.locator("#holds li").first().waitFor({ state: "detached" });
  check(true, "and released");

  const small = await page.evaluate(() => [...document.querySelectorAll("main button, main select, main input, main a.act")]
    .filter((node) => node.offsetParent && node.getBoundingClientRect().height < 44).map((node) => node.outerHTML.slice(0, 80)));
  check(small.length === 0, `every target is 44 pixels high: ${small}`);
  await page.setViewportSize({ width: 390, height: 800 });
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= 390, `nothing is wider than a telephone: ${wide}`);
  await shot("records-small");
});
