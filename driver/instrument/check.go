package instrument

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/unit"
)

// Row is one thing that was checked.
type Row struct {
	Instrument string `json:"instrument"`
	Item       string `json:"item"`      // what: "rbw 10 kHz", "sweep"
	Sent       string `json:"sent"`      // the commands
	ReadBack   string `json:"read_back"` // what the instrument says
	OK         bool   `json:"ok"`
	Detail     string `json:"detail,omitempty"`
}

// Check tries every command of the dialect on the instrument: set, read back,
// compare; ranges, completion of a sweep and the shape of its trace, or that a
// source is off. A source is never switched on. An instrument that cannot be
// checked is an error; what is wrong with one that can is in the rows.
//
// The settings are the instrument's known state afterwards; Configure gives
// them all again.
func Check(ctx context.Context, i driver.Instrument) ([]Row, error) {
	switch x := i.(type) {
	case *Analyzer:
		return x.check(ctx), ctx.Err()
	case *Source:
		return x.check(ctx), ctx.Err()
	}
	return nil, fmt.Errorf("check: %T is not made of a dialect and a link", i)
}

// checker collects rows and keeps the link alive between them.
type checker struct {
	*talker
	recover func(context.Context) error
	rows    []Row
}

func (c *checker) add(r Row, err error) {
	r.Instrument = c.spec.Name
	if err != nil {
		r.OK = false
		r.Detail = err.Error()
	}
	c.rows = append(c.rows, r)
}

// alive reports whether checking can go on, after one attempt to recover.
func (c *checker) alive(ctx context.Context) bool {
	if ctx.Err() != nil {
		return false
	}
	if c.conn != nil && !c.restarted {
		return true
	}
	if err := c.recover(ctx); err != nil {
		c.add(Row{Item: "link"}, err)
		return false
	}
	return true
}

func sentText(cmds []dialect.Command) string {
	texts := make([]string, 0, len(cmds))
	for _, c := range cmds {
		if c.Send != "" {
			texts = append(texts, c.Send)
		}
	}
	return strings.Join(texts, " | ")
}

const notReported = "not reported"

// number sets a numeric item, reads it back and compares.
func (c *checker) number(ctx context.Context, item dialect.Item, v float64) {
	s := c.dialect.Setting(item)
	if s == nil || onlyRead(s) || !c.alive(ctx) {
		return
	}
	q := item.Quantity()
	r := Row{Item: item.String() + " " + q.Text(v), ReadBack: notReported}
	cmds, sent, err := c.commands(s, v)
	if err != nil {
		c.add(r, err)
		return
	}
	r.Sent = sentText(cmds)
	err = c.apply(ctx, cmds)
	if err == nil && s.Get.Send != "" {
		var got float64
		if got, err = c.talker.number(ctx, s); err == nil {
			r.ReadBack = q.Text(got)
			if !s.Within(sent, got) {
				err = fmt.Errorf("beyond the tolerance: widen settings.%s.tolerance, or list the steps in values", item)
			}
		}
	}
	r.OK = err == nil
	c.add(r, err)
}

// onlyRead reports whether an item can be asked for and not set: Configure has
// asked for it.
func onlyRead(s *dialect.Setting) bool {
	_, _, fixed := s.Fixed()
	return !fixed && !s.Settable()
}

// word sets a choice, reads it back and compares.
func (c *checker) word(ctx context.Context, item dialect.Item, w string) {
	s := c.dialect.Setting(item)
	if s == nil || !c.alive(ctx) {
		return
	}
	r := Row{Item: item.String() + " " + w, ReadBack: notReported}
	cmds, err := s.Choose(w)
	if err != nil {
		c.add(r, err)
		return
	}
	r.Sent = sentText(cmds)
	err = c.apply(ctx, cmds)
	if err == nil && s.Get.Send != "" {
		var got string
		if got, err = c.choice(ctx, s, w); err == nil {
			r.ReadBack = got
			if got != w {
				err = errors.New("reads back as another choice")
			}
		}
	}
	r.OK = err == nil
	c.add(r, err)
}

