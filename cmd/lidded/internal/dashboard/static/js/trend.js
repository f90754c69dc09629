// Trend: how SE and reference of a specimen went over nights, door cycles or
// months.

import { byId, make, setText } from "./dom.js";
import { dbm, fixed, freq, se, when } from "./format.js";
import { get } from "./api.js";
import { nightsOf } from "./nights.js";
import { note } from "./router.js";
import { Fold, table } from "./table.js";
import { TrendChart } from "./trendchart.js";

const most = 200; // nights
const lines = 4; // frequencies drawn at once
const axes = [["night", "nights, by date"], ["cycle", "door cycles, one after the other"], ["month", "months, the lowest of each"]];

export class TrendView {
  constructor() {
    this.box = make("select", { id: "trend-box", onchange: () => this.choose({ box: this.box.value, freqs: [] }) });
    this.over = make("select", { id: "trend-over", onchange: () => this.choose({ over: this.over.value }) }, ...axes.map(([value, text]) => make("option", { value }, text)));
    this.more = make("select", { id: "trend-freq", onchange: () => this.choose({ freqs: [...this.freqs, Number(this.more.value)].slice(-lines) }) });
    this.list = make("ul", { class: "series", "aria-label": "Frequencies shown" });
    this.parts = [part("Shielding effectiveness"), part("Reference")];
    this.fold = new Fold("Table of the trend", () => this.tabled());
    this.body = make("div", {}, make("div", { class: "card" }, this.list, ...this.parts.map((p) => p.root), symbols(), this.fold.root));
    this.empty = make("p", {}, "");
    byId("view-trend").append(make("div", { class: "picker" },
      make("label", {}, "Specimen ", this.box), make("label", {}, "Over ", this.over), make("label", {}, "Add a frequency ", this.more)), this.empty, this.body);
    this.chosen = { box: "", over: "night", freqs: [] };
    this.freqs = [];
  }

  async show(params) {
    this.chosen = { box: params.get("box") || "", over: params.get("over") || "night", freqs: (params.get("freqs") || "").split(",").filter(Boolean).map(Number) };
    const { specimens } = await get("/v1/specimens");
    const names = specimens.map((s) => s.name);
    this.box.replaceChildren(...names.map((n) => make("option", { value: n }, n)));
    await this.load();
  }

  choose(change) {
    this.chosen = { ...this.chosen, ...change };
    note({ ...this.chosen, freqs: this.chosen.freqs.join(",") });
    this.load().catch((e) => setText(this.empty, e.message));
  }

  async load() {
    const names = [...this.box.options].map((o) => o.value);
    const box = names.includes(this.chosen.box) ? this.chosen.box : names[0];
    this.box.value = box ?? "";
    this.over.value = this.chosen.over;
    if (!box) return this.nothing("The config names no specimen.");
    const nights = (await nightsOf(box, most, Date.now())).filter((n) => n.points.length).toReversed(); // oldest first
    if (nights.length === 0) return this.nothing(`There is no result of ${box} yet.`);
    this.nights = nights;
    const all = [...new Set(nights.flatMap((n) => n.points.map((w) => w.freq_hz)))].sort((a, b) => a - b);
    this.freqs = this.chosen.freqs.filter((f) => all.includes(f));
    if (this.freqs.length === 0) this.freqs = tightest(nights.at(-1).points);
    this.more.replaceChildren(make("option", { value: "" }, "choose \u2026"), ...all.filter((f) => !this.freqs.includes(f)).map((f) => make("option", { value: f }, freq(f))));
    this.empty.hidden = true;
    this.body.hidden = false;
    this.draw(box);
  }

  nothing(why) {
    setText(this.empty, why);
    this.empty.hidden = false;
    this.body.hidden = true;
  }

