// Results of one run: a chart, a sentence and a table per specimen.

import { byId, make, setText } from "./dom.js";
import { db, freq, headroom, place, se, states, when } from "./format.js";
import { Chart } from "./chart.js";
import { get } from "./api.js";

const verdictMarks = { meets: "\u2713", "falls short": "\u2717", undecided: "?" };

export class ResultView {
  constructor() {
    this.shown = ""; // run that is shown
    this.chosen = ""; // run that was chosen; empty: the newest
    this.cards = new Map();
    this.select = byId("run");
    this.select.addEventListener("change", () => {
      this.chosen = this.select.value;
      this.refresh().catch(() => {});
    });
    this.busy = false;
    this.again = false;
    this.took = 0; // milliseconds of the last refresh
  }

  // refresh asks for everything; calls while it is busy are put together.
  async refresh() {
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
    const { runs } = await get("/v1/runs?limit=50");
    this.list(runs);
    const id = this.chosen || (runs[0] && runs[0].id);
    if (!id) {
      setText(byId("results-about"), "No run yet. Start one over the HTTP interface or from the command line.");
      byId("legend").hidden = true;
      return;
    }
    const path = "/v1/runs/" + encodeURIComponent(id);
    const [run, results] = await Promise.all([get(path), get(path + "/results")]);
    this.show(run, results);
  }

  list(runs) {
    const label = (r) => `${when(r.created)} \u00b7 ${r.plan} on ${r.bench} \u00b7 ${states[r.state] || r.state}`;
    const options = [["", "the newest"], ...runs.map((r) => [r.id, label(r)])];
    const key = JSON.stringify(options);
    if (key === this.listKey) return;
    this.listKey = key;
    this.select.replaceChildren(...options.map(([value, text]) => make("option", { value, selected: value === this.chosen }, text)));
  }

  show(run, results) {
    if (this.shown !== run.id) {
      for (const c of this.cards.values()) c.remove();
      this.cards.clear();
      this.shown = run.id;
    }
    const line = run.requirement ? `; requirement: ${run.requirement.title}` + (run.requirement.caution ? ` (${run.requirement.caution})` : "") : "; no requirement";
    const hand = run.hand_read ? "; levels read by hand" : "";
    setText(byId("results-about"), `Plan ${run.plan} on bench ${run.bench}, ${when(run.created)}, ${states[run.state] || run.state}` + (run.reason && run.state !== "holding" ? `: ${run.reason}` : "") + line + hand);
    const fields = new Set(run.plan_settings.points.map((q) => q.field));
    const stretches = run.requirement ? run.requirement.curves.filter((c) => fields.has(c.field)).flatMap((c) => c.stretches) : [];
    for (const s of results.summaries) {
      let card = this.cards.get(s.specimen);
      if (!card) {
        card = new Card(s.specimen, run.id);
        this.cards.set(s.specimen, card);
        byId("specimens").append(card.root);
      }
      card.update(s, stretches);
    }
    this.legend(stretches.length > 0);
    byId("notes").replaceChildren(...results.notes.map((n) => make("li", {}, n)));
  }

  legend(required) {
    const box = byId("legend");
    box.hidden = false;
    if (box.childElementCount > 0 && box.dataset.required === String(required)) return;
    box.dataset.required = String(required);
    const entry = (mark, text) => make("span", { class: "entry" }, make("span", { class: "symbol " + mark, "aria-hidden": "true" }, symbols[mark]), " ", text);
    box.replaceChildren(
      entry("measured", "measured, with its interval"), entry("bound", "at least: no signal found"),
      entry("ambient", "ambient: somebody else\u2019s signal, no claim"), entry("void", "void: no claim"),
      required ? entry("required", "requirement") : "");
  }
}

const symbols = { measured: "\u25cf", bound: "\u25b2", ambient: "\u2715", void: "\u2298", required: "\u2504\u2504" };