// automatic hands an item to the instrument.
func (c *checker) automatic(ctx context.Context, item dialect.Item) {
	s := c.dialect.Setting(item)
	if s == nil || len(s.Automatic) == 0 || !c.alive(ctx) {
		return
	}
	err := c.apply(ctx, s.Automatic)
	c.add(Row{Item: item.String() + " automatic", Sent: sentText(s.Automatic), ReadBack: notReported, OK: err == nil}, err)
}

// identityRow says who answers.
func (c *checker) identityRow(ctx context.Context) {
	id, err := c.identify(ctx)
	c.add(Row{Item: "identity", Sent: c.dialect.Identity.Query.Send, ReadBack: id.String(), OK: err == nil}, err)
}

// errorRow sends a command no instrument knows and wants to hear of it.
func (c *checker) errorRow(ctx context.Context) {
	e := c.dialect.Errors
	if e.Query.Send == "" && e.Event.Send == "" {
		c.add(Row{Item: "error queue", ReadBack: "none", OK: true, Detail: "the dialect states none: refused settings show only in what reads back"}, nil)
		return
	}
	if !c.alive(ctx) {
		return
	}
	bad := dialect.Command{Send: "LIDDED:CHECK", Expect: dialect.None}
	if c.dialect.Ack != nil {
		bad.Expect = dialect.Line
	}
	r := Row{Item: "error queue", Sent: bad.Send}
	_, err := c.do(ctx, bad)
	if err == nil {
		err = c.verify(ctx, bad.Send)
		switch k := driver.KindOf(err); {
		case err == nil:
			err = errors.New("an unknown command raises no error: is this the right query?")
		case k == driver.KindDeviceDialect || k == driver.KindDeviceOther:
			r.ReadBack, err = errors.Unwrap(err).Error(), nil
		}
	}
	r.OK = err == nil
	c.add(r, err)
}

// rangeRow says what range is known.
func (c *checker) rangeRow(item dialect.Item) {
	l, q := c.limits[item], item.Quantity()
	text := func(v float64) string {
		if math.IsInf(v, 0) {
			return "not stated"
		}
		return q.Text(v)
	}
	if c.dialect.Setting(item) == nil {
		return
	}
	r := Row{Item: item.String() + " range", ReadBack: text(l.min) + " to " + text(l.max), OK: l.min <= l.max}
	if !r.OK {
		r.Detail = "the least is above the most"
	}
	c.add(r, nil)
}

// fit moves a test value into the known range, a little inside it.
func (c *checker) fit(item dialect.Item, v float64) float64 {
	l := c.limits[item]
	return math.Max(math.Min(v, l.max), l.min)
}

func (s *Source) check(ctx context.Context) []Row {
	c := &checker{talker: &s.talker, recover: s.Recover}
	off := func(when string) {
		err := s.safe(ctx)
		r := Row{Item: "output off, " + when, Sent: sentText(s.dialect.Safe.Send), ReadBack: "off", OK: err == nil}
		if s.dialect.Safe.ByAck {
			r.ReadBack, r.Detail = notReported, "the acknowledgement stands for it"
		}
		if err != nil {
			r.ReadBack = ""
		}
		c.add(r, err)
	}
	c.identityRow(ctx)
	off("before")
	c.errorRow(ctx)
	c.rangeRow(dialect.CarrierFrequency)
	c.rangeRow(dialect.CarrierLevel)
	for _, f := range []float64{30e6, 433.92e6, 1e9} {
		c.number(ctx, dialect.CarrierFrequency, c.fit(dialect.CarrierFrequency, f))
	}
	for _, p := range []float64{-60, -25.5, -10} {
		c.number(ctx, dialect.CarrierLevel, c.fit(dialect.CarrierLevel, p))
	}
	if c.alive(ctx) {
		off("after")
	}
	return c.rows
}

