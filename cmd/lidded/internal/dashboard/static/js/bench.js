// One bench: what it does now, and what waits for a person.

import { ask, make, say, setData, setText } from "./dom.js";
import { duration, freq, kinds, place, states } from "./format.js";
import { get, post } from "./api.js";

// sourceWords say the state of the source; null is a state that nobody knows.
const sourceWords = {
  true: ["on", "SOURCE ON", "transmitting"],
  false: ["off", "Source off", "read back as off"],
  null: ["unknown", "SOURCE NOT KNOWN", "treat it as on"],
};

// linger is how long the sign stays on after the source went off between two
// looks: a sign that flickers is read by nobody.
const linger = 2000;

export class BenchView {
  constructor(name, changed) {
    this.name = name;
    this.changed = changed;
    this.pictures = 0; // live pictures taken in so far
    this.holdKey = "";
    this.points = new Map(); // frequencies of a run's points, by run
    this.sign = make("p", { class: "sign", role: "status" }, make("strong"), make("span"));
    this.state = make("strong", { class: "state" });
    this.what = make("p", { class: "what" });
    this.where = make("p", { class: "where" });
    this.why = make("p", { class: "why", role: "status" });
    this.bar = make("progress", { max: 1, value: 0, "aria-label": "Captures done" });
    this.left = make("p", { class: "left" });
    this.links = make("ul", { class: "links" });
    this.hold = make("div", { class: "hold", hidden: true });
    this.stop = make("button", { type: "button", class: "stop", onclick: () => this.stopRun() }, "Stop the run");
    this.off = make("button", { type: "button", class: "off", onclick: () => this.sourceOff() }, "Source off now");
    this.run = make("div", { class: "run" }, this.what, this.where, this.why, this.bar, this.left);
    this.root = make("article", { class: "bench", "data-bench": name },
      make("div", { class: "bench-head" }, make("h3", {}, "Bench ", name), this.state),
      this.sign, this.hold, this.run, this.links,
      make("div", { class: "buttons" }, this.off, this.stop));
  }

  // update shows a bench as the interface gives it.
  update(bench) {
    this.bench = bench;
    const p = bench.progress;
    setText(this.state, states[bench.state] || bench.state);
    setData(this.root, "state", bench.state);
    this.showSource(bench.source_on);
    this.showLinks(bench);
    this.run.hidden = !p;
    this.stop.hidden = !bench.run || bench.state === "stopping";
    if (p) this.showProgress(p);
    this.showHold(p && bench.state === "holding" ? p.hold : null, p);
  }

  // picture takes a live picture in.
  picture(p) {
    this.pictures++;
    const over = ["completed", "stopped", "aborted", "failed", "interrupted"].includes(p.state);
    this.update({
      ...this.bench,
      state: over ? "idle" : p.state,
      run: over ? "" : p.run,
      progress: over ? undefined : p,
      source_on: p.source_on,
      analyzer: { ...this.bench.analyzer, up: p.analyzer_up },
      source: { ...this.bench.source, up: p.source_up },
    });
  }

  showSource(on) {
    clearTimeout(this.later);
    if (on === true) this.lastOn = performance.now();
    const left = linger - (performance.now() - (this.lastOn ?? -linger));
    const keying = on === false && left > 0 && ["running", "stopping"].includes(this.bench.state);
    if (keying) {
      on = true;
      this.later = setTimeout(() => this.showSource(this.bench.source_on), left);
    }
    const [key, word, more] = sourceWords[String(on)];
    setData(this.root, "source", key);
    setData(this.sign, "source", key);
    setText(this.sign.firstChild, word);
    setText(this.sign.lastChild, more);
  }

  showLinks(bench) {
    const line = (role, i) => {
      const who = i.identity ? [i.identity.maker, i.identity.model, i.identity.serial].filter(Boolean).join(" ") : "";
      return make("li", { "data-up": String(i.up) },
        make("span", { class: "mark", "aria-hidden": "true" }, i.up ? "\u2713" : "\u2717"),
        ` ${role}: ${i.up ? "link up" : "LINK DOWN"}`,
        who ? make("span", { class: "who" }, " \u00b7 " + who) : null,
        !i.up && i.fault ? make("span", { class: "fault" }, " \u00b7 " + i.fault) : null);
    };
    const lines = [line("Analyzer", bench.analyzer), line("Source", bench.source)];
    if (this.links.textContent !== lines.map((l) => l.textContent).join("")) this.links.replaceChildren(...lines);
  }

  showProgress(p) {
    const begun = p.step_kind in kinds;
    setText(this.what, begun ? `Plan ${p.plan}, step ${p.step + 1} of ${p.steps}: ${kinds[p.step_kind]}` : `Plan ${p.plan}`);
    const hz = (this.points.get(p.run) || [])[p.point];
    const point = p.step_kind === "hold_point" ? "" : ` \u00b7 point ${p.point + 1} of ${p.points}` + (hz ? `, ${freq(hz)}` : "");
    setText(this.where, begun ? place(p.at) + point : "");
    setText(this.why, p.state === "suspended" ? p.text || "" : "");
    this.bar.value = p.total ? p.done / p.total : 0;
    setText(this.left, `${p.done} of ${p.total} captures \u00b7 ${duration(p.left_s)} left` + (p.state === "holding" ? ", once it goes on" : ""));
    if (!this.points.has(p.run)) this.askPoints(p.run);
  }

  async askPoints(run) {
    this.points.clear();
    this.points.set(run, []);
    try {
      const r = await get("/v1/runs/" + encodeURIComponent(run));
      this.points.set(run, r.plan_settings.points.map((q) => q.freq_hz));
      if (this.bench.progress) this.showProgress(this.bench.progress);
    } catch {
      this.points.delete(run); // asked for again with the next picture
    }
  }

  // showHold builds the instruction anew only when another one waits, so that
  // a button never changes under a finger.
  showHold(hold, p) {
    const key = hold ? p.run + "/" + hold.index : "";
    if (key === this.holdKey) return;
    this.holdKey = key;
    this.hold.hidden = !hold;
    this.hold.replaceChildren();
    if (!hold) return;
    const title = { closes: "Close the lid", opens: "Open the lid" }[hold.lid] || "Your turn";
    this.hold.append(
      make("h4", {}, title, make("span", {}, ` \u00b7 step ${hold.index + 1} of ${p.steps}`)),
      make("p", { class: "instruction" }, hold.instruction),
      hold.cautions && hold.cautions.length ? make("ul", { class: "cautions" }, ...hold.cautions.map((c) => make("li", {}, c))) : null,
      make("button", { type: "button", class: "release", onclick: () => this.release(hold) }, "It is done: go on \u2026"));
    this.hold.setAttribute("role", "alert");
  }

  async release(hold) {
    if (!(await ask("Is this done?", hold.instruction, "Yes, go on"))) return;
    await this.order(hold.release);
  }

  async stopRun() {
    const run = this.bench.run;
    if (!(await ask("Stop this run?", "The point in hand is finished. What was captured counts; the rest stays open.", "Yes, stop it"))) return;
    await this.order("/v1/runs/" + encodeURIComponent(run) + "/stop");
  }

  sourceOff() {
    return this.order("/v1/benches/" + encodeURIComponent(this.name) + "/source-off");
  }

  async order(path) {
    try {
      await post(path, { operator: "page" });
      say("");
    } catch (e) {
      say(e.message);
    }
    this.changed();
  }
}
