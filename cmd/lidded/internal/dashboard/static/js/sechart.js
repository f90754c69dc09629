// SE against frequency: one series in front, with its marks and intervals, and
// others behind it as lines with a letter.

import { Plot, unit } from "./plot.js";
import { endLetters, line, mark, ring } from "./marks.js";

const dashes = [[], [9, 4], [3, 3], [12, 4, 3, 4], [6, 6], [2, 5]];

export class SEChart extends Plot {
  // chosen is called with the index of a point that was clicked, walked with
  // the one under the pointer.
  constructor(parent, walked, chosen) {
    super(parent, (width) => (width < 500 ? 300 : 420));
    this.walked = walked;
    this.chosen = chosen;
    this.series = [];
    this.front = null;
    this.at = -1; // index of the front's point that is walked to
  }

  // update takes series {letter, points, thin, front}, the requirement's
  // stretches, and the expected points or null. Points are in order of
  // frequency.
  update(series, stretches, expected) {
    this.series = series;
    this.front = series.find((s) => s.front) || null;
    this.points = this.front ? this.front.points : [];
    this.stretches = stretches;
    this.expected = expected;
    if (this.at >= this.points.length) this.at = -1;
    this.build();
  }

  // walk shows the front's point at an index.
  walk(i) {
    if (i === this.at) return;
    this.at = i;
    if (this.plot) this.plot.redraw(false, false);
  }

  data() {
    return [this.points.map((w) => w.freq_hz), this.points.map((w) => (w.se ? w.se.se_db : null))];
  }

