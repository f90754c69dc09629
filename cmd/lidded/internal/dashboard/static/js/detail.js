// One point of a run: what is claimed, what it was measured with, what the
// traces showed, and what its uncertainty is made of.

import { make, setText } from "./dom.js";
import { db, dbm, duration, freq, kinds, level, place, se } from "./format.js";
import { get } from "./api.js";
import { facts, Fold, table } from "./table.js";
import { TraceChart, tell } from "./tracechart.js";

export class Detail {
  // closed is called when the person is done with it.
  constructor(closed) {
    this.closed = closed;
    this.title = make("h2", { tabindex: -1 });
    this.body = make("div", { class: "detail-body" });
    this.root = make("section", { class: "card detail", id: "point", "aria-label": "Point", hidden: true },
      make("div", { class: "detail-head" }, this.title, make("button", { type: "button", class: "close", onclick: () => this.close() }, "Close this point")), this.body);
    this.root.addEventListener("keydown", (e) => {
      if (e.key === "Escape") this.close();
    });
    this.charts = [];
    this.key = "";
  }

  close() {
    this.closed();
    this.back?.focus?.();
  }

  // show takes a run, a specimen and the index of a point, or null.
  async show(run, specimen, point, results) {
    const key = point === null ? "" : JSON.stringify([run.id, specimen, point]);
    if (key === this.key) return;
    this.key = key;
    this.clear();
    this.root.hidden = key === "";
    if (!key) return;
    const q = run.plan_settings.points.find((p) => p.index === point);
    if (!q) {
      this.root.hidden = true;
      return;
    }
    this.back = document.activeElement;
    setText(this.title, `${specimen} at ${freq(q.freq_hz)}`);
    this.body.replaceChildren(make("p", {}, "\u2026"));
    this.title.focus({ preventScroll: true });
    this.root.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
    const claims = results.results.filter((r) => r.point === point && r.at.specimen === specimen);
    try {
      const parts = await this.parts(run, specimen, q);
      if (key !== this.key) return; // another point was opened meanwhile
      this.body.replaceChildren(...claims.flatMap(claimed), ...parts);
    } catch (e) {
      this.body.replaceChildren(...claims.flatMap(claimed), make("p", { class: "why" }, e.message));
    }
  }

  clear() {
    for (const c of this.charts) c.destroy();
    this.charts = [];
    this.body.replaceChildren();
  }

  // parts gathers the captures of the point: reference, enclosed, ambient.
  async parts(run, specimen, q) {
    const path = "/v1/runs/" + encodeURIComponent(run.id);
    const { captures } = await get(path + "/captures?limit=10000");
    const mine = captures.filter((c) => c.point === q.index && (!c.at.specimen || c.at.specimen === specimen));
    const whole = await Promise.all(mine.slice(-12).map((c) => get("/v1/captures/" + encodeURIComponent(c.id))));
    return [...this.traced(whole, q), settings(mine)];
  }

  // traced shows the newest traces: reference, enclosed with the source on, off.
  traced(captures, q) {
    const look = (kind, on) => captures.filter((c) => c.kind === kind).flatMap((c) => c.looks.filter((l) => l.source_on === on)).at(-1)?.trace;
    const found = [["reference", look("reference", true)], ["on", look("enclosed", true)], ["off", look("enclosed", false)]].filter(([, t]) => t && t.levels_dbm.length);
    if (found.length === 0) return [make("p", {}, "No traces were kept: the levels were read by hand.")];
    const names = { reference: "reference", on: "enclosed, source on", off: "enclosed, source off" };
    const traces = found.map(([kind, t]) => ({ ...t, kind }));
    const figure = make("div", { class: "chart", role: "img" });
    const sentence = `Traces around ${freq(q.freq_hz)}: ` + traces.map((t) => tell(names[t.kind], t, top(t))).join(" ");
    figure.setAttribute("aria-label", sentence + " The table below has the levels.");
    const chart = new TraceChart(figure);
    this.charts.push(chart);
    queueMicrotask(() => chart.update(traces));
    const heads = [["Frequency"], ...traces.map((t) => [names[t.kind], true])];
    return [
      make("h3", {}, "Traces"),
      make("ul", { class: "legend" }, ...traces.map((t) => make("li", {}, make("span", { class: "stroke " + t.kind, "aria-hidden": "true" }), " ", names[t.kind]))),
      figure, make("p", { class: "readout" }, sentence),
      new Fold("Table of the traces", () => table("Levels", heads, traces[0].levels_dbm.map((_, i) => [
        freq(traces[0].start_hz + ((traces[0].stop_hz - traces[0].start_hz) * i) / Math.max(traces[0].levels_dbm.length - 1, 1)), ...traces.map((t) => dbm(t.levels_dbm[i])),
      ]))).root,
    ];
  }
}

function top(t) {
  let best = -1;
  t.levels_dbm.forEach((v, i) => {
    if (v !== null && (best < 0 || v > t.levels_dbm[best])) best = i;
  });
  if (best < 0) return {};
  return { peak_dbm: t.levels_dbm[best], peak_hz: t.start_hz + ((t.stop_hz - t.start_hz) * best) / Math.max(t.levels_dbm.length - 1, 1) };
}

// claimed says what is claimed of a point at one setting.
function claimed(r) {
  return [
    make("h3", {}, place({ ...r.at, specimen: " " }).replace(/^[ ,]+/, "") || "Result"),
    facts([
      ["Outcome", r.outcome + (r.reason ? `: ${r.reason}` : "")], ["SE", se(r.se)], ["Reference", dbm(r.reference_dbm)], ["Enclosed", level(r.enclosed)],
      ["Noise floor", dbm(r.noise_floor_dbm)], ["Margin", db(r.margin_db)], ["Dynamic range", db(r.dynamic_range_db)],
      ["Closing drift", r.closing_drift_db === undefined ? null : db(r.closing_drift_db)],
      ["Required", r.required_db === undefined ? null : `${db(r.required_db)}: ${r.verdict}`],
      ["Confidence", r.confidence ? `${Math.round(r.confidence * 1000) / 10} %` : null], ["Method", r.method],
    ]),
  ];
}

// settings lists what the captures were taken with.
function settings(captures) {
  const heads = [["Capture"], ["Where", false, true], ["Source", true], ["RBW", true], ["Span", true], ["Detector"], ["Attenuation", true], ["Took", true], ["Void", false, true]];
  return new Fold(`Settings, as read back, of ${captures.length} captures`, () => table("Settings of the captures", heads, captures.map((c) => [
    kinds[c.kind] || c.kind, place(c.at), c.source_level_dbm === undefined ? "off" : dbm(c.source_level_dbm), freq(c.settings.rbw_hz), freq(c.settings.span_hz),
    c.settings.detector, db(c.settings.attenuation_db), duration(c.took_s), c.void || (c.overload ? "overload" : ""),
  ]))).root;
}
