// Traces: level against frequency, several over each other, with noise floor
// and peak. Each has a stroke of its own besides its colour.

import { Plot, unit } from "./plot.js";
import { dbm, freq } from "./format.js";

const strokes = {
  reference: { ink: "required", dash: [8, 4], width: 1.5 },
  on: { ink: "measured", dash: [], width: 1.5 },
  off: { ink: "noclaim", dash: [2, 3], width: 1.25 },
};

export class TraceChart extends Plot {
  constructor(parent) {
    super(parent, (width) => (width < 500 ? 220 : 280));
    this.traces = [];
    this.marks = {};
  }

  // update takes traces {kind, start_hz, stop_hz, levels_dbm}, and what to mark:
  // floor_dbm, peak_hz with peak_dbm.
  update(traces, marks = {}) {
    const same = this.plot && key(traces) === key(this.traces);
    this.traces = traces;
    this.marks = marks;
    if (same) this.plot.setData(this.data()); // cheap: a live trace comes five times a second
    else this.build();
  }

  // data puts all traces on the frequencies of the first; they are of one span.
  data() {
    const [first] = this.traces;
    const n = first.levels_dbm.length;
    const x = Array.from({ length: n }, (_, i) => first.start_hz + ((first.stop_hz - first.start_hz) * i) / Math.max(n - 1, 1));
    return [x, ...this.traces.map((t) => (t.levels_dbm.length === n ? t.levels_dbm : x.map((f) => at(t, f))))];
  }

  options() {
    if (this.traces.length === 0) return null;
    return {
      padding: [14, 44, 0, 0], // half a frequency's name on the right
      scales: { x: { time: false }, y: { range: (_, low, high) => this.range(low, high) } },
      series: [{}, ...this.traces.map((t) => {
        const s = strokes[t.kind];
        return { stroke: this.ink(s.ink), width: s.width, dash: s.dash, points: { show: t.levels_dbm.length === 1 } };
      })],
      axes: [
        this.axis({ size: 34, space: 90, values: (u, s) => names(s, u.scales.x) }),
        this.axis({ size: 76, values: unit("dBm") }),
      ],
      hooks: { draw: [(u) => this.draw(u)] },
    };
  }

  range(low, high) {
    const { floor_dbm: floor, peak_dbm: peak } = this.marks;
    const bottom = Math.min(low ?? -120, floor ?? Infinity);
    const top = Math.max(high ?? -60, peak ?? -Infinity);
    return [Math.floor((bottom - 3) / 10) * 10, Math.ceil((top + 8) / 10) * 10];
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const { left, top, width, height } = u.bbox;
    const { floor_dbm: floor, peak_hz: hz, peak_dbm: peak } = this.marks;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    c.font = this.font(12 * k);
    if (floor !== null && floor !== undefined) {
      const y = u.valToPos(floor, "y", true);
      c.strokeStyle = c.fillStyle = this.ink("soft");
      c.lineWidth = 1.5 * k;
      c.setLineDash([10 * k, 5 * k]);
      c.beginPath();
      c.moveTo(left, y);
      c.lineTo(left + width, y);
      c.stroke();
      c.setLineDash([]);
      c.textAlign = "left";
      words(c, this.ink("card"), "noise floor " + dbm(floor), left + 6 * k, y - 5 * k);
    }
    if (hz && peak !== null && peak !== undefined) {
      const x = u.valToPos(hz, "x", true);
      const y = u.valToPos(peak, "y", true);
      c.fillStyle = this.ink("ink");
      c.beginPath();
      c.moveTo(x, y - 3 * k);
      c.lineTo(x - 5 * k, y - 11 * k);
      c.lineTo(x + 5 * k, y - 11 * k);
      c.closePath();
      c.fill();
      const name = "peak " + dbm(peak);
      const fits = x + 9 * k + c.measureText(name).width < left + width;
      c.textAlign = fits ? "left" : "right";
      words(c, this.ink("card"), name, x + (fits ? 9 : -9) * k, y - 4 * k);
    }
    c.restore();
  }
}

// words are written on a rim of the ground's colour, to be read over lines.
function words(c, ground, text, x, y) {
  c.save();
  c.strokeStyle = ground;
  c.lineWidth = 4 * devicePixelRatio;
  c.lineJoin = "round";
  c.strokeText(text, x, y);
  c.restore();
  c.fillText(text, x, y);
}

// key tells whether two sets of traces can share one chart's options.
const key = (traces) => traces.map((t) => [t.kind, t.levels_dbm.length]).join();

// at is the level of a trace at a frequency, taken from its nearest point.
function at(t, f) {
  const n = t.levels_dbm.length;
  const i = Math.round(((f - t.start_hz) / (t.stop_hz - t.start_hz || 1)) * (n - 1));
  return i >= 0 && i < n ? t.levels_dbm[i] : null;
}

// names writes frequencies with as many digits as tell them apart.
function names(splits, scale) {
  const [size, unit] = [[1e9, "GHz"], [1e6, "MHz"], [1e3, "kHz"], [1, "Hz"]].find(([s]) => scale.max >= s) || [1, "Hz"];
  const step = (splits[1] - splits[0]) / size || 1;
  let digits = 0;
  while (digits < 6 && Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) > 1e-4) digits++;
  return splits.map((v) => (v / size).toFixed(digits) + "\u00a0" + unit);
}

// tell puts a trace with its marks into a sentence.
export function tell(what, t, marks) {
  const parts = [];
  if (marks.peak_hz) parts.push(`peak ${dbm(marks.peak_dbm)} at ${freq(marks.peak_hz)}`);
  if (marks.floor_dbm !== null && marks.floor_dbm !== undefined) parts.push(`noise floor ${dbm(marks.floor_dbm)}`);
  if (parts.length === 2) parts.push(`${(marks.peak_dbm - marks.floor_dbm).toFixed(1)} dB between them`);
  return `${what}, ${freq(t.start_hz)} to ${freq(t.stop_hz)}: ${parts.join(", ") || "no level"}.`;
}
