// Samples in a real browser: registering, the day list, the scanner, and labels as pictures.
//
//   node labels.mjs URL FOLDER
//
// Registers bags by clicking, types like a reader and like a person, and writes each label into
// FOLDER as a picture of a printer's 203 dots to the inch, with labels.json: what each must say.
// labels.py then reads the pictures with a reader that shares no code with this program.

import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

/** As a reader types: one key after the other without a pause, Enter at the end. */
const reader = async (page, text) => {
  await page.evaluate((keys) => {
    // One stamp after the other, as the system gives them to a reader's keystrokes.
    const target = document.activeElement ?? document.body;
    for (const key of [...keys, "Enter"]) {
      const event = new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true });
      const goesOn = target.dispatchEvent(event);
      if (goesOn && key.length === 1 && "value" in target && target.tagName === "INPUT") {
        target.value = (target.value + key).slice(0, target.maxLength > 0 ? target.maxLength : undefined);
        target.dispatchEvent(new Event("input", { bubbles: true }));
      }
    }
  }, text);
};

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  const page = listen(await context.newPage(), [base], /404/);
  const shot = (name) => picture(page, join(folder, `${name}.png`));

  const register = async (label, said) => {
    const form = page.locator("#register form");
    await form.locator("[name=label]").fill(label);
    await form.locator("[name=specimens]").fill("2");
    for (const [name, value] of Object.entries(said)) await form.locator(`[name="${name}"]`).fill(value);
    await form.locator("button.act:not([type])").click();
    await page.waitForSelector(`#register .said:text-matches("sample ${label} registered")`);
    const href = await form.locator(".made").getAttribute("href");
    return href.split("/")[2];
  };

  await page.goto(`${url}samples`);
  await page.locator("#who").fill("Ada Brook");
  await page.locator("#register summary").click();
  await page.waitForSelector("#register option", { state: "attached" });
  const all = { identifier: "NL-26-0417", project: "North road", lot: "12", quantity: "500 t", material: "crushed sand 0/4", source: "Upper pit",
    "sampled-by": "Ben Hall", "sampled-where": "belt 2", "sampled-at": "2025-11-24 07:30", "intended-use": "base course", "brought-by": "Cleo Marsh", "at-least": "45", specification: "Section 3" };
  const one = await register("S-17", all);
  await page.waitForSelector("#list a:text-is('S-17')");
  await page.locator(".last button", { hasText: "North road" }).click();
  check(await page.locator("[name=material]").inputValue() === "crushed sand 0/4", "one touch copies what the last sample of the project had");
  check(await page.locator("#register [name=identifier]").inputValue() === "", "an identifier is of one bag and is not copied");
  await shot("samples-1280x800");
  const two = await register("S-18", { identifier: "", lot: "13" });
  await page.locator("#wanted [name=find]").fill("0417");
  await page.waitForFunction(() => document.querySelectorAll("#list tbody tr").length === 1);
  check((await page.locator("#list tbody").textContent()).includes("S-17"), "the list is filtered by any word");
  await page.locator("#wanted [name=find]").fill("");

  // A scan into the field that wants one stays there and sends nothing.
  await page.locator("#register [name=identifier]").focus();
  await reader(page, "NL-26-0999");
  check(await page.locator("#register [name=identifier]").inputValue() === "NL-26-0999", "the identifier's field keeps a scan");
  check(page.url() === `${url}samples`, "and nothing is sent or opened");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("samples-360x740");
  await page.setViewportSize({ width: 1280, height: 800 });

  // The scanner on the bench page.
  const digits = (id) => BigInt(`0x${id.replaceAll("-", "")}`).toString().padStart(40, "0");
  await page.goto(url);
  await page.waitForSelector(".sample");
  await page.locator("#register summary").click();
  const field = page.locator("#register [name=label]");
  await field.fill("half typed");
  await field.focus();
  await reader(page, "4006381333931");
  await page.waitForSelector("#scanned:not([hidden]) a:text-is('Register it')");
  check((await page.locator("#scanned").textContent()).includes("4006381333931"), "an unknown scan is told");
  await shot("unknown-scan");
  check(await field.inputValue() === "half typed", "a scan leaves no trace in the field that had the focus");
  await field.fill("");
  await field.pressSequentially("Q-20417", { delay: 90 });
  check(await field.inputValue() === "Q-20417", "what a person types stays");
  await page.locator("h1").click();
  await Promise.all([page.waitForURL(`**/samples/${two}`), reader(page, digits(two))]);
  await page.waitForSelector("h1:text-is('Sample S-18')");
  check(true, "a scan of the label's code opens its sample");
  await Promise.all([page.waitForURL(`**/samples/${one}`), reader(page, "NL-26-0417")]);
  await page.waitForSelector("h1:text-is('Sample S-17')");

  // A correction on the sample's own page.
  await page.locator("#correct summary").click();
  await page.locator("#correct [name=lot]").fill("14");
  await page.locator("#correct [name=reason]").fill("read wrongly");
  await page.locator("#correct button.act").click();
  await page.waitForSelector("h2:text-is('Corrected')");
  check((await page.locator("#main").textContent()).includes("read wrongly"), "a correction shows what stood there, and why");
  await shot("sample-1280x800");
  await page.setViewportSize({ width: 360, height: 740 });
  await shot("sample-360x740");

  // A tin of the second bag.
  const act = { id: crypto.randomUUID(), who: "Ada Brook", do: { act: "register-specimen", sample: two, place: 2 } };
  const made = await page.evaluate((body) => fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body }).then((r) => r.json()), JSON.stringify(act));
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.goto(url);
  await page.waitForSelector(".place[data-empty]");
  await reader(page, digits(made.made));
  await page.waitForURL("**#place-2");
  check(true, "a scan of a tin's label leads to its place");

  // Pictures of labels, one picture dot for each dot of the printer.
  const paper = await browser.newContext({ viewport: { width: 900, height: 900 }, deviceScaleFactor: 203 / 96 });
  const labels = await paper.newPage();
  const expected = [];
  for (const [sample, size] of [[one, ""], [two, ""], [two, "?width=54&height=29&dots=203"], [one, "?width=100&height=50&dots=300"]]) {
    await labels.goto(`${url}samples/${sample}/label${size}`);
    for (const label of await labels.locator(".label").all()) {
      const id = await label.getAttribute("data-id");
      const bars = await label.locator(".bars").getAttribute("aria-label").catch(() => null);
      const file = `label-${expected.length + 1}.png`;
      await label.screenshot({ path: join(folder, file) });
      expected.push({ file, id, bars: (await label.locator(".bars").count()) ? (id === one ? "NL-26-0417" : digits(id)) : null, shown: bars });
    }
  }
  writeFileSync(join(folder, "labels.json"), JSON.stringify(expected, null, 1));
  await labels.goto(`${url}samples/${two}/label`);
  await labels.screenshot({ path: join(folder, "labels-page.png") });
  writeFileSync(join(folder, "labels.pdf"), await labels.pdf({ preferCSSPageSize: true }));
});
