// The report of a sample in a real browser: from the sample's page to the sheet, on paper, and to the PDF.
//
//   node report.mjs URL FOLDER

import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const page = listen(await (await browser.newContext({ viewport: { width: 1280, height: 800 } })).newPage(), [base]);
  await page.goto(url);
  const act = (what) => page.evaluate((body) => fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body }).then((r) => r.json()),
    JSON.stringify({ id: crypto.randomUUID(), who: "Ada Brook", do: what }));
  const particulars = { project: "North <road>", material: "crushed sand 0/4", limit: { "at-least": "45", specification: "Section 3" } };
  const { made: sample } = await act({ act: "register-sample", label: "S-17", method: "aashto-t176-mechanical", specimens: 1, particulars });
  const { made: specimen } = await act({ act: "register-specimen", sample, place: 1 });
  // Until one is refused (409). Presses as fast as they go: every interval is too short, and the report has to say so.
  for (let n = 0; n < 30 && (await act({ act: "mark-next", specimen })).outcome === "done"; n += 1);
  for (const [of, value] of [["clay", "8.0"], ["sand", "13.4"]]) await act({ act: "enter-reading", specimen, of, value, confirmed: true });

  await page.goto(`${url}samples/${sample}`);
  await page.locator("#report").click();
  await page.waitForURL(`**/report/${sample}`);
  const sheet = await page.locator(".sheet-of-paper").textContent();
  for (const part of ["North <road>", "at least 45 (Section 3)", "43", "Preliminary, not authorised", "3.4 in (read 13.4, less 10.0)", "short", "End of report"]) {
    check(sheet.includes(part), `the sheet says: ${part}`);
  }
  const display = await page.locator("td.measured").first().evaluate((cell) => getComputedStyle(cell).display);
  check(display === "table-cell", "figures are cells of the table");
  await picture(page, join(folder, "report-1280x800.png"));
  writeFileSync(join(folder, "report-printed.pdf"), await page.pdf({ preferCSSPageSize: true }));
  await page.setViewportSize({ width: 360, height: 740 });
  check(await page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), "a narrow screen needs no sideways scrolling");
  await page.screenshot({ path: join(folder, "report-360x740.png") });
  await page.setViewportSize({ width: 1280, height: 800 });
  const [download] = await Promise.all([page.waitForEvent("download"), page.locator("a", { hasText: "PDF" }).click()]);
  check(download.suggestedFilename() === "sand-equivalent-report-of-sample-s-17.pdf", `the file has a name: ${download.suggestedFilename()}`);
  check(readFileSync(await download.path()).subarray(0, 8).toString() === "%PDF-1.7", "and is a PDF");

  await page.goto(`${url}samples`);
  await page.locator("#register summary").click();
  await page.waitForSelector("#register option", { state: "attached" });
  await page.locator("#register [name=method]").selectOption("en-933-8");
  await page.locator("#worksheet").click();
  await page.waitForURL("**/worksheet/en-933-8");
  check((await page.locator(".sheet-of-paper").textContent()).includes("EN 933-8"), "the blank worksheet is that of the chosen method");
  await picture(page, join(folder, "worksheet-1280x800.png"));
});
