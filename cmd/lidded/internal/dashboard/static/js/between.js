// Between benches: a specimen that was measured on more than one, held against one
// of them, and how their open reference levels differ.

import { make, setText } from "./dom.js";
import { dbm, fixed, freq, relations, when } from "./format.js";
import { get } from "./api.js";
import { BetweenChart } from "./betweenchart.js";
import { address } from "./router.js";
import { Fold, row, table } from "./table.js";

export class Between {
  // changed is called with {against, other, at} when a choice was made.
  constructor(changed) {
    const chosen = () => changed({ against: this.against.value, other: this.other.value, at: this.at.value });
    this.against = make("select", { id: "between-against", onchange: chosen });
    this.other = make("select", { id: "between-other", onchange: chosen });
    this.at = make("select", { id: "between-at", onchange: chosen });
    this.atLabel = make("label", {}, "Position and polarization ", this.at);
    this.sides = make("ul", { class: "sides", "aria-label": "The runs compared" });
    this.says = make("ul", { class: "findings" });
    this.figure = make("div", { class: "chart", role: "img" });
    this.chart = new BetweenChart(this.figure);
    this.reference = make("p");
    this.about = make("p", { class: "about" });
    this.fold = new Fold("Table of the benches", () => this.tabled());
    this.root = make("div", { class: "card", id: "between", hidden: true },
      make("h2", {}, "Between benches"),
      make("div", { class: "picker" }, make("label", {}, "Bench ", this.other), make("label", {}, "against ", this.against), this.atLabel),
      this.sides, this.says, this.figure, symbols(), make("h3", {}, "Open reference"), this.reference, this.fold.root, this.about);
  }

  // load asks for the comparison of a specimen, afresh or where another one is wanted;
  // what one bench alone measured is not shown. want is what was chosen before, as far
  // as it is there.
  async load(specimen, want, fresh) {
    const key = [specimen, want.against].join("\n");
    if (!fresh && this.key === key && this.found) return this.show(want);
    this.key = key;
    this.found = null;
    const found = await compared(specimen, want.against).catch(() => null);
    if (this.key !== key) return; // another one was chosen meanwhile
    if (!found) return this.hide();
    this.found = found;
    this.show(want);
  }

  show(want) {
    const { found } = this;
    const names = found.benches.map((b) => b.bench);
    this.root.hidden = found.pairs.length === 0;
    if (this.root.hidden) return;
    this.pair = found.pairs.find((p) => p.bench === want.other) || found.pairs[0];
    fill(this.against, names.map((n) => [n, n]), found.against);
    fill(this.other, found.pairs.map((p) => [p.bench, p.bench]), this.pair.bench);
    const settings = [...new Set(this.pair.rows.map(setting))];
    this.setting = settings.includes(want.at) ? want.at : settings[0];
    this.atLabel.hidden = settings.length < 2;
    fill(this.at, settings.map((s) => [s, s]), this.setting);
    this.draw();
  }

  hide() {
    this.key = "";
    this.root.hidden = true;
  }

  draw() {
    const { pair, found } = this;
    const letters = [["A", pair.against], ["B", pair.bench]];
    this.sides.replaceChildren(...letters.map(([letter, name]) => {
      const b = found.benches.find((n) => n.bench === name);
      const cycle = b.door_cycle === undefined ? "" : `, door cycle ${b.door_cycle}`;
      return make("li", {}, make("b", {}, letter), ` ${name}: `, make("a", { href: address("result", { run: b.run, box: found.specimen }) }, `run of ${when(b.time)}, plan ${b.plan}${cycle}`));
    }));
    const alarm = pair.values.more_than_chance || pair.bounds.more_than_chance;
    this.says.replaceChildren(
      ...pair.sentences.map((s, i) => make("li", { "data-changed": String(i === 0 && alarm) }, i === 0 && alarm ? make("strong", {}, "\u2260 ") : null, s)),
      ...found.unreadable.map((u) => make("li", {}, `The run ${u.run} is passed over, since it cannot be read: ${u.reason}`)));
    setText(this.reference, pair.reference_sentence);
    setText(this.about, `How claims are compared: ${found.method}. ${found.independence}`);
    const rows = pair.rows.filter((r) => setting(r) === this.setting);
    const side = (key) => rows.map((r) => ({
      freq_hz: r.freq_hz, y: r[key]?.se ? r[key].se.se_db : null, u: r[key]?.expanded_uncertainty_95_db ?? null, bound: r[key]?.se?.relation === ">=", differs: r.verdict === "differs",
    }));
    this.figure.dataset.points = String(rows.length);
    this.figure.dataset.differ = String(rows.filter((r) => r.verdict === "differs").length);
    this.figure.setAttribute("aria-label", `SE of ${found.specimen} over frequency on ${letters.map(([l, n]) => `${l} ${n}`).join(" and ")}. ${pair.sentences[0]} The table below has every figure.`);
    this.chart.update([{ letter: "A", points: side("against_reading") }, { letter: "B", points: side("bench_reading") }]);
    this.fold.stale();
  }

