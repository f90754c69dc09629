// Now: each bench, what it does, what waits for a person, what it hears.

import { byId, make, setData, setText } from "./dom.js";
import { duration, freq, gone, kinds, ours, place, states } from "./format.js";
import { get } from "./api.js";
import { Hold } from "./hold.js";
import { LiveTraceView } from "./livetrace.js";
import { sourceOff, stopRun } from "./orders.js";
import { address, onlyBench } from "./router.js";
import { Sign, working } from "./sign.js";

const over = ["completed", "stopped", "aborted", "failed", "interrupted"];

export class NowView {
  // changed is called when something should be asked for afresh, told after
  // the benches as shown have changed.
  constructor(changed, told) {
    this.changed = changed;
    this.told = told;
    this.cards = new Map();
    this.early = new Map(); // traces of benches nobody told of yet
    this.root = byId("benches");
  }

  benches() {
    return [...this.cards.values()].map((c) => c.bench);
  }

  // show follows the choice of benches.
  show() {
    const only = onlyBench();
    for (const [name, card] of this.cards) {
      card.root.hidden = only !== "" && name !== only;
      card.lead(this.cards.size > 1);
    }
  }

  // pictures is a state to give to update: an answer is older than any picture
  // that came while it was on its way.
  pictures() {
    return new Map([...this.cards].map(([name, card]) => [name, card.pictures]));
  }

  update(all, before) {
    const names = new Set(all.map((b) => b.name));
    for (const [name, card] of this.cards) {
      if (names.has(name)) continue;
      card.root.remove();
      this.cards.delete(name);
    }
    if (all.length === 0) this.root.replaceChildren(make("p", {}, "No bench is known."));
    for (const b of all) {
      let card = this.cards.get(b.name);
      if (!card) {
        card = new Card(b.name, this.changed);
        this.cards.set(b.name, card);
        this.root.append(card.root);
        if (this.early.has(b.name)) card.live.update(this.early.get(b.name));
        this.early.delete(b.name);
      }
      if ((before.get(b.name) ?? 0) === card.pictures) card.update(b);
    }
    this.show();
    this.told();
  }

  // picture takes a live picture in; false: it is of a bench nobody told of.
  picture(p) {
    const card = this.cards.get(p.bench);
    if (!card) return false;
    card.picture(p);
    this.told();
    return true;
  }

  trace(t) {
    const card = this.cards.get(t.bench);
    if (card) card.live.update(t);
    else this.early.set(t.bench, t);
  }
}

class Card {
  constructor(name, changed) {
    this.name = name;
    this.changed = changed;
    this.pictures = 0; // live pictures taken in so far
    this.points = new Map(); // frequencies of a run's points, by run
    this.sign = new Sign((source) => setData(this.root, "source", source));
    this.state = make("strong", { class: "state" });
    this.what = make("p", { class: "what" });
    this.where = make("p", { class: "where" });
    this.why = make("p", { class: "why", role: "status" });
    this.bar = make("progress", { max: 1, value: 0, "aria-label": "Captures done" });
    this.left = make("p", { class: "left" });
    this.pace = make("p", { class: "pace" });
    this.links = make("ul", { class: "links" });
    this.away = make("p", { class: "why away", role: "status" });
    this.hold = new Hold(changed);
    this.live = new LiveTraceView(name);
    this.stop = make("button", { type: "button", class: "stop", onclick: () => this.after(stopRun(this.bench.run)) }, "Stop the run");
    this.off = make("button", { type: "button", class: "off", onclick: () => this.after(sourceOff(name)) }, "Switch source off");
    this.begin = make("a", {}, "Start one");
    this.last = make("a", {}, "the last result");
    this.run = make("div", { class: "run" }, this.what, this.where, this.why, this.bar, this.left, this.pace);
    this.idle = make("p", { class: "idle" }, "No run is on. ", this.begin, " or look at ", this.last, ".");
    this.root = make("article", { class: "card bench", "data-bench": name, "aria-label": "Bench " + name },
      make("div", { class: "bench-head" }, make("h2", {}, "Bench ", name), this.state),
      this.hold.told,
      make("div", { class: "bench-now" },
        make("div", { class: "bench-state" }, this.sign.root, this.hold.root, this.away, this.run, this.idle, make("div", { class: "buttons" }, this.off, this.stop), this.links),
        this.live.root));
    this.root.dataset.source = "unknown";
  }

