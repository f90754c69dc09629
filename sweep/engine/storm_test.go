package engine_test

import (
	"math"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"lidded/driver/unit"
	"lidded/driver/virtual"
	radio "lidded/driver/virtual/world"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// stormy are the dialects that ship, each analyzer with the habits of a virtual
// instrument that it suits; both sources stand beside several. The quick ones
// come first.
var stormy = []struct{ analyzer, habits, source string }{
	{"analyzer-opc", "modern-opc", "source-scpi"},
	{"analyzer-esr-poll", "esr-poll", "source-ack"},
	{"analyzer-real32-swapped", "modern-fft", "source-scpi"},
	{"analyzer-real64-fixed", "swapped-real64", "source-ack"},
	{"analyzer-xy-pairs", "xy-pairs", "source-scpi"},
	{"analyzer-swept-wait", "ascii-only", "source-scpi"},
	{"handheld-serial", "handheld-serial", "source-ack"},
}

// stormFaults is how many faults each bench of the storm suffers, and whether
// every dialect meets them on both kinds of link.
func stormFaults(t *testing.T) (n int, all bool) {
	text := os.Getenv("LIDDED_FAULTS")
	if text == "" {
		return 40, false
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		t.Fatalf("LIDDED_FAULTS=%q: need a number of faults such as 1000", text)
	}
	return n, true
}

// TestFaultStorm lets both instruments suffer random faults of every kind that
// the virtual bench has, run after run, until so many have struck. Each run ends
// by rule with the source off; no result is further from the truth than its
// uncertainty, no bound stands above it; and in the end nothing is left open.
func TestFaultStorm(t *testing.T) {
	faults, all := stormFaults(t)
	before := openNow(t)
	t.Run("benches", func(t *testing.T) {
		for i, c := range stormy {
			for j, medium := range []string{"tcp", "pty"} {
				if !all && (i > 2 || (i+j)%2 != 0) {
					continue
				}
				t.Run(c.analyzer+"/"+c.source+"/"+medium, func(t *testing.T) {
					t.Parallel()
					l := newLabOf(t, labSpec{analyzer: c.analyzer, analyzerHabits: c.habits, source: c.source, sourceHabits: c.source,
						pty: medium == "pty", world: stormWorld(), quick: 150 * time.Millisecond})
					l.storm(t, faults, uint64(2*i+j+1))
				})
			}
		}
	})
	var now leftOpen
	defer func() {
		if t.Failed() {
			stacks := make([]byte, 1<<20)
			t.Logf("%+v are left of %+v before:\n%s", now, before, stacks[:runtime.Stack(stacks, true)])
		}
	}()
	waitWithin(t, 20*time.Second, func() bool {
		now = openNow(t)
		return now.goroutines <= before.goroutines && now.files <= before.files
	})
}

// leftOpen counts what a program must give back.
type leftOpen struct{ goroutines, files int }

func openNow(t *testing.T) leftOpen {
	t.Helper()
	o := leftOpen{goroutines: runtime.NumGoroutine()}
	if names, err := os.ReadDir("/proc/self/fd"); err == nil {
		o.files = len(names)
	} else if runtime.GOOS == "linux" {
		t.Fatal(err)
	}
	return o
}

// stormWorld has a box whose shielding jumps from frequency to frequency, so
// that an answer about another one shows, and one that lets nothing through.
func stormWorld() *virtual.World {
	w := labWorld()
	w.Path = []radio.Loss{{Freq: 1e6, Loss: 30}}
	w.Enclosures = []radio.Enclosure{{Name: "locker 1"}, {Name: "locker 2", Curve: []radio.Shield{{Freq: 1e6, SE: 150}}}}
	for i, f := range stormFreqs {
		w.Enclosures[0].Curve = append(w.Enclosures[0].Curve, radio.Shield{Freq: f, SE: 12 + unit.DB(i%3)*6})
	}
	return w
}

var stormFreqs = []unit.Hz{60e6, 110e6, 180e6, 240e6, 330e6, 420e6, 560e6, 640e6, 770e6, 900e6}

// stormPlan is one of three kinds in turn. Its claims are so sure that one that
// is wrong is no accident.
func stormPlan(t *testing.T, n int) sweep.Plan {
	t.Helper()
	s := sweep.PlanSpec{
		Name: "storm", Capture: sweep.Linked, HoldPoints: "rule", Looks: 2, MaxLooks: 6, Strategy: sweep.Fixed,
		Confidence: 0.99999, FalseAlarm: 1e-6,
		Bands: []sweep.BandSpec{{Freqs: stormFreqs, Level: level(-10), RBW: 10e3}},
	}
	switch n % 3 {
	case 1:
		s.Strategy, s.Stop, s.Budget = sweep.Adaptive, sweep.StopBudget, 2*time.Second
	case 2:
		s.Capture = sweep.Sealed
		s.Bands[0].RBW = 30e3
	}
	p, bad := sweep.Compile(s, stormBench())
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	return p
}

func stormBench() sweep.Bench {
	b := facts()
	b.Uncertainty = 0.5
	b.SharedReference = true
	return b
}

// storm runs plan after plan until so many faults have struck, and judges each.
func (l *lab) storm(t *testing.T, faults int, seed uint64) {
	j := newWorld().journal
	s := l.setup(j)
	s.Facts, s.Clock = stormBench(), patient{l}
	s.Rules.LinkDown = engine.Patience{Tries: 40, First: 100 * time.Millisecond, Longest: 200 * time.Millisecond}
	s.Rules.Reopen = s.Rules.LinkDown
	s.Rules.Off = engine.Patience{Tries: 40, First: 100 * time.Millisecond, Longest: 200 * time.Millisecond}
	s.Rules.OffTotal = 2 * time.Minute
	d := serve(t, s)
	waitWithin(t, 2*time.Minute, func() bool { st := d.Status(); return st.Analyzer.Up && st.Source.Up })
	rage := func(role virtual.Role, seed uint64) {
		var kinds []virtual.Kind
		for _, k := range virtual.Kinds() {
			if k != virtual.FaultLate {
				kinds = append(kinds, k)
			}
		}
		const p = 0.025
		ok(t, l.Storm(role, virtual.Storm{Seed: seed, Probability: p, Kinds: kinds, Delay: 20 * time.Millisecond}))
		// A late answer is one that comes after nobody waits for it any more.
		ok(t, l.Fault(role, virtual.Fault{Kind: virtual.FaultLate, Count: -1, Probability: p / float64(len(kinds)), Delay: 5 * l.quick / 4}))
	}
	rage(virtual.RoleAnalyzer, seed)
	rage(virtual.RoleSource, seed+100)
	ended, claims, voids := map[string]int{}, map[sweep.Outcome]int{}, 0
	through := func() bool { return claims[sweep.Measured] > 0 && claims[sweep.AtLeast] > 0 }
	for n := 0; (l.struck() < faults || !through() && n < 20) && !t.Failed(); n++ {
		q := request(stormPlan(t, n))
		run, err := d.Start(ctx, q)
		if err != nil {
			ended["not started: "+firstWords(err.Error())]++
			if n > 50*(1+faults/60) {
				t.Fatalf("%d starts for %d faults, the last: %v", n, l.struck(), err)
			}
			continue
		}
		r := d.endWithin(t, run.ID, 10*time.Minute)
		ended[r.State.String()+" "+firstWords(r.Reason)]++
		if r.State != sweep.Completed && r.State != sweep.Failed || r.State == sweep.Failed && !byRule(r.Reason) {
			t.Errorf("run %d ended %v: %s", n, r.State, r.Reason)
		}
		if l.SourceOn() {
			t.Errorf("the source is on after run %d, which ended %v: %s", n, r.State, r.Reason)
		}
		stored := j.run(t, r.ID)
		e := sweep.Evaluate(stored, j.caps(r.ID))
		for _, g := range e.Results {
			claims[g.Outcome]++
			l.honest(t, g)
		}
		for _, c := range j.caps(r.ID) {
			if c.Void != "" {
				voids++
			}
		}
		j.forget(r.ID)
	}
	ok(t, l.CalmDown(virtual.RoleAnalyzer))
	ok(t, l.CalmDown(virtual.RoleSource))
	for _, k := range l.Ledger() {
		if k.Freq < 30e6 || k.Freq > 1e9 || k.Level > 0 || k.Off.IsZero() {
			t.Errorf("keyed %+v", k)
		}
	}
	for _, k := range j.keyings() {
		if k.Off.IsZero() || k.OffNot != "" {
			t.Errorf("ledger: %+v", k)
		}
	}
	for _, b := range j.broken {
		t.Errorf("journal: %s", b)
	}
	if !through() {
		t.Error("nothing came through the storm")
	}
	t.Logf("%d faults: analyzer %v, source %v", l.struck(), l.Struck(virtual.RoleAnalyzer), l.Struck(virtual.RoleSource))
	t.Logf("runs %v; results %v; %d void captures", ended, claims, voids)
	if err := d.stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
}

// honest compares a result with what only the virtual bench knows.
func (l *lab) honest(t *testing.T, r sweep.Result) {
	t.Helper()
	truth, err := l.Truth().SE(r.At.Specimen, "", "", r.Freq)
	if err != nil {
		t.Fatal(err)
	}
	switch off := float64(r.SE.Value - truth); {
	case r.SE.Relation == sweep.AtLeastRelation && off > 0:
		t.Errorf("%s at %v: bound %v, truth %v", r.At.Specimen, r.Freq, r.SE, truth)
	case r.Outcome == sweep.Measured && math.Abs(off) > float64(r.SE.U):
		t.Errorf("%s at %v: %v, truth %v", r.At.Specimen, r.Freq, r.SE, truth)
	}
}

// struck counts the faults that have struck so far.
func (l *lab) struck() int {
	n := 0
	for _, role := range []virtual.Role{virtual.RoleAnalyzer, virtual.RoleSource} {
		for _, k := range l.Struck(role) {
			n += k
		}
	}
	return n
}

// byRule reports whether a failed run names one of the stated rules.
func byRule(reason string) bool {
	for _, rule := range []string{
		"the source's state reads back wrong", "an instrument stayed away", "too many void points in a row", "the armed sweep cannot tell the points apart",
	} {
		if strings.HasPrefix(reason, rule) {
			return true
		}
	}
	return false
}

// firstWords is a reason without what differs from one case to the next.
func firstWords(reason string) string {
	words, _, _ := strings.Cut(reason, ":")
	return words
}

func ok(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
