// The state of a source as a sign: a word, a shape and a colour.

import { make, setData, setText } from "./dom.js";

// words say the state of a source; null is a state that nobody knows.
const words = {
  true: ["on", "SOURCE ON", "transmitting"],
  false: ["off", "Source off", "read back as off"],
  null: ["unknown", "SOURCE NOT KNOWN", "treat it as on"],
};

// linger is how long the sign stays on after the source went off between two
// looks: a sign that flickers is read by nobody.
const linger = 2000;

export class Sign {
  // changed is called with "on", "off" or "unknown" when the sign changes.
  constructor(changed = () => {}) {
    this.changed = changed;
    this.word = make("strong");
    this.more = make("span", { class: "more" });
    this.root = make("p", { class: "sign", role: "status" }, make("span", { class: "lamp", "aria-hidden": "true" }), this.word, " ", this.more);
    this.lastOn = -linger;
  }

  // show takes the state, whether looks follow one another now, and what to add.
  show(on, busy, more = "") {
    clearTimeout(this.later);
    const now = performance.now();
    if (on === true) this.lastOn = now;
    const left = linger - (now - this.lastOn);
    if (on === false && busy && left > 0) {
      on = true;
      this.later = setTimeout(() => this.show(false, busy, more), left);
    }
    const [key, word, plain] = words[String(on ?? null)];
    if (this.root.dataset.source !== key) this.changed(key);
    setData(this.root, "source", key);
    setText(this.word, word);
    setText(this.more, more || plain);
  }
}

export const working = (state) => state === "running" || state === "stopping";
