// Tables: a caption, heads, rows, and room to scroll sideways.

import { make } from "./dom.js";

// table makes one. heads are [text, isNumber]; rows are made by row() or given
// as lists of texts.
export function table(caption, heads, rows) {
  const body = make("tbody", {}, ...rows.map((r) => (Array.isArray(r) ? row(heads, r) : r)));
  return make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": caption },
    make("table", {},
      make("caption", {}, caption),
      make("thead", {}, make("tr", {}, ...heads.map(([text, number]) => make("th", { scope: "col", class: number ? "number" : null }, text)))),
      body));
}

// row makes a row whose first cell is its head.
export function row(heads, cells, more = {}) {
  return make("tr", more, ...cells.map((c, i) => {
    const kind = { class: heads[i][1] ? "number" : heads[i][2] ? "words" : null };
    return i === 0 ? make("th", { scope: "row", ...kind }, c) : make("td", kind, c);
  }));
}

// facts is a list of names with what they are.
export const facts = (pairs) =>
  make("dl", { class: "facts" }, ...pairs.filter(([, v]) => v !== null && v !== undefined && v !== "").map(([k, v]) => make("div", {}, make("dt", {}, k), make("dd", {}, v))));

// fold is a part that is built when it is opened for the first time, and anew
// when it is opened after stale().
export class Fold {
  constructor(title, build, more = {}) {
    this.build = build;
    this.title = make("summary", {}, title);
    this.body = make("div");
    this.root = make("details", more, this.title, this.body);
    this.fresh = false;
    this.root.addEventListener("toggle", () => this.fill());
  }

  stale() {
    this.fresh = false;
    this.fill();
  }

  async fill() {
    if (!this.root.open || this.fresh) return;
    this.fresh = true;
    const made = await this.build();
    this.body.replaceChildren(...[made].flat());
  }
}