class Card {
  constructor(specimen, run) {
    this.wall = new Wall(specimen, run);
    this.title = make("h3", {}, specimen);
    this.verdict = make("p", { class: "verdict" }, make("strong"), make("span"));
    this.counts = make("p", { class: "counts" });
    this.figure = make("div", { class: "chart", role: "img" });
    this.readout = make("p", { class: "readout" }, "\u00a0");
    this.caption = make("caption", {}, `${specimen}: worst case at each frequency`);
    this.rows = make("tbody");
    const heads = ["Frequency", "SE", "Outcome", "Margin", "Dynamic range", "Required", "Headroom", "Verdict", "Worst at"];
    const figures = ["SE", "Margin", "Dynamic range", "Required", "Headroom"];
    this.table = make("details", {}, make("summary", {}, "Table"),
      make("div", { class: "scroll", tabindex: 0 }, make("table", {}, this.caption, make("thead", {}, make("tr", {}, ...heads.map((h) => make("th", { scope: "col", class: figures.includes(h) ? "number" : null }, h)))), this.rows)));
    this.root = make("article", { class: "specimen", "data-specimen": specimen }, this.title, this.verdict, this.counts, this.figure, this.readout, this.table, this.wall.root);
    this.chart = new Chart(this.figure, this.readout);
  }

  remove() {
    this.chart.destroy();
    this.root.remove();
  }

  update(s, stretches) {
    const key = JSON.stringify([s, stretches]);
    if (key === this.key) return;
    this.key = key;
    this.root.dataset.verdict = s.verdict;
    setText(this.verdict.firstChild, `${verdictMarks[s.verdict] || "\u00b7"} ${s.verdict}`);
    const named = s.specimen + ": "; // the card is named already
    setText(this.verdict.lastChild, " " + (s.sentence.startsWith(named) ? s.sentence.slice(named.length) : s.sentence));
    const c = s.counts;
    const parts = [[c.measured, "measured"], [c.at_least, "at least"], [c.ambient, "ambient"], [c.void, "void"], [c.missing, "not captured yet"]];
    const counts = parts.filter(([n]) => n > 0).map(([n, word]) => `${n} ${word}`).join(", ");
    setText(this.counts, counts);
    this.figure.setAttribute("aria-label", `Shielding effectiveness against frequency. ${s.sentence}. Points: ${counts}. The table below has every figure.`);
    const any = s.worst.some((w) => w.outcome !== "unknown");
    this.figure.hidden = this.readout.hidden = this.table.hidden = this.wall.root.hidden = !any;
    this.wall.stale();
    this.chart.update(s.worst, stretches);
    this.figure.dataset.points = String(this.chart.points.length);
    this.rows.replaceChildren(...s.worst.filter((w) => w.outcome !== "unknown").map(row));
    setText(this.table.firstChild, `Table: ${this.rows.childElementCount} frequencies`);
  }
}

// Wall sets the results beside what the box's wall should do, when it is opened.
class Wall {
  constructor(specimen, run) {
    this.path = `/v1/runs/${encodeURIComponent(run)}/explanation?specimen=${encodeURIComponent(specimen)}`;
    this.body = make("div", { class: "words", "aria-live": "polite" });
    this.root = make("details", { class: "wall" }, make("summary", {}, "What the wall should do"), this.body);
    this.root.addEventListener("toggle", () => this.load());
    this.loaded = false;
  }

  // stale is told that there are new results.
  stale() {
    this.loaded = false;
    this.load();
  }

  async load() {
    if (!this.root.open || this.loaded) return;
    this.loaded = true;
    try {
      this.show(await get(this.path));
    } catch (e) {
      this.body.replaceChildren(make("p", {}, e.message));
    }
  }

  show(x) {
    const hypothesis = (h) => make("li", {}, `Perhaps ${h.says}: ${h.evidence.join("; ")}.`, h.next ? ` To tell: ${h.next}.` : "");
    const finding = (f) => make("li", { "data-agreement": f.agreement }, f.says + ".", f.hypotheses.length ? make("ul", {}, ...f.hypotheses.map(hypothesis)) : null);
    this.body.replaceChildren(
      make("p", {}, `${x.made_of}: ${x.expected.validity.text}.`),
      make("ul", { class: "findings" }, ...x.findings.map(finding)),
      ...x.notes.map((n) => make("p", {}, n)),
      make("p", {}, `Protection code ${x.em_code.code} (${x.em_code.source}).`));
  }
}

function row(w) {
  const cell = (text, more) => make("td", more, text);
  return make("tr", { "data-outcome": w.outcome },
    make("th", { scope: "row" }, freq(w.freq_hz)),
    cell(se(w.se), { class: "number" }), cell(w.outcome + (w.reason ? `: ${w.reason}` : ""), { class: "words" }),
    cell(db(w.margin_db), { class: "number" }), cell(db(w.dynamic_range_db), { class: "number" }),
    cell(db(w.required_db), { class: "number" }), cell(headroom(w.headroom), { class: "number" }),
    cell(w.verdict), cell(place({ ...w.at, specimen: " " }).replace(/^[ ,]+/, "")));
}
