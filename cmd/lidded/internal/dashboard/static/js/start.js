// Start: what a run would do, take and risk, and whether the bench would have
// it, before anything is keyed.

import { ask, byId, make, say, setText } from "./dom.js";
import { db, dbm, duration, fixed, freq, kinds, place, se } from "./format.js";
import { get, post } from "./api.js";
import { name as nameOperator, named, operator } from "./operator.js";
import { ReachChart, reachWords } from "./reachchart.js";
import { go, note } from "./router.js";
import { facts, Fold, table } from "./table.js";

export class StartView {
  // changed is called after a run was started.
  constructor(changed) {
    this.changed = changed;
    this.all = []; // benches as they are now
    this.offered = []; // plans that the bench's daemon has
    this.plan = make("select", { id: "start-plan", onchange: () => this.chosen() });
    this.bench = make("select", { id: "start-bench", onchange: () => {
      this.offer();
      this.chosen();
    } });
    this.boxes = make("ul", { class: "choices", id: "start-specimens" });
    this.who = make("input", { type: "text", id: "start-who", maxlength: 100, autocomplete: "name", value: named(), onchange: () => nameOperator(this.who.value) });
    this.door = make("input", { type: "number", id: "start-door", min: 0, step: 1, inputmode: "numeric" });
    this.about = make("p", { class: "about" });
    this.answer = make("div", { class: "answer", role: "status" });
    this.button = make("button", { type: "button", class: "go", id: "start-go", disabled: true, onclick: () => this.begin() }, "Start the run");
    this.why = make("p", { class: "why-not", id: "start-why" });
    this.button.setAttribute("aria-describedby", "start-why");
    this.figure = make("div", { class: "chart", role: "img" });
    this.chart = new ReachChart(this.figure);
    this.outlook = make("div", { class: "outlook" });
    this.reach = make("div", { class: "card", hidden: true }, make("h2", {}, "Reach: what this set-up could prove"));
    byId("view-start").append(
      make("div", { class: "card form" },
        make("label", {}, "Plan ", this.plan), make("label", {}, "Bench ", this.bench), make("label", {}, "Your name, for the journal ", this.who), make("label", {}, "Door cycles so far, if they are counted ", this.door),
        make("fieldset", {}, make("legend", {}, "Specimens, in this order"), this.boxes), this.about),
      make("div", { class: "card gate" }, this.answer, this.button, this.why),
      this.outlook, this.reach);
  }

  async show(params) {
    const [{ plans }, { specimens }, { benches }] = await Promise.all([get("/v1/plans"), get("/v1/specimens"), get("/v1/benches")]);
    this.benches(benches);
    this.plans = plans;
    this.specimens = specimens;
    this.lab = benches.some((b) => b.daemon || b.away); // plans and specimens are those of the bench's daemon
    this.fill(this.bench, benches.filter((b) => !b.away), params.get("bench"));
    this.offer(params.get("plan"), params.get("specimens")?.split(","));
    await this.ask();
  }

  fill(select, list, want) {
    const had = want || select.value;
    select.replaceChildren(...list.map((x) => make("option", { value: x.name }, x.name)));
    if (list.some((x) => x.name === had)) select.value = had;
  }

  // offer lists what the bench's daemon has in its config.
  offer(plan, ticked) {
    const has = (x) => (x.benches ? x.benches.includes(this.bench.value) : !this.lab);
    this.offered = this.plans.filter(has);
    this.fill(this.plan, this.offered, plan);
    const had = ticked || this.ticked();
    this.boxes.replaceChildren(...this.specimens.filter(has).map((s) => make("li", {}, make("label", {},
      make("input", { type: "checkbox", value: s.name, checked: !had.length || had.includes(s.name), onchange: () => this.chosen() }), ` ${s.name}`, s.about ? make("small", {}, " " + s.about) : null))));
  }

  // benches is told how they stand, whether or not the view is shown.
  benches(all) {
    this.all = all;
    this.gate();
  }

  ticked() {
    return [...this.boxes.querySelectorAll("input:checked")].map((b) => b.value);
  }

  chosen() {
    note({ plan: this.plan.value, bench: this.bench.value, specimens: this.ticked().join(",") });
    this.ask().catch(() => {});
  }

