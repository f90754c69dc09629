// Bench: instruments, who they are, how their links stand, what was last said,
// what the clock will start, disk and versions.

import { byId, make, setText } from "./dom.js";
import { bytes, clock, duration, gone, states, when } from "./format.js";
import { get } from "./api.js";
import { address, onlyBench } from "./router.js";
import { facts, Fold, row, table } from "./table.js";

const every = 5000; // milliseconds, while the view is shown
const failed = 8; // lines that failed, shown without opening anything

export class BenchView {
  constructor() {
    this.cards = new Map();
    this.daemon = make("div", { class: "card" }, make("h2", {}, "Daemon"), make("div"));
    this.schedules = make("div", { class: "card" }, make("h2", {}, "Schedule"), make("div"));
    this.benches = make("div");
    byId("view-bench").append(this.benches, this.schedules, this.daemon);
  }

  async show() {
    this.hide();
    this.shown = true;
    await this.load();
  }

  hide() {
    this.shown = false;
    clearTimeout(this.timer);
  }

  async load() {
    clearTimeout(this.timer);
    try {
      const [{ benches }, { schedules }, daemon, health] = await Promise.all([get("/v1/benches"), get("/v1/schedules"), get("/v1/daemon"), get("/healthz")]);
      // What cannot be told of one bench keeps nothing from being told of the others.
      const talks = await Promise.all(benches.map((b) => (b.away ? null : get(`/v1/benches/${encodeURIComponent(b.name)}/exchanges`).catch(() => null))));
      const names = new Set(benches.map((b) => b.name));
      for (const [name, card] of this.cards) {
        if (names.has(name)) continue;
        card.root.remove();
        this.cards.delete(name);
      }
      benches.forEach((b, i) => this.bench(b, talks[i]));
      const only = onlyBench();
      for (const [name, card] of this.cards) card.root.hidden = only !== "" && name !== only;
      this.scheduled(schedules.filter((s) => !only || s.bench === only));
      this.about(daemon, health);
    } finally {
      if (this.shown) this.timer = setTimeout(() => this.load().catch(() => {}), every);
    }
  }

  bench(b, talk) {
    let card = this.cards.get(b.name);
    if (!card) {
      card = new Card(b.name);
      this.cards.set(b.name, card);
      this.benches.append(card.root);
    }
    card.update(b, talk);
  }

  scheduled(all) {
    const key = JSON.stringify(all);
    if (key === this.scheduleKey) return;
    this.scheduleKey = key;
    const heads = [["Schedule"], ["What", false, true], ["When"], ["Next"], ["Last run", false, true], ["Missed", false, true]];
    this.schedules.lastChild.replaceWith(all.length === 0 ? make("p", {}, "Nothing is started by the clock.") : table("Runs that the clock starts", heads, all.map((s) => row(heads, [
      s.name, `${s.plan} on ${s.bench}: ${s.specimens.join(", ") || "all specimens"}`, `${s.cron} (${s.time_zone})`, s.next_run ? when(s.next_run) : "never",
      s.last_run ? make("a", { href: address("result", { run: s.last_run.id }) }, `${when(s.last_run.created)}, ${states[s.last_run.state] || s.last_run.state}`) : "none",
      s.last_missed ? `${when(s.last_missed)}: ${s.missed_reason || "the reason is not known"}` : "none known",
    ]))));
  }

  about(d, health) {
    const guard = d.guardian.map((g) => `${g.bench}: ${g.state}`).join(", ");
    this.daemon.lastChild.replaceWith(make("div", {}, facts([
      ["Version", d.version], ["What it is", d.lab ? "a lab server: it reads the lab and asks the benches\u2019 daemons" : null], ["Health", health.status || "answers"], ["Since", d.started ? when(d.started) : null],
      ["Disk left for the store", bytes(d.disk_free_bytes)], ["Store", bytes(d.store_bytes)], ["Guardian, who switches the source off when the daemon cannot", d.lab ? null : guard || "none"],
    ]), d.daemons?.length ? others(d.daemons) : null));
  }
}

// others tells of the benches' daemons that a lab server knows.
function others(daemons) {
  const heads = [["Daemon"], ["State", false, true], ["Since"], ["Version"], ["Benches", false, true]];
  return table("Daemons of the benches", heads, daemons.map((o) => row(heads, [
    o.daemon, o.up ? "\u2713 answers" : `\u2717 away: ${o.reason || "not asked yet"}`, o.since ? when(o.since) : "", o.version || "", o.benches.join(", ") || "none heard of",
  ], { "data-up": String(o.up) })));
}

