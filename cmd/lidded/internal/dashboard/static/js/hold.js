// The hold point that waits: one large instruction, what to mind, and a
// confirmation that takes a while.

import { make } from "./dom.js";
import { holdButton } from "./confirm.js";
import { order } from "./orders.js";

const titles = { closes: "Your turn: the lid closes", opens: "Your turn: the lid opens" };

export class Hold {
  constructor(changed) {
    this.changed = changed;
    this.key = "";
    this.root = make("div", { class: "hold", hidden: true });
    // What waits is told once, when it begins to wait.
    this.told = make("p", { class: "unseen", role: "alert" });
  }

  // show builds the instruction anew only when another one waits, so that a
  // button never changes under a finger.
  show(hold, p) {
    const key = hold ? p.run + "/" + hold.index : "";
    if (key === this.key) return;
    this.key = key;
    this.root.hidden = !hold;
    this.root.replaceChildren();
    this.told.textContent = hold ? "Waiting for you: " + hold.instruction : "";
    if (!hold) return;
    const cautions = hold.cautions || [];
    const question = ["Is this done?", hold.instruction, "Yes, go on"];
    this.root.append(
      make("h3", {}, make("span", { class: "pause", "aria-hidden": "true" }), " ", titles[hold.lid] || "Your turn", make("small", {}, ` step ${hold.index + 1} of ${p.steps}`)),
      make("p", { class: "instruction" }, hold.instruction),
      ...(cautions.length ? [make("h4", {}, "Mind"), make("ul", { class: "cautions" }, ...cautions.map((c) => make("li", {}, c)))] : []),
      holdButton("Done: hold down to go on", question, async () => {
        await order(hold.release);
        this.changed();
      }),
      make("p", { class: "hint" }, "Hold the button down until it is full, or press it briefly and answer."));
  }
}
