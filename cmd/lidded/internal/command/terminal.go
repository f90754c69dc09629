package command

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"

	"lidded/sweep"
)

// progressPrinter shows a run as it goes: one line that is written over on a
// terminal, a line now and then elsewhere. It is a sweep.Observer.
type progressPrinter struct {
	w     io.Writer
	live  bool
	wide  int
	mu    sync.Mutex
	last  time.Time
	step  int
	shown bool
}

func newProgressPrinter(w io.Writer) *progressPrinter {
	p := &progressPrinter{w: w, step: -1, wide: 100}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.live = true
		if cols, _, err := term.GetSize(int(f.Fd())); err == nil && cols > 20 {
			p.wide = cols - 1
		}
	}
	return p
}

// Observe draws a picture; at most ten a second.
func (p *progressPrinter) Observe(g sweep.Progress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	every := 2 * time.Second
	if p.live {
		every = 100 * time.Millisecond
	}
	if g.Run == "" || !g.State.Busy() || (g.Step == p.step && now.Sub(p.last) < every) {
		return
	}
	p.last, p.step = now, g.Step
	line := progressLine(g)
	if p.live {
		if r := []rune(line); len(r) > p.wide {
			line = string(r[:p.wide])
		}
		fmt.Fprintf(p.w, "\r\x1b[K%s", line)
		p.shown = true
		return
	}
	fmt.Fprintln(p.w, line)
}

// Done ends the line that is written over.
func (p *progressPrinter) Done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = false
	}
}

func progressLine(g sweep.Progress) string {
	percent := 0
	if g.Total > 0 {
		percent = 100 * g.Done / g.Total
	}
	where := strings.TrimSpace(fmt.Sprintf("%s %s %s", g.At.Specimen, g.At.Position, g.At.Polarization))
	source := "source off"
	if g.SourceOn {
		source = "SOURCE ON"
	}
	if g.StepKind != sweep.StepUnknown {
		where = strings.TrimSpace(g.StepKind.String() + " " + where)
	}
	s := fmt.Sprintf("%3d %%  step %d/%d %s  point %d/%d  %s  %v left", percent, g.Step+1, g.Steps, where, g.Point+1, g.Points, source, left(g.Left))
	if g.State != sweep.Running {
		s += "  " + g.State.String()
	}
	return s
}

func left(d time.Duration) time.Duration {
	if d < 0 {
		d = 0
	}
	return d.Round(time.Second)
}
