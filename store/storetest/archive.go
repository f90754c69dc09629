package storetest

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
)

func info(r sweep.Run, captures int) sweep.RunInfo {
	i := sweep.RunInfo{
		ID: r.ID, Bench: r.Bench.Name, Plan: r.Plan.Name, Operator: r.Operator, DoorCycle: r.DoorCycle, Trigger: r.Trigger, Key: r.Key, Software: r.Software, HandRead: r.HandRead,
		Created: r.Created, Started: r.Started, Ended: r.Ended, State: r.State, Reason: r.Reason, Checkpoint: r.Checkpoint, Captures: captures,
	}
	for _, s := range r.Specimens {
		i.Specimens = append(i.Specimens, s.Name)
	}
	return i
}

func ids(list []sweep.RunInfo) (out []sweep.RunID) {
	for _, r := range list {
		out = append(out, r.ID)
	}
	return out
}

func testRuns(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	a := aRun("bench-1", "night")
	a.Key, a.HandRead = "k", true
	created(t, s, a)
	b := aRun("bench-2", "night")
	b.Specimens = []sweep.Specimen{{Name: "locker-c, the \"old\" one"}}
	b = begun(t, s, b)
	must(t, s.Commit(ctx, b.ID, sweep.Checkpoint{Step: 1, Point: 2}, aCapture(b.ID, 0), aCapture(b.ID, 1)))
	b.Checkpoint = sweep.Checkpoint{Step: 1, Point: 2}
	c := aRun("bench-1", "day")
	c.Specimens = nil
	created(t, s, c)

	list, err := s.Runs(ctx, sweep.RunFilter{})
	must(t, err)
	same(t, "all", list, []sweep.RunInfo{info(c, 0), info(b, 2), info(a, 0)})
	for _, x := range []struct {
		name   string
		filter sweep.RunFilter
		want   []sweep.RunID
	}{
		{"bench", sweep.RunFilter{Bench: "bench-1"}, []sweep.RunID{c.ID, a.ID}},
		{"plan", sweep.RunFilter{Plan: "night"}, []sweep.RunID{b.ID, a.ID}},
		{"bench and plan", sweep.RunFilter{Bench: "bench-1", Plan: "night"}, []sweep.RunID{a.ID}},
		{"specimen", sweep.RunFilter{Specimen: "locker-b"}, []sweep.RunID{a.ID}},
		{"part of a specimen's name", sweep.RunFilter{Specimen: "locker"}, nil},
		{"state", sweep.RunFilter{State: sweep.Running}, []sweep.RunID{b.ID}},
		{"first page", sweep.RunFilter{Limit: 2}, []sweep.RunID{c.ID, b.ID}},
		{"second page", sweep.RunFilter{Limit: 2, Before: b.ID}, []sweep.RunID{a.ID}},
		{"page of a bench", sweep.RunFilter{Bench: "bench-1", Before: c.ID}, []sweep.RunID{a.ID}},
		{"page after the last", sweep.RunFilter{Before: a.ID}, nil},
		{"text that looks like a query", sweep.RunFilter{Bench: "' OR 1=1 --"}, nil},
	} {
		list, err := s.Runs(ctx, x.filter)
		must(t, err)
		same(t, x.name, ids(list), x.want)
	}
}

func testLatest(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	// Each run captures the specimens named, then ends.
	make := func(bench string, end sweep.State, specimens ...string) sweep.Run {
		r := begun(t, s, aRun(bench, "night"))
		for i, name := range specimens {
			must(t, s.Commit(ctx, r.ID, sweep.Checkpoint{Point: i}, enclosed(aCapture(r.ID, i), name)))
		}
		if end != sweep.Running {
			must(t, s.Transition(ctx, r.ID, noon, end, "", ""))
			r.Ended, r.State = new(noon), end
		}
		r.Checkpoint.Point = max(len(specimens)-1, 0)
		return r
	}
	both := make("bench-1", sweep.Completed, "locker-a", "locker-b")
	part := make("bench-1", sweep.Stopped, "locker-a")
	make("bench-1", sweep.Failed, "locker-a", "locker-b")
	make("bench-1", sweep.Running, "locker-a", "locker-b")
	make("bench-1", sweep.Completed) // captured nothing
	other := make("bench-2", sweep.Completed, "locker-b")

	for _, x := range []struct {
		name, bench, specimen string
		want                  []sweep.SpecimenRun
	}{
		{"of a bench", "bench-1", "", []sweep.SpecimenRun{{Specimen: "locker-a", Run: info(part, 1)}, {Specimen: "locker-b", Run: info(both, 2)}}},
		{"of a specimen", "bench-1", "locker-b", []sweep.SpecimenRun{{Specimen: "locker-b", Run: info(both, 2)}}},
		{"of all benches", "", "", []sweep.SpecimenRun{{Specimen: "locker-a", Run: info(part, 1)}, {Specimen: "locker-b", Run: info(other, 1)}}},
		{"of nothing", "bench-3", "", nil},
	} {
		got, err := s.LatestRuns(ctx, x.bench, x.specimen)
		must(t, err)
		same(t, x.name, got, x.want)
	}
}

