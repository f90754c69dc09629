package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/store"
	"lidded/sweep"
)

// endedRun stores a run with so many captures, the last of them enclosed, and
// ends it.
func endedRun(t testing.TB, s *store.Store, captures int, state sweep.State) sweep.RunID {
	t.Helper()
	r := benchRun(captures)
	cycles := int64(300)
	r.DoorCycle = &cycles
	err := s.Create(t.Context(), r)
	for i := range captures {
		c := benchCapture(r, i, true)
		if i == captures-1 {
			c.Kind, c.At.Specimen = sweep.Enclosed, "locker-a"
		}
		err = errors.Join(err, s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: i + 1}, c))
	}
	entry, kerr := s.KeyOn(t.Context(), sweep.Keying{Run: r.ID, Freq: 30e6, Level: -10, On: r.Created})
	err = errors.Join(err, kerr, s.KeyOff(t.Context(), entry, r.Created.Add(time.Second), ""))
	if state != sweep.StateUnknown {
		err = errors.Join(err, s.Transition(t.Context(), r.ID, r.Created.Add(time.Minute), state, "", ""))
	}
	if err != nil {
		t.Fatal(err)
	}
	return r.ID
}

var asItStood = store.Pruned{Rule: "traces older than 400 days", Who: "ann", Software: "test", Evaluation: json.RawMessage(`{"results":[]}`)}

// everything of a run that a reader can see, apart from the numbers that a store
// gives.
func everything(t testing.TB, s *store.Store, id sweep.RunID) []any {
	t.Helper()
	r, e1 := s.Run(t.Context(), id)
	whole, e2 := s.Captures(t.Context(), id)
	list, e3 := s.CaptureList(t.Context(), id, sweep.CaptureFilter{})
	one, e4 := s.Capture(t.Context(), whole[1].ID)
	keyings, e5 := s.Keyings(t.Context(), sweep.KeyingFilter{Run: id})
	for i := range keyings {
		keyings[i].Entry = 0
	}
	events, e6 := s.Events(t.Context(), id, 0, 0)
	for i := range events {
		events[i].Seq = 0
	}
	infos, e7 := s.Runs(t.Context(), sweep.RunFilter{})
	infos = slices.DeleteFunc(infos, func(i sweep.RunInfo) bool { return i.ID != id })
	if err := errors.Join(e1, e2, e3, e4, e5, e6, e7); err != nil {
		t.Fatal(err)
	}
	return []any{r, infos, whole, list, one, keyings, events}
}

