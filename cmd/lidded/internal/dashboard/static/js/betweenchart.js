// SE of a specimen on two benches over frequency: both alike in weight, each with
// its own line, mark and letter, with the band of its uncertainty. A bound is an open
// arrow: the SE was there or higher. Where they differ, both are joined.

import { Plot, unit } from "./plot.js";
import { arrow, endLetters, line } from "./marks.js";

const dashes = [[], [9, 4]];
const crowd = 120; // points; of more, not every one is marked

export class BetweenChart extends Plot {
  constructor(parent) {
    super(parent, (width) => (width < 500 ? 280 : 380));
    this.sides = [];
  }

  // update takes two sides {letter, points: [{freq_hz, y, u, bound, differs}]}, in
  // order of frequency and of equal length; y is null where nothing is claimed.
  update(sides) {
    this.sides = sides;
    this.build();
  }

  data() {
    return [this.sides[0].points.map((p) => p.freq_hz), this.sides[0].points.map((p) => p.y)];
  }

  options() {
    const all = this.sides.flatMap((s) => s.points).filter((p) => p.y !== null);
    if (all.length === 0) return null;
    let [left, right, low, high] = [Infinity, -Infinity, Infinity, -Infinity];
    for (const p of all) {
      left = Math.min(left, p.freq_hz);
      right = Math.max(right, p.freq_hz);
      low = Math.min(low, p.y - (p.u ?? 0));
      high = Math.max(high, p.y + (p.u ?? 8));
    }
    const x = this.logFreq(left / 1.08, right * 1.08);
    return {
      scales: { x: x.scale, y: { range: [Math.floor((low - 2) / 5) * 5, Math.ceil((high + 4) / 5) * 5] } },
      series: [{}, { show: true, paths: () => null, points: { show: false } }],
      axes: [x.axis, this.axis({ size: 58, values: unit("dB"), incrs: [2, 5, 10, 20, 50] })],
      hooks: { draw: [(u) => this.draw(u)] },
    };
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const { left, top, width, height } = u.bbox;
    const places = this.sides.map((s) => s.points.map((p) => (p.y === null ? null : { ...p, x: u.valToPos(p.freq_hz, "x", true), top: u.valToPos(p.y, "y", true) })));
    c.save();
    c.beginPath();
    c.rect(left, top, width + 20 * k, height);
    c.clip();
    const letters = [];
    this.join(c, k, places, top);
    places.forEach((at, n) => {
      const ink = this.ink("line" + (n + 1));
      c.strokeStyle = c.fillStyle = ink;
      this.band(c, u, at);
      this.run(c, k, at, dashes[n]);
      const step = Math.ceil(at.length / crowd);
      at.forEach((p, i) => {
        if (p && (p.differs || i % step === 0)) sign(c, k, p, n);
      });
      const end = at.findLast((p) => p);
      if (end) letters.push({ text: this.sides[n].letter, x: end.x, y: end.top, ink });
    });
    endLetters(c, k, this.font(12 * k), letters, this.ink("card"));
    c.restore();
  }

  // join leads from one bench to the other where they differ.
  join(c, k, [a, b], top) {
    c.strokeStyle = c.fillStyle = this.ink("alarm");
    c.lineWidth = 1.5 * k;
    c.font = `700 ${this.font(12 * k)}`;
    c.textAlign = "center";
    a.forEach((p, i) => {
      if (!p || !b[i] || !p.differs) return;
      c.setLineDash([2 * k, 2 * k]);
      line(c, p.x, p.top, b[i].x, b[i].top);
      c.setLineDash([]);
      c.fillText("\u2260", p.x, top + 11 * k);
    });
  }

  // band fills what the uncertainties of neighbouring values leave open.
  band(c, u, at) {
    const y = (v) => u.valToPos(v, "y", true);
    c.globalAlpha = 0.15;
    for (let i = 1; i < at.length; i++) {
      const [a, b] = [at[i - 1], at[i]];
      if (!a || !b || a.u === null || b.u === null) continue;
      c.beginPath();
      c.moveTo(a.x, y(a.y - a.u));
      c.lineTo(b.x, y(b.y - b.u));
      c.lineTo(b.x, y(b.y + b.u));
      c.lineTo(a.x, y(a.y + a.u));
      c.closePath();
      c.fill();
    }
    c.globalAlpha = 1;
  }

  // run joins neighbours that claim the same kind of thing.
  run(c, k, at, dash) {
    c.lineWidth = 1.75 * k;
    for (let i = 1; i < at.length; i++) {
      const [a, b] = [at[i - 1], at[i]];
      if (!a || !b || a.bound !== b.bound) continue;
      c.setLineDash((a.bound ? [2, 3] : dash).map((d) => d * k));
      line(c, a.x, a.top, b.x, b.top);
    }
    c.setLineDash([]);
  }
}

// sign is a disc on the first bench, a square on the second, an open arrow for a
// bound.
function sign(c, k, p, n) {
  c.lineWidth = 1.5 * k;
  if (p.bound) {
    line(c, p.x - 4 * k, p.top, p.x + 4 * k, p.top);
    arrow(c, k, p.x, p.top);
    c.stroke();
    return;
  }
  c.beginPath();
  if (n === 0) c.arc(p.x, p.top, 3.2 * k, 0, 2 * Math.PI);
  else c.rect(p.x - 3 * k, p.top - 3 * k, 6 * k, 6 * k);
  c.fill();
}