func testLastSuccess(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	finish := func(plan string, hand bool, end sweep.State) sweep.Run {
		r := aRun("bench-1", plan)
		r.HandRead = hand
		r = begun(t, s, r)
		must(t, s.Transition(ctx, r.ID, noon, end, "", ""))
		return r
	}
	night := finish("night", false, sweep.Completed)
	day := finish("day", false, sweep.Completed)
	finish("night", false, sweep.Failed)
	finish("night", true, sweep.Completed)
	for _, x := range []struct {
		plan string
		want sweep.RunID
	}{{"night", night.ID}, {"day", day.ID}, {"", day.ID}} {
		got, err := s.LastSuccess(ctx, "bench-1", x.plan)
		must(t, err)
		same(t, fmt.Sprintf("last success of plan %q", x.plan), got.ID, x.want)
		if got.Ended == nil || !got.Ended.Equal(noon) {
			t.Errorf("ended %v, want noon", got.Ended)
		}
	}
}

func testCaptureLists(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	r := begun(t, s, aRun("bench-1", "night"))
	noisy := begun(t, s, aRun("bench-1", "night")) // must not show up
	must(t, s.Commit(ctx, noisy.ID, sweep.Checkpoint{}, aCapture(noisy.ID, 0)))
	reference, a, b := aCapture(r.ID, 0), enclosed(aCapture(r.ID, 0), "locker-a"), enclosed(aCapture(r.ID, 0), "locker-b")
	whole := enclosed(aCapture(r.ID, sweep.WholeTrace), "locker-b")
	whole.Looks[0].Trace.Levels = make([]unit.DBm, 1001)
	must(t, s.Commit(ctx, r.ID, sweep.Checkpoint{}, reference))
	must(t, s.Commit(ctx, r.ID, sweep.Checkpoint{}, a, b, whole))
	all := []sweep.Capture{reference, a, b, whole}
	for i := range all {
		all[i].Seq = i + 1
	}
	for _, x := range []struct {
		name   string
		filter sweep.CaptureFilter
		want   []sweep.Capture
	}{
		{"all", sweep.CaptureFilter{}, all},
		{"kind", sweep.CaptureFilter{Kind: sweep.Reference}, all[:1]},
		{"specimen", sweep.CaptureFilter{Specimen: "locker-b"}, all[2:]},
		{"page", sweep.CaptureFilter{After: 1, Limit: 2}, all[1:3]},
		{"none", sweep.CaptureFilter{Kind: sweep.Ambient}, nil},
	} {
		got, err := s.CaptureList(ctx, r.ID, x.filter)
		must(t, err)
		var bare []sweep.Capture
		for _, c := range x.want {
			c.Looks = nil
			bare = append(bare, c)
		}
		same(t, x.name, got, bare)
	}
	got, err := s.Captures(ctx, r.ID)
	must(t, err)
	same(t, "with traces", got, all)
	for _, want := range all {
		one, err := s.Capture(ctx, want.ID)
		must(t, err)
		same(t, "one", one, want)
	}
	// A loop may be left early, and the store goes on.
	seen := 0
	for _, err := range s.EachCapture(ctx, r.ID) {
		must(t, err)
		if seen++; seen == 2 {
			break
		}
	}
	if seen != 2 {
		t.Errorf("saw %d captures, want 2", seen)
	}
	ctx, cancel := context.WithCancel(ctx)
	cancel()
	for _, err := range s.EachCapture(ctx, r.ID) {
		if err == nil {
			t.Error("a cancelled loop went on")
		}
	}
}

