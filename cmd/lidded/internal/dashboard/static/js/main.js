// The page: five views, kept up to date by live events.

import { byId, setData, setText } from "./dom.js";
import { ours } from "./format.js";
import { get } from "./api.js";
import { BenchFilter } from "./benchfilter.js";
import { BenchView } from "./bench.js";
import { Dock } from "./dock.js";
import { follow } from "./live.js";
import { NowView } from "./now.js";
import { ResultView } from "./result.js";
import { StartView } from "./start.js";
import { TrendView } from "./trend.js";
import { watch } from "./router.js";

const refreshEvery = 1500; // results, while captures come in: no more often than this,
const refreshShare = 10; // and than ten times what they take

const again = () => refresh().catch(() => {});
const dock = new Dock(again);
const filter = new BenchFilter();
const now = new NowView(again, told);
const result = new ResultView();
const start = new StartView(again);
const views = { now, result, start, trend: new TrendView(), bench: new BenchView() };
let pending = 0;

// told passes the benches on to all who show something of them.
function told() {
  const all = now.benches();
  dock.update(all);
  filter.update(all);
  start.benches(all);
  title(all);
}

function soon() {
  if (pending) return;
  pending = setTimeout(async () => {
    await result.refresh().catch(() => {});
    pending = 0;
  }, Math.max(refreshEvery, refreshShare * result.took));
}

async function refreshBenches() {
  const before = now.pictures();
  const { benches } = await get("/v1/benches");
  now.update(benches, before);
}

async function refresh() {
  await Promise.all([refreshBenches(), result.refresh()]);
}

function picture(p) {
  if (!now.picture(p)) refreshBenches().catch(() => {});
  else if (p.kind === "state") again();
  else if (p.kind === "step" || (p.kind === "point" && p.step_kind === "enclosed")) soon();
}

// title tells the essential in the name of the tab.
function title(benches) {
  const on = benches.some((b) => b.source_on !== false && ours(b));
  const waiting = benches.some((b) => b.state === "holding");
  document.title = (on ? "SOURCE ON \u00b7 " : "") + (waiting ? "waiting for you \u00b7 " : "") + "lidded";
}

const linkWords = {
  live: "\u25cf live",
  polling: "\u25d0 asking every few seconds",
  lost: "\u25cb the daemon does not answer; what you see may be old",
};

watch((view, params) => {
  filter.show(view);
  for (const [name, v] of Object.entries(views)) if (name !== view) v.hide?.();
  views[view]?.show(params)?.catch?.(() => {});
});

follow({ progress: picture, trace: (t) => now.trace(t) }, refresh, (state) => {
  const e = byId("link");
  setData(e, "link", state);
  setText(e, linkWords[state]);
  document.body.classList.toggle("stale", state === "lost");
});

get("/healthz").then((h) => setText(byId("version"), "version " + h.version)).catch(() => {});
