package engine_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/sweep"
)

// guard writes what it is told into the world's log.
type guard struct {
	w      *world
	refuse error
}

func (g guard) say(what string) {
	g.w.mu.Lock()
	defer g.w.mu.Unlock()
	g.w.log = append(g.w.log, "guard."+what)
}

func (g guard) Keying(context.Context, time.Duration) error { g.say("Keying"); return g.refuse }
func (g guard) Off()                                        { g.say("Off") }
func (g guard) Lost()                                       { g.say("Lost") }

// TestTheGuardianIsToldInOrder: before each keying it stands by, after each it
// is told that the source is off, and never says the log otherwise.
func TestTheGuardianIsToldInOrder(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Guardian = guard{w: w}
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6, 300e6))))
	if r.State != sweep.Completed {
		t.Fatalf("ended %v: %s", r.State, r.Reason)
	}
	d.stop()
	standing, keyed := false, 0
	for i, name := range w.log {
		switch name {
		case "guard.Keying":
			standing = true
		case "source.SetOutput(on)":
			if !standing {
				t.Fatalf("call %d keys while nobody stands by", i)
			}
			keyed++
		case "guard.Off":
			if i == 0 || w.log[i-1] != "source.SetOutput(off)" {
				t.Fatalf("call %d says off after %s", i, w.log[i-1])
			}
			standing = false
		}
	}
	if keyed == 0 || standing || slices.Contains(w.log, "guard.Lost") {
		t.Errorf("keyed %d times, standing by at the end: %v", keyed, standing)
	}
	if first := slices.Index(w.log, "guard.Off"); first < 0 || first > slices.Index(w.log, "guard.Keying") {
		t.Error("the source was not said to be off before the first keying")
	}
}

func TestNobodyStandingByMeansNoKeying(t *testing.T) {
	w := newWorld()
	s := w.setup()
	s.Guardian = guard{w, errors.New("the process cannot be started")}
	d := serve(t, s)
	r := d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	if r.State != sweep.Failed || !strings.Contains(r.Reason, "nobody stands by to switch the source off: the process cannot be started") {
		t.Errorf("ended %v: %s", r.State, r.Reason)
	}
	if len(w.keyings) > 0 {
		t.Error("it was keyed")
	}
}

func TestTheGuardianHearsOfALostSource(t *testing.T) {
	w := newWorld()
	var once sync.Once
	w.fail = func(_ int, name string) (f failure) {
		if name == "source.SetOutput(off)" && w.on {
			once.Do(func() { f = failure{err: errors.New("cable pulled")} })
		}
		return f
	}
	s := w.setup()
	s.Guardian = guard{w: w}
	d := serve(t, s)
	d.end(t, d.begin(t, request(plan(t, sweep.Linked, 100e6))))
	d.stop()
	lost := slices.Index(w.log, "guard.Lost")
	if lost < 0 || w.log[lost-1] != "source.SetOutput(off)" || !slices.Contains(w.log[lost:], "guard.Off") {
		t.Errorf("the guardian heard %v", w.log)
	}
}

// A source that is away, but was not keyed since it was last read back as off, is
// not one that may be on.
func TestASourceThatIsAwayIsNotLost(t *testing.T) {
	w := newWorld()
	w.fail = func(_ int, name string) (f failure) {
		if name == "source.SetOutput(off)" || name == "source.Recover" || name == "source.Halt" {
			f.err = errors.New("unplugged")
		}
		return f
	}
	s := w.setup()
	s.Guardian = guard{w: w}
	d := serve(t, s)
	if err := d.stop(); err == nil {
		t.Error("an end without a source is not without an error")
	}
	if slices.Contains(w.log, "guard.Lost") {
		t.Errorf("the guardian heard of a loss: %v", w.log)
	}
}

// TestASourceSwitchedOffBySomebodyElse: what is captured meanwhile would read as
// a good shield, and nobody keys again what a person switched off.
func TestASourceSwitchedOffBySomebodyElse(t *testing.T) {
	for _, mode := range []sweep.CaptureMode{sweep.Linked, sweep.Sealed} {
		t.Run(mode.String(), func(t *testing.T) {
			w := newWorld()
			pressed := 0
			w.onCall = func(_ int, name string) {
				if name == "source.Output" && w.on { // asked at the end of the keying
					if pressed == 0 {
						pressed = len(w.keyings)
					}
					w.on = false
				}
			}
			d := serve(t, w.setup())
			r := d.end(t, d.begin(t, request(plan(t, mode, 100e6, 300e6))))
			if r.State != sweep.Failed || !strings.Contains(r.Reason, "somebody else switched it off while it was keyed") {
				t.Errorf("ended %v: %s", r.State, r.Reason)
			}
			if len(w.keyings) != pressed {
				t.Errorf("keyed %d times more", len(w.keyings)-pressed)
			}
			for _, c := range w.journal.caps(r.ID) {
				if c.Kind != sweep.Ambient {
					t.Errorf("committed %v of point %d", c.Kind, c.Point)
				}
			}
		})
	}
}
