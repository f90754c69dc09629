// Result: SE against frequency of a run's specimens and of what is laid over
// them, the verdicts, the worst cases, and the detail of a point.

import { byId, make, setText } from "./dom.js";
import { se, states, when } from "./format.js";
import { describe, legend } from "./marks.js";
import { Detail } from "./detail.js";
import { nightsOf } from "./nights.js";
import { Picker } from "./picker.js";
import { expectation, record, runs } from "./records.js";
import { note, onlyBench } from "./router.js";
import { SEChart } from "./sechart.js";
import { counts, SpecimenCard, verdictMarks } from "./specimencard.js";
import { Fold, table } from "./table.js";
import { Walker } from "./walker.js";

const files = [
  ["report.html", "Report"], ["report.pdf", "Report as PDF"], ["report-short.html", "One-page report"], ["report-short.pdf", "One page as PDF"],
  ["results.csv", "Results as CSV"], ["tables.txt", "Tables as text"],
];

export class ResultView {
  constructor() {
    this.chosen = { run: "", with: [], nights: "", box: "", point: "" };
    this.cards = new Map();
    this.expected = new Map(); // by run and specimen
    this.busy = false;
    this.again = false;
    this.shown = false; // the view is
    this.took = 0; // milliseconds of the last refresh

    this.picker = new Picker((c) => this.choose({ ...c, point: "" }));
    this.about = make("p", { class: "about", id: "result-about" });
    this.files = make("ul", { class: "files", "aria-label": "Report and files of this run" });
    this.print = make("button", { type: "button", id: "print", onclick: () => print() }, "Print this view");
    this.figure = make("div", { class: "chart", role: "img" });
    this.walker = new Walker("Walk along the points of the series in front", (i) => this.chart.walk(i), (i) => this.openAt(i));
    this.chart = new SEChart(this.figure, (i) => this.walker.at(i), (i) => this.openAt(i));
    this.legend = make("div");
    this.list = make("ul", { class: "series", "aria-label": "Series: one is in front" });
    this.expect = make("input", { type: "checkbox", checked: true, onchange: () => this.draw() });
    this.expectLabel = make("label", { class: "tick" }, this.expect, " What the wall should do");
    this.fold = new Fold("Table of all series", () => this.tabled());
    this.detail = new Detail(() => this.choose({ point: "" }));
    this.boxes = make("div", { class: "specimens", id: "specimens" });
    this.notes = make("ul", { class: "notes" });
    this.drawn = make("div", { class: "card", hidden: true },
      make("h2", {}, "Shielding effectiveness"), this.list, this.expectLabel, this.figure, this.walker.root, this.legend, this.fold.root);
    byId("view-result").append(this.picker.root, this.about, make("div", { class: "file-row" }, this.files, this.print), this.drawn, this.detail.root, this.boxes, this.notes);
  }

  // show takes the parameters of the address in.
  show(params) {
    this.shown = true;
    const get = (name) => params.get(name) || "";
    this.chosen = { run: get("run"), with: get("with").split(",").filter(Boolean), nights: get("nights"), box: get("box"), point: get("point") };
    return this.refresh();
  }

  hide() {
    this.shown = false;
  }

  choose(change) {
    this.chosen = { ...this.chosen, ...change };
    const { with: others, ...rest } = this.chosen;
    note({ ...rest, with: others.join(",") });
    this.refresh().catch(() => {});
  }

  // refresh asks for everything; calls while it is busy are put together.
  async refresh() {
    if (!this.shown) return;
    if (this.busy) {
      this.again = true;
      return;
    }
    this.busy = true;
    try {
      do {
        this.again = false;
        const begun = performance.now();
        await this.load();
        this.took = performance.now() - begun;
      } while (this.again);
    } finally {
      this.busy = false;
    }
  }

