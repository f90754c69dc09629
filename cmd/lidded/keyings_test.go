package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/store"
	"lidded/sweep"
)

// ledgerStore has three keyings, the last of which was never closed.
func ledgerStore(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "lidded.db")
	s, err := store.Open(context.Background(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	on := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	for i, k := range []sweep.Keying{
		{Point: 0, Freq: 100e6, Level: -10, On: on},
		{Point: 1, Freq: 400.25e6, Level: 0.5, On: on.Add(time.Second)},
		{Point: 2, Freq: 400.5e6, Level: 0, On: on.Add(24 * time.Hour)},
	} {
		entry, err := s.KeyOn(t.Context(), k)
		if err != nil {
			t.Fatal(err)
		}
		if i < 2 {
			if err := s.KeyOff(t.Context(), entry, k.On.Add(250*time.Millisecond), []string{"", "no link to it"}[i]); err != nil {
				t.Fatal(err)
			}
		}
	}
	return path
}

func TestKeyings(t *testing.T) {
	path := ledgerStore(t)
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"csv", []string{"--csv"}, `entry,run,step,point,freq_hz,level_dbm,on_utc,off_utc,on_s,off_not_confirmed
1,,0,0,100000000,-10,2026-03-01T22:00:00Z,2026-03-01T22:00:00.25Z,0.25,
2,,0,1,400250000,0.5,2026-03-01T22:00:01Z,2026-03-01T22:00:01.25Z,0.25,no link to it
3,,0,2,400500000,0,2026-03-02T22:00:00Z,,,
`},
		{"one day", []string{"--csv", "--from", "2026-03-02", "--to", "2026-03-03"}, `entry,run,step,point,freq_hz,level_dbm,on_utc,off_utc,on_s,off_not_confirmed
3,,0,2,400500000,0,2026-03-02T22:00:00Z,,,
`},
		{"totals", []string{"--csv", "--totals"}, `band,from_hz,to_hz,keyings,on_s,longest_on_s,highest_level_dbm,first_on_utc,last_on_utc,end_not_known,off_not_confirmed
VHF,30000000,300000000,1,0.25,0.25,-10,2026-03-01T22:00:00Z,2026-03-01T22:00:00Z,0,0
UHF,300000000,3000000000,2,0.25,0.25,0.5,2026-03-01T22:00:01Z,2026-03-02T22:00:00Z,1,1
`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			if code := run(t.Context(), append([]string{"keyings", "--store", path}, c.args...), &stdout, &stderr); code != exitOK {
				t.Fatalf("exit code %d: %s", code, stderr.String())
			}
			if stdout.String() != c.want {
				t.Errorf("got\n%swant\n%s", stdout.String(), c.want)
			}
		})
	}
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"keyings", "--store", path}, &stdout, &stderr); code != exitOK {
		t.Fatal(stderr.String())
	}
	for _, want := range []string{"its end is not in the ledger: the daemon was killed while it was on", "off not confirmed: no link to it", "UHF"} {
		if !strings.Contains(stdout.String(), want) {
			t.Errorf("no %q in\n%s", want, stdout.String())
		}
	}
	stderr.Reset()
	if code := run(t.Context(), []string{"keyings", "--store", path, "--from", "yesterday"}, &stdout, &stderr); code != exitUsage || !strings.Contains(stderr.String(), `--from: "yesterday" is no time: write 2026-03-01 (that day, UTC) or 2026-03-01T22:00:00Z`) {
		t.Errorf("exit code %d: %s", code, stderr.String())
	}
}

func TestNeverListsTheTable(t *testing.T) {
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"never"}, &stdout, &stderr); code != exitOK {
		t.Fatal(stderr.String())
	}
	for _, want := range []string{"airband-voice", "satnav-l1-e1", "check against your copy"} {
		if !strings.Contains(stdout.String(), want) {
			t.Errorf("no %q", want)
		}
	}
}
