// People and review in a real browser: registering, signing on by code and by badge, approving.
//
//   node people.mjs URL FOLDER
//
// The station must review (`review = "on"`) and have nobody registered. Writes screenshots into
// FOLDER. Ends with 1 and the reasons if something is wrong.

import { join } from "node:path";
import { check, listen, withBrowser, picture } from "./browser.mjs";

const SIZES = [[1280, 800], [800, 480], [360, 740]];
const BADGE = "NL-STAFF-000417";

/** As a reader types: one key after the other without a pause, Enter at the end. */
const reader = (page, text) => page.evaluate((keys) => {
  const target = document.activeElement ?? document.body;
  for (const key of [...keys, "Enter"]) {
    const goesOn = target.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
    if (goesOn && key.length === 1 && "value" in target && target.tagName === "INPUT") {
      target.value += key;
      target.dispatchEvent(new Event("input", { bubbles: true }));
    }
  }
}, text);

await withBrowser(async ({ browser, url: base, folder }) => {
  const url = `${base}/`;
  const context = await browser.newContext({ viewport: { width: 1280, height: 800 } });
  const page = listen(await context.newPage(), [base], /404|409/);
  const shots = async (name) => {
    for (const scheme of ["light", "dark"]) {
      await page.emulateMedia({ colorScheme: scheme });
      for (const [width, height] of SIZES) {
        await page.setViewportSize({ width, height });
        await picture(page, join(folder, `${name}-${width}-${scheme}.png`));
        const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        check(over <= 0, `${name}: nothing stands over the edge at ${width} (${over})`);
        const small = await page.evaluate(() => [...document.querySelectorAll("button, select, summary, input:not([type=checkbox])")]
          .filter((node) => node.offsetParent && node.getBoundingClientRect().height < 44).map((node) => node.outerHTML.slice(0, 60)));
        check(small.length === 0, `${name}: every target is high enough at ${width} ${small.join(" ")}`);
      }
    }
    await page.emulateMedia({ colorScheme: "light" });
    await page.setViewportSize({ width: 1280, height: 800 });
  };
  const act = (who, what) => page.evaluate(async ([who_, what_]) => {
    const answer = await fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ id: crypto.randomUUID(), who: who_, do: what_ }) });
    return answer.json();
  }, [who, what]);
  const register = async ({ name, code, badge, roles }) => {
    const form = page.locator("#register form");
    if (!(await form.isVisible())) await page.locator("#register summary").click();
    await form.locator("[name=name]").fill(name);
    if (code) await form.locator("[name=code]").fill(code);
    if (badge) {
      await form.locator("[name=badge]").focus();
      await reader(page, badge);
      check(await form.locator("[name=badge]").inputValue() === badge, "the badge that was scanned stands in its field");
    }
    for (const role of ["operate", "review", "administer"]) await form.locator(`[name=${role}]`).setChecked(roles.includes(role));
    await form.locator("button").click();
    await page.locator("summary", { hasText: `● ${name}` }).waitFor();
  };

  await page.goto(`${url}people`);
  await page.locator("#none").waitFor();
  check(await page.locator("#who").isVisible(), "with nobody registered a name is typed");
  await page.locator("#who").fill("Ada Brook");
  await register({ name: "Ada Brook", code: "1001", roles: ["operate", "administer"] });
  await page.locator(".signing").waitFor();
  check(!(await page.locator("#who").isVisible()), "with the register kept nobody types a name");
  check(await page.locator(".signing select").inputValue() === "", "nobody is signed on yet");
  await page.locator(".signing [name=code]").fill("1002");
  await page.locator(".signing [name=code]").press("Enter");
  await page.locator(".signing .said", { hasText: "nobody here has this code" }).waitFor();
  await page.locator(".signing [name=code]").fill("1001");
  await page.locator(".signing [name=code]").press("Enter");
  await page.waitForFunction(() => document.querySelector(".signing select").value === "Ada Brook");
  check(true, "the code signs on, and whoever came last acts");
  check(await page.locator(".signing [name=code]").inputValue() === "", "the code does not stay in its field");
  await register({ name: "Cleo Marsh", badge: BADGE, roles: ["review"] });
  const ada = page.locator(".item", { has: page.locator("summary", { hasText: "● Ada Brook" }) });
  await ada.locator("summary").click();
  await ada.locator("[name=until]").fill("2027-03-31");
  await ada.locator("[name=note]").fill("observed test");
  await ada.getByRole("button", { name: "Enter the qualification" }).click();
  await ada.locator("li", { hasText: "until 2027-03-31 (observed test)" }).waitFor();
  await shots("people");

  // A badge signs on anywhere, also on the bench page.
  await page.goto(url);
  await page.waitForFunction(() => document.querySelector("#connected").textContent.includes("connected"));
  await page.locator(".signing").waitFor();
  await page.locator("h1").click();
  await reader(page, BADGE);
  await page.locator("#scanned", { hasText: "Cleo Marsh is signed on" }).waitFor();
  await page.waitForFunction(() => document.querySelector(".signing select").value === "Cleo Marsh");
  check(!(await page.content()).includes(BADGE), "the badge is shown nowhere");
  check(await page.locator(".signing option").count() === 3, "both are signed on");
  await shots("bench");

  const sample = (await act("Ada Brook", { act: "register-sample", label: "Quarry fines 31", method: "aashto-t176-mechanical", specimens: 2 })).made;
  for (const place of [1, 2]) {
    const specimen = (await act("Ada Brook", { act: "register-specimen", sample, place })).made;
    for (const [step, edge] of [["first fill", "done"], ["soak", "begin"], ["loosen", "begin"], ["shake", "begin"], ["shake", "end"], ["irrigate", "end"], ["sedimentation", "end"]]) {
      await act("Ada Brook", { act: "mark", specimen, step, edge });
    }
    await act("Ada Brook", { act: "enter-reading", specimen, of: "clay", value: "8.0" });
    await act("Ada Brook", { act: "enter-reading", specimen, of: "sand", value: "13.3" });
    if (place === 1) await act("Ada Brook", { act: "correct-reading", specimen, of: "clay", value: "7.9", reason: "the digits were swapped" });
  }
  await page.locator("#menu-button").click();
  await page.locator("#menu-review", { hasText: "1 wait" }).click();
  const item = page.locator("#waiting .item");
  await item.locator("summary").first().click();
  await item.locator(".deviations li").first().waitFor();
  check((await item.innerText()).includes("the digits were swapped"), "what was corrected is shown");
  check(await page.locator(".signing select").inputValue() === "Cleo Marsh", "whoever acts is the same on every page");
  await shots("review");
  const decide = item.locator(".decide");
  await decide.getByRole("button", { name: "Return" }).click();
  await decide.locator(".said", { hasText: "reason" }).waitFor();
  await decide.locator("[name=reason]").fill("look at the soak");
  await decide.getByRole("button", { name: "Return" }).click();
  const back = page.locator("#returned .item");
  await back.waitFor();
  check((await back.innerText()).includes("look at the soak"), "what was returned says why");
  await page.locator(".signing select").selectOption("Ada Brook");
  await back.locator("summary").first().click();
  await back.locator(".decide [name=reason]").fill("the soak was stopped with the watch");
  await back.locator(".decide").getByRole("button", { name: "Answer" }).click();
  await item.waitFor();
  await page.locator(".signing select").selectOption("Cleo Marsh");
  await item.locator("summary").first().click();
  await item.locator(".decide").getByRole("button", { name: "Approve" }).click();
  await page.locator("#waiting .none").waitFor();
  check(true, "what is approved waits no more");
  const list = await page.evaluate(() => fetch("/documents?kind=result").then((r) => r.json()));
  await page.goto(`${url}record/${list.documents[0].id}`);
  await page.locator(".review-part", { hasText: "Approved by Cleo Marsh" }).waitFor();
  check((await page.locator(".review-part").innerText()).includes("answered"), "the record tells every decision");
  await shots("record");
});
