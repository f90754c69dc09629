package sweep_test

import (
	"fmt"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/uncertainty"
)

// leaky is a sheet with a leakage check at some points; the source is 7 dB stronger
// at the last.
func leaky(t *testing.T, points int) sweep.Run {
	return sheetRun(t, 2.9, func(s *sweep.PlanSpec, b *sweep.Bench) {
		s.LeakageCheck, s.LeakagePoints = sweep.ReceiverTerminated, points
		s.Bands = []sweep.BandSpec{
			{Freqs: []unit.Hz{100e6, 200e6}, Level: dbm(-7), RBW: 10e3},
			{Freqs: []unit.Hz{400e6}, Level: dbm(0), RBW: 10e3},
		}
	})
}

// TestLeakageByArithmetic: a leakage counts with the upper end of what was seen, or
// the limit of what was not. A level clear of it by the margin is a value with the
// half-width that the leakage leaves; one nearer is a bound, from the upper end of the
// level and what a leakage out of phase may have hidden of it; one not received is a
// bound with the same allowance.
func TestLeakageByArithmetic(t *testing.T) {
	run := leaky(t, 0)
	run.Bench.Uncertainty = 2.9
	ref := judged(run, -20, -70)
	nRef := part(noiseOf(ref), uncertainty.Reference)
	at := func(leak, leakFloor, enc, floor unit.DBm) (sweep.Result, uncertainty.Result) {
		e := sweep.NewEvaluator(run)
		for _, c := range seal([]sweep.Capture{
			read(sweep.Reference, open, 0, -20, -70), read(sweep.Leakage, open, 0, leak, leakFloor), read(sweep.Enclosed, boxed(), 0, enc, floor),
		}) {
			e.Add(c)
		}
		r := e.Evaluation().Results[0]
		return r, e.BudgetOf(r)
	}
	seen := judged(run, -80, -95).High // well above the level itself
	if seen.Sub(judged(run, -80, -95).Level) < 1 {
		t.Fatal("a test that tells nothing apart")
	}
	t.Run("clear", func(t *testing.T) {
		enc := judged(run, -62, -115)
		r, b := at(-80, -95, -62, -115)
		_, down := sweep.Interference(enc.Level.Sub(seen))
		moves := uncertainty.Component{Name: "leakage", Value: -down, Distribution: uncertainty.UShaped, Side: uncertainty.Enclosed}
		hasClaim(t, run, r, false, float64(ref.Level.Sub(enc.Level)), uncertainty.Budget{part(2.9, 0), nRef, part(noiseOf(enc), uncertainty.Enclosed), moves})
		if r.Leakage == nil || !r.Leakage.Seen || r.Leakage.Level != seen || r.Leakage.From != 0 || len(b.Rows) != 4 {
			t.Errorf("%+v, %d lines", r.Leakage, len(b.Rows))
		}
	})
	t.Run("near", func(t *testing.T) {
		enc := judged(run, -72, -115)
		r, _ := at(-80, -95, -72, -115)
		up, _ := sweep.Interference(enc.High.Sub(seen))
		hasClaim(t, run, r, true, float64(ref.Level.Sub(enc.High.Add(up))), uncertainty.Budget{part(2.9, 0), nRef})
		if !strings.Contains(r.Reason, "goes round the specimen (receiver_terminated)") {
			t.Errorf("%q", r.Reason)
		}
	})
	t.Run("at the margin and below", func(t *testing.T) {
		margin := run.Plan.LeakageMargin
		for name, c := range map[string]struct {
			by   unit.DB
			want sweep.Outcome
		}{"above": {margin + 0.01, sweep.Measured}, "below": {margin - 0.01, sweep.AtLeast}} {
			level := seen.Add(c.by)
			if r, _ := at(-80, -95, level, level-100); r.Outcome != c.want {
				t.Errorf("%s the margin: %v (%s)", name, r.Outcome, r.Reason)
			}
		}
	})
	t.Run("not received", func(t *testing.T) {
		limit := judged(run, -74, -74).Limit
		r, _ := at(-80, -95, -74, -74)
		up, _ := sweep.Interference(limit.Sub(seen))
		hasClaim(t, run, r, true, float64(ref.Level.Sub(limit.Add(up))), uncertainty.Budget{part(2.9, 0), nRef})
		if !strings.Contains(r.Reason, "is allowed for") || strings.HasPrefix(r.Reason, ";") {
			t.Errorf("%q", r.Reason)
		}
	})
	t.Run("leakage not seen, nothing received", func(t *testing.T) {
		r, _ := at(-95, -95, -74, -74)
		hasClaim(t, run, r, true, float64(ref.Level.Sub(judged(run, -74, -74).Limit)), uncertainty.Budget{part(2.9, 0), nRef})
		if r.Leakage.Seen || r.Leakage.Level != judged(run, -95, -95).Limit || strings.Contains(r.Reason, "allowed for") {
			t.Errorf("%+v, %q", r.Leakage, r.Reason)
		}
	})
	t.Run("leakage not seen, too near", func(t *testing.T) {
		r, _ := at(-95, -95, -80, -130)
		enc, leak := judged(run, -80, -130), judged(run, -95, -95).Limit
		up, _ := sweep.Interference(enc.High.Sub(leak))
		hasClaim(t, run, r, true, float64(ref.Level.Sub(enc.High.Add(up))), uncertainty.Budget{part(2.9, 0), nRef})
		if !strings.Contains(r.Reason, "look deeper") {
			t.Errorf("%q", r.Reason)
		}
	})
}

