// The settings in force, to read: they are changed in the file, by whoever set the station up.

import { find, h } from "./dom.js";
import { begin } from "./shell.js";
import { t } from "./words.js";

let rows = [];

function draw() {
  const words = find("#find").value.trim().toLowerCase();
  const own = find("#own").checked;
  const wanted = rows.filter((r) => (!own || r.asShipped !== true) && [r.key, r.value, r.about ?? ""].some((part) => part.toLowerCase().includes(words)));
  const sections = Map.groupBy(wanted, (r) => r.key.split(".")[0]);
  find("#parts").replaceChildren(...[...sections].map(([name, list]) => h("section", {}, h("h2", { lang: "en" }, name),
    h("div", { class: "scroll" }, h("table", { class: "settings" }, h("thead", {}, h("tr", {}, ...["key", "value", "means"].map((k) => h("th", { scope: "col" }, t(`settings.${k}`))))),
      h("tbody", {}, ...list.map((r) => h("tr", {}, h("td", {}, h("code", {}, r.key)),
        h("td", {}, h("b", {}, r.value), r.asShipped === false ? h("span", { class: "quiet" }, ` ${t("settings.changed")}`) : ""), h("td", { class: "quiet", lang: "en" }, r.about ?? "")))))))));
}

find("#find").addEventListener("input", draw);
find("#own").addEventListener("change", draw);
find("form").addEventListener("submit", (event) => event.preventDefault());
fetch("/settings/view").then((answer) => answer.json()).then((list) => { rows = list; draw(); }).catch(() => {});
begin();
