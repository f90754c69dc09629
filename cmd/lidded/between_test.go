package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
)

// A locker read by hand on two benches: at 100 MHz the same, at 400 MHz 9 dB less on
// the second, at 1 GHz a bound on both; the second's reference is 6 dB lower.
func TestBetween(t *testing.T) {
	dir := t.TempDir()
	for bench, by := range map[string][3]float64{"north": {0, 0, 0}, "south": {-6, 0, 9}} {
		sheet := "freq_mhz,state,specimen,position,polarization,level_dbm,noise_floor_dbm\n" +
			fmt.Sprintf("100,reference,,center,vertical,%.1f,-120\n400,reference,,center,vertical,%.1f,-120\n1000,reference,,center,vertical,%.1f,-120\n", -20+by[0], -20+by[0], -25+by[0]) +
			fmt.Sprintf("100,enclosed,locker-a,center,vertical,%.1f,-120\n400,enclosed,locker-a,center,vertical,%.1f,-120\n1000,enclosed,locker-a,center,vertical,-120.5,-120\n", -80+by[0]+by[1], -80+by[0]+by[2])
		file := filepath.Join(dir, bench+".csv")
		if err := os.WriteFile(file, []byte(sheet), 0o600); err != nil {
			t.Fatal(err)
		}
		prints(t, exitOK, "import", file, "--store", filepath.Join(dir, "lidded.db"), "--bench", bench)
	}
	d := serveBench(t, dir, 0)
	out := prints(t, exitOK, "between", "locker-a", "--url", d.base)
	for _, want := range []string{
		`(?m)^north +\S+ +north +`, `(?m)^100 MHz +center vertical +60\.0 ± \d\.\d +60\.0 ± \d\.\d +\+0\.0 +0\.00 +agrees +-20\.0 +-26\.0 +-6\.0 as received`,
		`(?m)^400 MHz .* -9\.0 +-[2-4]\.\d\d +differs`, `(?m)^1 GHz +center vertical +≥ \d\d\.\d +≥ \d\d\.\d +- +- +cannot say .*two bounds`,
		`south against north: of 3 frequencies 1 agree, 1 differ, 1 cannot be said\.`, `The open reference level of south is 6\.0 dB lower than that of north \(median, as received`,
		`how claims are compared: En`, `how much cannot be known`,
	} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("%s is not in\n%s", want, out)
		}
	}
	var all rest.BenchComparison
	if err := json.Unmarshal([]byte(prints(t, exitOK, "between", "locker-a", "--url", d.base, "--json", "--against", "south", "--freq", "400 MHz", "--from", "2026-01-01")), &all); err != nil || all.Against != "south" || len(all.Pairs) != 1 || len(all.Pairs[0].Rows) != 1 || all.Pairs[0].Rows[0].Difference.By < 8.9 {
		t.Errorf("%v %+v", err, all)
	}
	for want, args := range map[string][]string{
		"one bench alone":             {"between", "locker-a", "--bench", "south"},
		"no completed or stopped run": {"between", "heron"},
	} {
		if out := prints(t, exitOK, append(args, "--url", d.base)...); !strings.Contains(out, want) {
			t.Errorf("%v: %s", args, out)
		}
	}
	for want, args := range map[string][]string{
		"choose among north, south": {"between", "locker-a", "--against", "west"},
		`no specimen "bread-bin"`:   {"between", "bread-bin"},
		"choose among center":       {"between", "locker-a", "--position", "roof"},
		`no run "0195a000`:          {"between", "locker-a", "--run", "0195a000-0000-7000-8000-000000000099"},
		"--freq":                    {"between", "locker-a", "--freq", "loud"},
		"--from":                    {"between", "locker-a", "--from", "yesterday"},
		"a specimen":                {"between"},
	} {
		if code, _, errs := lidded(t, append(args, "--url", d.base)...); code == exitOK || !strings.Contains(errs, want) {
			t.Errorf("%v: %d %s", args, code, errs)
		}
	}
}

// Two daemons measured a locker, each on its own bench: the lab compares them, and
// each daemon knows one alone.
func TestBetweenInTheLab(t *testing.T) {
	x := newSite(t)
	here, there := x.night(t, x.north, "north", "otter"), x.night(t, x.south, "south", "otter")
	var all rest.BenchComparison
	if code := x.lab.call("GET", "/v1/specimens/otter/benches", nil, &all); code != 200 || len(all.Pairs) != 1 || len(all.Benches) != 2 || all.Benches[0].Run != here || all.Benches[1].Run != there {
		t.Fatalf("%d %+v", code, all)
	}
	p := all.Pairs[0]
	if p.Against != "north" || p.Bench != "south" || len(p.Rows) != 3 || p.Counts.Differ != 0 || p.Counts.Agree == 0 || !p.RefEqual {
		t.Errorf("%+v", p)
	}
	for _, r := range p.Rows { // one world: the paths are the same to within noise
		if d := r.Reference; d == nil || d.By > 1 || d.By < -1 || d.U == nil || r.Bench.Source == nil || *r.Bench.Source != 0 {
			t.Errorf("reference at %g Hz: %+v %+v", r.Freq, d, r.Bench)
		}
	}
	var alone rest.BenchComparison
	if code := x.north.call("GET", "/v1/specimens/otter/benches", nil, &alone); code != 200 || len(alone.Benches) != 1 || len(alone.Pairs) != 0 {
		t.Errorf("%d %+v", code, alone)
	}
	t.Setenv(envToken, x.tokens["reader"])
	if out := prints(t, exitOK, "between", "otter", "--url", x.lab.base); !strings.Contains(out, "south against north: of 3 frequencies") {
		t.Error(out)
	}
}
