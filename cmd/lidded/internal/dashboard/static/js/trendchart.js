// SE, or the reference, of a few frequencies over nights, door cycles or months.
// A bound is an open arrow: the SE was there or higher.

import { Plot, unit } from "./plot.js";
import { arrow, endLetters, line } from "./marks.js";
import { when } from "./format.js";

const day = 86400;
const times = [60, 300, 900, 3600, 10800, 21600, 43200, ...[1, 2, 3, 7, 14, 28, 56, 91, 182, 365, 730].map((n) => n * day)];

// dates names times by day, and where days are too coarse by the minute, too.
const dates = (_, splits, axis, space, step) => splits.map((v) => when(new Date(v * 1000).toISOString()).slice(0, step < day ? 16 : 10));

const dashes = [[], [9, 4], [3, 3], [12, 4, 3, 4]];

export class TrendChart extends Plot {
  constructor(parent) {
    super(parent, (width) => (width < 500 ? 240 : 300));
    this.lines = [];
  }

  // update takes lines {letter, points: [{x, y, bound}], changes: [{x}]}, the
  // name of the unit, and whether x is a time.
  update(lines, name, time) {
    this.lines = lines;
    this.name = name;
    this.time = time;
    this.build();
  }

  data() {
    const xs = [...new Set(this.lines.flatMap((l) => l.points.map((p) => p.x)))].sort((a, b) => a - b);
    const ys = this.lines.map((l) => {
      const at = new Map(l.points.map((p) => [p.x, p.y]));
      return xs.map((x) => at.get(x) ?? null);
    });
    return [xs, ...ys];
  }

  options() {
    const all = this.lines.flatMap((l) => l.points);
    if (all.length === 0) return null;
    let [low, high] = [Infinity, -Infinity];
    for (const p of all) {
      low = Math.min(low, p.y);
      high = Math.max(high, p.y);
    }
    const room = Math.max(2, (high - low) * 0.15);
    const xs = this.data()[0];
    const side = Math.max((xs.at(-1) - xs[0]) * 0.03, this.time ? 60 : 0.5);
    return {
      scales: { x: { time: this.time, range: [xs[0] - side, xs.at(-1) + side] }, y: { range: [low - room, high + room] } },
      series: [{}, ...this.lines.map(() => ({ show: true, paths: () => null, points: { show: false } }))],
      axes: [
        this.axis({ size: 34, ...(this.time ? { space: 140, incrs: times, values: dates } : { space: 100, incrs: [1, 2, 5, 10, 20, 50, 100, 200] }) }),
        this.axis({ size: 86, values: unit(this.name) }),
      ],
      hooks: { draw: [(u) => this.draw(u)] },
    };
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width + 20 * k, height);
    c.clip();
    const letters = [];
    this.lines.forEach((l, n) => {
      const ink = this.ink("line" + (1 + (n % 5)));
      const at = l.points.map((p) => [u.valToPos(p.x, "x", true), u.valToPos(p.y, "y", true), p]);
      c.strokeStyle = c.fillStyle = ink;
      c.lineWidth = 1.5 * k;
      c.setLineDash(dashes[n % dashes.length].map((d) => d * k));
      c.beginPath();
      at.forEach(([x, y], i) => (i ? c.lineTo(x, y) : c.moveTo(x, y)));
      c.stroke();
      c.setLineDash([]);
      const step = Math.ceil(at.length / 120);
      at.forEach(([x, y, p], i) => {
        if (i % step) return;
        if (p.bound) {
          line(c, x - 4 * k, y, x + 4 * k, y);
          arrow(c, k, x, y);
          c.stroke();
          return;
        }
        c.beginPath();
        c.arc(x, y, 3 * k, 0, 2 * Math.PI);
        c.fill();
      });
      for (const change of l.changes || []) {
        const x = u.valToPos(change.x, "x", true);
        c.lineWidth = 2 * k;
        c.setLineDash([2 * k, 4 * k]);
        line(c, x, top, x, top + height);
        c.setLineDash([]);
        c.font = `700 ${this.font(12 * k)}`;
        c.textAlign = "center";
        c.fillText("\u25bc " + l.letter, x, top + 12 * k);
      }
      const end = at.at(-1);
      if (!end) return;
      letters.push({ text: l.letter, x: end[0], y: end[1], ink });
    });
    endLetters(c, k, this.font(12 * k), letters, this.ink("card"));
    c.restore();
  }
}