  // ask gets the outlook of what is chosen.
  async ask() {
    const boxes = this.ticked();
    const key = [this.plan.value, this.bench.value, ...boxes].join("\n");
    this.key = key;
    this.found = null;
    this.fault = "";
    this.gate();
    setText(this.about, this.offered.find((p) => p.name === this.plan.value)?.about || "");
    if (boxes.length && this.plan.value) {
      const query = new URLSearchParams({ bench: this.bench.value, specimens: boxes.join(",") });
      let found = null;
      try {
        found = await get(`/v1/plans/${encodeURIComponent(this.plan.value)}?${query}`);
      } catch (e) {
        if (this.key === key) this.fault = e.message;
      }
      if (this.key !== key) return; // something else was chosen meanwhile
      this.found = found;
    } else this.fault = "Choose at least one specimen.";
    this.draw();
    this.gate();
  }

  // gate opens the button only where nothing stands against the run.
  gate() {
    const o = this.found;
    const bench = this.all.find((b) => b.name === this.bench.value);
    let why = "";
    if (this.fault) why = this.fault;
    else if (!o) why = "Asking the daemon what this run would take \u2026";
    else if (!o.accepted) why = "The bench refuses this plan: see above.";
    else if (bench?.away) why = "The bench\u2019s daemon cannot be asked now: see the view Bench.";
    else if (bench?.run) why = `The bench is busy with another run.`;
    else if (bench && !(bench.analyzer.up && bench.source.up)) why = "An instrument does not answer: see the view Bench.";
    this.button.disabled = why !== "" || this.starting === true;
    setText(this.why, why || "Nothing is keyed before the first hold point is confirmed.");
    const says = this.fault ? "bad" : !o ? "wait" : o.accepted ? "good" : "bad";
    this.answer.dataset.says = says;
  }

  draw() {
    const o = this.found;
    this.answer.replaceChildren();
    this.outlook.replaceChildren();
    this.reach.hidden = !o;
    if (this.fault) this.answer.append(make("p", { class: "verdict-line" }, "\u2717 " + this.fault));
    if (!o) return;
    if (o.accepted) this.answer.append(make("p", { class: "verdict-line" }, `\u2713 Bench ${o.bench} would run this plan.`));
    else {
      this.answer.append(
        make("p", { class: "verdict-line" }, `\u2717 Bench ${o.bench} refuses this plan, whole:`),
        make("ul", { class: "refusals" }, ...o.refusals.map((r) => make("li", {}, r.path ? make("code", {}, r.path) : null, r.path ? " " : "", r.message))));
    }
    const holds = o.steps.filter((s) => s.kind === "hold_point").length;
    this.answer.append(facts([
      ["Points", `${o.plan.points.length}, ${freqSpan(o.plan.points)}`], ["Time", `${duration(o.time_s)}, and what people need at ${holds} hold points`],
      ["Source on for", duration(o.source_on_s)], ["Capture", o.plan.capture === "sealed" ? "sealed: the analyzer is alone in the closed box" : "linked: the analyzer is reachable all the time"],
      ["Requirement", o.requirement?.title || "none"],
    ]));
    if (o.warnings.length) this.answer.append(make("h3", {}, "Warnings"), make("ul", { class: "warnings" }, ...[...new Set(o.warnings)].map((w) => make("li", {}, w))));
    this.outlook.append(this.exposure(o), this.steps(o));
    const fields = new Set(o.plan.points.map((q) => q.field));
    const stretches = o.requirement ? o.requirement.curves.filter((c) => fields.has(c.field)).flatMap((c) => c.stretches) : [];
    const words = reachWords(o.forecast);
    this.figure.setAttribute("aria-label", words + " The table below has every figure.");
    const heads = [["Frequency"], ["Reference", true], ["Noise floor", true], ["Dynamic range", true], ["Provable", true], ["Required", true], ["Short by", true], ["Note", false, true]];
    this.reach.replaceChildren(this.reach.firstChild, make("p", {}, words), this.figure,
      new Fold("Table of the reach", () => table("What may be expected of each point", heads, o.forecast.map((f) => [
        freq(f.freq_hz), dbm(f.reference_dbm), dbm(f.noise_floor_dbm), db(f.dynamic_range_db), se(f.provable), db(f.required_db), db(f.short_by_db), f.note || "",
      ]))).root);
    this.chart.update(o.forecast, stretches);
    this.figure.dataset.points = String(o.forecast.length);
  }