  draw(box) {
    const { over } = this.chosen;
    const time = over !== "cycle";
    this.tracks = this.freqs.map((hz, i) => ({ hz, letter: String.fromCharCode(65 + i), points: track(this.nights, hz, over) }));
    this.list.replaceChildren(...this.tracks.map((t) => make("li", {}, make("button", {
      type: "button", class: "chip", disabled: this.tracks.length === 1, onclick: () => this.choose({ freqs: this.freqs.filter((f) => f !== t.hz) }),
    }, make("b", {}, t.letter), ` ${freq(t.hz)} `, make("span", { class: "unseen" }, "take away"), make("span", { "aria-hidden": "true" }, "\u2715")))));
    const place = (p) => (over === "cycle" ? p.cycle : p.time);
    const se = this.tracks.map((t) => ({
      letter: t.letter, points: t.points.filter((p) => p.se).map((p) => ({ x: place(p), y: p.se.se_db, bound: p.se.relation === ">=" })),
    }));
    const reference = this.tracks.map((t) => ({ letter: t.letter, points: t.points.filter((p) => p.reference !== null && p.reference !== undefined).map((p) => ({ x: place(p), y: p.reference })) }));
    const words = this.tracks.map((t) => went(t)).join(" ");
    this.parts[0].show(se, "dB", time, `SE of ${box} over ${this.nights.length} nights. ${words}`);
    this.parts[1].show(reference, "dBm", time, `Reference over ${this.nights.length} nights. ${this.tracks.map((t) => steady(t)).join(" ")}`);
    this.fold.stale();
  }

  tabled() {
    const heads = [["Night"], ...this.tracks.flatMap((t) => [[`${t.letter} ${freq(t.hz)}: SE`, true], [`${t.letter}: reference`, true]])];
    const rows = this.tracks[0].points.map((_, i) => [this.tracks[0].points[i].name, ...this.tracks.flatMap((t) => [t.points[i].se ? se(t.points[i].se) : t.points[i].outcome || "\u2013", dbm(t.points[i].reference)])]);
    return table("SE and reference, oldest first", heads, rows);
  }
}

function part(title) {
  const figure = make("div", { class: "chart", role: "img" });
  const words = make("p", { class: "readout" });
  const chart = new TrendChart(figure);
  return {
    root: make("div", {}, make("h2", {}, title), figure, words),
    show(tracks, name, time, text) {
      setText(words, text);
      figure.setAttribute("aria-label", text + " The table below has every figure.");
      figure.dataset.points = String(tracks.reduce((n, t) => n + t.points.length, 0));
      chart.update(tracks, name, time);
    },
  };
}

const symbols = () => make("ul", { class: "legend", "aria-label": "Marks of the charts" },
  make("li", {}, make("span", { class: "symbol", "aria-hidden": "true" }, "\u25cf"), " measured"),
  make("li", {}, make("span", { class: "symbol", "aria-hidden": "true" }, "\u25b3"), " at least: censored, the SE was there or higher"));

// track is what every night, or every month, says of one frequency.
function track(nights, hz, over) {
  const all = nights.map((n, i) => {
    const w = n.points.find((p) => p.freq_hz === hz);
    return { run: n.run, name: when(n.created), time: Date.parse(n.created) / 1000, cycle: i + 1, se: w?.se, outcome: w?.outcome, reference: w?.reference_dbm };
  });
  if (over !== "month") return all;
  // A minimum over bounds is a bound, over values a value: the lowest says which.
  const months = Map.groupBy(all, (p) => p.name.slice(0, 7));
  return [...months].map(([name, of]) => {
    const low = of.filter((p) => p.se).reduce((a, p) => (!a || p.se.se_db < a.se.se_db ? p : a), null);
    return { ...(low || of[0]), name, time: Date.parse(name + "-15T12:00:00Z") / 1000 };
  });
}

// tightest are the frequencies with the least left over the requirement, or the
// lowest SE.
function tightest(points) {
  const left = (w) => w.se.se_db - (w.required_db ?? 0);
  const found = points.filter((w) => w.se).sort((a, b) => left(a) - left(b)).slice(0, 3).map((w) => w.freq_hz);
  return (found.length ? found : [points[0].freq_hz]).sort((a, b) => a - b);
}

function went(t) {
  const claims = t.points.filter((p) => p.se);
  const bounds = claims.filter((p) => p.se.relation === ">=").length;
  if (claims.length === 0) return `${t.letter}, ${freq(t.hz)}: no claim.`;
  return `${t.letter}, ${freq(t.hz)}: first ${se(claims[0].se)}, last ${se(claims.at(-1).se)}` + (bounds ? `, ${bounds} of ${claims.length} are lower bounds.` : ".");
}

function steady(t) {
  const levels = t.points.map((p) => p.reference).filter((v) => v !== null && v !== undefined);
  if (levels.length === 0) return `${t.letter}: none.`;
  return `${t.letter}: ${fixed(Math.min(...levels), 1)} to ${fixed(Math.max(...levels), 1)} dBm.`;
}