  // lead makes the ways from here, which keep the choice of benches; among several the
  // last result is that of this one.
  lead(several) {
    this.begin.setAttribute("href", address("start", { bench: this.name }));
    this.last.setAttribute("href", address("result", several ? { only: this.name } : {}));
  }

  async after(order) {
    await order;
    this.changed();
  }

  // update shows a bench as the interface gives it.
  update(bench) {
    this.bench = bench;
    const p = bench.progress;
    setText(this.state, states[bench.state] || bench.state);
    setData(this.root, "state", bench.state);
    this.sign.show(bench.source_on, working(bench.state));
    setText(this.away, gone(bench));
    this.sign.root.hidden = this.off.hidden = !ours(bench);
    this.links.hidden = this.live.root.hidden = Boolean(bench.away);
    this.showLinks(bench);
    this.run.hidden = !p;
    this.idle.hidden = Boolean(p || bench.run || bench.away);
    this.stop.hidden = !bench.run || bench.state === "stopping";
    if (p) this.showProgress(p);
    // What was heard in an earlier run says nothing of this one.
    if (bench.run && this.live.trace && this.live.trace.run !== bench.run) this.live.clear();
    this.live.going(bench.state === "running");
    this.hold.show(p && bench.state === "holding" ? p.hold : null, p);
  }

  // picture takes a live picture in.
  picture(p) {
    this.pictures++;
    const done = over.includes(p.state);
    this.update({
      ...this.bench,
      away: undefined,
      state: done ? "idle" : p.state,
      run: done ? "" : p.run,
      progress: done ? undefined : p,
      source_on: p.source_on,
      analyzer: { ...this.bench.analyzer, up: p.analyzer_up },
      source: { ...this.bench.source, up: p.source_up },
    });
  }

  showLinks(bench) {
    const line = (role, i) => make("li", { "data-up": String(i.up) },
      make("span", { class: "mark", "aria-hidden": "true" }, i.up ? "\u2713" : "\u2717"),
      ` ${role}: ${i.up ? "link up" : "LINK DOWN"}`,
      !i.up && i.fault ? make("span", { class: "fault" }, " \u00b7 " + i.fault) : null);
    const lines = [line("Analyzer", bench.analyzer), line("Source", bench.source)];
    if (this.links.textContent !== lines.map((l) => l.textContent).join("")) this.links.replaceChildren(...lines);
  }

  showProgress(p) {
    const begun = p.step_kind in kinds;
    setText(this.what, begun ? `Plan ${p.plan}, step ${p.step + 1} of ${p.steps}: ${kinds[p.step_kind]}` : `Plan ${p.plan}`);
    const hz = (this.points.get(p.run) || [])[p.point];
    const point = p.step_kind === "hold_point" ? "" : ` \u00b7 point ${p.point + 1} of ${p.points}` + (hz ? `, ${freq(hz)}` : "");
    setText(this.where, begun ? place(p.at) + point : "");
    setText(this.why, p.state === "suspended" ? p.text || "" : "");
    this.bar.value = p.total ? p.done / p.total : 0;
    setText(this.left, `${duration(p.left_s)} left` + (p.state === "holding" ? ", once it goes on" : "") + ` \u00b7 ${p.done} of ${p.total} captures`);
    setText(this.pace, against(p));
    if (!this.points.has(p.run)) this.askPoints(p.run);
  }

  async askPoints(run) {
    this.points.clear();
    this.points.set(run, []);
    try {
      const r = await get("/v1/runs/" + encodeURIComponent(run));
      this.points.set(run, r.plan_settings.points.map((q) => q.freq_hz));
      if (this.bench.progress) this.showProgress(this.bench.progress);
    } catch {
      this.points.delete(run); // asked for again with the next picture
    }
  }
}

// against sets the time left beside what the plan said of the same work.
function against(p) {
  const planned = p.left_by_plan_s;
  if (!planned || p.done === 0) return planned ? `the plan says ${duration(planned)}` : "";
  const late = p.left_s / planned - 1;
  const pace = Math.abs(late) < 0.1 ? "as planned" : `${Math.round(Math.abs(late) * 100)} % ${late > 0 ? "slower" : "faster"} than planned`;
  return `the plan says ${duration(planned)} for the rest: it goes ${pace}`;
}
