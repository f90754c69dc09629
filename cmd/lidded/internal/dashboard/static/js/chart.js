// SE against frequency for one specimen. What may be claimed shows in the
// shape of a mark, never in its colour alone.

import { freq, se } from "./format.js";

const ticks = [1, 2, 3, 5];

export class Chart {
  constructor(parent, readout) {
    this.parent = parent;
    this.readout = readout;
    this.points = [];
    this.stretches = [];
    this.plot = null;
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(parent);
    this.scheme = matchMedia("(prefers-color-scheme: dark)");
    this.repaint = () => this.build();
    this.scheme.addEventListener("change", this.repaint);
  }

  // update takes the worst cases per point and the requirement's stretches.
  update(worst, stretches) {
    this.points = worst.filter((w) => w.outcome !== "unknown").sort((a, b) => a.freq_hz - b.freq_hz);
    this.stretches = stretches;
    this.all = worst;
    this.build();
  }

  destroy() {
    this.watcher.disconnect();
    this.scheme.removeEventListener("change", this.repaint);
    if (this.plot) this.plot.destroy();
  }

  size() {
    const width = Math.max(240, Math.floor(this.parent.clientWidth));
    return { width, height: width < 500 ? 240 : 300 };
  }

  resize() {
    if (!this.plot) return;
    const s = this.size();
    if (s.width !== this.plot.width || s.height !== this.plot.height) this.plot.setSize(s);
  }

