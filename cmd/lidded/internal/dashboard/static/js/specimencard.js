// One specimen of a run: verdict, worst cases, every figure, and the wall.

import { make, setText } from "./dom.js";
import { db, freq, headroom, place, se } from "./format.js";
import { describe } from "./marks.js";
import { explanation } from "./records.js";
import { Fold, row, table } from "./table.js";

export const verdictMarks = { meets: "\u2713", "falls short": "\u2717", undecided: "?" };

const heads = [["Frequency"], ["SE", true], ["Outcome", false, true], ["Margin", true], ["Dynamic range", true], ["Required", true], ["Headroom", true], ["Verdict"], ["Worst at"]];
const listed = 5; // worst cases

export class SpecimenCard {
  // open is called with a specimen and a point whose detail is wanted.
  constructor(specimen, run, open) {
    this.specimen = specimen;
    this.open = open;
    this.wall = new Fold("What the wall should do", () => wall(run, specimen), { class: "wall" });
    this.verdict = make("p", { class: "verdict" }, make("strong"), make("span"));
    this.plain = make("p", { class: "plainly" }); // in words that anybody reads
    this.counts = make("p", { class: "counts" });
    this.worst = make("ol", { class: "worst" });
    this.fold = new Fold("Table", () => this.tabled(), { class: "figures" });
    this.worstTitle = make("h4", {}, "Worst cases");
    this.root = make("article", { class: "card specimen", "data-specimen": specimen, "aria-label": "Specimen " + specimen },
      make("h3", {}, specimen), this.verdict, this.plain, this.counts, this.worstTitle, this.worst, this.fold.root, this.wall.root);
  }

  update(s) {
    const key = JSON.stringify(s);
    if (key === this.key) return;
    this.key = key;
    this.summary = s;
    this.root.dataset.verdict = s.verdict;
    setText(this.verdict.firstChild, `${verdictMarks[s.verdict] || "\u00b7"} ${s.verdict}`);
    setText(this.verdict.lastChild, " " + sentence(s));
    setText(this.plain, s.plain || "");
    setText(this.counts, counts(s.counts));
    const claims = s.worst.filter((w) => w.outcome !== "unknown");
    const worst = worstOf(claims);
    this.worstTitle.hidden = worst.length === 0;
    this.worst.replaceChildren(...worst.map((w) => make("li", {}, this.opener(w, describe(w)))));
    this.fold.root.hidden = this.wall.root.hidden = claims.length === 0;
    setText(this.fold.title, `Table: ${claims.length} frequencies`);
    this.fold.stale();
    this.wall.stale();
  }

  opener(w, text) {
    return make("button", { type: "button", class: "plain", "data-point": w.point, onclick: () => this.open(this.specimen, w.point) }, text);
  }

  tabled() {
    const claims = this.summary.worst.filter((w) => w.outcome !== "unknown");
    return table(`${this.specimen}: worst case at each frequency; a frequency opens its point`, heads, claims.map((w) => row(heads, [
      this.opener(w, freq(w.freq_hz)), se(w.se), w.outcome + (w.reason ? `: ${w.reason}` : ""), db(w.margin_db), db(w.dynamic_range_db),
      db(w.required_db), headroom(w.headroom), w.verdict, place({ ...w.at, specimen: " " }).replace(/^[ ,]+/, ""),
    ], { "data-outcome": w.outcome })));
  }
}

// sentence leaves the name out: the card is named already.
function sentence(s) {
  const named = s.specimen + ": ";
  return s.sentence.startsWith(named) ? s.sentence.slice(named.length) : s.sentence;
}

export function counts(c) {
  const parts = [[c.measured, "measured"], [c.at_least, "at least"], [c.ambient, "ambient"], [c.void, "void"], [c.missing, "not captured yet"]];
  return parts.filter(([n]) => n > 0).map(([n, word]) => `${n} ${word}`).join(", ");
}

// worstOf orders by what is left over the requirement, or by SE without one.
function worstOf(claims) {
  const left = (w) => (w.headroom ? w.headroom.headroom_db : w.se.se_db);
  return claims.filter((w) => w.se).sort((a, b) => left(a) - left(b)).slice(0, listed);
}

// wall sets the results beside what the box's wall should do.
async function wall(run, specimen) {
  let x;
  try {
    x = await explanation(run, specimen);
  } catch (e) {
    return make("p", {}, e.message);
  }
  const hypothesis = (h) => make("li", {}, `Perhaps ${h.says}: ${h.evidence.join("; ")}.`, h.next ? ` To tell: ${h.next}.` : "");
  const finding = (f) => make("li", { "data-agreement": f.agreement }, f.says + ".", f.hypotheses.length ? make("ul", {}, ...f.hypotheses.map(hypothesis)) : null);
  return [
    x.expected ? make("p", {}, `${x.made_of}: ${x.expected.validity.text}.`) : make("p", {}, "How it is made is not known, so nothing is expected of it."),
    make("ul", { class: "findings" }, ...x.findings.map(finding)),
    ...x.notes.map((n) => make("p", {}, n)),
    make("p", {}, `Protection code ${x.em_code.code} (${x.em_code.source}).`),
  ];
}