func (a *Analyzer) check(ctx context.Context) []Row {
	c := &checker{talker: &a.talker, recover: a.Recover}
	defer a.forget()
	low := dialect.Center
	if a.dialect.Setting(low) == nil {
		low = dialect.Start
	}
	mid := c.fit(low, 100e6)
	c.identityRow(ctx)
	c.errorRow(ctx)
	c.rangeRow(low)
	c.rangeRow(dialect.RBW)

	base := driver.Settings{Center: unit.Hz(mid), Span: 1e6, RBW: 30e3, Detector: a.firstDetector(), Hold: driver.ClearWrite}
	if _, err := a.Configure(ctx, base); err != nil {
		c.add(Row{Item: "configure"}, err)
		if !c.alive(ctx) {
			return c.rows
		}
	}
	if low == dialect.Center {
		for _, f := range []float64{c.fit(low, 30e6), c.fit(low, 900e6), mid} {
			c.number(ctx, dialect.Center, f)
		}
		for _, v := range []float64{100e3, 10e6, 0, 1e6} {
			c.number(ctx, dialect.Span, v)
		}
	} else {
		for _, v := range []float64{900e6, mid} {
			c.number(ctx, dialect.Stop, c.fit(dialect.Stop, v+5e5))
			c.number(ctx, dialect.Start, c.fit(dialect.Start, v-5e5))
		}
		c.number(ctx, dialect.Stop, c.fit(dialect.Stop, mid+5e5))
	}
	for _, v := range c.bandwidths() {
		c.number(ctx, dialect.RBW, v)
	}
	c.number(ctx, dialect.VBW, 10e3)
	c.automatic(ctx, dialect.VBW)
	for _, item := range []dialect.Item{dialect.Hold, dialect.Detector, dialect.Preamp} {
		if s := a.dialect.Setting(item); s != nil && s.Settable() {
			for _, w := range reversed(s.Choices()) { // ends with the mild ones: clear_write, off
				c.word(ctx, item, w)
			}
		}
	}
	if s := a.dialect.Setting(dialect.Points); s != nil && s.Settable() {
		for _, v := range some(s.Values, 201, 401) {
			c.number(ctx, dialect.Points, v)
		}
		c.automatic(ctx, dialect.Points)
	}
	c.number(ctx, dialect.RefLevel, -20)
	c.number(ctx, dialect.RefLevel, 0)
	c.number(ctx, dialect.Attenuation, 20)
	c.number(ctx, dialect.Attenuation, 10)
	c.automatic(ctx, dialect.Attenuation)
	c.number(ctx, dialect.SweepTime, 0.2)
	c.automatic(ctx, dialect.SweepTime)
	a.forget()
	a.checkSweep(ctx, c, base)
	return c.rows
}

func reversed(s []string) []string {
	out := make([]string, len(s))
	for i, x := range s {
		out[len(s)-1-i] = x
	}
	return out
}

// some returns up to a dozen of the stated values, or the others.
func some(stated []float64, others ...float64) []float64 {
	if len(stated) == 0 {
		return others
	}
	return stated[:min(len(stated), 12)]
}

// bandwidths returns resolution bandwidths worth trying: the stated ones, or
// the steps of 1, 3, 10 within the range.
func (c *checker) bandwidths() []float64 {
	s := c.dialect.Setting(dialect.RBW)
	if s == nil || !s.Settable() {
		return nil
	}
	if len(s.Values) > 0 {
		return some(s.Values)
	}
	var out []float64
	for _, v := range []float64{1e3, 3e3, 10e3, 30e3, 100e3, 300e3, 1e6} {
		if l := c.limits[dialect.RBW]; v >= l.min && v <= l.max {
			out = append(out, v)
		}
	}
	return out
}

