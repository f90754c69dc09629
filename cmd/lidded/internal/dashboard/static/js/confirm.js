// A button that no glove, sleeve or stray key sets off: it acts when it is held
// down for a while, by finger, mouse, Space or Enter. A short press asks
// instead, which is also the way of those who cannot hold, or whose screen
// reader presses for them.

import { ask, make } from "./dom.js";

export const holdFor = 1500; // milliseconds; the sheet fills the button in the same time

// holdButton makes one. question is what a short press asks: [title, text, yes].
export function holdButton(text, question, act) {
  const fill = make("span", { class: "fill", "aria-hidden": "true" });
  const b = make("button", { type: "button", class: "hold-button" }, fill, make("span", {}, text));
  let timer = 0;
  let acted = false;

  const begin = () => {
    if (timer || b.disabled) return;
    acted = false;
    b.classList.add("held");
    timer = setTimeout(() => {
      acted = true;
      end();
      go();
    }, holdFor);
  };
  const end = () => {
    clearTimeout(timer);
    timer = 0;
    b.classList.remove("held");
  };
  const go = async () => {
    b.disabled = true; // once is enough
    try {
      await act();
    } finally {
      b.disabled = false;
    }
  };
  const short = async () => {
    if (acted || b.disabled) return;
    if (await ask(...question)) await go();
  };

  b.addEventListener("pointerdown", (e) => {
    if (e.button === 0) begin();
  });
  for (const name of ["pointerup", "pointercancel", "pointerleave", "blur"]) b.addEventListener(name, end);
  b.addEventListener("contextmenu", (e) => e.preventDefault()); // a long touch is no right click here
  b.addEventListener("click", (e) => {
    // A click that ends a hold which acted is not a short press.
    if (!(acted && e.detail > 0)) short();
    acted = false;
  });
  b.addEventListener("keydown", (e) => {
    if (e.key !== "Enter" && e.key !== " ") return;
    e.preventDefault();
    if (!e.repeat) begin();
  });
  b.addEventListener("keyup", (e) => {
    if (e.key !== "Enter" && e.key !== " ") return;
    e.preventDefault();
    const begun = timer !== 0;
    end();
    if (begun) short();
  });
  return b;
}
