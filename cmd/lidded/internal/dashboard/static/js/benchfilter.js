// Where there are several benches, what is shown can be narrowed to one. Signs that
// concern safety are not: the foot of the page speaks of every source, and a bench
// that is not shown and needs somebody is named here.

import { byId, make, setText } from "./dom.js";
import { narrow, onlyBench } from "./router.js";

export class BenchFilter {
  constructor() {
    this.select = make("select", { id: "only", onchange: () => narrow(this.select.value) });
    this.says = make("p", { class: "hint", role: "status" });
    this.root = make("div", { class: "picker only", hidden: true }, make("label", {}, "Show ", this.select), this.says);
    byId("message").after(this.root);
  }

  // show follows the address; the view Start has a choice of its own.
  show(view) {
    this.view = view;
    this.fill();
  }

  // update takes the benches as they are.
  update(benches) {
    this.benches = benches;
    this.fill();
  }

  fill() {
    if (!this.benches) return;
    const only = onlyBench();
    const names = this.benches.map((b) => b.name);
    const strange = only && !names.includes(only);
    this.root.hidden = this.view === "start" || (names.length < 2 && !only);
    const options = [["", "all benches"], ...names.map((n) => [n, "bench " + n]), ...(strange ? [[only, `bench ${only} (not here)`]] : [])];
    const key = JSON.stringify(options);
    if (key !== this.key) {
      this.key = key;
      this.select.replaceChildren(...options.map(([value, text]) => make("option", { value }, text)));
    }
    this.select.value = only;
    const hidden = only ? this.benches.filter((b) => b.name !== only) : [];
    const wait = hidden.filter((b) => b.state === "holding").map((b) => `${b.name} waits for a person`);
    const on = hidden.filter((b) => b.source_on !== false).map((b) => `${b.name}: the source is ${b.source_on ? "on" : "not known to be off"}`);
    setText(this.says, strange ? `There is no bench ${only} here; runs of it may be.` : [...wait, ...on].map((s) => s + ".").join(" "));
  }
}