// Card is one bench and both its instruments.
class Card {
  constructor(name) {
    this.state = make("strong", { class: "state" });
    this.facts = make("div");
    this.away = make("p", { class: "why away" });
    this.roles = { analyzer: new Instrument("Analyzer"), source: new Instrument("Source") };
    this.root = make("article", { class: "card", "aria-label": "Bench " + name, "data-instruments": name },
      make("div", { class: "bench-head" }, make("h2", {}, "Bench ", name), this.state),
      this.away, this.instruments = make("div", { class: "instruments" }, this.roles.analyzer.root, this.roles.source.root), this.facts);
  }

  update(b, talk) {
    setText(this.state, states[b.state] || b.state);
    setText(this.away, gone(b));
    this.instruments.hidden = !talk;
    this.facts.hidden = Boolean(b.away);
    if (b.away) return;
    if (talk) {
      this.roles.analyzer.update(talk.analyzer);
      this.roles.source.update(talk.source);
    }
    const may = b.may_transmit.map((p) => `${p.from_hz / 1e6} to ${p.to_hz / 1e6} MHz up to ${p.max_level_dbm} dBm (${p.basis})`).join("; ");
    const key = JSON.stringify([b.max_level_dbm, b.path_loss_db, b.noise_figure_db, may, b.cautions, b.conducted]);
    if (key === this.key) return;
    this.key = key;
    this.facts.replaceChildren(make("h3", {}, "Facts of the config"), facts([
      ["Highest level", b.max_level_dbm + " dBm"], ["Path loss", b.path_loss_db + " dB"], ["Noise figure", b.noise_figure_db + " dB"],
      ["Radiates", b.conducted ? "no: it is cabled" : "yes"], ["May transmit", may || "nothing"], ["Cautions", b.cautions.join(" ")],
    ]));
  }
}

// Instrument is one instrument: link, identity, and what was last said.
class Instrument {
  constructor(role) {
    this.role = role;
    this.link = make("p", { class: "linkstate" }, make("strong"), make("span"));
    this.who = make("div");
    this.error = make("p", { class: "why" });
    this.failures = make("div");
    this.said = new Fold("Last exchanges", () => this.tabled(), { class: "said" });
    this.root = make("section", { "aria-label": role }, make("h3", {}, role), this.link, this.who, this.error, this.failures, this.said.root);
  }

  update(t) {
    this.talk = t;
    this.link.dataset.up = String(t.up);
    setText(this.link.firstChild, t.up ? "\u2713 link up" : "\u2717 LINK DOWN");
    setText(this.link.lastChild, (t.since ? ` since ${when(t.since)}` : "") + (t.fault ? ` \u00b7 ${t.fault}` : ""));
    const i = t.identity || {};
    const who = JSON.stringify([i, t.dialect]);
    if (who !== this.whoKey) {
      this.whoKey = who;
      this.who.replaceChildren(facts([["Maker", i.maker], ["Model", i.model], ["Serial number", i.serial], ["Firmware", i.firmware], ["Dialect", t.dialect]]));
    }
    const bad = t.exchanges.filter((x) => x.error);
    setText(this.error, t.last_error ? `Last error: ${t.last_error}` : "");
    this.failures.replaceChildren(...(bad.length > 1 ? [new Fold(`Failures kept: ${bad.length}`, () => table(`${this.role}: exchanges that failed`, heads, bad.slice(-failed).toReversed().map(line))).root] : []));
    setText(this.said.title, `Last exchanges: ${t.exchanges.length} lines`);
    // What is being read is not pulled away; it is read again on request.
    if (!this.said.root.open) this.said.fresh = false;
  }

  tabled() {
    return [
      make("button", { type: "button", onclick: () => this.said.stale() }, "Read again"),
      table(`${this.role}: last exchanges, newest first`, heads, this.talk.exchanges.toReversed().map(line)),
    ];
  }
}

const heads = [["Time"], ["Way"], ["Text", false, true], ["Length", true], ["Took", true], ["Error", false, true]];

const line = (x) => row(heads, [
  clock(x.time), x.direction === "sent" ? "\u2192 sent" : "\u2190 received", make("code", {}, x.text || (x.bytes ? "(block of data)" : "")),
  x.bytes === undefined ? "" : x.bytes + " bytes", x.duration_s === undefined ? "" : x.duration_s < 1 ? Math.round(x.duration_s * 1000) + " ms" : duration(x.duration_s), x.error || "",
], { "data-failed": x.error ? "true" : null });
