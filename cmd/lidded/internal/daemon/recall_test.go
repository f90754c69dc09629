package daemon_test

import (
	"bytes"
	"database/sql"
	"errors"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"lidded/store"
	"lidded/sweep"
)

// TestBriefsOverARestart: what ended runs found is read from the file beside the
// store after a restart, and is the same, byte for byte, as what the captures give
// once the file is gone. That it is read is seen by changing it.
func TestBriefsOverARestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lidded.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	for night := range 4 {
		run, captures := aNight(rng, night, 6)
		keep(t, s, run, captures, sweep.Running, sweep.Completed)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	said := func() (text []byte) {
		t.Helper()
		t.Run("daemon", func(t *testing.T) { // ends with it
			l := startLab(t, labSpec{
				analyzerDialect: "analyzer-opc", analyzerTraits: "modern-opc", sourceDialect: "source-scpi", sourceTraits: "source-scpi",
				world: "depot", seed: 4, scale: 20, plans: viewsPlan, store: path,
			})
			var all briefsOnWire
			for ok := true; ok; ok = all.Pending > 0 {
				all = briefsOnWire{}
				l.ask(t, "GET", "/v1/specimens/otter/results", "", &all)
			}
			res, err := http.Get("http://" + l.daemon.Addr() + "/v1/specimens/otter/results")
			if err != nil {
				t.Fatal(err)
			}
			defer res.Body.Close()
			if text, err = io.ReadAll(res.Body); err != nil || len(all.Runs) != 4 || len(all.Runs[0].Freq) != 6 {
				t.Fatalf("%d runs, %v", len(all.Runs), err)
			}
		})
		return text
	}
	judged := said()
	if again := said(); !bytes.Equal(again, judged) {
		t.Errorf("read back:\n%s\njudged:\n%s", again, judged)
	}
	file := path + ".briefs"
	change(t, file, `UPDATE points SET freq_hz = freq_hz + 1e9`)
	if other := said(); bytes.Equal(other, judged) {
		t.Error("the file is not read")
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if again := said(); !bytes.Equal(again, judged) {
		t.Errorf("without the file:\n%s\njudged:\n%s", again, judged)
	}
	change(t, file, `UPDATE made SET by = 'another program'`)
	change(t, file, `UPDATE points SET freq_hz = freq_hz + 1e9`)
	if again := said(); !bytes.Equal(again, judged) {
		t.Errorf("beside the file of another program:\n%s\njudged:\n%s", again, judged)
	}
}

// change changes an SQLite file by hand.
func change(t *testing.T, path, query string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err == nil {
		_, err = db.Exec(query)
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}
