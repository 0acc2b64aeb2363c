// Writes a day's figures by hand into the station's blank worksheet, and prints it.
//
//   node worksheet.mjs URL WRITTEN.json OUT.pdf
//
// WRITTEN.json: `named` maps the printed name of a cell to what is written under it; `tables` maps a
// heading (and `#2` for the second table under it) to rows of cells: null, a text, or a text for each
// printed line of the cell. What finds no place, or a place that is taken, is told, and nothing is printed.

import { readFileSync } from "node:fs";
import { launch } from "../browser.mjs";

const [url, written, out] = process.argv.slice(2);

const browser = await launch();
let homeless = [];
try {
  // The page's own policy lets no style in from outside; a pen does not ask it.
  const page = await (await browser.newContext({ bypassCSP: true })).newPage();
  await page.goto(url);
  await page.addStyleTag({ content: ".hand { color: #1a3fb0; font: italic 600 8.6pt 'Z003', 'URW Chancery L', 'Noto Serif', 'DejaVu Serif', serif; }" });
  homeless = await page.evaluate(({ named, tables }) => {
    const homeless = [];
    const hand = (text) => {
      const pen = document.createElement("span");
      pen.className = "hand";
      pen.textContent = text;
      return pen;
    };
    const sheet = document.querySelector(".sheet-of-paper");
    const found = {};
    let heading = "";
    for (const element of sheet.querySelectorAll("h2, table")) {
      if (element.tagName === "H2") heading = element.textContent;
      else {
        let key = heading;
        for (let n = 2; key in found; n += 1) key = `${heading}#${n}`;
        found[key] = element;
      }
    }
    const cells = [...sheet.querySelectorAll("table.ruled td.quiet")];
    for (const [name, text] of Object.entries(named)) {
      const cell = cells.find((cell) => cell.firstChild?.textContent === name && !cell.querySelector(".hand"));
      if (cell) cell.append(hand(text));
      else homeless.push(`${name}: ${text}`);
    }
    for (const [name, rows] of Object.entries(tables)) {
      const table = found[name];
      rows.forEach((row, y) => row.forEach((texts, x) => {
        if (texts === null) return;
        const cell = table?.tBodies[0].rows[y]?.cells[x];
        if (!cell || (typeof texts === "string" && cell.textContent.trim() !== "")) {
          homeless.push(`${name}, row ${y + 1}, column ${x + 1}: ${texts}${cell ? ` (there stands ${cell.textContent})` : ""}`);
        } else if (typeof texts === "string") {
          cell.append(hand(texts));
        } else {
          const lines = [...cell.childNodes].filter((node) => node.nodeType === Node.TEXT_NODE);
          if (lines.length !== texts.length) homeless.push(`${name}: ${texts} for the lines ${lines.map((l) => l.textContent)}`);
          lines.forEach((line, n) => line.after(" ", hand(texts[n] ?? "")));
        }
      }));
    }
    return homeless;
  }, JSON.parse(readFileSync(written, "utf8")));
  if (homeless.length === 0) await page.pdf({ path: out, preferCSSPageSize: true, printBackground: true });
} catch (error) {
  homeless.push(error.message);
} finally {
  await browser.close();
}
for (const words of homeless) console.error(`no place for ${words}`);
process.exit(homeless.length ? 1 : 0);
