// The page: benches now, results below, kept up to date by live events.

import { byId, make, say, setData, setText } from "./dom.js";
import { get, post } from "./api.js";
import { follow } from "./live.js";
import { BenchView } from "./bench.js";
import { ResultView } from "./result.js";

const refreshEvery = 1500; // results, while captures come in: no more often than this,
const refreshShare = 10; // and than ten times what they take

const benches = new Map();
const results = new ResultView();
let pending = 0;

function soon() {
  if (pending) return;
  pending = setTimeout(async () => {
    await results.refresh().catch(() => {});
    pending = 0;
  }, Math.max(refreshEvery, refreshShare * results.took));
}

async function refreshBenches() {
  // An answer is older than any picture that came while it was on its way.
  const before = new Map([...benches].map(([name, view]) => [name, view.pictures]));
  const { benches: all } = await get("/v1/benches");
  const names = new Set(all.map((b) => b.name));
  for (const [name, view] of benches) {
    if (!names.has(name)) {
      view.root.remove();
      benches.delete(name);
    }
  }
  for (const b of all) {
    let view = benches.get(b.name);
    if (!view) {
      view = new BenchView(b.name, () => refresh().catch(() => {}));
      benches.set(b.name, view);
      byId("benches").append(view.root);
    }
    if ((before.get(b.name) ?? 0) === view.pictures) view.update(b);
  }
  if (all.length === 0) byId("benches").replaceChildren(make("p", {}, "The config names no bench."));
  title();
}

async function refresh() {
  await Promise.all([refreshBenches(), results.refresh()]);
}

function picture(p) {
  const view = benches.get(p.bench);
  if (!view) {
    refreshBenches().catch(() => {});
    return;
  }
  view.picture(p);
  title();
  if (p.kind === "state") refresh().catch(() => {});
  else if (p.kind === "step" || (p.kind === "point" && p.step_kind === "enclosed")) soon();
}

// title tells the essential in the name of the tab.
function title() {
  const all = [...benches.values()].map((v) => v.bench);
  const on = all.some((b) => b.source_on !== false);
  const waiting = all.some((b) => b.state === "holding");
  document.title = (on ? "SOURCE ON \u00b7 " : "") + (waiting ? "waiting for you \u00b7 " : "") + "lidded";
}

const linkWords = {
  live: "\u25cf live",
  polling: "\u25d0 asking every few seconds",
  lost: "\u25cb the daemon does not answer; what you see may be old",
};

follow(picture, refresh, (state) => {
  const e = byId("link");
  setData(e, "link", state);
  setText(e, linkWords[state]);
  document.body.classList.toggle("stale", state === "lost");
});

byId("all-off").addEventListener("click", async () => {
  try {
    const done = await post("/v1/source-off", { operator: "page" });
    say("");
    setText(byId("link"), done.benches.map((b) => `${b.bench}: source off`).join(", ") + " \u2014 read back");
  } catch (e) {
    say(e.message + " Switch the source off by hand, and check.");
  }
  refresh().catch(() => {});
});

get("/healthz").then((h) => setText(byId("version"), "version " + h.version)).catch(() => {});
