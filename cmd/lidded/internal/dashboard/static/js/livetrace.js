// The live trace: what the analyzer showed last, with noise floor and peak.

import { make, setText } from "./dom.js";
import { dbm, freq, kinds, place } from "./format.js";
import { table, Fold } from "./table.js";
import { TraceChart, tell } from "./tracechart.js";

const sentenceEvery = 2000; // the picture is quick, words that are read out are not

export class LiveTraceView {
  constructor(bench) {
    this.title = make("h3", {}, "Live trace");
    this.figure = make("div", { class: "chart", role: "img", "aria-label": "No trace yet" });
    this.sentence = make("p", { class: "readout" });
    this.about = make("p", { class: "about" });
    this.fold = new Fold("Table of the trace", () => this.tabled());
    this.root = make("section", { class: "live", "aria-label": `Live trace of bench ${bench}`, hidden: true }, this.title, this.about, this.figure, this.sentence, this.fold.root);
    this.chart = new TraceChart(this.figure);
    this.said = -sentenceEvery;
  }

  // going says whether the bench is sweeping; else the trace is of the past.
  going(on) {
    const ended = this.live && !on;
    this.live = on;
    this.head();
    if (ended && this.trace) this.say();
  }

  head() {
    setText(this.title, this.live || !this.trace ? "Live trace" : `Last trace, ${new Date(this.trace.time).toLocaleTimeString()}`);
  }

  clear() {
    this.trace = null;
    this.root.hidden = true;
    clearTimeout(this.later);
  }

  update(t) {
    this.trace = t;
    this.root.hidden = false;
    this.head();
    this.chart.update([{ ...t, kind: t.source_on ? "on" : "off" }], marks(t));
    this.figure.dataset.point = String(t.point);
    const now = performance.now();
    if (now - this.said < sentenceEvery) {
      clearTimeout(this.later);
      this.later = setTimeout(() => this.say(), sentenceEvery);
      return;
    }
    this.say();
  }

  say() {
    const t = this.trace;
    clearTimeout(this.later);
    this.said = performance.now();
    const source = t.source_on ? "the source on" : "the source off";
    setText(this.about, `${kinds[t.step_kind] || t.step_kind} \u00b7 ${place(t.at)} \u00b7 ${freq(t.freq_hz)}, RBW ${freq(t.rbw_hz)}, taken with ${source}` + (t.points > t.levels_dbm.length ? ` \u00b7 ${t.points} points, drawn are the lowest and the highest of each stretch` : ""));
    const text = tell(`Trace with ${source}`, t, marks(t));
    setText(this.sentence, text);
    this.figure.setAttribute("aria-label", text + " The table below has the levels.");
  }

  tabled() {
    const t = this.trace;
    const heads = [["Frequency"], ["Level", true]];
    const n = t.levels_dbm.length;
    return [
      table(`Levels at ${new Date(t.time).toLocaleTimeString()}`, heads, t.levels_dbm.map((v, i) => [freq(t.start_hz + ((t.stop_hz - t.start_hz) * i) / Math.max(n - 1, 1)), dbm(v)])),
      make("button", { type: "button", onclick: () => this.fold.stale() }, "Read the trace again"),
    ];
  }
}

// marks are what is marked in a trace.
const marks = (t) => ({ floor_dbm: t.noise_floor_dbm, peak_hz: t.peak_hz, peak_dbm: t.peak_dbm });
