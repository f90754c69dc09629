// Earlier nights of a specimen, as the interface gives them: columns.

import { get } from "./api.js";
import { ofBench } from "./records.js";

let kept = { key: "", nights: [] };

// nightsOf gives the last runs of a specimen, on one bench or all, as {run, created,
// points}. They are many, and asked for again only when stamp, which tells of runs
// that ended, is another one.
export async function nightsOf(specimen, bench, limit, stamp) {
  const key = [specimen, bench, limit, stamp].join("\n");
  if (kept.key === key) return kept.nights;
  const { runs, pending } = await get(`/v1/specimens/${encodeURIComponent(specimen)}/results?limit=${limit}${ofBench(bench)}`);
  const nights = runs.map(points);
  if (!pending) kept = { key, nights };
  return nights;
}

function points(r) {
  return {
    run: r.run, created: r.created,
    points: r.freq_hz.map((freq_hz, i) => ({
      freq_hz, point: r.point[i], outcome: r.outcome[i],
      se: claim(r, i),
      reference_dbm: r.reference_dbm[i], required_db: r.required_db[i] ?? undefined, verdict: r.verdicts[i],
    })).filter((w) => w.outcome !== "unknown").sort((a, b) => a.freq_hz - b.freq_hz),
  };
}

// claim is an SE as the interface gives it elsewhere.
function claim(r, i) {
  if (!r.relation[i]) return undefined;
  const low = r.se_low_db[i] ?? undefined;
  const high = r.se_high_db[i] ?? undefined;
  return { relation: r.relation[i], se_db: r.se_db[i], se_low_db: low, se_high_db: high, expanded_uncertainty_db: high === undefined || low === undefined ? undefined : (high - low) / 2 };
}
