// Earlier nights of a specimen, as the interface gives them: columns.

import { get } from "./api.js";

// nightsOf gives the last runs of a specimen as {run, created, points}.
export async function nightsOf(specimen, limit) {
  const { runs } = await get(`/v1/specimens/${encodeURIComponent(specimen)}/results?limit=${limit}`);
  return runs.map(points);
}

function points(r) {
  return {
    run: r.run, created: r.created,
    points: r.freq_hz.map((freq_hz, i) => ({
      freq_hz, point: i, outcome: r.outcome[i],
      se: r.relation[i] ? { relation: r.relation[i], se_db: r.se_db[i], se_low_db: r.se_low_db[i] ?? undefined, se_high_db: r.se_high_db[i] ?? undefined } : undefined,
      reference_dbm: r.reference_dbm[i], required_db: r.required_db[i] ?? undefined, verdict: r.verdicts[i],
    })).filter((w) => w.outcome !== "unknown").sort((a, b) => a.freq_hz - b.freq_hz),
  };
}
