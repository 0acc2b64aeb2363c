// Looks at the bench page with a real browser, by mouse and keyboard, in several sizes.
//
//   node page.mjs URL FOLDER
//
// Nothing may be fetched from elsewhere and nothing complained of. A sample is registered, its tin gets
// a place, mistakes are made and corrected, and the connection is lost and comes back.

import { check, listen, ready, silentRelay, withBrowser } from "./browser.mjs";

const SIZES = [[800, 480], [1280, 800], [360, 740], [1920, 1080]];

await withBrowser(async ({ browser, url, shot: shoot }) => {
  const relay = await silentRelay(new URL(url));
  const page = listen(await browser.newPage({ viewport: { width: 1280, height: 800 } }), [url, relay.url]);
  const shot = (name) => shoot(page, name);

  await page.goto(url);
  await ready(page);
  await page.waitForFunction(() => document.querySelector("#connected").textContent.includes("connected"));
  await page.waitForSelector(".place");
  check(await page.locator(".place").count() >= 8, "at least eight places are shown");
  const first = await page.locator("#time").textContent();
  await page.waitForFunction((t) => document.querySelector("#time").textContent !== t, first, { timeout: 15_000 });
  check(true, "the station's time goes on");

  for (const scheme of ["light", "dark"]) {
    // Who chose nothing here sees what the machine asks for.
    await page.emulateMedia({ colorScheme: scheme });
    await page.waitForFunction((wanted) => document.documentElement.dataset.theme === wanted, scheme);
    check(true, `the page is ${scheme} where the machine is`);
    for (const [width, height] of SIZES) {
      await page.setViewportSize({ width, height });
      await shot(`${scheme}-${width}x${height}`);
      const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      check(over <= 0, `nothing is cut off sideways at ${width}x${height}, ${scheme}`);
      const small = await page.evaluate(() => [...document.querySelectorAll("button, select, summary, .choice, input:not([type=checkbox])")]
        .filter((n) => n.offsetParent && n.getBoundingClientRect().height > 0).map((n) => [n.textContent || n.name, n.getBoundingClientRect().height]).filter(([, h]) => h < 47.5));
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
    await card.locator(".more").click();
    const when = sheet.locator(".missed [name=when]");
    await when.fill("25:99");
    await page.waitForTimeout(1500);
    check(await when.inputValue() === "25:99", "what is typed is kept while views come in");
    await sheet.locator(".missed button").click();
    check((await sheet.locator(".said").textContent()).includes("HH:MM:SS"), "an impossible time is answered beside the field");
    await sheet.locator(".close").click();
    await card.locator(".todo button.primary").click();
    await page.waitForFunction((i) => document.getElementById(i).closest(".place").querySelector(".said").dataset.kind === "done", id);
    check(true, "the next act was done by clicking");
    await page.waitForTimeout(700); // a press just after the act changed is not taken
    await card.locator(".more").click();
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
    await sheet.locator(".moved select").selectOption({ label: number });
    await sheet.locator(".moved button", { hasText: "always stood" }).click();
    await page.waitForFunction(([n, l]) => document.getElementById(`place-${n}`).textContent === l, [number, `${label}-1`]);
    check(await card.getAttribute("data-empty") === "yes", "a wrong place was corrected");
    await sheet.waitFor({ state: "hidden" });
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
  await page.goto(relay.url);
  await page.waitForSelector(".place");
  await page.locator("#register summary").click();
  await page.locator("#register [name=label]").fill("half typed");
  relay.silent(true);
  const cut = Date.now();
  await page.waitForSelector("#lost:not([hidden])", { timeout: 8000 });
  check(Date.now() - cut < 2000, `the lost connection was shown after ${Date.now() - cut} ms`);
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
  await page.close();
  relay.close();
});