// TestLeakageBetweenCheckedPoints: what was not checked takes the higher of its
// neighbours by what each lies under its own source level, and a capture that says
// nothing is no neighbour.
func TestLeakageBetweenCheckedPoints(t *testing.T) {
	run := leaky(t, 2)
	between := func(first, last unit.DBm) *sweep.Leak {
		return sweep.Evaluate(run, seal([]sweep.Capture{
			read(sweep.Leakage, open, 0, first, -150), read(sweep.Leakage, open, 2, last, -150),
			read(sweep.Reference, open, 1, -20, -70), read(sweep.Enclosed, boxed(), 1, -50, -115),
		})).Results[0].Leakage
	}
	// The source is 7 dB stronger at the last point, so what leaks there counts 7 dB less.
	for _, c := range []struct {
		first, last unit.DBm
		from        int
		want        unit.DBm
	}{
		{-90, -84, 0, judged(run, -90, -150).High}, {-90, -82, 2, judged(run, -82, -150).High.Add(-7)},
	} {
		l := between(c.first, c.last)
		if l == nil || l.From != c.from {
			t.Errorf("%v and %v: %+v, want point %d's", c.first, c.last, l, c.from)
			continue
		}
		nearly(t, "leakage", unit.DB(l.Level), float64(c.want), 1e-9)
	}
	void := read(sweep.Leakage, open, 2, -60, -150)
	void.Void = "a fault"
	e := sweep.Evaluate(run, seal([]sweep.Capture{
		read(sweep.Leakage, open, 0, -90, -150), void, read(sweep.Reference, open, 1, -20, -70), read(sweep.Enclosed, boxed(), 1, -50, -115),
	}))
	if l := e.Results[0].Leakage; l == nil || l.From != 0 {
		t.Errorf("beside a void check: %+v", l)
	}
	if notes := strings.Join(e.Notes, "\n"); !strings.Contains(notes, "leakage check at 400 MHz: a fault") {
		t.Errorf("%q", notes)
	}
}

// TestLeakageInTheNotes: how many points, how many seen, and the one that lies least
// under its reference; a load that was not fitted is suspected within 10 dB of it.
func TestLeakageInTheNotes(t *testing.T) {
	run := leaky(t, 0)
	notes := func(leaks ...unit.DBm) string {
		var caps []sweep.Capture
		for i, l := range leaks {
			caps = append(caps, read(sweep.Reference, open, i, unit.DBm(-20-10*i), -90), read(sweep.Leakage, open, i, l, max(-150, l-60)))
		}
		return strings.Join(sweep.Evaluate(run, seal(caps)).Notes, "\n")
	}
	least := fmt.Sprintf("least %.1f dB under the reference, at 200 MHz", float64(judged(run, -30, -90).Level.Sub(judged(run, -70, -130).High)))
	for says, leaks := range map[string][]unit.DBm{
		"leakage check (receiver_terminated) at 3 of 3 points, a leakage seen at 2: " + least: {-90, -70, -150},
		"leakage check (receiver_terminated) at 2 of 3 points, a leakage seen at 2: " + least: {-90, -70},
	} {
		if got := notes(leaks...); !strings.Contains(got, says) || strings.Contains(got, "was the load fitted") {
			t.Errorf("%q, want %q", got, says)
		}
	}
	if got := notes(-90, -39); !strings.Contains(got, "leakage check at 200 MHz") || !strings.Contains(got, "was the load fitted?") {
		t.Errorf("%q", got)
	}
	run.Plan.LeakageCheck = sweep.FittedAsUsed
	if got := notes(-90, -70); strings.Contains(got, "leakage") {
		t.Errorf("without a check: %q", got)
	}
}

// TestALimitIsNoLoadForgotten: what was not seen is no reason to ask for the load, and
// nor is a leakage beside a reference that is none.
func TestALimitIsNoLoadForgotten(t *testing.T) {
	run := leaky(t, 0)
	void := read(sweep.Reference, open, 1, -30, -90)
	void.Void = "a fault"
	for name, caps := range map[string][]sweep.Capture{
		"not seen":            {read(sweep.Reference, open, 0, -20, -70), read(sweep.Leakage, open, 0, -28, -28)},
		"without a reference": {void, read(sweep.Leakage, open, 1, -31, -90)},
	} {
		if notes := strings.Join(sweep.Evaluate(run, seal(caps)).Notes, "\n"); strings.Contains(notes, "was the load fitted") {
			t.Errorf("%s: %q", name, notes)
		}
	}
}
