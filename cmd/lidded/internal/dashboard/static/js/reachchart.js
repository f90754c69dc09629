// Reach: the dynamic range and the bound to expect of a plan on a bench, beside
// what is required.

import { Plot, unit } from "./plot.js";
import { arrow, line } from "./marks.js";
import { freq } from "./format.js";

export class ReachChart extends Plot {
  constructor(parent) {
    super(parent, (width) => (width < 500 ? 240 : 300));
    this.points = [];
  }

  update(forecast, stretches) {
    this.points = forecast.toSorted((a, b) => a.freq_hz - b.freq_hz);
    this.stretches = stretches;
    this.build();
  }

  data() {
    return [this.points.map((p) => p.freq_hz), this.points.map((p) => p.dynamic_range_db)];
  }

  options() {
    if (this.points.length === 0) return null;
    const freqs = this.points.map((p) => p.freq_hz);
    const x = this.logFreq(freqs[0] / 1.08, freqs.at(-1) * 1.08);
    const tops = [...this.points.map((p) => p.dynamic_range_db ?? 0), ...this.points.map((p) => (p.provable?.se_db ?? 0) + 14), ...this.stretches.flat().map((q) => q.se_db), 20];
    const bottoms = [0, ...this.points.map((p) => p.provable?.se_db ?? 0)];
    return {
      scales: { x: x.scale, y: { range: [Math.floor(Math.min(...bottoms) / 10) * 10, Math.ceil((Math.max(...tops) + 2) / 10) * 10] } },
      series: [{}, { stroke: this.ink("soft"), width: 1.5, dash: [2, 3], points: { show: false } }],
      axes: [x.axis, this.axis({ size: 58, values: unit("dB"), incrs: [10, 20, 50] })],
      hooks: { draw: [(u) => this.draw(u)] },
    };
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const x = (f) => u.valToPos(f, "x", true);
    const y = (v) => u.valToPos(v, "y", true);
    c.save();
    c.lineWidth = 2 * k;
    c.strokeStyle = this.ink("required");
    c.setLineDash([7 * k, 4 * k]);
    for (const s of this.stretches) {
      c.beginPath();
      s.forEach((q, i) => (i ? c.lineTo(x(q.freq_hz), y(q.se_db)) : c.moveTo(x(q.freq_hz), y(q.se_db))));
      c.stroke();
    }
    c.setLineDash([]);
    c.lineWidth = 1.5 * k;
    const step = Math.ceil(this.points.length / 80);
    this.points.forEach((p, i) => {
      if (!p.provable || (i % step && !short(p))) return;
      const [px, py] = [x(p.freq_hz), y(p.provable.se_db)];
      c.strokeStyle = c.fillStyle = this.ink(short(p) ? "alarm" : "bound");
      line(c, px - 4 * k, py, px + 4 * k, py);
      arrow(c, k, px, py);
      if (short(p)) c.stroke();
      else c.fill();
    });
    c.restore();
  }
}

const short = (p) => p.short_by_db > 0;

// reachWords puts the reach into a sentence.
export function reachWords(forecast) {
  const lack = forecast.filter(short);
  const asked = forecast.some((p) => p.required_db !== undefined);
  const low = forecast.reduce((a, p) => (p.provable && (!a || p.provable.se_db < a.provable.se_db) ? p : a), null);
  const least = low ? ` The lowest bound it could prove is ${low.provable.se_db.toFixed(1)} dB, at ${freq(low.freq_hz)}.` : "";
  if (!asked) return `Nothing is required at these frequencies.${least}`;
  if (lack.length === 0) return `The dynamic range reaches the requirement and its headroom at all ${forecast.length} points.${least}`;
  const worst = lack.reduce((a, p) => (p.short_by_db > a.short_by_db ? p : a));
  return `At ${lack.length} of ${forecast.length} points the dynamic range is short of requirement and headroom, most at ${freq(worst.freq_hz)}: by ${worst.short_by_db.toFixed(1)} dB (open arrows).${least}`;
}
