package engine_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/instrument"
	"lidded/driver/virtual"
	"lidded/sweep"
)

// An order to switch off is carried out while everything else stands still. None
// of these tests measures time: what stands still does so until the order was
// answered.

// stop is something that lets nobody pass while it is shut.
type stop struct {
	shut atomic.Bool
	deaf bool          // a context's end does not help either
	open chan struct{} // closed: passable again
	at   chan string   // who stands there
	once sync.Once
}

func newStop(deaf bool) *stop {
	return &stop{deaf: deaf, open: make(chan struct{}), at: make(chan string, 100)}
}

func (s *stop) release() { s.once.Do(func() { s.shut.Store(false); close(s.open) }) }

func (s *stop) pass(ctx context.Context, who string) error {
	if !s.shut.Load() {
		return nil
	}
	select {
	case s.at <- who:
	default:
	}
	if s.deaf {
		<-s.open
		return nil
	}
	select {
	case <-s.open:
		return nil
	case <-ctx.Done():
		return &driver.Error{Op: who, Kind: driver.KindCancelled, Err: context.Cause(ctx)}
	}
}

// stuckAnalyzer takes commands and answers when it is let.
type stuckAnalyzer struct {
	driver.Analyzer
	stop  *stop
	lab   *lab
	keyed bool // stands still with the source on only
}

func (a stuckAnalyzer) wait(ctx context.Context, who string) error {
	if a.keyed && !a.lab.SourceOn() {
		return nil
	}
	return a.stop.pass(ctx, who)
}

func (a stuckAnalyzer) Sweep(ctx context.Context) (driver.Trace, error) {
	if err := a.wait(ctx, "sweep"); err != nil {
		return driver.Trace{}, err
	}
	return a.Analyzer.Sweep(ctx)
}

func (a stuckAnalyzer) Health(ctx context.Context) (driver.Health, error) {
	if err := a.wait(ctx, "health"); err != nil {
		return driver.Health{}, err
	}
	return a.Analyzer.Health(ctx)
}

func (a stuckAnalyzer) Recover(ctx context.Context) error {
	if err := a.wait(ctx, "recover"); err != nil {
		return err
	}
	return a.Analyzer.Recover(ctx)
}

// stuckJournal writes when it is let.
type stuckJournal struct {
	*memory
	stop *stop
}

func (j stuckJournal) Transition(ctx context.Context, id sweep.RunID, at time.Time, to sweep.State, reason, who string) error {
	if err := j.stop.pass(ctx, "transition"); err != nil {
		return err
	}
	return j.memory.Transition(ctx, id, at, to, reason, who)
}

func (j stuckJournal) KeyOff(ctx context.Context, n int64, at time.Time, not string) error {
	if err := j.stop.pass(ctx, "key off"); err != nil {
		return err
	}
	return j.memory.KeyOff(ctx, n, at, not)
}

func (j stuckJournal) Note(ctx context.Context, e sweep.Event) error {
	if err := j.stop.pass(ctx, "note"); err != nil {
		return err
	}
	return j.memory.Note(ctx, e)
}

const within = 60 * time.Second

// ordered gives several orders at once and returns what became of them.
func ordered(t *testing.T, d daemon) {
	t.Helper()
	octx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	var all sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		all.Go(func() { errs[i] = d.SourceOff(octx, fmt.Sprintf("Mara %d", i)) })
	}
	all.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatalf("the order: %v", err)
	}
}

