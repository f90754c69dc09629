package config_test

import (
	"io/fs"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/config"
	"lidded/configs"
)

// FuzzParse: a config that is taken gives no bench a right that it does not
// state, and its benches, plans and schedules are found by name; one that is
// refused is refused with its place.
func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"benches/*.yaml", "plans/*.yaml", "specimens/*.yaml"} {
		names, err := fs.Glob(configs.FS, pattern)
		if err != nil || len(names) == 0 {
			f.Fatal(pattern, err)
		}
		for _, name := range names {
			data, err := configs.FS.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
	f.Add([]byte(bench))
	f.Add([]byte(bench + "plans:\n  - {preset: ieee-299-2006, level: 0 dBm, rbw: 1 kHz}\nspecimens: [{name: otter}]\nschedules: [{name: night, bench: depot, plan: ieee-299-2006, cron: '30 2 * * *', zone: Europe/Vienna, missed: once, within: 3h}]\n"))
	f.Add([]byte(bench + "    radiated: {amplifier: 20 dB, cable: 1 dB, antenna_gain: 0 dBd}\n    exposure: {limits: icnirp-2020-public, ground_reflection: 2.56}\n    key_down: {max_on: 30s, max_per_run: 2h, max_per_hour: 20m}\n    override_never: [{entry: airband-voice, basis: b}]\n    uncertainty: 0.5 dB\n"))
	f.Add([]byte("daemon: {listen: 127.0.0.1:0, store: x.db, log: {format: json, level: debug}, metrics: {max_series: 10}, guardian: false}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := config.Parse("f.yaml", data, nil)
		if (c == nil) == (err == nil) {
			t.Fatalf("config %v with error %v", c, err)
		}
		if err != nil {
			for line := range strings.Lines(err.Error()) {
				if strings.TrimSpace(line) != "" && !strings.HasPrefix(line, "f.yaml") {
					t.Fatalf("no place in %q", line)
				}
			}
			return
		}
		for _, b := range c.Benches {
			facts := b.Facts()
			for _, p := range facts.MayTransmit {
				if strings.TrimSpace(p.Basis) == "" || !(p.From > 0) || p.To < p.From || !p.MaxLevel.IsFinite() {
					t.Fatalf("bench %q may transmit %+v", b.Name, p)
				}
			}
			if !facts.MaxLevel.IsFinite() {
				t.Fatalf("bench %q without a highest level: %v", b.Name, facts.MaxLevel)
			}
		}
		for _, name := range c.PlanNames() {
			if _, ok := c.Plan(name); !ok {
				t.Fatalf("plan %q is listed and not found", name)
			}
		}
		for _, s := range c.Schedules {
			if _, ok := c.Plan(s.Plan); !ok {
				t.Fatalf("schedule %q runs no plan", s.Name)
			}
		}
	})
}