func testEvents(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	ctx := t.Context()
	r := created(t, s, aRun("bench-1", "night"))
	for i := range 5 {
		must(t, s.Note(ctx, sweep.Event{Run: r.ID, Time: noon, Kind: "fault", Text: fmt.Sprint(i)}))
	}
	must(t, s.Note(ctx, sweep.Event{Time: noon, Kind: "note", Text: "of no run"}))
	all, err := s.Events(ctx, "", 0, 0)
	must(t, err)
	own, err := s.Events(ctx, r.ID, 0, 0)
	must(t, err)
	if len(all) != 7 || len(own) != 6 {
		t.Fatalf("%d events in all, %d of the run; want 7 and 6", len(all), len(own))
	}
	same(t, "the run's own", own, all[:6])
	page, err := s.Events(ctx, r.ID, own[1].Seq, 3)
	must(t, err)
	same(t, "page", page, own[2:5])
	none, err := s.Events(ctx, r.ID, own[5].Seq, 0)
	must(t, err)
	same(t, "after the last", none, []sweep.Event(nil))
}

func testLedger(t *testing.T, fresh func(testing.TB) Place) {
	p := fresh(t)
	s := open(t, p)
	ctx := t.Context()
	r := created(t, s, aRun("bench-1", "night"))
	other := created(t, s, aRun("bench-2", "night"))
	var all []sweep.Keying
	for i, id := range []sweep.RunID{r.ID, r.ID, other.ID, ""} {
		k := sweep.Keying{Run: id, Step: i, Point: 7, Freq: 433.92e6, Level: -10.5, On: noon.Add(time.Duration(i) * time.Minute)}
		var err error
		k.Entry, err = s.KeyOn(ctx, k)
		must(t, err)
		if i != 1 { // this one stays open
			k.Off = k.On.Add(1500 * time.Millisecond)
			if i == 2 {
				k.OffNot = "no answer"
			}
			must(t, s.KeyOff(ctx, k.Entry, k.Off, k.OffNot))
		}
		all = append(all, k)
	}
	if err := s.KeyOff(ctx, all[0].Entry, noon, ""); err == nil {
		t.Error("an entry was closed twice")
	}
	if err := s.KeyOff(ctx, all[3].Entry+1, noon, ""); err == nil {
		t.Error("an entry that was never opened was closed")
	}
	s = reopen(t, p, s)
	for _, x := range []struct {
		name   string
		filter sweep.KeyingFilter
		want   []sweep.Keying
	}{
		{"all", sweep.KeyingFilter{}, all},
		{"run", sweep.KeyingFilter{Run: r.ID}, all[:2]},
		{"bench", sweep.KeyingFilter{Bench: "bench-2"}, all[2:3]},
		{"open", sweep.KeyingFilter{Open: true}, all[1:2]},
		{"time", sweep.KeyingFilter{From: all[1].On, To: all[3].On}, all[1:3]},
		{"page", sweep.KeyingFilter{After: all[0].Entry, Limit: 2}, all[1:3]},
	} {
		got, err := s.Keyings(ctx, x.filter)
		must(t, err)
		same(t, x.name, got, x.want)
	}
}

// testReaders reads while a run is written: every picture is one that was once
// true, with as many captures as the checkpoint says.
func testReaders(t *testing.T, fresh func(testing.TB) Place) {
	s := open(t, fresh(t))
	r := begun(t, s, aRun("bench-1", "night"))
	const commits = 60
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			for last := 0; ctx.Err() == nil; {
				list, err := s.Runs(context.Background(), sweep.RunFilter{})
				if err != nil {
					t.Errorf("runs: %v", err)
					return
				}
				captures, err := s.Captures(context.Background(), r.ID)
				if err != nil {
					t.Errorf("captures: %v", err)
					return
				}
				if i := list[0]; i.Captures != 2*i.Checkpoint.Point || i.Captures < last || len(captures) < i.Captures || len(captures)%2 != 0 {
					t.Errorf("%d captures listed, then %d read, checkpoint %d, before %d", i.Captures, len(captures), i.Checkpoint.Point, last)
					return
				}
				last = list[0].Captures
			}
		})
	}
	for i := range commits {
		must(t, s.Commit(t.Context(), r.ID, sweep.Checkpoint{Point: i + 1}, aCapture(r.ID, i), aCapture(r.ID, i)))
	}
	cancel()
	wg.Wait()
}