  options() {
    if (this.points.length === 0) return null;
    const all = this.series.flatMap((s) => s.points);
    const [low, high] = ends(all.map((w) => w.freq_hz));
    const x = this.logFreq(low / 1.08, high * 1.08);
    return {
      scales: { x: x.scale, y: { range: this.range(all) } },
      series: [{}, { show: true, paths: () => null, points: { show: false } }],
      axes: [x.axis, this.axis({ size: 58, values: unit("dB"), incrs: [5, 10, 20, 50] })],
      hooks: {
        draw: [(u) => this.draw(u)],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          if (i !== null && i !== undefined && u.cursor.left >= 0) this.walked(i);
        }],
        ready: [(u) => u.over.addEventListener("click", () => {
          if (u.cursor.idx !== null && u.cursor.idx !== undefined) this.chosen(u.cursor.idx);
        })],
      },
    };
  }

  range(all) {
    const tops = [20];
    const bottoms = [0];
    for (const { se } of all) {
      if (!se) continue;
      tops.push(se.se_high_db ?? se.se_db + 8);
      bottoms.push(se.se_low_db ?? se.se_db);
    }
    for (const q of this.stretches.flat()) tops.push(q.se_db);
    return [Math.floor(ends(bottoms)[0] / 10) * 10, Math.ceil((ends(tops)[1] + 4) / 10) * 10];
  }

  draw(u) {
    const c = u.ctx;
    const k = devicePixelRatio;
    const x = (f) => u.valToPos(f, "x", true);
    const y = (v) => u.valToPos(v, "y", true);
    const ink = (name) => this.ink(name);
    const { left, top, width, height } = u.bbox;
    c.save();
    c.beginPath();
    c.rect(left, top, width, height);
    c.clip();
    if (this.expected) this.hatch(c, k, x, y, { left, top, width, height });
    this.letters = [];
    this.require(c, k, x, y);
    this.behind(c, k, x, y);
    if (this.front) {
      this.band(c, x, y);
      this.join(c, k, this.points, x, y, (r) => ink(r === "=" ? "measured" : "bound"), 1.5);
      const crowd = this.points.length > 150;
      this.points.forEach((w, i) => {
        if (crowd && w.outcome === "measured" && i !== this.at) return; // the line and its band say it
        mark(c, k, ink, w, x(w.freq_hz), w.se ? y(w.se.se_db) : top + height - 9 * k, crowd ? null : y);
      });
      this.letter(this.front, x, y, ink("ink"));
    }
    endLetters(c, k, this.font(12 * k), this.letters, ink("card"));
    const w = this.points[this.at];
    if (w) ring(c, k, ink, x(w.freq_hz), w.se ? y(w.se.se_db) : top + height - 9 * k);
    c.restore();
  }

  require(c, k, x, y) {
    c.lineWidth = 2 * k;
    c.strokeStyle = this.ink("required");
    c.setLineDash([7 * k, 4 * k]);
    for (const s of this.stretches) {
      if (s.length === 1) line(c, x(s[0].freq_hz) - 6 * k, y(s[0].se_db), x(s[0].freq_hz) + 6 * k, y(s[0].se_db));
      c.beginPath();
      s.forEach((q, i) => (i ? c.lineTo(x(q.freq_hz), y(q.se_db)) : c.moveTo(x(q.freq_hz), y(q.se_db))));
      c.stroke();
    }
    c.setLineDash([]);
  }

  // behind draws what lies behind the front; thin series are earlier nights.
  behind(c, k, x, y) {
    let n = 0;
    for (const s of this.series) {
      if (s.front) continue;
      const dash = s.thin ? [] : dashes[++n % dashes.length];
      c.globalAlpha = s.thin ? 0.45 : 1;
      c.strokeStyle = s.thin ? this.ink("soft") : this.ink("line" + (1 + (n - 1) % 5));
      c.lineWidth = (s.thin ? 1 : 1.75) * k;
      c.setLineDash(dash.map((d) => d * k));
      c.beginPath();
      let pen = false;
      for (const w of s.points) {
        if (w.se) {
          if (pen) c.lineTo(x(w.freq_hz), y(w.se.se_db));
          else c.moveTo(x(w.freq_hz), y(w.se.se_db));
        }
        pen = Boolean(w.se);
      }
      c.stroke();
      c.setLineDash([]);
      c.globalAlpha = 1;
      if (s.thin) continue;
      // Bounds stay bounds behind the front, too: open heads, not on every one.
      const step = Math.ceil(s.points.length / 40);
      c.lineWidth = 1.25 * k;
      s.points.forEach((w, i) => {
        if (i % step || w.outcome !== "at least" || !w.se) return;
        const [px, py] = [x(w.freq_hz), y(w.se.se_db)];
        c.beginPath();
        c.moveTo(px, py - 8 * k);
        c.lineTo(px - 4 * k, py - 1 * k);
        c.lineTo(px + 4 * k, py - 1 * k);
        c.closePath();
        c.stroke();
      });
      this.letter(s, x, y, c.strokeStyle);
    }
  }

  // letter names a series at its right end.
  letter(s, x, y, ink) {
    const last = s.letter && s.points.findLast((w) => w.se);
    if (last) this.letters.push({ text: s.letter, x: x(last.freq_hz), y: y(last.se.se_db), ink });
  }

  // band fills the interval between measured neighbours.
  band(c, x, y) {
    c.fillStyle = this.ink("measured");
    c.globalAlpha = 0.16;
    for (let i = 1; i < this.points.length; i++) {
      const [a, b] = [this.points[i - 1], this.points[i]];
      if (!interval(a) || !interval(b) || b.point - a.point !== 1) continue;
      c.beginPath();
      c.moveTo(x(a.freq_hz), y(a.se.se_low_db));
      c.lineTo(x(b.freq_hz), y(b.se.se_low_db));
      c.lineTo(x(b.freq_hz), y(b.se.se_high_db));
      c.lineTo(x(a.freq_hz), y(a.se.se_high_db));
      c.closePath();
      c.fill();
    }
    c.globalAlpha = 1;
  }

  // join draws thin lines between neighbours that claim the same kind of thing.
  join(c, k, points, x, y, ink, width) {
    c.lineWidth = width * k;
    for (const relation of ["=", ">="]) {
      c.strokeStyle = ink(relation);
      c.setLineDash(relation === "=" ? [] : [2 * k, 3 * k]);
      c.beginPath();
      for (let i = 1; i < points.length; i++) {
        const [a, b] = [points[i - 1], points[i]];
        if (a.se?.relation !== relation || b.se?.relation !== relation || b.point - a.point !== 1) continue;
        c.moveTo(x(a.freq_hz), y(a.se.se_db));
        c.lineTo(x(b.freq_hz), y(b.se.se_db));
      }
      c.stroke();
    }
    c.setLineDash([]);
  }

  // hatch draws the expected band; where its models do not hold it has no rim.
  hatch(c, k, x, y, box) {
    const e = this.expected.filter((p) => p.se_low_db !== null && p.se_high_db !== null);
    if (e.length < 2) return;
    c.save();
    c.beginPath();
    e.forEach((p, i) => (i ? c.lineTo(x(p.freq_hz), y(p.se_high_db)) : c.moveTo(x(p.freq_hz), y(p.se_high_db))));
    for (const p of e.toReversed()) c.lineTo(x(p.freq_hz), y(p.se_low_db));
    c.closePath();
    c.clip();
    c.strokeStyle = this.ink("soft");
    c.globalAlpha = 0.4;
    c.lineWidth = k;
    c.beginPath();
    for (let d = -box.height; d < box.width; d += 9 * k) {
      c.moveTo(box.left + d, box.top + box.height);
      c.lineTo(box.left + d + box.height, box.top);
    }
    c.stroke();
    c.restore();
    c.strokeStyle = this.ink("soft");
    c.lineWidth = k;
    for (const side of ["se_low_db", "se_high_db"]) {
      c.beginPath();
      let pen = false;
      for (const p of e) {
        if (p.valid && pen) c.lineTo(x(p.freq_hz), y(p[side]));
        else c.moveTo(x(p.freq_hz), y(p[side]));
        pen = p.valid;
      }
      c.stroke();
    }
  }
}

const interval = (w) => w.outcome === "measured" && w.se && w.se.se_low_db !== undefined && w.se.se_high_db !== undefined;

// ends are the lowest and the highest of many numbers.
function ends(numbers) {
  let [low, high] = [Infinity, -Infinity];
  for (const v of numbers) {
    if (v < low) low = v;
    if (v > high) high = v;
  }
  return [low, high];
}
