// The traces of a point: reference, enclosed, source off, and the others where
// they were kept.

import { make } from "./dom.js";
import { dbm, freq } from "./format.js";
import { Fold, table } from "./table.js";
import { TraceChart, tell } from "./tracechart.js";

const names = { reference: "reference", enclosed: "enclosed, source on", off: "enclosed, source off", ambient: "ambient, in the open", closing: "closing reference" };
const together = ["reference", "enclosed", "off"]; // in the first chart, of one span

// pointTraces gives parts to show and the charts among them, to be destroyed.
// A part's draw is called once it stands on the page.
export function pointTraces(d) {
  if (d.traces_away) return { charts: [], parts: [make("p", { class: "why" }, d.traces_away)] };
  const traces = d.traces.filter((t) => t.values_dbm.length);
  if (traces.length === 0) return { charts: [], parts: [make("p", {}, "There are no traces: the levels were read by hand, or nothing was captured yet.")] };
  const charts = [];
  const parts = [make("h3", {}, "Traces")];
  const main = together.map((k) => traces.find((t) => t.kind === k)).filter(Boolean);
  const rest = traces.filter((t) => !together.includes(t.kind));
  const groups = alike(main) ? [main] : main.map((t) => [t]);
  for (const group of groups) parts.push(drawn(group, charts));
  if (rest.length) parts.push(new Fold(`Also kept: ${rest.map((t) => names[t.kind]).join(", ")}`, () => {
    const more = rest.map((t) => drawn([t], charts));
    queueMicrotask(() => more.forEach((p) => p.draw()));
    return more;
  }).root);
  return { charts, parts };
}

// alike tells whether traces can share one axis.
const alike = (traces) => traces.every((t) => t.start_hz === traces[0].start_hz && t.stop_hz === traces[0].stop_hz);

function drawn(traces, charts) {
  const ready = traces.map((t) => ({ ...t, levels_dbm: t.values_dbm, kind: { enclosed: "on", closing: "reference", ambient: "off" }[t.kind] || t.kind }));
  const marked = traces.find((t) => t.kind === "enclosed") || traces[0];
  const figure = make("div", { class: "chart", role: "img" });
  const sentence = traces.map((t) => tell(names[t.kind], t, marks(t))).join(" ");
  figure.setAttribute("aria-label", sentence + " The table below has the levels.");
  const heads = [["Frequency"], ...traces.map((t) => [names[t.kind], true])];
  const n = traces[0].values_dbm.length;
  const root = make("div", {},
    make("ul", { class: "legend" }, ...traces.map((t, i) => make("li", {}, make("span", { class: "stroke " + ready[i].kind, "aria-hidden": "true" }), " ", `${names[t.kind]}, ${t.looks === 1 ? "one look" : t.looks + " looks"}`))),
    figure, make("p", { class: "readout" }, sentence),
    new Fold("Table of the traces", () => table("Levels", heads, Array.from({ length: n }, (_, i) => [
      freq(traces[0].start_hz + ((traces[0].stop_hz - traces[0].start_hz) * i) / Math.max(n - 1, 1)), ...traces.map((t) => dbm(t.values_dbm[i])),
    ]))).root);
  root.draw = () => {
    const chart = new TraceChart(figure);
    charts.push(chart);
    chart.update(ready, marks(marked));
  };
  return root;
}

const marks = (t) => ({ floor_dbm: t.floor_dbm, peak_hz: t.peak?.freq_hz, peak_dbm: t.peak?.level_dbm });
