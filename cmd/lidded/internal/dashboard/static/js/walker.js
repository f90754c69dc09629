// A slider that walks along the points of a chart, for keys, thick fingers and
// screen readers, and a button that opens the point it stands at.

import { make, setText } from "./dom.js";

export class Walker {
  constructor(label, walked, open) {
    this.walked = walked;
    this.texts = [];
    this.slider = make("input", { type: "range", min: 0, max: 0, value: 0, step: 1, "aria-label": label });
    this.slider.addEventListener("input", () => this.at(Number(this.slider.value)));
    this.slider.addEventListener("keydown", (e) => {
      if (e.key === "Enter") open(Number(this.slider.value));
    });
    this.words = make("p", { class: "readout" }, "\u00a0");
    this.button = make("button", { type: "button", class: "open-point", onclick: () => open(Number(this.slider.value)) }, "Open this point");
    this.root = make("div", { class: "walker" }, this.slider, this.words, this.button);
  }

  // update takes one text per point; the slider stays where it stood.
  update(texts) {
    this.texts = texts;
    this.root.hidden = texts.length === 0;
    this.slider.max = String(Math.max(texts.length - 1, 0));
    this.say(Number(this.slider.value));
  }

  // at goes to a point.
  at(i) {
    if (i < 0 || i >= this.texts.length) return;
    this.slider.value = String(i);
    this.say(i);
    this.walked(i);
  }

  say(i) {
    setText(this.words, this.texts[i] ?? "\u00a0");
    this.slider.setAttribute("aria-valuetext", this.texts[i] ?? "");
  }
}
