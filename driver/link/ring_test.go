package link_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"lidded/driver/link"
)

func TestRingRecordsExchanges(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			for {
				switch s := p.line('\n'); s {
				case "":
					return
				case "TRAC?":
					p.send("#14\x01\x02\x03\x04\n")
				case "LIST?":
					p.send("a\n", "b\n")
				case "DEAD?":
				default:
					if strings.HasSuffix(s, "?") {
						p.send("42\n")
					}
				}
			}
		})
		opts := impatient()
		opts.FirstReply, opts.Reply = time.Second, time.Second
		opts.Log = link.NewRing(10, 2)
		conn := dial(t, addr, opts)
		before := time.Now()
		write(t, conn, "FREQ 1E9")
		query(t, conn, "FREQ?", "42")
		write(t, conn, "TRAC?")
		if _, err := conn.ReadBlock(t.Context(), 4, 0); err != nil {
			t.Fatal(err)
		}
		query(t, conn, "LIST?", "a")
		if _, err := conn.ReadLine(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		write(t, conn, "DEAD?")
		if _, err := conn.ReadLine(t.Context(), 20*time.Millisecond); err == nil {
			t.Fatal("a reply came")
		}
		got := opts.Log.Snapshot()
		want := []link.Exchange{
			{Command: "FREQ 1E9"}, {Command: "FREQ?", Reply: "42", Bytes: 2},
			{Command: "TRAC?", Bytes: 4}, {Command: "LIST?", Reply: "a", Bytes: 2}, {Command: "DEAD?", Err: "no reply came within 20ms"},
		}
		if len(got) != len(want) {
			t.Fatalf("%d exchanges: %+v", len(got), got)
		}
		for i, g := range got {
			w := want[i]
			if g.Command != w.Command || g.Reply != w.Reply || g.Bytes != w.Bytes || !strings.Contains(g.Err, w.Err) || (g.Err == "") != (w.Err == "") {
				t.Errorf("exchange %d is %+v, want %+v", i, g, w)
			}
			if g.Time.Before(before) || g.Took < 0 {
				t.Errorf("exchange %d at %v took %v", i, g.Time, g.Took)
			}
		}
	})
}

func TestRingKeepsFailures(t *testing.T) {
	r := link.NewRing(4, 2)
	if got := r.Snapshot(); len(got) != 0 {
		t.Fatalf("a new ring holds %+v", got)
	}
	for i := range 40 {
		var err error
		if i%10 == 3 { // 3, 13, 23, 33
			err = fmt.Errorf("fault %d", i)
		}
		r.Note(fmt.Sprintf("CMD %d", i), err, time.Second)
	}
	commands := func() string {
		var s []string
		for _, e := range r.Snapshot() {
			s = append(s, e.Command)
		}
		return strings.Join(s, ",")
	}
	if got := commands(); got != "CMD 23,CMD 33,CMD 36,CMD 37,CMD 38,CMD 39" {
		t.Errorf("the ring holds %s", got)
	}
	r.Note("CMD 40", errors.New("fault 40"), 0)
	if got := commands(); got != "CMD 33,CMD 37,CMD 38,CMD 39,CMD 40" {
		t.Errorf("with the failure among the last ones: %s", got)
	}
	if e := r.Snapshot()[0]; e.Err != "fault 33" || e.Took != time.Second {
		t.Errorf("the pinned failure is %+v", e)
	}
}

func TestRingShortens(t *testing.T) {
	r := link.NewRing(0, 0)
	r.Note(strings.Repeat("x", 10000), nil, 0)
	if got := r.Snapshot(); len(got) != 1 || len(got[0].Command) != 256 {
		t.Errorf("the ring holds %d entries", len(got))
	}
}

func TestRingFromManyGoroutines(t *testing.T) {
	r := link.NewRing(8, 4)
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for i := range 500 {
				r.Note(fmt.Sprintf("%d:%d", g, i), nil, 0)
				for _, e := range r.Snapshot() {
					if !strings.Contains(e.Command, ":") {
						t.Errorf("torn entry %+v", e)
					}
				}
			}
		})
	}
	wg.Wait()
	if n := len(r.Snapshot()); n != 8 {
		t.Errorf("%d entries", n)
	}
}
