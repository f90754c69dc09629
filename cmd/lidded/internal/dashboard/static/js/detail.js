// One point of a run: what is claimed, what it was measured with, what the
// traces showed, and what its uncertainty is made of.

import { make, setText } from "./dom.js";
import { db, dbm, duration, fixed, freq, kinds, level, place, se } from "./format.js";
import { get } from "./api.js";
import { pointTraces } from "./pointtraces.js";
import { facts, Fold, row, table } from "./table.js";

const calm = matchMedia("(prefers-reduced-motion: reduce)");

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
    if (this.back?.isConnected) this.back.focus();
  }

  // show takes a run, a specimen and the index of a point, or null, and what
  // the run says at all settings.
  async show(run, specimen, point, results) {
    const settings = point === null ? [] : results.filter((r) => r.point === point && r.at.specimen === specimen);
    const key = point === null ? "" : JSON.stringify([run.id, specimen, point, settings.length]);
    if (key === this.key) return;
    this.key = key;
    const q = run.plan_settings.points.find((p) => p.index === point);
    this.root.hidden = key === "" || !q;
    if (this.root.hidden) return this.clear();
    if (!this.root.contains(document.activeElement)) this.back = document.activeElement;
    setText(this.title, `${specimen} at ${freq(q.freq_hz)}`);
    this.title.focus({ preventScroll: true });
    this.root.scrollIntoView({ block: "start", behavior: calm.matches ? "auto" : "smooth" });
    this.path = `/v1/runs/${encodeURIComponent(run.id)}/points/${point}?specimen=${encodeURIComponent(specimen)}`;
    this.settings = settings;
    return this.load(this.path, key);
  }

  async load(path, key) {
    this.clear();
    this.body.replaceChildren(make("p", { role: "status" }, "Asking for the point \u2026"));
    try {
      const d = await get(path);
      if (key === this.key) this.fill(d);
    } catch (e) {
      if (key === this.key) this.body.replaceChildren(make("p", { class: "why" }, e.message));
    }
  }

  clear() {
    for (const c of this.charts) c.destroy();
    this.charts = [];
    this.body.replaceChildren();
  }

  fill(d) {
    const { charts, parts } = pointTraces(d);
    this.charts = charts;
    this.body.replaceChildren(...this.others(d), ...claimed(d), ...parts, ...budget(d.budget), settings(d), ...rungs(d));
    for (const draw of parts.map((p) => p.draw).filter(Boolean)) draw();
  }

  // others leads to the other settings at which the point was measured.
  others(d) {
    if (this.settings.length < 2) return [];
    const button = (r) => {
      const { position, polarization, repeat } = r.at;
      const here = position === d.at.position && polarization === d.at.polarization && repeat === d.at.repeat;
      const path = this.path + "&" + new URLSearchParams({ position, polarization, repeat });
      return make("li", {}, make("button", { type: "button", class: "chip", "aria-pressed": String(here), onclick: () => this.load(path, this.key) }, `${where(r.at)}: ${r.se ? se(r.se) : r.outcome}`));
    };
    return [make("ul", { class: "series", "aria-label": "Where it was measured" }, ...this.settings.map(button))];
  }
}

const where = (at) => place({ ...at, specimen: " " }).replace(/^[ ,]+/, "");

// claimed says what is claimed of the point and why.
function claimed(d) {
  const r = d.result;
  if (!r) return [make("p", {}, "Nothing was captured through the shield yet.")];
  return [
    make("h3", {}, `Claim: ${where(d.at)}`),
    facts([
      ["Outcome", r.outcome + (r.reason ? `: ${r.reason}` : "")], ["SE", se(r.se)], ["Reference", dbm(r.reference_dbm)], ["Enclosed", level(r.enclosed)],
      ["Noise floor", dbm(r.noise_floor_dbm)], ["Margin", db(r.margin_db)], ["Dynamic range", db(r.dynamic_range_db)],
      ["Closing drift", r.closing_drift_db === undefined ? null : db(r.closing_drift_db)],
      ["Required", r.required_db === undefined ? null : `${db(r.required_db)}: ${r.verdict}`],
      ["Confidence", r.confidence ? `${Math.round(r.confidence * 1000) / 10} %` : null], ["Method", r.method],
    ]),
    ...(d.would_decide ? [make("p", {}, `To decide: ${d.would_decide}`)] : []),
  ];
}

const budgetHeads = [["Component"], ["Kind"], ["Acts on"], ["Value", true], ["Distribution"], ["Divisor", true], ["Standard uncertainty", true], ["Share", true], ["Source", false, true]];

// budget lists what the uncertainty is made of.
function budget(b) {
  if (!b) return [];
  const sum = facts([
    ["Standard uncertainty", db2(b.standard_uncertainty_db)], ["Expanded uncertainty", db2(b.expanded_uncertainty_db)], ["Taken off a bound", db2(b.one_sided_db)],
    ["Coverage", `${Math.round(b.coverage * 1000) / 10} %` + (b.coverage_factor ? `, factor ${b.coverage_factor.toFixed(2)}` : "")], ["Method", b.method],
  ]);
  const rows = b.entries.map((e) => [
    e.name + (e.cancelled ? " (in common, cancels)" : ""), e.kind, e.side, db2(e.value_db), e.distribution, fixed(e.divisor, 2), db2(e.standard_uncertainty_db), Math.round(e.share * 100) + " %", e.source || "",
  ]);
  return [make("h3", {}, "Uncertainty budget"), sum, new Fold(`Table of the budget: ${rows.length} components`, () => table("Uncertainty budget, largest share first", budgetHeads, rows)).root];
}

const db2 = (v) => (v === null || v === undefined ? "\u2013" : fixed(v, 2) + " dB");

const settingHeads = [["Capture"], ["Where", false, true], ["Source", true], ["RBW", true], ["Span", true], ["Detector"], ["Attenuation", true], ["Level", true], ["Noise floor", true], ["Took", true], ["Says nothing because", false, true]];

// settings lists what the captures were taken with, as read back.
function settings(d) {
  return new Fold(`Settings of ${d.captures.length} captures, as read back`, () => table("Settings of the captures, as read back", settingHeads, d.captures.map((c) => [
    kinds[c.kind] || c.kind, place(c.at), c.source_level_dbm === undefined ? "off" : dbm(c.source_level_dbm), freq(c.settings.rbw_hz), freq(c.settings.span_hz),
    c.settings.detector, db(c.settings.attenuation_db), dbm(c.level_dbm), dbm(c.floor_dbm), duration(c.took_s), c.void || c.says_nothing || (c.overload ? "overload" : ""),
  ])), { class: "settings" }).root;
}

const rungHeads = [["Look"], ["Settings", false, true], ["Outcome", false, true], ["SE", true], ["Noise floor", true], ["Margin", true]];

// rungs lists the looks of an adaptive plan one by one.
function rungs(d) {
  if (d.rungs.length < 2) return [];
  return [new Fold(`Looks one by one: ${d.rungs.length}`, () => table("Looks through the shield, one by one", rungHeads, d.rungs.map((r) =>
    row(rungHeads, [String(r.rung + 1), r.settings, r.outcome + (r.reason ? `: ${r.reason}` : ""), se(r.se), dbm(r.noise_floor_dbm), db(r.margin_db)])))).root];
}
