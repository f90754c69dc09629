package storetest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

func testEveryField(t *testing.T, fresh func(testing.TB) Place) {
	p := fresh(t)
	s := open(t, p)
	var f filler
	var r sweep.Run
	f.fill(&r)
	r.ID = sweep.RunID(newID())
	var a, b sweep.Capture
	f.fill(&a)
	f.fill(&b)
	a.ID, b.ID = newID(), newID()
	a.Run, b.Run = r.ID, r.ID
	a.Looks[0].Trace.Levels = []unit.DBm{-3.14159265358979, unit.Missing(), 1e-300} // needs double precision
	a.Looks[1].Trace.Levels = []unit.DBm{-55.5, unit.Missing(), 0}                  // does not
	b.Looks = nil
	b.SourceLevel, b.HandLevel, b.HandNoise = nil, nil, nil
	must(t, s.Create(t.Context(), r))
	must(t, s.Commit(t.Context(), r.ID, r.Checkpoint, a, b))
	var e sweep.Event
	f.fill(&e)
	e.Run = r.ID
	must(t, s.Note(t.Context(), e))
	var k sweep.Keying
	f.fill(&k)
	k.Run = r.ID
	var err error
	k.Entry, err = s.KeyOn(t.Context(), k)
	must(t, err)
	must(t, s.KeyOff(t.Context(), k.Entry, k.Off, k.OffNot))

	a.Seq, b.Seq = 1, 2
	for range 2 {
		got, err := s.Run(t.Context(), r.ID)
		must(t, err)
		same(t, "run", got, r)
		captures, err := s.Captures(t.Context(), r.ID)
		must(t, err)
		same(t, "captures", captures, []sweep.Capture{a, b})
		one, err := s.Capture(t.Context(), a.ID)
		must(t, err)
		same(t, "capture", one, a)
		events, err := s.Events(t.Context(), r.ID, 0, 0)
		must(t, err)
		last := events[len(events)-1]
		e.Seq = last.Seq
		same(t, "event", last, e)
		ledger, err := s.Keyings(t.Context(), sweep.KeyingFilter{})
		must(t, err)
		same(t, "ledger", ledger, []sweep.Keying{k})
		s = reopen(t, p, s)
	}
}

func testLife(t *testing.T, fresh func(testing.TB) Place) {
	p := fresh(t)
	s := open(t, p)
	r := begun(t, s, aRun("bench-1", "night"))
	var want []sweep.Capture
	for i := range 3 {
		c := aCapture(r.ID, i)
		must(t, s.Commit(t.Context(), r.ID, sweep.Checkpoint{Step: 1, Point: i + 1}, c))
		c.Seq = i + 1
		want = append(want, c)
		if i == 1 { // as if the daemon had gone away
			s = reopen(t, p, s)
			open, err := s.Unfinished(t.Context())
			must(t, err)
			r.Checkpoint = sweep.Checkpoint{Step: 1, Point: 2}
			same(t, "unfinished", open, []sweep.Run{r})
			must(t, s.Transition(t.Context(), r.ID, noon, sweep.Interrupted, "the daemon went away", ""))
			open, err = s.Unfinished(t.Context())
			must(t, err)
			same(t, "unfinished when interrupted", open, []sweep.Run(nil))
			again := r
			later := noon.Add(time.Hour)
			again.Started, again.Analyzer = &later, driver.Identity{Raw: "another"}
			must(t, s.Begin(t.Context(), again))
			must(t, s.Transition(t.Context(), r.ID, later, sweep.Running, "", "ann"))
		}
	}
	// A checkpoint moves without a capture too.
	must(t, s.Commit(t.Context(), r.ID, sweep.Checkpoint{Step: 3}))
	end := noon.Add(2 * time.Hour)
	must(t, s.Transition(t.Context(), r.ID, end, sweep.Completed, "every step done", ""))
	r.State, r.Reason, r.Ended, r.Checkpoint = sweep.Completed, "every step done", &end, sweep.Checkpoint{Step: 3}
	s = reopen(t, p, s)
	got, err := s.Run(t.Context(), r.ID)
	must(t, err)
	same(t, "run", got, r) // identities and start are those of the first Begin
	captures, err := s.Captures(t.Context(), r.ID)
	must(t, err)
	same(t, "captures", captures, want)

	events, err := s.Events(t.Context(), r.ID, 0, 0)
	must(t, err)
	var story []string
	for _, e := range events {
		line := e.Kind
		if e.Kind == "state" {
			line = e.State.String()
		}
		story = append(story, fmt.Sprintf("%s %d/%d", line, e.Step, e.Point))
	}
	same(t, "story", strings.Join(story, ", "), "pending 0/0, begin 0/0, running 0/0, point 1/0, point 1/1, interrupted 1/2, begin 1/2, running 1/2, point 1/2, step 3/0, completed 3/0")
}