func TestOrderedOffWaitsForNothing(t *testing.T) {
	for _, link := range []string{"tcp", "serial", "one connection only"} {
		for _, deaf := range []bool{false, true} {
			for _, when := range []string{"in a sweep", "in the source's answer", "at a hold point", "idle", "journal", "opening"} {
				t.Run(fmt.Sprintf("%s, %s, deaf %v", link, when, deaf), func(t *testing.T) {
					t.Parallel()
					l := newLabOf(t, labSpec{analyzer: "analyzer-opc", analyzerHabits: "modern-opc", source: "source-scpi", sourceHabits: "source-scpi", world: labWorld(), pty: link == "serial"})
					if link == "one connection only" {
						if err := l.Fault(virtual.RoleSource, virtual.Fault{Kind: virtual.FaultOneClient}); err != nil {
							t.Fatal(err)
						}
					}
					analyzer, journal, opening := newStop(deaf), newStop(deaf), newStop(false)
					j := newWorld().journal
					s := l.setup(j)
					s.Journal = stuckJournal{j, journal}
					s.Rules.IdleCheck = -1
					if when == "in the source's answer" {
						var once sync.Once
						s.Observer = observer(func(p sweep.Progress) {
							if p.Kind == "source" && p.SourceOn {
								once.Do(func() {
									if err := l.Fault(virtual.RoleSource, virtual.Fault{Kind: virtual.FaultStall, Match: "OUTP?"}); err != nil {
										t.Error(err)
									}
								})
							}
						})
					}
					s.Safe = func(ctx context.Context) error {
						return instrument.MakeSafe(ctx, l.spec("source", l.source, l.SourceAddr(), l.SourcePTY()))
					}
					open := s.Open
					s.Open = func(ctx context.Context) (driver.Analyzer, driver.Source, error) {
						a, src, err := open(ctx)
						if err != nil {
							return a, src, err
						}
						if err := opening.pass(ctx, "open"); err != nil {
							a.Close()
							return nil, src, err
						}
						return stuckAnalyzer{a, analyzer, l, when != "idle"}, src, nil
					}
					if when == "idle" {
						s.Rules.IdleCheck = time.Millisecond
						analyzer.shut.Store(true)
					}
					opening.shut.Store(when == "opening")
					d := serve(t, s)
					defer d.stop()
					defer analyzer.release()
					defer journal.release()
					defer opening.release()

					var id sweep.RunID
					begin := func(p sweep.Plan) {
						q := request(p)
						q.Specimens = lockers[:1]
						id = d.begin(t, q)
					}
					byHand := func() sweep.Plan {
						p := plan(t, sweep.Linked, 100e6, 300e6)
						p.ByRule = false
						return p
					}
					stands := func(s *stop) {
						select {
						case <-s.at:
						case <-time.After(within):
							t.Fatal("nothing stands still")
						}
					}
					switch when {
					case "in a sweep":
						analyzer.shut.Store(true)
						begin(plan(t, sweep.Linked, 100e6, 300e6))
						stands(analyzer)
						if !l.SourceOn() {
							t.Fatal("the source is not on")
						}
						journal.shut.Store(true)
					case "in the source's answer":
						begin(plan(t, sweep.Linked, 100e6, 300e6))
						waitWithin(t, within, func() bool { return l.Struck(virtual.RoleSource)[virtual.FaultStall] > 0 })
					case "at a hold point":
						begin(byHand())
						d.holding(t, -1)
						journal.shut.Store(true)
					case "idle":
						stands(analyzer)
					case "opening":
						stands(opening)
					case "journal":
						journal.shut.Store(true)
						go func() {
							q := request(byHand())
							q.Specimens = lockers[:1]
							_, _ = d.Start(ctx, q)
						}()
						stands(journal)
					}
					ordered(t, d)
					if l.SourceOn() {
						t.Error("the source is on after it was said to be off")
					}
					if st := d.Status(); st.SourceOn {
						t.Error("the bench says that it is on")
					}
					if id == "" {
						return
					}
					analyzer.release()
					journal.release()
					r := d.endWithin(t, id, within)
					if r.State != sweep.Aborted || !strings.HasPrefix(r.Reason, "source switched off by Mara") {
						t.Errorf("ended %v: %s", r.State, r.Reason)
					}
					for _, g := range j.caps(id) {
						if g.Kind != sweep.Ambient {
							t.Errorf("a capture is kept of a point that the source was taken away in: %v %v", g.Kind, g.Freq)
						}
					}
					for i, k := range j.keyings() {
						if k.Off.IsZero() || k.OffNot != "" {
							t.Errorf("keying %d has no end: %+v", i, k)
						}
					}
				})
			}
		}
	}
}
