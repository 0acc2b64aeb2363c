// The sheet that lies over the page: one at a time, for what is rare or needs room. What is typed in it
// stays when it is closed and opened again.

import { find, show, text } from "./dom.js";

const sheet = () => find("#sheet");
let shown = null;
let onClose = null;

/** Lays `node` on the sheet. `number`: the place it is about; `closed` is called when it goes. */
export function open({ title, number = null, node, closed = null }) {
  const box = sheet();
  onClose?.();
  onClose = closed;
  shown = node;
  text(find("h2", box), title);
  show(find(".number", box), number !== null);
  text(find(".number", box), number === null ? "" : String(number));
  find(".inside", box).replaceChildren(node);
  if (!box.open) box.showModal();
}

export const isShown = (node) => sheet().open && shown === node;

/** Closes the sheet, if it is `node` that lies on it (or whatever does, without one). */
export function close(node = shown) {
  if (sheet().open && shown === node) sheet().close();
}

export function bindSheet() {
  const box = sheet();
  find(".close", box).addEventListener("click", () => box.close());
  // A touch beside it closes it.
  box.addEventListener("click", (event) => event.target === box && box.close());
  box.addEventListener("close", () => {
    const call = onClose;
    onClose = null;
    shown = null;
    call?.();
  });
}
