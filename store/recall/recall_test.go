package recall

import (
	"context"
	"database/sql"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/uuid"

	"lidded/driver/unit"
	"lidded/store/storetest"
	"lidded/sweep"
)

func db(v float64) *unit.DB { d := unit.DB(v); return &d }

func newRun() sweep.RunID { return sweep.RunID(uuid.Must(uuid.NewV7()).String()) }

// aFind is what a run found of two specimens, with all that a number may be.
func aFind() map[string]*sweep.Brief {
	nan, inf := math.NaN(), math.Inf(1)
	return map[string]*sweep.Brief{
		"otter": {
			Specimen: "otter", Verdict: sweep.Verdict(2), Sentence: "at least 61.5 dB", Counts: sweep.Counts{Measured: 2, AtLeast: 1, Ambient: 3, Void: 4, Missing: 5},
			Rows: []sweep.BriefRow{
				{Point: 7, Freq: 433.92e6, SE: sweep.SE{Relation: sweep.Equal, Value: 71.25, Low: 69, High: 73.5, U: 2.25}, Reference: -31.125, Margin: 40, Required: db(60), Outcome: sweep.Measured, Verdict: sweep.Verdict(1)},
				{Point: 3, Freq: 30e6, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 61.5, Low: 61.5, High: unit.DB(inf)}, Reference: -30, Margin: unit.DB(math.Inf(-1)), Required: db(58), Outcome: sweep.AtLeast},
				{Point: 9, Freq: 1e9, SE: sweep.SE{Value: unit.DB(nan), Low: unit.DB(nan)}, Reference: unit.Missing(), Margin: unit.DB(nan), Outcome: sweep.Void},
			},
		},
		"heron": {Specimen: "heron", Rows: []sweep.BriefRow{}},
	}
}

func same(t *testing.T, f *File, run sweep.RunID, want map[string]*sweep.Brief) {
	t.Helper()
	got, known, err := f.Find(t.Context(), run)
	if err != nil || known != (want != nil) {
		t.Fatalf("known %v, %v", known, err)
	}
	if len(got) != len(want) {
		t.Fatalf("%d specimens, want %d", len(got), len(want))
	}
	for name, b := range want {
		if got[name] == nil {
			t.Fatalf("nothing of %s", name)
		}
		if d := storetest.Difference(name, *got[name], *b); d != "" {
			t.Error(d)
		}
	}
}

func opened(t *testing.T, path, by string) *File {
	t.Helper()
	f, err := openAs(t.Context(), path, by)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// What is kept comes back as it was, also after a restart; what is kept again
// replaces it; a run that found nothing is known as one.
func TestKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db.briefs")
	f := opened(t, path, "this")
	run, nothing := newRun(), newRun()
	same(t, f, run, nil)
	for _, b := range []map[string]*sweep.Brief{{"otter": {Specimen: "otter", Rows: make([]sweep.BriefRow, 5)}, "wagtail": {Specimen: "wagtail"}}, aFind()} {
		if err := f.Keep(t.Context(), run, b); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Keep(t.Context(), nothing, nil); err != nil {
		t.Fatal(err)
	}
	same(t, f, run, aFind())
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	f = opened(t, path, "this")
	same(t, f, run, aFind())
	same(t, f, nothing, map[string]*sweep.Brief{})
	var rows int
	var worst float64
	if err := f.db.QueryRow(`SELECT (SELECT count(*) FROM points), (SELECT worst_headroom_db FROM found WHERE specimen = 'otter')`).Scan(&rows, &worst); err != nil || rows != 3 || worst != 3.5 {
		t.Errorf("%d rows, lowest headroom %v, %v; want 3 and 61.5 - 58", rows, worst, err)
	}
}

// What another program kept is thrown away.
func TestAnotherProgram(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db.briefs")
	f, run := opened(t, path, "this"), newRun()
	if err := f.Keep(t.Context(), run, aFind()); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	f = opened(t, path, "that")
	same(t, f, run, nil)
	if err := f.Keep(t.Context(), run, aFind()); err != nil {
		t.Fatal(err)
	}
	same(t, f, run, aFind())
	f.Close()
	if f, err := Open(t.Context(), path); err != nil {
		t.Fatal(err)
	} else {
		same(t, f, run, nil)
		f.Close()
	}
	if by, err := program(); err != nil || len(by) != 64 {
		t.Errorf("this program: %q, %v", by, err)
	}
}

// A file that is none, is torn, or lacks a table is begun afresh.
func TestBroken(t *testing.T) {
	big := map[string]*sweep.Brief{"otter": {Specimen: "otter", Rows: make([]sweep.BriefRow, 5000)}}
	for name, harm := range map[string]func(path string) error{
		"no database": func(path string) error {
			return os.WriteFile(path, []byte(strings.Repeat("no database ", 1000)), 0o600)
		},
		"torn": func(path string) error { return os.Truncate(path, 20000) },
		"without a table": func(path string) error {
			d, err := sql.Open("sqlite", "file:"+path)
			if err == nil {
				_, err = d.Exec(`DROP TABLE points`)
				_ = d.Close()
			}
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "lidded.db.briefs")
			f, run := opened(t, path, "this"), newRun()
			if err := f.Keep(t.Context(), run, big); err != nil {
				t.Fatal(err)
			}
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			if err := harm(path); err != nil {
				t.Fatal(err)
			}
			f = opened(t, path, "this")
			if _, known, err := f.Find(t.Context(), run); known {
				t.Errorf("known in a broken file, %v", err)
			}
			if err := f.Keep(t.Context(), run, aFind()); err != nil {
				t.Fatal(err)
			}
			same(t, f, run, aFind())
		})
	}
}

// A path that cannot be written to is an error that names it; no file at all, and
// a closed one, keep nothing and say so.
func TestNone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "there", "lidded.db.briefs")
	if _, err := Open(t.Context(), path); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("error %v", err)
	}
	closed := opened(t, filepath.Join(t.TempDir(), "x"), "this")
	closed.Close()
	for _, f := range []*File{nil, closed} {
		if err := f.Keep(t.Context(), newRun(), aFind()); err != nil {
			t.Error(err)
		}
		same(t, f, newRun(), nil)
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

// Whoever gives up waiting breaks nothing.
func TestGivenUp(t *testing.T) {
	f, run := opened(t, filepath.Join(t.TempDir(), "x"), "this"), newRun()
	if err := f.Keep(t.Context(), run, aFind()); err != nil {
		t.Fatal(err)
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, known, err := f.Find(gone, run); known || err == nil {
		t.Errorf("known %v, %v", known, err)
	}
	same(t, f, run, aFind())
}
