// Trend: how SE and reference of a specimen went over nights, door cycles or
// months, and whether anything changed.

import { byId, make, setText } from "./dom.js";
import { dbm, freq, se, when } from "./format.js";
import { get } from "./api.js";
import { Between } from "./between.js";
import { ofBench } from "./records.js";
import { note, onlyBench } from "./router.js";
import { Fold, table } from "./table.js";
import { TrendChart } from "./trendchart.js";

const most = 500; // runs
const lines = 4; // frequencies drawn at once
const axes = [["night", "nights, by date"], ["cycle", "door cycles"], ["month", "months, the lowest of each"]];

export class TrendView {
  constructor() {
    this.box = make("select", { id: "trend-box", onchange: () => this.choose({ box: this.box.value, freqs: [] }) });
    this.over = make("select", { id: "trend-over", onchange: () => this.choose({ over: this.over.value }) }, ...axes.map(([value, text]) => make("option", { value }, text)));
    this.more = make("select", { id: "trend-freq", onchange: () => this.choose({ freqs: [...this.freqs, Number(this.more.value)].slice(-lines) }) });
    this.list = make("ul", { class: "series", "aria-label": "Frequencies shown" });
    this.says = make("div", { class: "card", id: "changes" });
    this.se = part("Shielding effectiveness", "dB");
    this.reference = part("Reference", "dBm");
    this.fold = new Fold("Table of the trend", () => this.tabled());
    this.body = make("div", { hidden: true }, this.says, make("div", { class: "card" }, this.list, this.se.root, this.reference.root, symbols(), this.fold.root));
    this.between = new Between((c) => this.choose(c));
    this.empty = make("p", { role: "status" }, "");
    byId("view-trend").append(make("div", { class: "picker" },
      make("label", {}, "Specimen ", this.box), make("label", {}, "Over ", this.over), make("label", {}, "Add a frequency ", this.more)), this.empty, this.body, this.between.root);
    this.freqs = [];
  }

  async show(params) {
    const text = (name) => params.get(name) || "";
    this.chosen = { box: text("box"), over: text("over") || axes[0][0], freqs: text("freqs").split(",").filter(Boolean).map(Number), against: text("against"), other: text("other"), at: text("at") };
    const { specimens } = await get("/v1/specimens");
    this.box.replaceChildren(...specimens.map((s) => make("option", { value: s.name }, s.name)));
    await this.load(true);
  }

  choose(change) {
    this.chosen = { ...this.chosen, ...change };
    note({ ...this.chosen, freqs: this.chosen.freqs.join(",") });
    this.load().catch((e) => this.nothing(e.message));
  }

  async load(fresh) {
    const names = [...this.box.options].map((o) => o.value);
    const box = names.includes(this.chosen.box) ? this.chosen.box : names[0];
    if (!box) {
      this.between.hide();
      return this.nothing("The config names no specimen.");
    }
    this.box.value = box;
    this.over.value = this.chosen.over;
    const only = onlyBench();
    this.between.load(box, { ...this.chosen, against: this.chosen.against || only }, fresh);
    const path = `/v1/specimens/${encodeURIComponent(box)}/`;
    const asked = this.chosen.freqs.length ? "&freq_hz=" + this.chosen.freqs.join(",") : "";
    const [trend, { runs }] = await Promise.all([get(`${path}trend?limit=${most}${asked}${ofBench(only)}`), get(`${path}results?limit=1${ofBench(only)}`)]);
    const left = leftOut(trend);
    if (trend.frequencies.length === 0) {
      return this.nothing(left || `There is no result of ${box}${only && " on bench " + only} yet.`);
    }
    this.trend = trend;
    this.freqs = trend.frequencies.map((f) => f.freq_hz);
    const all = [...new Set(runs.flatMap((r) => r.freq_hz))].filter((f) => !this.freqs.includes(f)).sort((a, b) => a - b);
    this.more.replaceChildren(make("option", { value: "" }, "choose \u2026"), ...all.map((f) => make("option", { value: f }, freq(f))));
    setText(this.empty, left);
    this.body.hidden = false;
    this.draw(box);
  }

  nothing(why) {
    setText(this.empty, why);
    this.body.hidden = true;
  }

  draw(box) {
    const { over } = this.chosen;
    const axis = axisOf(over, this.trend.frequencies);
    this.tracks = this.trend.frequencies.map((f, i) => ({ ...f, letter: String.fromCharCode(65 + i), points: over === "month" ? monthly(f.series) : f.series.map((p, n) => ({ ...p, n, name: when(p.time) })) }));
    this.list.replaceChildren(...this.tracks.map((t) => make("li", {}, make("button", {
      type: "button", class: "chip", disabled: this.tracks.length === 1, onclick: () => this.choose({ freqs: this.freqs.filter((f) => f !== t.freq_hz) }),
    }, make("b", {}, t.letter), ` ${freq(t.freq_hz)} `, make("span", { class: "unseen" }, "take away"), make("span", { "aria-hidden": "true" }, "\u2715")))));
    const changed = (t, of) => (t[of].change ? t.points.filter((p) => p.run === t[of].change.run).map((p) => ({ x: axis.at(p) })) : []);
    this.se.show(this.tracks.map((t) => ({
      letter: t.letter, points: t.points.filter((p) => p.se).map((p) => ({ x: axis.at(p), y: p.se.se_db, bound: p.se.relation === ">=" })), changes: changed(t, "se_trend"),
    })), axis.time, `SE of ${box} over ${this.trend.runs} runs${axis.says}. ${this.tracks.map(went).join(" ")}`);
    this.reference.show(this.tracks.map((t) => ({
      letter: t.letter, points: t.points.filter((p) => p.reference_level_dbm !== null).map((p) => ({ x: axis.at(p), y: p.reference_level_dbm })), changes: changed(t, "reference_trend"),
    })), axis.time, `Reference over the same runs. ${this.tracks.map((t) => `${t.letter}: ${t.reference_trend.sentence}.`.replace("..", ".")).join(" ")}`);
    this.said();
    this.fold.stale();
  }

