// What every look with a browser needs: Debian's Chromium driven by playwright-core (looked for as
// usual, or in the folder that PLAYWRIGHT names), checks that are told one by one, and an end with 1
// and the reasons if something was wrong.

import { mkdirSync } from "node:fs";
import http from "node:http";
import { createRequire } from "node:module";
import { join } from "node:path";

export const require = createRequire(process.env.PLAYWRIGHT ? join(process.env.PLAYWRIGHT, "x.js") : import.meta.url);
const { chromium } = require("playwright-core");

export const wrong = [];
export function check(good, words) {
  console.log(`${good ? "ok   " : "WRONG"} ${words}`);
  if (!good) wrong.push(words);
}

/** A browser of its own. */
export const launch = () => chromium.launch({
  executablePath: "/usr/bin/chromium",
  args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});

/** A picture, whole or as it is seen. A whole one from the top: the head of a page sticks to where one is. */
export async function picture(page, path, more = { fullPage: true }) {
  if (more.fullPage) await page.evaluate(() => scrollTo(0, 0));
  return page.screenshot({ path, ...more });
}

/**
 * `look({ browser, url, folder, shot })` between a browser's start and its end; `after` comes in any case.
 */
export async function withBrowser(look, after = () => {}) {
  const [url, folder] = process.argv.slice(2);
  if (!url || !folder) {
    console.error("usage: node SCRIPT URL FOLDER");
    process.exit(64);
  }
  mkdirSync(folder, { recursive: true });
  const browser = await launch();
  const shot = (page, name, more = {}) => picture(page, join(folder, `${name}.png`), more);
  try {
    await look({ browser, url: url.replace(/\/$/, ""), folder, shot });
  } catch (error) {
    wrong.push(error.stack ?? error.message);
  } finally {
    await browser.close();
    after();
  }
  for (const words of wrong) console.error(`wrong: ${words}`);
  process.exit(wrong.length ? 1 : 0);
}

/**
 * Hears what a page complains of. A refused act is answered 409, which the console calls an error;
 * `expected`: what else it may say.
 */
export function listen(page, origins, expected = /409/) {
  page.on("console", (m) => m.type() === "error" && !expected.test(m.text()) && wrong.push(`console: ${m.text()}`));
  page.on("pageerror", (e) => wrong.push(`script: ${e.message}`));
  page.on("request", (r) => origins.some((o) => r.url().startsWith(o)) || r.url().startsWith("data:") || wrong.push(`a request outside: ${r.url()}`));
  return page;
}

/** Waits until a page shows what the station says. */
export const ready = (page) => page.waitForSelector("body:not(.waiting, .is-lost)", { timeout: 15_000 });

/** Passes requests on to the station; while silent, nothing comes back and nothing is closed. */
export async function silentRelay(target) {
  let silent = false;
  const server = http.createServer((request, response) => {
    if (silent) return;
    const headers = { ...request.headers, host: target.host };
    if (headers.origin) headers.origin = target.origin;
    const onward = http.request({ host: target.hostname, port: target.port, path: request.url, method: request.method, headers }, (answer) => {
      response.writeHead(answer.statusCode, answer.headers);
      answer.on("data", (chunk) => silent || response.write(chunk));
      answer.on("end", () => silent || response.end());
    });
    onward.on("error", () => response.destroy());
    response.on("close", () => onward.destroy());
    request.pipe(onward);
  });
  await new Promise((done) => server.listen(0, "127.0.0.1", done));
  return {
    url: `http://127.0.0.1:${server.address().port}`,
    silent: (yes) => { silent = yes; },
    close: () => { server.closeAllConnections(); server.close(); },
  };
}