// TestPrune lets the traces of a run go and reads them all the same, then brings
// them back.
func TestPrune(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := openFile(t, filepath.Join(dir, "lidded.db"), store.Options{})
	old := endedRun(t, s, 20, sweep.Completed)
	endedRun(t, s, 2, sweep.Completed)
	before := everything(t, s, old)
	size, err := s.Size()
	if err != nil {
		t.Fatal(err)
	}

	folder := filepath.Join(dir, "archive")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := s.Prune(t.Context(), old, asItStood); !errors.Is(err, sweep.ErrConflict) || !strings.Contains(err.Error(), "has no archive: make one first") {
		t.Fatalf("pruned without an archive: %v", err)
	}
	stray := filepath.Join(folder, "run-"+string(old)+".db") // of a process that was killed before it could record it
	if err := os.WriteFile(stray, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	a, err := s.Archive(t.Context(), old, folder)
	if err != nil {
		t.Fatal(err)
	}
	if text, err := os.ReadFile(stray); err != nil || string(text) != "half" {
		t.Errorf("a file that was there is now %q, %v", text, err)
	}
	again, err := s.Archive(t.Context(), old, folder)
	if err != nil || again != a {
		t.Errorf("archived again: %+v, %v; want %+v", again, err, a)
	}
	if left, _ := filepath.Glob(filepath.Join(folder, "*")); len(left) != 2 {
		t.Errorf("in the folder: %v", left)
	}
	if err := s.Prune(t.Context(), old, asItStood); err != nil {
		t.Fatal(err)
	}
	if err := s.Shrink(t.Context()); err != nil {
		t.Fatal(err)
	}
	now, err := s.Size()
	if err != nil || now > size/3 {
		t.Errorf("the store takes %d of %d bytes, %v", now, size, err)
	}
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
	if after := everything(t, s, old); !reflect.DeepEqual(after, before) {
		t.Error("what can be read changed")
	}
	p, pruned, err := s.Pruned(t.Context(), old)
	if err != nil || !pruned || p.Archive != a || p.Rule != asItStood.Rule || p.Who != "ann" || string(p.Evaluation) != `{"results":[]}` {
		t.Errorf("pruned %v: %+v, %v", pruned, p, err)
	}
	events, err := s.Events(t.Context(), "", 0, 0)
	if last := events[len(events)-1]; err != nil || last.Kind != "prune" || last.Who != "ann" || last.Text != "run "+string(old)+": traces older than 400 days: its 120 traces lie in "+a.Path+", SHA-256 "+a.SHA256 {
		t.Errorf("the event says %+v, %v", last, err)
	}
	if err := s.Prune(t.Context(), old, asItStood); !errors.Is(err, sweep.ErrConflict) {
		t.Errorf("pruned twice: %v", err)
	}

	// The archive is a journal of its own.
	own := openFile(t, a.Path, store.Options{ReadOnly: true})
	if got := everything(t, own, old); !reflect.DeepEqual(got, before) {
		t.Error("the archive by itself reads differently")
	}

	ids, err := s.BringBack(t.Context(), a.Path)
	if err != nil || len(ids) != 1 || ids[0] != old {
		t.Fatalf("brought back %v, %v", ids, err)
	}
	if err := os.Remove(a.Path); err != nil {
		t.Fatal(err)
	}
	if after := everything(t, s, old); !reflect.DeepEqual(after, before) {
		t.Error("what came back differs")
	}
	if _, pruned, err := s.Pruned(t.Context(), old); pruned || err != nil {
		t.Errorf("still pruned: %v, %v", pruned, err)
	}
	if err := s.Check(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestBringBackElsewhere takes a whole run into a store that never had it.
func TestBringBackElsewhere(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := openFile(t, filepath.Join(dir, "lidded.db"), store.Options{})
	endedRun(t, s, 1, sweep.Completed)
	id := endedRun(t, s, 3, sweep.Failed)
	before := everything(t, s, id)
	a, err := s.Archive(t.Context(), id, dir)
	if err != nil {
		t.Fatal(err)
	}
	other := openFile(t, filepath.Join(dir, "other.db"), store.Options{})
	endedRun(t, other, 2, sweep.Completed)
	if _, err := other.BringBack(t.Context(), a.Path); err != nil {
		t.Fatal(err)
	}
	if got := everything(t, other, id); !reflect.DeepEqual(got, before) {
		t.Error("what came to the other store differs")
	}
	if err := other.Check(t.Context()); err != nil {
		t.Error(err)
	}
	for _, st := range []*store.Store{s, other} {
		if _, err := st.BringBack(t.Context(), a.Path); !errors.Is(err, sweep.ErrConflict) || !strings.Contains(err.Error(), "has its traces here") {
			t.Errorf("brought back a second time: %v", err)
		}
	}
}

// TestTheArchiveIsAway: without its file a pruned run says where its traces lie;
// a file that is not what was made is not taken for it.
func TestTheArchiveIsAway(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	s := openFile(t, path, store.Options{})
	old := endedRun(t, s, 2, sweep.Completed)
	endedRun(t, s, 1, sweep.Completed)
	elsewhere := t.TempDir()
	a, err := s.Archive(t.Context(), old, elsewhere)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Prune(t.Context(), old, asItStood); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(a.Path)
	if err != nil {
		t.Fatal(err)
	}
	changed := append([]byte(nil), whole...)
	changed[len(changed)/2] ^= 1
	read := func(o store.Options) error {
		o.ReadOnly = true
		r := openFile(t, path, o)
		defer r.Close()
		got, err := r.Captures(t.Context(), old)
		away, all, aerr := r.Away(t.Context())
		if aerr != nil || all != 1 || len(away) == 1 && (away[0] != a || err == nil) {
			t.Errorf("%v of %d away, %v", away, all, aerr)
		}
		if _, serr := os.Stat(a.Path); serr != nil && err != nil && len(away) != 1 {
			t.Error("nothing is away")
		}
		if err == nil && len(got[0].Looks) == 0 {
			t.Error("captures without their looks")
		}
		return err
	}
	write := func(at string, data []byte) {
		if err := os.WriteFile(at, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := read(store.Options{}); err != nil {
		t.Error(err)
	}
	write(a.Path, changed)
	if err := read(store.Options{}); store.KindOf(err) != store.KindAway || !strings.Contains(err.Error(), "recorded are") {
		t.Errorf("a changed archive: %v", err)
	}
	if _, err := s.BringBack(t.Context(), a.Path); err == nil {
		t.Error("brought back from a changed archive")
	}
	if err := os.Remove(a.Path); err != nil {
		t.Fatal(err)
	}
	if err := read(store.Options{}); store.KindOf(err) != store.KindAway || !strings.Contains(err.Error(), a.Path) || !strings.Contains(err.Error(), "put the file back") {
		t.Errorf("no archive: %v", err)
	}
	write(filepath.Join(dir, filepath.Base(a.Path)), whole)
	if err := read(store.Options{}); err != nil {
		t.Errorf("beside the store: %v", err)
	}
	if err := os.Remove(filepath.Join(dir, filepath.Base(a.Path))); err != nil {
		t.Fatal(err)
	}
	other := t.TempDir()
	write(filepath.Join(other, filepath.Base(a.Path)), whole)
	if err := read(store.Options{Archives: other}); err != nil {
		t.Errorf("in the folder of archives: %v", err)
	}
}

// TestPrunable: which runs may never go.
func TestPrunable(t *testing.T) {
	t.Parallel()
	s := openFile(t, filepath.Join(t.TempDir(), "lidded.db"), store.Options{})
	for _, c := range []struct {
		state sweep.State
		want  string // which runs may go after it, by their place
	}{
		{sweep.Completed, ""},      // 0: the only result
		{sweep.Stopped, ""},        // 1: newer, but 0 is the newest completed
		{sweep.Failed, "2"},        // 2: says nothing about a specimen
		{sweep.Aborted, "23"},      // 3: neither
		{sweep.StateUnknown, "23"}, // 4: goes on
		{sweep.Interrupted, "23"},  // 5: can be resumed
		{sweep.Completed, "0123"},  // 6
		{sweep.Stopped, "0123"},    // 7: newest that says something; 6 the newest completed
	} {
		endedRun(t, s, 1, c.state)
		list, err := s.Prunable(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		all, err := s.Runs(t.Context(), sweep.RunFilter{})
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		for _, l := range list {
			for i, r := range all { // newest first
				if r.ID == l.Run.ID {
					got += string(rune('0' + len(all) - 1 - i))
				}
			}
			if l.Bytes != 6*1001*8 {
				t.Errorf("%d bytes of traces", l.Bytes)
			}
		}
		if got != c.want {
			t.Errorf("after a run that is %v: %q may go, want %q", c.state, got, c.want)
		}
	}
	// What may not go does not, archive or not.
	dir := t.TempDir()
	all, err := s.Runs(t.Context(), sweep.RunFilter{})
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range all[:2] { // 7 and 6
		if _, err := s.Archive(t.Context(), r.ID, dir); err != nil {
			t.Fatal(err)
		}
		if err := s.Prune(t.Context(), r.ID, asItStood); store.KindOf(err) != store.KindKept || !strings.Contains(err.Error(), "the traces of this run stay") {
			t.Errorf("%d: %v", 7-i, err)
		}
	}
	for i, r := range all[2:4] { // 5 and 4
		if _, err := s.Archive(t.Context(), r.ID, dir); !errors.Is(err, sweep.ErrConflict) || !strings.Contains(err.Error(), "has not ended") {
			t.Errorf("archived %d: %v", 5-i, err)
		}
	}
}

// TestTracesGoByOneWayOnly tries the others with a plain connection.
func TestTracesGoByOneWayOnly(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	s := openFile(t, path, store.Options{})
	old := endedRun(t, s, 2, sweep.Completed)
	endedRun(t, s, 1, sweep.Completed)
	if _, err := s.Archive(t.Context(), old, dir); err != nil {
		t.Fatal(err)
	}
	db := raw(t, path)
	refused := func(query, why string) {
		t.Helper()
		tx, err := db.Begin() // what goes before it is undone with it
		if err != nil {
			t.Fatal(err)
		}
		defer tx.Rollback()
		if _, err := tx.Exec(query); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%s: %v, want %q", query, err, why)
		}
	}
	sum := strings.Repeat("0", 64)
	refused(`DELETE FROM looks`, "looks are never deleted")
	claim := func(run, looks int) string {
		return fmt.Sprintf(`INSERT INTO archives (run_n, path, sha256, bytes, looks, made_ns) VALUES (%d, 'x', '%s', 1, %d, 0); INSERT INTO pruned VALUES (%d, 2, 'rule', '', '', '{}', 0)`, run, sum, looks, run)
	}
	refused(claim(1, 11), "does not hold every trace")
	refused(claim(2, 6), "the traces of this run stay")
	refused(`INSERT INTO pruned VALUES (2, 1, 'rule', '', '', '{}', 0)`, "constraint")
	refused(`INSERT INTO pruned VALUES (1, 1, '', '', '', '{}', 0)`, "CHECK")
	refused(`INSERT INTO pruned VALUES (1, 1, 'rule', '', '', 'no result', 0)`, "CHECK")
	refused(`UPDATE archives SET path = 'y'`, "never changed")
	refused(`DELETE FROM archives`, "never forgotten")
	if err := s.Prune(t.Context(), old, asItStood); err != nil {
		t.Fatal(err)
	}
	refused(`UPDATE pruned SET evaluation = '{}'`, "never changed")
	refused(`DELETE FROM pruned`, "are not back")
	refused(`DELETE FROM looks`, "looks are never deleted") // of the other run
	refused(`DELETE FROM captures`, "captures are never deleted")
	refused(`INSERT INTO captures SELECT 99, 'x', run_n, 99, step, kind, specimen, position, polarization, repeat, point, freq_hz, rung, source_freq_hz, source_level_dbm, settings, hold_sweeps, held_sweeps, hand_level_dbm, hand_noise_dbm, overload, void, begun_ns, took_ns, nominal_ns FROM captures WHERE n = 1`, "the run was pruned")
}

// TestShrinkAnOlderStore gives space back of a file made before it could.
func TestShrinkAnOlderStore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "lidded.db")
	s := openFile(t, path, store.Options{})
	old := endedRun(t, s, 20, sweep.Completed)
	endedRun(t, s, 1, sweep.Completed)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db := raw(t, path)
	if _, err := db.Exec(`PRAGMA auto_vacuum = none; VACUUM`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s = openFile(t, path, store.Options{})
	if _, err := s.Archive(t.Context(), old, dir); err != nil {
		t.Fatal(err)
	}
	if err := s.Prune(t.Context(), old, asItStood); err != nil {
		t.Fatal(err)
	}
	size, _ := s.Size()
	for range 2 {
		if err := s.Shrink(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	now, err := s.Size()
	used, uerr := s.Used(t.Context())
	if err != nil || uerr != nil || now > size/3 || used > now {
		t.Errorf("the store takes %d of %d bytes and uses %d, %v, %v", now, size, used, err, uerr)
	}
}