func testNoRun(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	id := sweep.RunID(newID())
	_, runErr := s.Run(ctx, id)
	_, keyErr := s.RunByKey(ctx, "bench-1", "k")
	_, emptyKeyErr := s.RunByKey(ctx, "bench-1", "")
	_, capturesErr := s.Captures(ctx, id)
	_, listErr := s.CaptureList(ctx, id, sweep.CaptureFilter{})
	_, eventsErr := s.Events(ctx, id, 0, 0)
	_, pageErr := s.Runs(ctx, sweep.RunFilter{Before: id})
	_, lastErr := s.LastSuccess(ctx, "bench-1", "night")
	_, keyOnErr := s.KeyOn(ctx, sweep.Keying{Run: id, On: noon})
	_, keyingsErr := s.Keyings(ctx, sweep.KeyingFilter{Run: id})
	for name, err := range map[string]error{
		"Run": runErr, "RunByKey": keyErr, "RunByKey, empty": emptyKeyErr, "Captures": capturesErr, "CaptureList": listErr, "Events": eventsErr,
		"Runs": pageErr, "LastSuccess": lastErr, "KeyOn": keyOnErr, "Keyings": keyingsErr,
		"Begin":      s.Begin(ctx, sweep.Run{ID: id}),
		"Transition": s.Transition(ctx, id, noon, sweep.Running, "", ""),
		"Commit":     s.Commit(ctx, id, sweep.Checkpoint{}, aCapture(id, 0)),
		"Note":       s.Note(ctx, sweep.Event{Run: id}),
	} {
		if !errors.Is(err, sweep.ErrNoRun) {
			t.Errorf("%s: got %v, want %v", name, err, sweep.ErrNoRun)
		}
	}
	if _, err := s.Capture(ctx, newID()); !errors.Is(err, sweep.ErrNoCapture) {
		t.Errorf("Capture: got %v, want %v", err, sweep.ErrNoCapture)
	}
	list, err := s.Runs(ctx, sweep.RunFilter{})
	must(t, err)
	same(t, "runs", list, []sweep.RunInfo(nil))
}

func testConflicts(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	first := aRun("bench-1", "night")
	first.Key = "job-17"
	created(t, s, first)
	conflict := func(what string, err error, says ...string) {
		t.Helper()
		if !errors.Is(err, sweep.ErrConflict) {
			t.Fatalf("%s: got %v, want %v", what, err, sweep.ErrConflict)
		}
		for _, word := range says {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("%s: %q does not say %q", what, err, word)
			}
		}
	}
	again := aRun("bench-1", "night")
	again.Key = first.Key
	conflict("same key", s.Create(ctx, again), string(first.ID), "job-17", "bench-1")
	conflict("same run", s.Create(ctx, first), string(first.ID))
	got, err := s.RunByKey(ctx, "bench-1", "job-17")
	must(t, err)
	same(t, "run by key", got, first)

	again.Bench.Name = "bench-2" // keys belong to a bench
	created(t, s, again)
	created(t, s, aRun("bench-1", "night")) // no key never conflicts
	created(t, s, aRun("bench-1", "night"))

	c := aCapture(first.ID, 0)
	must(t, s.Commit(ctx, first.ID, sweep.Checkpoint{Point: 1}, c))
	conflict("same capture", s.Commit(ctx, first.ID, sweep.Checkpoint{Point: 2}, aCapture(first.ID, 1), c), c.ID)
	captures, err := s.Captures(ctx, first.ID)
	must(t, err)
	c.Seq = 1
	same(t, "captures after a refused commit", captures, []sweep.Capture{c})
	r, err := s.Run(ctx, first.ID)
	must(t, err)
	same(t, "checkpoint after a refused commit", r.Checkpoint, sweep.Checkpoint{Point: 1})
}