  async load() {
    const only = onlyBench();
    const all = await runs(only);
    const id = this.chosen.run || (all[0] && all[0].id);
    this.files.parentElement.hidden = this.picker.root.hidden = !id;
    if (!id) {
      setText(this.about, only ? `No run on bench ${only} yet. Start one in the view Start, or show all benches.` : "No run yet. Start one in the view Start.");
      this.drawn.hidden = true;
      this.detail.root.hidden = true;
      this.base = null;
      this.boxes.replaceChildren();
      this.notes.replaceChildren();
      this.cardsOf = this.drawnKey = "";
      return;
    }
    const base = await record(id);
    const names = base.results.summaries.map((s) => s.specimen);
    const front = names.includes(this.chosen.box) ? this.chosen.box : names[0];
    const [others, nights] = await Promise.all([
      Promise.all(this.chosen.with.filter((o) => o !== id).map((o) => record(o).catch(() => null))),
      this.chosen.nights && front ? nightsOf(front, only, Number(this.chosen.nights), ended(all)).catch(() => []) : [],
    ]);
    this.picker.update(all, this.chosen, base.run);
    this.base = base;
    this.series = seriesOf(base, others.filter(Boolean), nights.filter((n) => n.run !== id), front);
    this.frontBox = front;
    this.say();
    this.draw();
    this.card();
    this.detail.show(base.run, front, this.chosen.point === "" ? null : Number(this.chosen.point), base.results.results);
  }

  // say writes what the run is.
  say() {
    const { run, results } = this.base;
    const line = run.requirement ? `; requirement: ${run.requirement.title}` + (run.requirement.caution ? ` (${run.requirement.caution})` : "") : "; no requirement";
    const hand = run.hand_read ? "; levels read by hand" : "";
    setText(this.about, `Plan ${run.plan} on bench ${run.bench}, ${when(run.created)}, ${states[run.state] || run.state}` + (run.reason && run.state !== "holding" ? `: ${run.reason}` : "") + line + hand);
    if (this.files.dataset.run !== run.id) {
      this.files.dataset.run = run.id;
      const path = "/v1/runs/" + encodeURIComponent(run.id) + "/";
      this.files.replaceChildren(...files.map(([file, text]) => make("li", {}, make("a", { href: path + file }, text))));
    }
    this.notes.replaceChildren(...results.notes.map((n) => make("li", {}, n)));
  }

  draw() {
    if (!this.base) return;
    const { run } = this.base;
    const front = this.series.find((s) => s.front);
    const any = this.series.some((s) => s.points.length);
    this.drawn.hidden = !any;
    if (!any) return;
    const fields = new Set(run.plan_settings.points.map((q) => q.field));
    const stretches = run.requirement ? run.requirement.curves.filter((c) => fields.has(c.field)).flatMap((c) => c.stretches) : [];
    const should = this.expectation();
    this.expectLabel.hidden = should === false;
    const expected = this.expect.checked ? should || null : null;
    const key = JSON.stringify([this.series.map((s) => [s.id, s.front, s.thin, s.summary?.counts, s.points.length]), stretches.length, Boolean(expected), run.id]);
    if (key === this.drawnKey) return;
    this.drawnKey = key;
    this.chart.update(this.series, stretches, expected);
    this.figure.dataset.points = String(front ? front.points.length : 0);
    this.figure.dataset.series = String(this.series.length);
    this.walker.update(front ? front.points.map((w) => `${front.specimen}, ${describe(w)}`) : []);
    const marks = ["measured", "bound", "ambient", "void", stretches.length ? "required" : "", expected ? "expected" : ""];
    this.legend.replaceChildren(legend(marks.filter(Boolean)));
    const has = document.activeElement?.dataset?.series;
    this.list.replaceChildren(...this.series.filter((s) => !s.thin).map((s) => this.chip(s)), ...thinWords(this.series));
    if (has) this.list.querySelector(`[data-series="${CSS.escape(has)}"]`)?.focus();
    this.figure.setAttribute("aria-label", `Shielding effectiveness against frequency. ${this.series.filter((s) => s.summary).map((s) => `${s.letter}: ${s.summary.sentence} (${counts(s.summary.counts)})`).join(". ")}. The table below has every figure.`);
    this.fold.stale();
  }

