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
      se: r.relation[i] ? { relation: r.relation[i], se_db: r.se_db[i] } : undefined,
    })).sort((a, b) => a.freq_hz - b.freq_hz),
  };
}
