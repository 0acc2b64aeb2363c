// The labels' page: printing, and the scanner.

import { find } from "./dom.js";
import { listen } from "./scan.js";

find(".print").addEventListener("click", () => window.print());
listen();