  // said answers whether anything changed, and how often that answer is wrong.
  said() {
    const rate = this.tracks[0].se_trend.false_alarm;
    this.says.replaceChildren(
      make("h2", {}, "Did it change?"),
      make("ul", { class: "findings" }, ...this.tracks.map((t) => make("li", { "data-changed": String(Boolean(t.se_trend.change || t.se_trend.proven_fall)) },
        t.se_trend.change ? make("strong", {}, "\u25bc ") : null, `${t.letter}, ${freq(t.freq_hz)}: ${t.se_trend.sentence}.`.replace("..", "."),
        t.se_trend.change && t.reference_trend.change ? ` The reference changed too (${t.reference_trend.sentence}): the set-up did, not the specimen alone.` : ""))),
      make("p", { class: "about" }, `A change is called falsely in ${Math.round(rate * 1000) / 10} % of series in which nothing changed. Method: ${this.trend.method}.`));
  }

  tabled() {
    const heads = [["Run"], ["Door cycle", true], ...this.tracks.flatMap((t) => [[`${t.letter} ${freq(t.freq_hz)}: SE`, true], [`${t.letter}: reference`, true]])];
    const rows = this.tracks[0].points.map((p, i) => [p.name, p.door_cycle === undefined ? "\u2013" : String(p.door_cycle),
      ...this.tracks.flatMap(({ points }) => [points[i]?.se ? se(points[i].se) : points[i]?.outcome || "\u2013", dbm(points[i]?.reference_level_dbm)])]);
    return table("SE and reference, oldest first", heads, rows);
  }
}

// leftOut tells which runs are no part of a trend that should be.
function leftOut(trend) {
  const said = [];
  if (trend.pending) said.push(`${trend.pending} results are still being worked out and are left out: come back in a moment.`);
  for (const u of trend.unreadable) said.push(`The run ${u.run} is left out, since it cannot be read: ${u.reason}`);
  return said.join(" ");
}

// axisOf says where a point stands, whether that is a time, and what to say of it.
function axisOf(over, frequencies) {
  if (over !== "cycle") return { time: true, at: (p) => Date.parse(p.time) / 1000, says: over === "month" ? ", the lowest of each month" : "" };
  const stated = frequencies[0].series.every((p) => p.door_cycle !== undefined);
  return { time: false, at: (p) => (stated ? p.door_cycle : p.n + 1), says: stated ? "" : ", one door cycle each: not all runs state how many there were" };
}

function part(title, name) {
  const figure = make("div", { class: "chart", role: "img" });
  const words = make("p", { class: "readout" });
  const chart = new TrendChart(figure);
  return {
    root: make("div", {}, make("h2", {}, title), figure, words),
    show(tracks, time, text) {
      setText(words, text);
      figure.setAttribute("aria-label", text + " The table below has every figure.");
      figure.dataset.points = String(tracks.reduce((n, t) => n + t.points.length, 0));
      figure.dataset.changes = String(tracks.reduce((n, t) => n + t.changes.length, 0));
      chart.update(tracks, name, time);
    },
  };
}

const symbols = () => make("ul", { class: "legend", "aria-label": "Marks of the charts" },
  ...[["\u25cf", "measured"], ["\u25b3", "at least: censored, the SE was there or higher"], ["\u2506\u25bc", "first run after a change"]]
    .map(([sign, text]) => make("li", {}, make("span", { class: "symbol", "aria-hidden": "true" }, sign), " ", text)));

// monthly takes the lowest of each month. A minimum over bounds is a bound, over
// values a value: the lowest says which.
function monthly(series) {
  const months = Map.groupBy(series, (p) => when(p.time).slice(0, 7));
  return [...months].map(([name, of], n) => {
    const low = of.filter((p) => p.se).reduce((a, p) => (!a || p.se.se_db < a.se.se_db ? p : a), null);
    return { ...(low || of[0]), n, name, time: name + "-15T12:00:00Z" };
  });
}

function went(t) {
  const claims = t.points.filter((p) => p.se);
  const bounds = claims.filter((p) => p.se.relation === ">=").length;
  if (claims.length === 0) return `${t.letter}, ${freq(t.freq_hz)}: no claim.`;
  return `${t.letter}, ${freq(t.freq_hz)}: first ${se(claims[0].se)}, last ${se(claims.at(-1).se)}` + (bounds ? `, ${bounds} of ${claims.length} are lower bounds.` : ".");
}
