// What is laid over the result: other runs, or earlier nights of one specimen.

import { make, setText } from "./dom.js";
import { states, when } from "./format.js";

const nightChoices = [5, 10, 50];

export const label = (r) => `${when(r.created)} \u00b7 ${r.plan} on ${r.bench} \u00b7 ${states[r.state] || r.state}`;

export class Picker {
  // changed is called with {run, with, nights} when a choice was made.
  constructor(changed) {
    this.changed = changed;
    this.select = make("select", { id: "run", onchange: () => this.tell({ run: this.select.value, with: [] }) });
    this.nights = make("select", { id: "nights", onchange: () => this.tell({}) }, make("option", { value: "" }, "none"), ...nightChoices.map((n) => make("option", { value: n }, `the last ${n}`)));
    this.boxes = make("ul", { class: "choices" });
    this.fold = make("details", { class: "over" }, make("summary", {}, "Lay other runs over it"), make("fieldset", {}, make("legend", {}, "Runs with the same specimens"), this.boxes));
    this.root = make("div", { class: "picker" },
      make("label", {}, "Run ", this.select),
      make("label", {}, "Nights of the specimen in front ", this.nights),
      this.fold);
  }

  tell(change) {
    const ticked = [...this.boxes.querySelectorAll("input:checked")].map((b) => b.value);
    this.changed({ run: this.select.value, with: ticked, nights: this.nights.value, ...change });
  }

  // update lists runs, newest first, and what is chosen.
  update(runs, chosen, shown) {
    // A run that a link leads to may be older, or of a bench that is not listed.
    const listed = runs.some((r) => r.id === shown.id) ? runs : [shown, ...runs];
    const options = [["", "the newest"], ...listed.map((r) => [r.id, label(r)])];
    const key = JSON.stringify([options, chosen.run]);
    if (key !== this.key) {
      this.key = key;
      this.select.replaceChildren(...options.map(([value, text]) => make("option", { value }, text)));
    }
    this.select.value = chosen.run;
    this.nights.value = chosen.nights;
    const alike = runs.filter((r) => r.id !== shown.id && r.specimens.some((s) => shown.specimens.includes(s)));
    const boxKey = JSON.stringify([alike.map(label), chosen.with, shown.id]);
    if (boxKey === this.boxKey) return;
    this.boxKey = boxKey;
    this.fold.hidden = alike.length === 0;
    setText(this.fold.firstChild, `Lay other runs over it (${chosen.with.length} of ${alike.length})`);
    const had = document.activeElement?.value;
    this.boxes.replaceChildren(...alike.map((r) => make("li", {}, make("label", {}, make("input", { type: "checkbox", value: r.id, checked: chosen.with.includes(r.id), onchange: () => this.tell({}) }), " ", label(r)))));
    if (had) this.boxes.querySelector(`input[value="${CSS.escape(had)}"]`)?.focus();
  }
}
