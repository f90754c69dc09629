// How outcomes are drawn: what may be claimed shows in the shape of a mark,
// never in its colour alone.

import { make } from "./dom.js";
import { freq, se } from "./format.js";

// mark draws one point at x, y in canvas dots; k is the size of a dot. yOf
// places a level, for the interval.
export function mark(c, k, ink, w, x, y, yOf) {
  c.lineWidth = 1.5 * k;
  if (w.outcome === "measured" && w.se) {
    c.strokeStyle = c.fillStyle = ink("measured");
    if (yOf) line(c, x, yOf(w.se.se_low_db ?? w.se.se_db), x, yOf(w.se.se_high_db ?? w.se.se_db));
    c.beginPath();
    c.arc(x, y, 3 * k, 0, 2 * Math.PI);
    c.fill();
  } else if (w.outcome === "at least" && w.se) {
    c.strokeStyle = c.fillStyle = ink("bound");
    line(c, x - 4 * k, y, x + 4 * k, y);
    arrow(c, k, x, y);
    c.fill();
  } else if (w.outcome === "ambient") {
    c.strokeStyle = ink("noclaim");
    line(c, x - 4 * k, y - 4 * k, x + 4 * k, y + 4 * k);
    line(c, x - 4 * k, y + 4 * k, x + 4 * k, y - 4 * k);
  } else {
    c.strokeStyle = ink("noclaim");
    c.beginPath();
    c.arc(x, y, 4.5 * k, 0, 2 * Math.PI);
    c.stroke();
    line(c, x - 3 * k, y + 3 * k, x + 3 * k, y - 3 * k);
  }
}

// arrow leaves the path of an arrow's head above a bound, to be filled or not:
// the SE lies at the bound or higher.
export function arrow(c, k, x, y) {
  line(c, x, y, x, y - 8 * k);
  c.beginPath();
  c.moveTo(x, y - 14 * k);
  c.lineTo(x - 4 * k, y - 7 * k);
  c.lineTo(x + 4 * k, y - 7 * k);
  c.closePath();
}

export function line(c, x1, y1, x2, y2) {
  c.beginPath();
  c.moveTo(x1, y1);
  c.lineTo(x2, y2);
  c.stroke();
}

// endLetters writes letters {text, x, y, ink} beside the ends of lines, on a rim
// of the ground's colour; where lines end together the letters make room for each
// other downwards.
export function endLetters(c, k, font, letters, ground) {
  c.font = "700 " + font;
  c.textAlign = "left";
  c.lineJoin = "round";
  c.lineWidth = 4 * k;
  let free = -Infinity;
  for (const l of letters.toSorted((a, b) => a.y - b.y)) {
    const y = Math.max(l.y + 4 * k, free);
    free = y + 12 * k;
    c.strokeStyle = ground;
    c.strokeText(l.text, l.x + 7 * k, y);
    c.fillStyle = l.ink;
    c.fillText(l.text, l.x + 7 * k, y);
  }
}

// ring shows which point is chosen.
export function ring(c, k, ink, x, y) {
  c.strokeStyle = ink("ink");
  c.lineWidth = 2 * k;
  c.beginPath();
  c.arc(x, y, 9 * k, 0, 2 * Math.PI);
  c.stroke();
}

const symbols = { measured: "\u25cf", bound: "\u25b2", ambient: "\u2715", void: "\u2298", required: "\u2504\u2504", interval: "\u2588", expected: "\u2571\u2571" };

const meanings = {
  measured: "measured, with its uncertainty",
  bound: "at least: no signal found, the SE lies here or higher",
  ambient: "ambient: somebody else\u2019s signal, no claim",
  void: "void: no claim, the point says why",
  required: "requirement",
  expected: "what the wall should do (hatched)",
};

// legend explains the marks that are named.
export const legend = (names) =>
  make("ul", { class: "legend", "aria-label": "Marks of the chart" }, ...names.map((n) => make("li", {}, make("span", { class: "symbol " + n, "aria-hidden": "true" }, symbols[n]), " ", meanings[n])));

// describe puts one point into words.
export function describe(w) {
  const claim = { measured: "measured " + se(w.se), "at least": "at least: " + se(w.se), ambient: "ambient, no claim", void: "void, no claim" }[w.outcome] || "not captured yet";
  const more = w.reason ? ` (${w.reason})` : "";
  const need = w.required_db === undefined ? "" : `; required ${w.required_db.toFixed(1)} dB: ${w.verdict}`;
  return `${freq(w.freq_hz)}: ${claim}${more}${need}`;
}