  // exposure says what is radiated and how far away the limit is reached.
  exposure(o) {
    const x = o.exposure;
    const card = make("div", { class: "card" }, make("h2", {}, "Exposure"));
    if (!x) {
      const bench = this.all.find((b) => b.name === o.bench);
      card.append(make("p", {}, bench?.conducted ? "Nothing is radiated: the bench is cabled." : "The bench does not state what it radiates, so no distance can be computed."));
      return card;
    }
    const far = x.points.reduce((a, p) => ((p.distance_m ?? -1) > (a?.distance_m ?? -1) ? p : a), null);
    card.append(make("p", { class: "caution" }, make("span", { "aria-hidden": "true" }, "\u26a0\ufe0e "), x.caution));
    if (far && far.distance_m !== null) card.append(make("p", {}, `Farthest distance at which the limit is reached: ${metres(far.distance_m)} at ${freq(far.freq_hz)} (radiated ${dbm(far.eirp_dbm)})` + (far.in_near_field ? ", nearer than the formula holds" : "") + ". This is arithmetic, no assessment."));
    card.append(make("p", { class: "about" }, `Limits: ${x.limits_title} (${x.limits_source}).`));
    const heads = [["Frequency"], ["Radiated (EIRP)", true], ["Field at 1 m", true], ["Limit", true], ["Reached at", true], ["Formula holds beyond", true]];
    card.append(new Fold("Table of the exposure", () => table("Exposure at each point", heads, x.points.map((p) => [
      freq(p.freq_hz), dbm(p.eirp_dbm), fixed(p.field_at_1m_v_per_m, 2) + " V/m", p.limit_w_per_m2 === null ? "none in the table" : fixed(p.limit_w_per_m2, 2) + " W/m\u00b2",
      p.distance_m === null ? "\u2013" : metres(p.distance_m) + (p.in_near_field ? " (near field)" : ""), metres(p.far_field_m),
    ]))).root);
    return card;
  }

  steps(o) {
    const line = (s) => make("li", { "data-kind": s.kind }, make("strong", {}, kinds[s.kind] || s.kind), s.kind === "hold_point" ? `: ${s.instruction}` : `: ${place(s.at)}`, s.time_s ? ` \u00b7 ${duration(s.time_s)}` : "");
    return make("div", { class: "card" }, make("h2", {}, `Steps: ${o.steps.length}`), make("div", { class: "scroll low", tabindex: 0, role: "region", "aria-label": "Steps" }, make("ol", { class: "steps" }, ...o.steps.map(line))));
  }

  async begin() {
    nameOperator(this.who.value);
    const o = this.found;
    const radiated = o.exposure ? " It radiates: see to it that nobody is nearer than allowed, and nobody in a closed room." : "";
    if (!(await ask("Start this run?", `${o.plan.name} on bench ${o.bench}: ${o.specimens.join(", ")}. ${duration(o.time_s)}.${radiated}`, "Yes, start"))) return;
    this.starting = true;
    this.gate();
    // Should the answer be lost, pressing again gives the same run and not a second one.
    this.once ??= Array.from(crypto.getRandomValues(new Uint8Array(16)), (v) => v.toString(16).padStart(2, "0")).join("");
    const door = this.door.value === "" ? {} : { door_cycle: Number(this.door.value) };
    try {
      await post("/v1/runs", { bench: o.bench, plan: o.plan.name, specimens: o.specimens, operator: operator(), ...door }, { "Idempotency-Key": `"${this.once}"` });
      this.once = undefined;
      say("");
      go("now");
    } catch (e) {
      say(e.message);
      if (e.status) this.once = undefined; // it was answered: another try is another start
    } finally {
      this.starting = false;
      this.changed();
      this.gate();
    }
  }
}

const metres = (m) => (m < 10 ? fixed(m, 2) : fixed(m, 1)) + " m";

function freqSpan(points) {
  const all = points.map((q) => q.freq_hz).sort((a, b) => a - b);
  return all.length > 1 ? `${freq(all[0])} to ${freq(all.at(-1))}` : freq(all[0]);
}
