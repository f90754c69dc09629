// The dock at the foot of every view: is a source on, stop, source off.

import { byId, make, setData, setText } from "./dom.js";
import { ours } from "./format.js";
import { Sign, working } from "./sign.js";
import { allOff, stopRun } from "./orders.js";

export class Dock {
  // changed is called after an order.
  constructor(changed) {
    this.changed = changed;
    this.root = byId("dock");
    this.sign = new Sign((source) => setData(this.root, "source", source));
    this.done = make("p", { class: "done", role: "status" });
    this.stops = make("span", { class: "stops" });
    this.off = make("button", { type: "button", class: "off", id: "all-off", onclick: () => this.allOff() }, "Switch source off");
    this.root.append(this.sign.root, this.done, make("div", { class: "buttons" }, this.stops, this.off));
    this.benches = [];
  }

  update(all) {
    const benches = all.filter(ours);
    this.benches = benches;
    const on = benches.filter((b) => b.source_on === true);
    const unknown = benches.filter((b) => b.source_on === null || b.source_on === undefined);
    const many = benches.length > 1;
    const names = (list) => (many ? list.map((b) => b.name).join(", ") : "");
    if (on.length) this.sign.show(true, true, names(on));
    else if (unknown.length || benches.length === 0) this.sign.show(null, false, benches.length ? names(unknown) : "no bench heard of yet");
    else this.sign.show(false, benches.some((b) => working(b.state)), many ? "on every bench" : "");
    setText(this.off, many ? "Switch all sources off" : "Switch source off");
    const running = benches.filter((b) => b.run && b.state !== "stopping");
    const key = running.map((b) => b.run).join();
    if (key === this.key) return;
    this.key = key;
    this.stops.replaceChildren(...running.map((b) => make("button", { type: "button", class: "stop", "data-bench": b.name, onclick: () => this.stop(b.run) }, many ? `Stop run on ${b.name}` : "Stop run")));
  }

  async stop(run) {
    await stopRun(run);
    this.changed();
  }

  async allOff() {
    setText(this.done, "switching off \u2026");
    const done = await allOff();
    setText(this.done, done ? done.benches.map((b) => `${b.bench}: source off, read back`).join("; ") : "");
    clearTimeout(this.forget);
    this.forget = setTimeout(() => setText(this.done, ""), 10000);
    this.changed();
  }
}