  build() {
    if (this.plot) this.plot.destroy();
    this.plot = null;
    if (!this.all || this.all.length === 0 || this.parent.clientWidth === 0) return;
    const css = getComputedStyle(document.documentElement);
    this.ink = (name) => css.getPropertyValue("--" + name).trim();
    const font = `12px ${css.getPropertyValue("--font").trim()}`;
    const all = this.all.map((w) => w.freq_hz);
    const low = Math.min(...all) / 1.08;
    const high = Math.max(...all) * 1.08;
    const tops = this.points.flatMap((w) => (w.se ? [w.se.se_high_db ?? w.se.se_db + 8] : []));
    const need = this.stretches.flat().map((q) => q.se_db);
    const bottoms = this.points.flatMap((w) => (w.se ? [w.se.se_low_db ?? w.se.se_db] : []));
    const top = Math.ceil((Math.max(20, ...tops, ...need) + 4) / 10) * 10;
    const bottom = Math.floor(Math.min(0, ...bottoms) / 10) * 10;
    const axis = { stroke: this.ink("ink"), font, grid: { stroke: this.ink("grid"), width: 1 }, ticks: { stroke: this.ink("grid"), width: 1 } };
    this.plot = new uPlot({
      ...this.size(),
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: false, y: false } },
      scales: { x: { time: false, distr: 3, range: [low, high] }, y: { range: [bottom, top] } },
      series: [{}, { show: true, paths: () => null, points: { show: false } }],
      axes: [
        { ...axis, size: 34, splits: () => splits(low, high), filter: (_, s) => s, values: labels, space: 20 },
        { ...axis, size: 54, values: (_, s) => s.map((v) => v + "\u00a0dB"), incrs: [10, 20, 50] },
      ],
      hooks: { draw: [(u) => this.draw(u)], setCursor: [(u) => this.tell(u)] },
    }, [this.points.map((w) => w.freq_hz), this.points.map((w) => (w.se ? w.se.se_db : null))], this.parent);
  }

  tell(u) {
    const i = u.cursor.idx;
    const w = i === null || i === undefined ? null : this.points[i];
    this.readout.textContent = w ? describe(w) : "\u00a0";
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const x = (f) => u.valToPos(f, "x", true);
    const y = (v) => u.valToPos(v, "y", true);
    const { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    c.lineWidth = 2 * k;
    c.strokeStyle = this.ink("required");
    c.setLineDash([7 * k, 4 * k]);
    for (const s of this.stretches) {
      c.beginPath();
      if (s.length === 1) {
        c.moveTo(x(s[0].freq_hz) - 6 * k, y(s[0].se_db));
        c.lineTo(x(s[0].freq_hz) + 6 * k, y(s[0].se_db));
      }
      s.forEach((q, i) => (i ? c.lineTo(x(q.freq_hz), y(q.se_db)) : c.moveTo(x(q.freq_hz), y(q.se_db))));
      c.stroke();
    }
    c.setLineDash([]);
    // Thin lines join neighbours that claim the same kind of thing.
    c.lineWidth = 1.25 * k;
    for (let i = 1; i < this.points.length; i++) {
      const [a, b] = [this.points[i - 1], this.points[i]];
      if (!a.se || !b.se || a.se.relation !== b.se.relation || b.point - a.point !== 1) continue;
      c.strokeStyle = this.ink(a.se.relation === "=" ? "measured" : "bound");
      c.setLineDash(a.se.relation === "=" ? [] : [2 * k, 3 * k]);
      c.beginPath();
      c.moveTo(x(a.freq_hz), y(a.se.se_db));
      c.lineTo(x(b.freq_hz), y(b.se.se_db));
      c.stroke();
    }
    c.setLineDash([]);
    for (const w of this.points) this.mark(c, k, w, x(w.freq_hz), w.se ? y(w.se.se_db) : top + height - 9 * k, y);
    c.restore();
  }

  // mark draws one point: a dot with its interval, an arrow for a bound, a
  // cross for somebody else's signal, a struck circle for a void.
  mark(c, k, w, x, y, yOf) {
    c.lineWidth = 1.5 * k;
    if (w.outcome === "measured" && w.se) {
      c.strokeStyle = c.fillStyle = this.ink("measured");
      c.beginPath();
      c.moveTo(x, yOf(w.se.se_low_db ?? w.se.se_db));
      c.lineTo(x, yOf(w.se.se_high_db ?? w.se.se_db));
      c.stroke();
      c.beginPath();
      c.arc(x, y, 3 * k, 0, 2 * Math.PI);
      c.fill();
    } else if (w.outcome === "at least" && w.se) {
      c.strokeStyle = c.fillStyle = this.ink("bound");
      line(c, x - 4 * k, y, x + 4 * k, y);
      line(c, x, y, x, y - 8 * k);
      c.beginPath();
      c.moveTo(x, y - 14 * k);
      c.lineTo(x - 4 * k, y - 7 * k);
      c.lineTo(x + 4 * k, y - 7 * k);
      c.closePath();
      c.fill();
    } else if (w.outcome === "ambient") {
      c.strokeStyle = this.ink("noclaim");
      line(c, x - 4 * k, y - 4 * k, x + 4 * k, y + 4 * k);
      line(c, x - 4 * k, y + 4 * k, x + 4 * k, y - 4 * k);
    } else {
      c.strokeStyle = this.ink("noclaim");
      c.beginPath();
      c.arc(x, y, 4.5 * k, 0, 2 * Math.PI);
      c.stroke();
      line(c, x - 3 * k, y + 3 * k, x + 3 * k, y - 3 * k);
    }
  }
}

function line(c, x1, y1, x2, y2) {
  c.beginPath();
  c.moveTo(x1, y1);
  c.lineTo(x2, y2);
  c.stroke();
}

// splits are round frequencies within the range.
function splits(low, high) {
  const out = [];
  for (let e = Math.floor(Math.log10(low)); 10 ** e <= high; e++) {
    for (const t of ticks) {
      const v = t * 10 ** e;
      if (v >= low && v <= high) out.push(v);
    }
  }
  return out;
}

// labels names the splits that have room for a name.
function labels(u, splits) {
  const room = 56;
  let last = -room;
  return splits.map((v) => {
    const at = u.valToPos(v, "x");
    if (at - last < room) return null;
    last = at;
    return freq(v).replace(" ", "\u00a0");
  });
}

// describe puts one point into words.
export function describe(w) {
  const claim = { measured: "measured " + se(w.se), "at least": "at least: " + se(w.se), ambient: "ambient, no claim", void: "void, no claim" }[w.outcome];
  const more = w.reason ? ` (${w.reason})` : "";
  const need = w.required_db === undefined ? "" : `; required ${w.required_db.toFixed(1)} dB: ${w.verdict}`;
  return `${freq(w.freq_hz)}: ${claim}${more}${need}`;
}
