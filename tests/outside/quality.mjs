// What counts and whether it passes, in a real browser: a station that holds specimens with
// deviations and keeps control charts.
//
//   node quality.mjs URL FOLDER
//
// Runs specimens by acts, decides of them by clicking, and writes pictures into FOLDER.

import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  const page = listen(await context.newPage(), [base], /404|409/);
  const shot = (name) => picture(page, join(folder, `${name}.png`));
  const act = async (what) => {
    const body = JSON.stringify({ id: crypto.randomUUID(), who: "Ada Brook", do: what });
    const answer = await page.evaluate((text) => fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body: text }).then((r) => r.json()), body);
    if (answer.outcome !== "done") throw new Error(`${JSON.stringify(what)}: ${JSON.stringify(answer)}`);
    return answer.made;
  };
  const register = (label, specimens) => act({
    act: "register-sample", label, method: "aashto-t176-mechanical", specimens,
    particulars: { material: "crushed sand 0/4", source: "Upper pit", limit: { "at-least": "40", specification: "Section 3" } },
  });
  const finish = async (specimen, sand) => {
    const marks = [["first fill", "done"], ["soak", "begin"], ["loosen", "begin"], ["shake", "begin"], ["shake", "end"], ["irrigate", "end"], ["sedimentation", "end"]];
    for (const [step, edge] of marks) await act({ act: "mark", specimen, step, edge });
    await act({ act: "enter-reading", specimen, of: "clay", value: "8.0" });
    await act({ act: "enter-reading", specimen, of: "sand", value: sand });
  };
  const run = async (sample, place, sand) => {
    const specimen = await act({ act: "register-specimen", sample, place });
    await finish(specimen, sand);
    return specimen;
  };

  await page.goto(url);
  await page.locator("#who").fill("Cleo Marsh");
  const sample = await register("Q-1", 2);
  await run(sample, 1, "13.3");
  await run(sample, 2, "13.4");
  await page.waitForSelector(".again:text-matches('are held for their deviations')");
  check(true, "the bench page says what the sample waits for");

  await page.goto(`${url}samples/${sample}`);
  await page.waitForSelector("#decide li");
  await page.locator("#who").fill("Ada Brook");
  await page.locator("#who").press("Tab");
  await shot("held-1280x800");
  const first = page.locator("#decide li", { hasText: "Q-1-1" });
  await first.getByRole("button", { name: "Admit: it counts" }).click();
  await page.waitForSelector("#decide .said:text-matches('reason')");
  check(true, "without a reason nothing is admitted, and the page says so");
  await first.getByLabel("Why").fill("soak cut short, material known");
  await first.getByRole("button", { name: "Admit: it counts" }).click();
  await page.waitForSelector(".decisions :text-matches('soak cut short')");
  const second = page.locator("#decide li", { hasText: "Q-1-2" });
  await second.getByLabel("Place of the new one").selectOption("5");
  await second.getByRole("button", { name: "Run another in its place" }).click();
  await page.waitForSelector("td :text-matches('Q-1-3 is run in its place')");
  check(true, "another specimen is run in the place of a held one, and both say so");
  const made = await page.evaluate((id) => fetch(`/samples/${id}/data`).then((r) => r.json()), sample);
  const third = made.specimens.find((s) => s.label === "Q-1-3");
  await finish(third.id, "13.2");
  await act({ act: "quality", what: "admit", specimen: third.id, reason: "a trial" });
  await page.waitForSelector(".acceptance [data-verdict=pass]");
  check((await page.locator(".acceptance").textContent()).includes("✔ pass"), "a pass is a word with a sign");
  await page.locator("#limit summary").click();
  await page.locator("#limit [name=at-least]").fill("45");
  await page.locator("#limit [name=reason]").fill("the contract was amended");
  await page.locator("#limit button.act").click();
  await page.waitForSelector(".acceptance [data-verdict=fail]");
  check((await page.locator("#main").textContent()).includes("the contract was amended"), "a new limit is judged anew, and why it was set stands there");
  await shot("decided-1280x800");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("decided-360x740");
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= 360, `nothing is wider than a small screen: ${wide}`);
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.goto(`${url}samples`);
  await page.waitForSelector("#list [data-verdict=fail]");
  check((await page.locator("#list [data-verdict=fail]").textContent()).includes("✘ fail"), "the day's list has the verdict in words");
  await shot("list-1280x800");

  // A chart of eight results, and one far out.
  const next = async (label, sand) => {
    const id = await register(label, 1);
    const specimen = await run(id, 8, sand);
    await act({ act: "quality", what: "admit", specimen, reason: "a trial" });
    await act({ act: "mark", specimen, step: "clean", edge: "done" });
  };
  for (const [n, sand] of ["13.2", "13.3", "13.4", "13.3", "13.2", "13.3", "13.4"].entries()) await next(`W-${n}`, sand);
  await page.locator("#charts").click();
  await page.waitForSelector(".chart .point");
  await page.locator("summary", { hasText: "Limits" }).click();
  await page.getByLabel("Why the limits are frozen now").fill("eight quiet results");
  await page.getByRole("button", { name: "Freeze the limits" }).click();
  await page.waitForSelector(".about:text-matches('frozen from 8')");
  await next("W-far", "13.0");
  await page.waitForSelector(".signals :text-matches('beyond three standard deviations')");
  check(await page.locator(".chart .signal").count() === 1, "a result far out is marked on the chart and told in words");
  await shot("charts-1280x800");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("charts-360x740");
});