  chip(s) {
    const { run } = this.base;
    const text = `${s.specimen}${s.run === run.id ? "" : " \u00b7 " + when(s.created)}`;
    return make("li", {}, make("button", {
      type: "button", class: "chip", "data-series": s.id, "aria-pressed": String(Boolean(s.front)),
      onclick: () => this.choose(s.run === run.id ? { box: s.specimen, point: "" } : { run: s.run, box: s.specimen, point: "", with: [...new Set([...this.chosen.with.filter((o) => o !== s.run), run.id])] }),
    }, make("b", {}, s.letter), ` ${text} `, make("span", { class: "says" }, `${verdictMarks[s.summary.verdict] || "\u00b7"} ${s.summary.verdict}`)));
  }

  // expectation is what the wall of the specimen in front should do: null until
  // that is told, false where it is not known.
  expectation() {
    const { run } = this.base;
    const key = run.id + "/" + this.frontBox;
    if (!this.expected.has(key)) {
      this.expected.set(key, null);
      expectation(run.id, this.frontBox).then((x) => {
        this.expected.set(key, x.known && x.points.toSorted((a, b) => a.freq_hz - b.freq_hz));
        this.draw();
      }).catch(() => {});
    }
    return this.expected.get(key);
  }

  card() {
    const { run, results } = this.base;
    if (this.cardsOf !== run.id) {
      this.cards.clear();
      this.boxes.replaceChildren();
      this.cardsOf = run.id;
    }
    for (const s of results.summaries) {
      let card = this.cards.get(s.specimen);
      if (!card) {
        card = new SpecimenCard(s.specimen, run.id, (box, point) => this.choose({ box, point: String(point) }));
        this.cards.set(s.specimen, card);
        this.boxes.append(card.root);
      }
      card.update(s);
    }
  }

  openAt(i) {
    const w = this.chart.points[i];
    if (w) this.choose({ box: this.frontBox, point: String(w.point) });
  }

  tabled() {
    const freqs = new Map();
    this.series.forEach((s, n) => s.points.forEach((w) => {
      if (!freqs.has(w.freq_hz)) freqs.set(w.freq_hz, []);
      freqs.get(w.freq_hz)[n] = w.se ? se(w.se) : w.outcome;
    }));
    const heads = [["Frequency"], ...this.series.map((s) => [s.thin ? when(s.created) : `${s.letter} ${s.specimen}`, true])];
    const rows = [...freqs].sort(([a], [b]) => a - b).map(([hz, cells]) => [describe({ freq_hz: hz }).split(":")[0], ...this.series.map((_, n) => cells[n] ?? "\u2013")]);
    return table("Worst case of each series at each frequency", heads, rows);
  }
}

// ended changes when a run has come to its end.
const ended = (all) => all.filter((r) => r.ended).map((r) => r.id).join();

// seriesOf puts together what is drawn: the run's specimens, the same of other
// runs, earlier nights. Those in front come last, so that they are on top.
function seriesOf(base, others, nights, front) {
  const out = nights.map((n) => ({ id: n.run + "/" + front, run: n.run, specimen: front, created: n.created, points: n.points, thin: true }));
  const boxes = new Set(base.results.summaries.map((s) => s.specimen));
  let letter = 0;
  for (const { run, results } of [base, ...others]) {
    for (const s of results.summaries) {
      if (!boxes.has(s.specimen)) continue;
      const points = s.worst.filter((w) => w.outcome !== "unknown").sort((a, b) => a.freq_hz - b.freq_hz);
      out.push({
        id: run.id + "/" + s.specimen, run: run.id, specimen: s.specimen, created: run.created, summary: s, points,
        letter: String.fromCharCode(65 + (letter++ % 26)), front: run === base.run && s.specimen === front,
      });
    }
  }
  return out;
}

// thinWords say what the thin lines are.
function thinWords(series) {
  const thin = series.filter((s) => s.thin);
  if (thin.length === 0) return [];
  const times = thin.map((s) => s.created).sort();
  return [make("li", { class: "thin" }, `thin lines: ${thin.length} other nights of ${thin[0].specimen}, ${when(times[0])} to ${when(times.at(-1))}`)];
}