func testEnded(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	for _, end := range []sweep.State{sweep.Completed, sweep.Stopped, sweep.Aborted, sweep.Failed} {
		r := begun(t, s, aRun("bench-1", "night"))
		must(t, s.Transition(t.Context(), r.ID, noon, end, "", ""))
		for name, err := range map[string]error{
			"Transition": s.Transition(t.Context(), r.ID, noon, sweep.Running, "", ""),
			"same again": s.Transition(t.Context(), r.ID, noon, end, "", ""),
			"Begin":      s.Begin(t.Context(), r),
			"Commit":     s.Commit(t.Context(), r.ID, sweep.Checkpoint{}, aCapture(r.ID, 0)),
		} {
			if !errors.Is(err, sweep.ErrConflict) {
				t.Errorf("%s after %s: got %v, want %v", name, end, err, sweep.ErrConflict)
			}
		}
		// A remark and the end of a keying are still taken.
		must(t, s.Note(t.Context(), sweep.Event{Run: r.ID, Time: noon, Kind: "note", Text: "lid was loose"}))
		got, err := s.Run(t.Context(), r.ID)
		must(t, err)
		if got.State != end || got.Ended == nil || !got.Ended.Equal(noon) {
			t.Errorf("run is %s, ended %v; want %s at noon", got.State, got.Ended, end)
		}
	}
}

// testAtomic cancels commits before and while they happen: what a commit left
// behind is all of it or nothing.
func testAtomic(t *testing.T, fresh func(testing.TB) Place) {
	p := fresh(t)
	s := open(t, p)
	r := begun(t, s, aRun("bench-1", "night"))
	whole := 0
	for i := range 40 {
		ctx, cancel := context.WithCancel(context.Background())
		if i == 0 {
			cancel()
		}
		done := make(chan error, 1)
		batch := []sweep.Capture{aCapture(r.ID, 0), aCapture(r.ID, 1), aCapture(r.ID, 2)}
		go func() { done <- s.Commit(ctx, r.ID, sweep.Checkpoint{Step: whole + 1}, batch...) }()
		for range i * 400 { // a little later each time
			if ctx.Err() != nil {
				break
			}
		}
		cancel()
		err := <-done
		got, e := s.CaptureList(t.Context(), r.ID, sweep.CaptureFilter{})
		must(t, e)
		now, e := s.Run(t.Context(), r.ID)
		must(t, e)
		if now.Checkpoint.Step == whole+1 {
			whole++ // committed, whether or not the caller was told
		} else if err == nil {
			t.Fatalf("commit %d: reported as done, the checkpoint says no", i)
		}
		if len(got) != 3*whole || now.Checkpoint.Step != whole {
			t.Fatalf("commit %d (%v): %d captures, checkpoint %d; want %d and %d", i, err, len(got), now.Checkpoint.Step, 3*whole, whole)
		}
		if err != nil && !errors.Is(err, context.Canceled) {
			t.Fatalf("commit %d: %v is not context.Canceled", i, err)
		}
	}
	s = reopen(t, p, s)
	got, err := s.CaptureList(t.Context(), r.ID, sweep.CaptureFilter{})
	must(t, err)
	for i, c := range got {
		if c.Seq != i+1 {
			t.Fatalf("capture %d has number %d", i+1, c.Seq)
		}
	}
	if len(got) != 3*whole {
		t.Fatalf("%d captures after reopening, want %d", len(got), 3*whole)
	}
}

