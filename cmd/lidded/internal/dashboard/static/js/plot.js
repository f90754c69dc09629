// What all charts have in common: size, colours, axes, and being drawn anew
// when any of them changes.

import { freq } from "./format.js";

const scheme = matchMedia("(prefers-color-scheme: dark)");

export class Plot {
  // options() of the heir gives uPlot's options without size, data() its data;
  // both may be asked for at any time. options() is null while there is nothing.
  constructor(parent, height = (width) => (width < 500 ? 260 : 340)) {
    this.parent = parent;
    this.height = height;
    this.plot = null;
    this.watcher = new ResizeObserver(() => this.fit());
    this.watcher.observe(parent);
    this.repaint = () => this.build();
    scheme.addEventListener("change", this.repaint);
  }

  destroy() {
    this.watcher.disconnect();
    scheme.removeEventListener("change", this.repaint);
    if (this.plot) this.plot.destroy();
    this.plot = null;
  }

  size() {
    const width = Math.max(240, Math.floor(this.parent.clientWidth));
    return { width, height: this.height(width) };
  }

  // fit follows the room there is; a chart that was hidden is drawn now.
  fit() {
    if (this.parent.clientWidth === 0) return;
    if (!this.plot) {
      this.build();
      return;
    }
    const s = this.size();
    if (s.width !== this.plot.width || s.height !== this.plot.height) this.plot.setSize(s);
  }

  build() {
    if (this.plot) this.plot.destroy();
    this.plot = null;
    if (this.parent.clientWidth === 0) return;
    this.css = getComputedStyle(document.documentElement);
    const options = this.options();
    if (options) this.plot = new uPlot({ ...common, ...this.size(), ...options }, this.data(), this.parent);
  }

  ink(name) {
    return this.css.getPropertyValue("--" + name).trim();
  }

  axis(more) {
    const grid = { stroke: this.ink("grid"), width: 1 };
    return { stroke: this.ink("ink"), font: this.font(), grid, ticks: grid, ...more };
  }

  font(px = 12) {
    return `${px}px ${this.css.getPropertyValue("--font").trim()}`;
  }

  // logFreq is a scale and an axis of frequency, drawn by its logarithm.
  logFreq(low, high) {
    return {
      scale: { time: false, distr: 3, range: [low, high] },
      axis: this.axis({ size: 34, space: 20, splits: () => splits(low, high), filter: (_, s) => s, values: labels }),
    };
  }
}

const common = {
  padding: [14, 26, 0, 0],
  legend: { show: false },
  cursor: { y: false, points: { show: false }, drag: { x: false, y: false } },
};

// unit names the numbers of an axis.
export const unit = (name) => (_, s) => s.map((v) => String(v).replace("-", "\u2212") + "\u00a0" + name);

const steps = [1, 2, 3, 5];

// splits are round frequencies within the range.
function splits(low, high) {
  const out = [];
  for (let e = Math.floor(Math.log10(low)); 10 ** e <= high; e++) {
    for (const t of steps) {
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
