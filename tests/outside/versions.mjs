// A record that was amended, corrected at its intake and approved, in a real browser: its versions stand
// side by side, what differs is marked by a sign and in words, and each says why it was made.
//
//   node versions.mjs URL FOLDER

import { check, listen, ready, withBrowser } from "./browser.mjs";

/** What was entered as the sand reading, version by version. */
const SANDS = ["13.3", "13.4", "13.2", "13.1"];

await withBrowser(async ({ browser, url, shot }) => {
  const page = listen(await browser.newPage({ viewport: { width: 1280, height: 800 } }), [url]);
  await page.goto(url);
  await ready(page);
  const act = async (what, who = "Ada Brook") => {
    const body = JSON.stringify({ id: crypto.randomUUID(), who, do: what });
    const answer = await page.evaluate((text) => fetch("/act", { method: "POST", headers: { "content-type": "application/json" }, body: text }).then((r) => r.json()), body);
    if (answer.outcome !== "done") throw new Error(`${JSON.stringify(what)}: ${JSON.stringify(answer)}`);
    return answer.made;
  };
  const sample = await act({ act: "register-sample", label: "V-1", method: "aashto-t176-mechanical", specimens: 1 });
  const specimen = await act({ act: "register-specimen", sample, place: 1 });
  const marks = [["first fill", "done"], ["soak", "begin"], ["loosen", "begin"], ["shake", "begin"], ["shake", "end"], ["irrigate", "end"], ["sedimentation", "end"]];
  for (const [step, edge] of marks) await act({ act: "mark", specimen, step, edge });
  await act({ act: "enter-reading", specimen, of: "clay", value: "8.0" });
  await act({ act: "enter-reading", specimen, of: "sand", value: SANDS[0] });
  const reasons = SANDS.slice(1).map((_, n) => `misread, look ${n + 1}`);
  for (const [n, value] of SANDS.slice(1).entries()) await act({ act: "correct-reading", specimen, of: "sand", value, reason: reasons[n] });

  const list = async () => (await page.evaluate(() => fetch("/documents?kind=record").then((r) => r.json()))).documents;
  const documents = await list();
  check(documents.length === SANDS.length, `four versions went out: ${documents.length}`);
  const first = documents.at(-1);
  await page.goto(`${url}/record/${first.id}`);
  await ready(page);
  await page.getByRole("button", { name: "Show all 4 versions side by side" }).click();
  await page.waitForSelector(".compared");
  const heads = await page.locator(".compared thead th").allTextContents();
  check(heads.length === 5 && SANDS.every((_, n) => heads[n + 1].includes(`version ${n + 1}`)), "from the first version to the newest");
  check(heads[1].includes("this one") && reasons.every((why, n) => heads[n + 2].includes(why)), "each says why it was made, and the one that is open is named");
  const row = page.locator(".compared tbody tr").filter({ has: page.locator("th", { hasText: /^Readings: Sand: As entered$/ }) });
  const cells = await row.locator("td").allTextContents();
  check(SANDS.every((value, n) => cells[n].includes(value)), `what was entered stands side by side: ${cells.join(" | ")}`);
  check(!cells[0].includes("≠") && cells.slice(1).every((cell) => cell.includes("≠") && cell.includes("differs from the version before")), "what differs has a sign and words");
  const clay = page.locator(".compared tbody tr").filter({ has: page.locator("th", { hasText: /^Readings: Clay: As entered$/ }) });
  check(await clay.isHidden(), "what is the same in all is left out");
  await page.getByLabel("Also what is the same in all").check();
  check(await clay.isVisible() && !(await clay.textContent()).includes("≠"), "until it is asked for, and then bears no mark");
  await shot(page, "versions", { fullPage: true });
  await page.setViewportSize({ width: 360, height: 740 });
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= 360, `nothing is wider than a small screen: ${wide}`);
  await page.setViewportSize({ width: 1280, height: 800 });
  await page.locator(".compared thead a").last().click();
  await page.waitForSelector(".versions button");
  check((await page.locator(".headline").textContent()).includes("version 4"), "a head leads to its version");

  // Corrections of what came with the bag stand behind those of readings, whenever they were made: each
  // version says its own reason all the same. The newest is what a reviewer decided.
  const bag = "the bag says Road 7";
  await act({ act: "intake", what: "correct-particulars", sample, particulars: { project: "Road 7" }, reason: bag });
  await act({ act: "correct-reading", specimen, of: "sand", value: "13.0", reason: "misread, look 4" });
  await act({ act: "review", what: "add-person", name: "Ada Brook", roles: ["operate", "administer"], code: "1001" });
  await act({ act: "review", what: "sign-on", code: "1001" });
  await act({ act: "review", what: "add-person", name: "Cleo Marsh", roles: ["review"], code: "2002" });
  await act({ act: "review", what: "sign-on", code: "2002" });
  const looked = (await list())[0].id;
  await act({ act: "review", what: "approve", of: { specimen }, documents: [looked], reason: "cylinder looked at" }, "Cleo Marsh");
  await page.goto(`${url}/record/${first.id}`);
  await ready(page);
  await page.getByRole("button", { name: "Show all 7 versions side by side" }).click();
  await page.waitForSelector(".compared");
  const whys = (await page.locator(".compared thead th").allTextContents()).slice(1).map((head) => /why: (.*)$/.exec(head)?.[1] ?? "");
  const wanted = ["", ...reasons, bag, "misread, look 4", "approved: cylinder looked at"];
  check(JSON.stringify(whys) === JSON.stringify(wanted), `each version says its own reason: ${whys.join(" | ")}`);
  await page.goto(`${url}/record/${(await list())[0].id}`);
  await page.locator("#parts tr", { hasText: bag }).waitFor();
  check((await page.locator("#parts tr", { hasText: bag }).textContent()).includes("Project: Road 7"), "a record with what came with the bag corrected can be read");
});