func testBadInput(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	r := begun(t, s, aRun("bench-1", "night"))
	bad := aRun("bench-1", "night")
	bad.ID = "run-7"
	old := aRun("bench-1", "night")
	old.Created = time.Date(1492, 1, 1, 0, 0, 0, 0, time.UTC)
	mute := aRun("bench-1", "night")
	mute.Plan.Points[0].Field = requirement.FieldUnknown // writes, but does not read
	strayed := aCapture(sweep.RunID(newID()), 0)
	misnamed := aCapture(r.ID, 0)
	misnamed.ID = "c1"
	aged := aCapture(r.ID, 0)
	aged.Looks[1].Trace.Begun = old.Created
	_, keyErr := s.KeyOn(ctx, sweep.Keying{Run: r.ID})
	for _, c := range []struct {
		name, says string
		err        error
	}{
		{"run id", `run identifier "run-7" is not a UUID of version 7`, s.Create(ctx, bad)},
		{"time before the calendar of the store", "1492-01-01T00:00:00Z is out of range: check the clock", s.Create(ctx, old)},
		{"run that would not read back", "could not be read back", s.Create(ctx, mute)},
		{"capture of another run", "committed to run " + string(r.ID), s.Commit(ctx, r.ID, sweep.Checkpoint{}, strayed)},
		{"capture id", `capture identifier "c1" is not a UUID of version 7`, s.Commit(ctx, r.ID, sweep.Checkpoint{}, misnamed)},
		{"time of a look", "out of range", s.Commit(ctx, r.ID, sweep.Checkpoint{}, aCapture(r.ID, 0), aged)},
		{"extra that is not JSON", "json", s.Note(ctx, sweep.Event{Run: r.ID, Extra: make(chan int)})},
		{"keying without a time", "has no time", keyErr},
		{"end without a time", "has no time", s.KeyOff(ctx, 1, time.Time{}, "")},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("%s: got %v, want it to say %q", c.name, c.err, c.says)
		}
	}
	list, err := s.Runs(ctx, sweep.RunFilter{})
	must(t, err)
	if len(list) != 1 || list[0].Captures != 0 {
		t.Errorf("bad input left something behind: %+v", list)
	}
}

// testClockBackwards stores things while the clock steps back.
func testClockBackwards(t *testing.T, fresh func(testing.TB) Place) {
	p := fresh(t)
	s := open(t, p)
	ctx := t.Context()
	var ids []sweep.RunID
	for i := range 3 {
		r := aRun("bench-1", "night")
		r.Created = noon.Add(-time.Duration(i) * time.Hour)
		begun(t, s, r)
		for j := range 3 {
			c := aCapture(r.ID, j)
			c.Begun = noon.Add(-time.Duration(j) * time.Minute)
			must(t, s.Commit(ctx, r.ID, sweep.Checkpoint{Point: j + 1}, c))
			must(t, s.Note(ctx, sweep.Event{Run: r.ID, Time: c.Begun, Kind: "note", Point: j}))
		}
		must(t, s.Transition(ctx, r.ID, r.Created, sweep.Completed, "", ""))
		ids = append(ids, r.ID)
		s = reopen(t, p, s)
	}
	list, err := s.Runs(ctx, sweep.RunFilter{})
	must(t, err)
	for i, r := range list {
		if want := ids[len(ids)-1-i]; r.ID != want {
			t.Errorf("run %d of the list is %s, want %s", i, r.ID, want)
		}
	}
	last, err := s.LastSuccess(ctx, "bench-1", "")
	must(t, err)
	same(t, "last success", last.ID, ids[2])
	captures, err := s.Captures(ctx, ids[0])
	must(t, err)
	for i, c := range captures {
		if c.Seq != i+1 || c.Point != i {
			t.Errorf("capture %d has number %d and point %d", i, c.Seq, c.Point)
		}
	}
	events, err := s.Events(ctx, "", 0, 0)
	must(t, err)
	for i := range events[1:] {
		if events[i+1].Seq <= events[i].Seq {
			t.Errorf("event %d has number %d after %d", i+1, events[i+1].Seq, events[i].Seq)
		}
	}
}
