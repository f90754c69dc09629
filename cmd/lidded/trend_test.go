package main

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
)

// A locker read by hand on eight days: 20 dB less from the sixth on, and at 1 GHz
// never more than a bound.
func TestTrendOfHandReadDays(t *testing.T) {
	t.Chdir(t.TempDir())
	for day := range 8 {
		enclosed := -80 + 0.1*float64(day%3)
		if day >= 5 {
			enclosed += 20
		}
		sheet := "freq_mhz,state,specimen,position,polarization,level_dbm,noise_floor_dbm\n" +
			"100,reference,,center,vertical,-20,-120\n1000,reference,,center,vertical,-25,-110\n" +
			fmt.Sprintf("100,enclosed,locker-a,center,vertical,%.1f,-120\n1000,enclosed,locker-a,center,vertical,-110.5,-110\n", enclosed)
		if err := os.WriteFile("day.csv", []byte(sheet), 0o600); err != nil {
			t.Fatal(err)
		}
		if code, _, errs := lidded(t, "import", "day.csv", "--store", "lab.db"); code != exitOK {
			t.Fatal(errs)
		}
	}
	code, out, errs := lidded(t, "trend", "locker-a", "--store", "lab.db")
	if code != exitOK || !strings.Contains(out, "locker-a at 100 MHz") || !strings.Contains(out, "SE: fell by") || !strings.Contains(out, "reference level: no change found") || !strings.Contains(out, "bounds alone (8): they prove no change") {
		t.Errorf("%d %s\n%s", code, errs, out)
	}
	code, out, errs = lidded(t, "trend", "locker-a", "--store", "lab.db", "--freq", "100 MHz", "--json")
	var all rest.Trends
	if err := json.Unmarshal([]byte(out), &all); err != nil || code != exitOK || len(all.Frequencies) != 1 {
		t.Fatalf("%v %s\n%s", err, errs, out)
	}
	if c := all.Frequencies[0].SE.Change; c == nil || c.Kind != "fell" || c.Run != all.Frequencies[0].Series[5].Run || c.By < 19 || c.By > 21 {
		t.Errorf("change %+v", c)
	}
	_, out, _ = lidded(t, "trend", "locker-a", "--store", "lab.db", "--freq", "1 GHz", "--csv")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	if len(lines) != 9 || !strings.HasPrefix(lines[0], "specimen,freq_hz,time_utc,run,bench,plan,door_cycle,outcome,relation,se_db,se_low_db,se_high_db,reference_level_dbm") ||
		!strings.HasPrefix(lines[1], "locker-a,1000000000,") || !strings.Contains(lines[1], ",at least,≥,") && !strings.Contains(lines[1], ",at least,>=,") || !strings.HasSuffix(lines[1], ",,-25") {
		t.Errorf("%s", out)
	}
	// Whatever asks a daemon reads a store by the same interface.
	if out := prints(t, exitOK, "runs", "--store", "lab.db"); strings.Count(out, "hand-read") < 8 {
		t.Errorf("runs of a store:\n%s", out)
	}
	if out := prints(t, exitOK, "show", "latest", "--store", "lab.db"); !strings.Contains(out, "locker-a") || !strings.Contains(out, "= 39.9 ± 2.0") {
		t.Errorf("the newest run of a store:\n%s", out)
	}
	if out := prints(t, exitOK, "between", "locker-a", "--store", "lab.db"); !strings.Contains(out, "one bench alone") {
		t.Errorf("benches of a store:\n%s", out)
	}
	for want, args := range map[string][]string{
		`no specimen "heron": known are locker-a`: {"trend", "heron", "--store", "lab.db"},
		"--freq":      {"trend", "locker-a", "--store", "lab.db", "--freq", "loud"},
		"--from":      {"trend", "locker-a", "--store", "lab.db", "--from", "yesterday"},
		"false_alarm": {"trend", "locker-a", "--store", "lab.db", "--false-alarm", "0.9"},
		"a specimen":  {"trend"},
		"--cycle -1":  {"start", "--cycle", "-1", "--url", "http://127.0.0.1:9"},
	} {
		if code, _, errs := lidded(t, args...); code == exitOK || !strings.Contains(errs, want) {
			t.Errorf("%v: %d %s", args, code, errs)
		}
	}
}

// A run whose captures cannot be read is named and left out of a trend.
func TestTrendWithoutARun(t *testing.T) {
	t.Chdir(t.TempDir())
	sheet := "freq_mhz,state,specimen,position,polarization,level_dbm,noise_floor_dbm\n100,reference,,center,vertical,-20,-120\n100,enclosed,locker-a,center,vertical,-80,-120\n"
	if err := os.WriteFile("day.csv", []byte(sheet), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		prints(t, exitOK, "import", "day.csv", "--store", "lab.db")
	}
	db, err := sql.Open("sqlite", "lab.db")
	if err != nil {
		t.Fatal(err)
	}
	var torn string
	if err := db.QueryRow(`SELECT id FROM runs ORDER BY n LIMIT 1 OFFSET 1`).Scan(&torn); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(`DROP TRIGGER captures_stay; UPDATE captures SET settings = '{' WHERE run_n = (SELECT n FROM runs WHERE id = ?)`, torn); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	code, out, errs := lidded(t, "trend", "locker-a", "--store", "lab.db", "--json")
	var all rest.Trends
	if err := json.Unmarshal([]byte(out), &all); err != nil || code != exitOK || all.Runs != 2 || len(all.Unreadable) != 1 || all.Unreadable[0].Run != torn || all.Unreadable[0].Reason == "" {
		t.Errorf("%v %d %s\n%s", err, code, errs, out)
	}
	if !strings.Contains(errs, "run "+torn+" is left out: it cannot be read") {
		t.Error(errs)
	}
}
