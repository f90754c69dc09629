// Numbers as people read them. A bound never loses its sign.

const minus = (s) => s.replace("-", "\u2212");

export const fixed = (v, digits) => (v === null || v === undefined ? "\u2013" : minus(v.toFixed(digits)));

export const db = (v) => (v === null || v === undefined ? "\u2013" : fixed(v, 1) + " dB");

export const dbm = (v) => (v === null || v === undefined ? "\u2013" : fixed(v, 1) + " dBm");

// freq writes a frequency with the largest prefix that keeps it at or above one.
export function freq(hz) {
  for (const [size, name] of [[1e9, "GHz"], [1e6, "MHz"], [1e3, "kHz"]]) {
    if (hz >= size) return trim(hz / size) + " " + name;
  }
  return trim(hz) + " Hz";
}

const trim = (v) => String(Number(v.toPrecision(7)));

export const relations = { ">=": "\u2265 ", "<=": "\u2264 ", "=": "" };

// se writes a shielding effectiveness with its relation, or a dash.
export function se(v) {
  if (!v) return "\u2013";
  const u = v.expanded_uncertainty_db;
  return relations[v.relation] + fixed(v.se_db, 1) + (u === undefined ? "" : " \u00b1 " + fixed(u, 1)) + " dB";
}

export const headroom = (v) => (v ? relations[v.relation] + db(v.headroom_db) : "\u2013");

export const level = (v) => (v ? relations[v.relation] + dbm(v.level_dbm) : "\u2013");

// duration writes seconds as a person would say them.
export function duration(s) {
  s = Math.max(0, Math.round(s));
  if (s < 60) return s + " s";
  const m = Math.floor(s / 60);
  if (m < 60) return m + " min " + String(s % 60).padStart(2, "0") + " s";
  return Math.floor(m / 60) + " h " + String(m % 60).padStart(2, "0") + " min";
}

// when writes a time of day and the date in the reader's own time zone.
export function when(iso) {
  const t = new Date(iso);
  const two = (n) => String(n).padStart(2, "0");
  return `${t.getFullYear()}-${two(t.getMonth() + 1)}-${two(t.getDate())} ${two(t.getHours())}:${two(t.getMinutes())}`;
}

// clock writes a time of day to the second.
export function clock(iso) {
  const t = new Date(iso);
  return [t.getHours(), t.getMinutes(), t.getSeconds()].map((n) => String(n).padStart(2, "0")).join(":");
}

// bytes writes an amount of storage.
export function bytes(n) {
  if (n === null || n === undefined) return "not known";
  for (const [size, name] of [[1e12, "TB"], [1e9, "GB"], [1e6, "MB"], [1e3, "kB"]]) {
    if (n >= size) return (n / size).toFixed(1) + " " + name;
  }
  return n + " bytes";
}

// place names where a capture is made.
export function place(at) {
  const parts = [at.specimen || "no shield", at.position, at.polarization];
  if (at.repeat > 1) parts.push("repeat " + at.repeat);
  return parts.filter(Boolean).join(", ");
}

// states in words for people; the interface's own words stay in the data.
export const states = {
  idle: "idle", pending: "starting", running: "measuring", holding: "waiting for a person", suspended: "waiting for the bench",
  stopping: "stopping after this point", completed: "completed", stopped: "stopped", aborted: "aborted", failed: "failed",
  interrupted: "interrupted, can be resumed", away: "not reachable",
};

export const kinds = {
  hold_point: "hold point", ambient: "ambient, source off", reference: "reference", enclosed: "enclosed", closing_reference: "closing reference",
  leakage: "leakage check", linearity: "linearity check",
};

// gone says why nothing is known of a bench as it is now, or "".
export const gone = (bench) => (bench.away ? [
  `Its daemon cannot be asked${bench.away.since ? ` since ${when(bench.away.since)}` : ""}: ${bench.away.reason}.`,
  bench.away.last_shipped ? `What it shipped to the lab until ${when(bench.away.last_shipped)} is here.` : "",
].filter(Boolean).join(" ") : "");

// ours tells whether something can be asked of a bench's daemon, or could be: a
// lab also knows benches that no daemon has any more.
export const ours = (bench) => !bench.away || Boolean(bench.daemon);
