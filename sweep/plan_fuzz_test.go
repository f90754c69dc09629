package sweep_test

import (
	"io/fs"
	"math"
	"testing"

	"lidded/configs"
	"lidded/driver/strict"
	"lidded/driver/unit"
	"lidded/sweep"
)

// FuzzPlanSpec reads a plan as YAML or JSON (which the same reader takes). One
// that compiles has usable points in order, and may be checked, forecast and
// listed on any bench.
func FuzzPlanSpec(f *testing.F) {
	for _, s := range []string{
		"name: lockers\nbands: [{from: 30 MHz, to: 1 GHz, count: 5, level: 0 dBm, rbw: 10 kHz}]\n",
		"name: a\ncapture: sealed\nrepeats: 2\npositions: [center, shelf]\npolarizations: [vertical, horizontal]\nhold_sweeps: 6\nbands:\n  - {name: low, freqs: [55 MHz, 101 MHz], level: -3 dBm, rbw: 100 kHz, span: 1 MHz, dwell: 20ms, detector: positive_peak, field: magnetic, attenuation: 10 dB, reference_level: -10 dBm}\n  - {from: 200 MHz, to: 400 MHz, step: 50 MHz, level: 0 dBm, rbw: 1 MHz}\n",
		"name: b\nstrategy: adaptive\nstop: reach\nreach: 80 dB\nbudget: 20s\nrun_budget: 1h\nmin_rbw: 1 Hz\nretry_offset: 30 kHz\ncheck_reference: true\nconfidence: 0.9\nfalse_alarm: 0.01\nsettle: 1ms\nbands: [{from: 1 MHz, to: 2 GHz, per_decade: 3, level: 0 dBm, rbw: 1 kHz}]\n",
		`{"name": "c", "bands": [{"freqs": ["868 MHz", "30e6 Hz"], "level": "0 dBm", "rbw": "10 kHz"}], "headroom": "20 dB", "no_closing_reference": true, "hold_points": "rule"}`,
	} {
		f.Add([]byte(s))
	}
	presets, err := fs.Glob(configs.FS, "plans/*.yaml")
	if err != nil || len(presets) == 0 {
		f.Fatal(presets, err)
	}
	for _, name := range presets {
		data, err := configs.FS.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	bench := depotBench()
	f.Fuzz(func(t *testing.T, data []byte) {
		var spec sweep.PlanSpec
		if strict.Decode("p.yaml", data, &spec) != nil {
			return
		}
		p, bad := sweep.Compile(spec, bench)
		for _, b := range bad {
			if b.Message == "" {
				t.Fatalf("a problem without words at %q", b.Path)
			}
		}
		if len(bad) > 0 {
			return
		}
		if len(p.Points) == 0 || len(p.Points) > sweep.MostPoints {
			t.Fatalf("%d points", len(p.Points))
		}
		seen := map[unit.Hz]bool{}
		for i, q := range p.Points {
			if q.Index != i || !(q.Freq > 0) || math.IsInf(float64(q.Freq), 0) || !q.Level.IsFinite() || !(q.RBW > 0) || math.IsInf(float64(q.RBW), 0) || !(q.Span > 0) || math.IsInf(float64(q.Span), 0) || q.TracePoints < 1 || q.Dwell < 0 || seen[q.Freq] {
				t.Fatalf("point %d: %+v", i, q)
			}
			seen[q.Freq] = true
		}
		allowed := len(sweep.CheckOn(p, bench)) == 0
		for _, q := range p.Points {
			if ok, _ := sweep.Permitted(bench, q.Freq, q.Level); allowed && !ok {
				t.Fatalf("a plan with %v at %v passes the check", q.Level, q.Freq)
			}
		}
		if len(p.Points) > 500 || p.Repeats > 50 {
			return // long, not odd
		}
		boxes := []sweep.Specimen{{Name: "otter"}, {Name: "heron"}}
		for i, s := range sweep.Steps(p, bench, boxes) {
			if s.Index != i {
				t.Fatalf("step %d has index %d", i, s.Index)
			}
		}
		for _, q := range sweep.Predict(p, bench, nil, boxes).Points {
			if math.IsNaN(float64(q.Provable)) || math.IsNaN(float64(q.DynamicRange)) {
				t.Fatalf("%+v", q)
			}
		}
	})
}