// firstDetector prefers the positive peak, which most plans use.
func (a *Analyzer) firstDetector() driver.Detector {
	s := a.dialect.Setting(dialect.Detector)
	for _, d := range []driver.Detector{driver.PositivePeak, driver.Sample, driver.PowerAverage, driver.LogAverage, driver.VoltageAverage, driver.AutoPeak, driver.NegativePeak} {
		if s.Knows(d.String()) {
			return d
		}
	}
	return driver.DetectorUnknown
}

// longEnough is the sweep time from which an end reported too early shows.
const longEnough = 50 * time.Millisecond

// checkSweep takes a sweep, and a held trace, and looks at them.
func (a *Analyzer) checkSweep(ctx context.Context, c *checker, base driver.Settings) {
	if !c.alive(ctx) {
		return
	}
	if s := a.dialect.Setting(dialect.SweepTime); s != nil && s.Settable() {
		base.SweepTime = 200 * time.Millisecond
	}
	got, err := a.Configure(ctx, base)
	if err != nil {
		c.add(Row{Item: "sweep"}, err)
		return
	}
	want, err := a.SweepTime(ctx)
	if err != nil {
		c.add(Row{Item: "sweep"}, err)
		return
	}
	tr, err := a.Sweep(ctx)
	r := Row{Item: "sweep", Sent: sentText(a.dialect.Sweep.Start), ReadBack: "ended after " + tr.Took.Round(time.Millisecond).String(), OK: err == nil,
		Detail: fmt.Sprintf("sweep time %v, end known by %s", want, a.dialect.Sweep.By)}
	if err == nil && want >= longEnough && tr.Took < want/2 && !a.spec.FastClock {
		err = fmt.Errorf("the end was reported after %v of %v: completion by %s does not wait on this instrument, use another", tr.Took.Round(time.Millisecond), want, a.dialect.Sweep.By)
	}
	c.add(r, err)
	c.traceRow("trace", a.dialect.Trace.Query.Send, tr, got)
	if !a.dialect.MaxHold.Supported || !c.alive(ctx) {
		return
	}
	err = a.Arm(ctx)
	if err == nil {
		err = a.pause(ctx, 3*want)
	}
	if err == nil {
		tr, err = a.ReadHold(ctx)
	}
	if err != nil {
		c.add(Row{Item: "max hold"}, err)
		return
	}
	c.traceRow("max hold", sentText(a.dialect.Sweep.Freeze), tr, got)
	if err := a.Halt(ctx); err != nil {
		c.add(Row{Item: "halt", Sent: sentText(a.dialect.Sweep.Stop)}, err)
	}
}

// traceRow looks at the shape of a trace.
func (c *checker) traceRow(item, sent string, tr driver.Trace, got driver.Settings) {
	if len(tr.Levels) == 0 {
		c.add(Row{Item: item, Sent: sent, Detail: "no points"}, nil)
		return
	}
	finite := 0
	lowest, highest := unit.DBm(math.Inf(1)), unit.DBm(math.Inf(-1))
	for _, p := range tr.Levels {
		if p.IsFinite() {
			finite++
			lowest, highest = min(lowest, p), max(highest, p)
		}
	}
	r := Row{Item: item, Sent: sent, OK: true, ReadBack: fmt.Sprintf("%d points, %v to %v, %v to %v", len(tr.Levels), tr.Start, tr.Stop, lowest, highest)}
	switch {
	case finite == 0:
		r.OK, r.Detail = false, "every point is missing"
	case got.Points > 0 && got.Points != len(tr.Levels):
		r.OK, r.Detail = false, fmt.Sprintf("%d points were announced", got.Points)
	case math.Abs(float64(tr.Start-(got.Center-got.Span/2))) > math.Max(1, float64(got.Span)/100):
		r.OK, r.Detail = false, fmt.Sprintf("expected to start at %v", got.Center-got.Span/2)
	case finite < len(tr.Levels):
		r.Detail = fmt.Sprintf("%d points are missing", len(tr.Levels)-finite)
	}
	c.add(r, nil)
}
