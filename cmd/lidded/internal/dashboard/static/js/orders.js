// Orders to benches and runs. Switching off never asks; everything else does.

import { ask, say } from "./dom.js";
import { post } from "./api.js";
import { operator } from "./operator.js";

// order sends one and says what became of it; it resolves to the answer, or to
// null.
export async function order(path, hint = "") {
  try {
    const answer = await post(path, { operator: operator() });
    say("");
    return answer;
  } catch (e) {
    say([e.message, hint].filter(Boolean).join(" "));
    return null;
  }
}

const byHand = "Switch the source off by hand, and check.";

export const sourceOff = (bench) => order(`/v1/benches/${encodeURIComponent(bench)}/source-off`, byHand);

export const allOff = () => order("/v1/source-off", byHand);

export async function stopRun(run) {
  if (!(await ask("Stop this run?", "The point in hand is finished. What was captured counts; the rest stays open.", "Yes, stop it"))) return null;
  return order(`/v1/runs/${encodeURIComponent(run)}/stop`);
}