  tabled() {
    const { pair } = this;
    const many = !this.atLabel.hidden;
    const heads = [["Frequency"], ...(many ? [["Where"]] : []), [`SE on ${pair.against}`, true], [`SE on ${pair.bench}`, true], ["Difference", true], ["En", true], ["Verdict"],
      [`Reference on ${pair.against}`, true], [`on ${pair.bench}`, true], ["Difference", true], ["at equal source level", true], ["Why", false, true]];
    return table(`${pair.bench} less ${pair.against}, at each frequency`, heads, pair.rows.map((r) => {
      const line = row(heads, [
        freq(r.freq_hz), ...(many ? [setting(r)] : []), claim(r.against_reading), claim(r.bench_reading), difference(r.difference), fixed(r.difference?.en_score, 2), r.verdict,
        dbm(r.against_reading?.reference_level_dbm), dbm(r.bench_reading?.reference_level_dbm), change(r.reference_difference?.by_db), change(r.reference_difference?.at_equal_source_level_db), r.reason || "",
      ]);
      line.children[many ? 6 : 5].dataset.verdict = r.verdict;
      return line;
    }));
  }
}

// compared asks for a comparison against a bench, if that measured the specimen.
async function compared(specimen, against) {
  const path = `/v1/specimens/${encodeURIComponent(specimen)}/benches`;
  const found = await get(path);
  if (against === found.against || !found.benches.some((b) => b.bench === against)) return found;
  return get(`${path}?against=${encodeURIComponent(against)}`);
}

const setting = (r) => `${r.position}, ${r.polarization}` + (r.field === "plane wave" ? "" : `, ${r.field}`);

function fill(select, options, value) {
  select.replaceChildren(...options.map(([v, text]) => make("option", { value: v }, text)));
  select.value = value;
}

// claim writes an SE with the uncertainty that it is compared with.
function claim(r) {
  if (!r) return "not measured";
  if (!r.se) return r.outcome + ", no claim";
  const u = r.expanded_uncertainty_95_db;
  return relations[r.se.relation] + fixed(r.se.se_db, 1) + (u === null ? "" : " \u00b1 " + fixed(u, 1)) + " dB";
}

const change = (v) => (v === null || v === undefined ? "\u2013" : (v > 0 ? "+" : "") + fixed(v, 1) + " dB");

function difference(d) {
  if (!d) return "\u2013";
  return relations[d.relation] + change(d.by_db) + (d.expanded_uncertainty_95_db === null ? "" : " \u00b1 " + fixed(d.expanded_uncertainty_95_db, 1) + " dB");
}

const symbols = () => make("ul", { class: "legend", "aria-label": "Marks of the chart" },
  ...[["\u25cf", "A, with the band of its uncertainty (95 %)"], ["\u25a0", "B, the same"], ["\u25b3", "at least: the SE was there or higher"], ["\u2260", "they differ by more than the uncertainties explain"]]
    .map(([sign, text]) => make("li", {}, make("span", { class: "symbol", "aria-hidden": "true" }, sign), " ", text)));
