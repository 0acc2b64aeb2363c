// The equipment in a real browser: items registered and checked, an item that is not in order, the
// records that used it while it was in doubt, on a large screen and a small one.
//
//   node equipment.mjs URL FOLDER
//
// The station must have the shipped kinds of equipment and no item. Writes pictures into FOLDER.

import { check, listen, withBrowser } from "./browser.mjs";

await withBrowser(async ({ browser, url, shot: picture }) => {
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  const page = listen(await context.newPage(), [url]);
  page.setDefaultTimeout(20_000);
  const shot = (name) => picture(page, name, { fullPage: true });
  const act = async (what) => {
    const body = JSON.stringify({ id: crypto.randomUUID(), who: "Ada Brook", do: what });
    const answer = await page.evaluate((text) => fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body: text }).then((r) => r.json()), body);
    if (answer.outcome !== "done") throw new Error(`${JSON.stringify(what)}: ${JSON.stringify(answer)}`);
    return answer.made;
  };
  const form = page.locator("#register form");
  const register = async (item, kind, place) => {
    await form.locator("[name=kind]").selectOption(kind);
    await form.locator("[name=item]").fill(item);
    if (place) await form.locator("[name=place]").selectOption(place);
    await form.locator("button").click();
    await page.locator(`#item-${item}`).waitFor();
  };
  const open = async (item) => {
    const details = page.locator(`#item-${item} > details`);
    if (!(await details.evaluate((node) => node.open))) await details.locator("summary").first().click();
    return details;
  };

  await page.goto(`${url}/equipment`);
  await page.locator("#items .none").waitFor();
  await page.locator("#who").fill("Ada Brook");
  await page.locator("#who").dispatchEvent("change");
  await page.locator("#register summary").click();
  await register("CYL-1", "cylinder", "1");
  check(await form.locator("[name=item]").inputValue() === "", "an item that was registered leaves its field empty");
  await register("SH-1", "shaker");
  check(!(await form.locator("[name=place]").isVisible()), "a shaker is asked for no place");

  const shaker = await open("SH-1");
  const rate = shaker.locator(".check", { hasText: "Rate of the shaker" });
  await rate.locator("[name=cycles]").fill("175");
  await rate.locator("[name=seconds]").fill("60");
  await rate.getByRole("button", { name: "Record the check" }).click();
  await rate.locator(".results li", { hasText: "● good" }).waitFor();
  check((await rate.locator("h4").textContent()).includes("● good"), "a rate within its limits is good");
  check(await rate.locator("[name=cycles]").inputValue() === "", "a check that was recorded leaves its fields empty");

  await page.locator("#daily .primary").click();
  await page.locator("#daily li[data-made=true]").nth(1).waitFor();
  check((await page.locator("#daily .primary").textContent()).includes("made today"), "the daily check is made with one touch");

  // All shipped methods are in use: 173.5 a minute keep 175 +/- 2, and not 90 cycles in 30 +/- 1 s.
  await act({ act: "equipment", what: "check", item: "SH-1", check: "throw", found: { value: "203.2" } });
  await act({ act: "equipment", what: "check", item: "SH-1", check: "rate", found: { cycles: 347, seconds: "120" } });
  await rate.locator(".results li", { hasText: "not by EN 933-8" }).waitFor();
  const head = await shaker.locator("summary").first().textContent();
  check(head.includes("● good") && head.includes("not for EN 933-8"), `an item that is right by one standard says by which it is not (${head})`);

  // A specimen uses the cylinder; then the cylinder is found chipped.
  const sample = await act({ act: "register-sample", label: "Quarry fines 5", method: "aashto-t176-mechanical", specimens: 1 });
  const specimen = await act({ act: "register-specimen", sample, place: 1 });
  await act({ act: "mark", specimen, step: "first fill", edge: "done" });
  await page.locator("#daily li", { hasText: "CYL-1" }).getByRole("button", { name: "Not in order" }).click();
  const cylinder = page.locator("#item-CYL-1 > details");
  check(await cylinder.evaluate((node) => node.open), "what is not in order opens its item");
  const look = cylinder.locator(".check", { hasText: "scale readable" });
  await look.locator("[name=note]").fill("a chip at the rim");
  await look.getByRole("button", { name: "Not in order" }).click();
  await look.locator(".results li", { hasText: "✕ not good" }).waitFor();
  check((await cylinder.locator("summary").first().textContent()).includes("✕ failed"), "the item says that it failed");
  const doubt = cylinder.locator(".doubt", { hasText: "scale readable" });
  await doubt.getByRole("button", { name: "List what used it" }).click();
  await doubt.locator("li", { hasText: "Quarry fines 5-1, at work at place 1" }).waitFor();
  check(true, "what used it while it was in doubt is listed");
  await shot("equipment-1280x800");
  await doubt.getByLabel("What came of it").fill("nothing was wrong with it then");
  await doubt.getByRole("button", { name: "Looked through" }).click();
  await doubt.waitFor({ state: "detached" });
  check(true, "a time that was looked through leaves the list");

  await cylinder.getByLabel("Why it is not to be used").fill("a chip at the rim");
  await cylinder.getByRole("button", { name: "Take out of use" }).click();
  await cylinder.getByRole("button", { name: "Put back into use" }).waitFor();
  check((await cylinder.locator("summary").first().textContent()).includes("○ out of use"), "an item is taken out of use");

  await page.setViewportSize({ width: 390, height: 800 });
  await open("SH-1");
  await shot("equipment-390x800");
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  check(over <= 0, `nothing is wider than a telephone (${over})`);
  const small = await page.evaluate(() => [...document.querySelectorAll("main button, main select, main summary, main input:not([type=checkbox])")]
    .filter((node) => node.offsetParent && node.getBoundingClientRect().height < 44).map((node) => node.outerHTML.slice(0, 60)));
  check(small.length === 0, `every target is high enough ${small.join(" ")}`);
});
