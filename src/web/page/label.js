// The page of labels, and of a report or worksheet: printing, and the scanner.

import { find } from "./dom.js";
import { listen } from "./scan.js";

// What identifies a sheet stands at the foot of every page that it is printed on. The margin of a page
// takes words from a style alone.
const sheet = document.querySelector(".sheet-of-paper");
if (sheet) {
  const foot = sheet.querySelector(".foot").textContent;
  document.documentElement.style.setProperty("--foot", `"${foot.replace(/["\\]/g, "\\$&")}"`);
  sheet.classList.add("footed");
}
find(".print").addEventListener("click", () => window.print());
listen();
