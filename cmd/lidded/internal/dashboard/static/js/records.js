// What was kept of runs, asked for once: a run that has ended never changes.

import { get } from "./api.js";

const final = ["completed", "stopped", "aborted", "failed"];
const kept = new Map();
const most = 40; // runs kept, the last ones asked for

const path = (id) => "/v1/runs/" + encodeURIComponent(id);

// record gives a run with its results.
export async function record(id) {
  if (kept.has(id)) return kept.get(id);
  const [run, results] = await Promise.all([get(path(id)), get(path(id) + "/results")]);
  const r = { run, results };
  if (final.includes(run.state) && final.includes(results.state)) {
    kept.set(id, r);
    if (kept.size > most) kept.delete(kept.keys().next().value);
  }
  return r;
}

// runs lists the newest, of all benches or of one.
export const runs = async (bench) => (await get("/v1/runs?limit=100" + ofBench(bench))).runs;

// ofBench narrows a query to a bench, "" being all.
export const ofBench = (bench) => (bench ? "&bench=" + encodeURIComponent(bench) : "");

// expectation is what a specimen should do at the points of a run.
export const expectation = (id, specimen) => get(`${path(id)}/expectation?specimen=${encodeURIComponent(specimen)}`);

export const explanation = (id, specimen) => get(`${path(id)}/explanation?specimen=${encodeURIComponent(specimen)}`);
