package trend

import (
	"fmt"
	"math"
	"time"
)

// Options of an analysis; zero takes the default.
type Options struct {
	FalseAlarm float64 // how often a change is called in a series without, default 0.05
	Confidence float64 // of intervals and of the points' own claims, default 0.95
	Resolution float64 // dB that a value is read to, default 0.05
	Trials     int     // simulated series, default 999
}

// Check names what is wrong with the options.
func (o Options) Check() error {
	switch {
	case !(o.FalseAlarm > 0 && o.FalseAlarm <= 0.5):
		return fmt.Errorf("false alarm rate %v: give more than 0, at most 0.5", o.FalseAlarm)
	case !(o.Confidence > 0.5 && o.Confidence < 1):
		return fmt.Errorf("confidence %v: give a probability between 0.5 and 1", o.Confidence)
	case !(o.Resolution > 0) || math.IsInf(o.Resolution, 1):
		return fmt.Errorf("resolution %v dB: give more than 0", o.Resolution)
	case float64(o.Trials+1)*o.FalseAlarm < 1:
		return fmt.Errorf("%d trials cannot show a false alarm rate of %v: simulate more", o.Trials, o.FalseAlarm)
	}
	return nil
}

func (o Options) withDefaults() Options {
	if o.FalseAlarm == 0 {
		o.FalseAlarm = 0.05
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if o.Resolution == 0 {
		o.Resolution = 0.05
	}
	if o.Trials == 0 {
		o.Trials = 999
	}
	return o
}

const (
	leastForChange = 5 // points
	leastValues    = 3 // of them values
)

// Method says in a line how changes are found.
const Method = "largest score of a step in a normal regression on values and bounds; threshold by simulation of unchanged series with the same scatter and bounds; independent runs, at most one change"

// Trend is what a series says.
type Trend struct {
	Values, Bounds int
	Median         float64
	MedianBound    bool // the median is at least that
	Scatter        float64
	// Change is the change found, nil for none; Tested says that one was looked for,
	// and P how unusual the series is without one.
	Change *Change
	Tested bool
	P      float64
	// Proof is a fall that claims prove by themselves.
	Proof *Proof
	// PerDay and PerCycle are the drift over all points in dB; nil: too few values.
	PerDay, PerCycle *Interval
	Confidence       float64
	FalseAlarm       float64
	Sentence         string
}

// Of analyses a series in any order.
func Of(points []Point, o Options) (Trend, error) {
	o = o.withDefaults()
	if err := o.Check(); err != nil {
		return Trend{}, fmt.Errorf("trend: %w", err)
	}
	all := inOrder(points)
	t := Trend{Values: measured(all), Confidence: o.Confidence, FalseAlarm: o.FalseAlarm, Scatter: math.NaN()}
	t.Bounds = len(all) - t.Values
	t.Median, t.MedianBound = Median(all)
	c, found := change(all, o)
	t.Tested, t.P = c.P > 0, c.P
	x := make([]float64, len(all))
	if found {
		t.Change = &c
		for i := c.First; i < len(x); i++ {
			x[i] = c.By.Value
		}
	}
	t.Scatter = scatter(all, x, found, o)
	if p, ok := proof(all, o); ok {
		t.Proof = &p
	}
	t.PerDay = perDay(all, o)
	t.PerCycle = perCycle(all, o)
	t.Sentence = t.say(all)
	return t, nil
}

// scatter is the standard deviation from run to run, about the level before and
// after a change.
func scatter(all []Point, shift []float64, changed bool, o Options) float64 {
	rows := constant(all)
	lost := 1.0
	if changed {
		lost = 2
		for i := range rows {
			if math.IsInf(shift[i], 0) {
				return math.NaN()
			}
			rows[i].y -= shift[i]
		}
	}
	n := float64(measured(all))
	f, err := fit(rows, o.Resolution)
	if err != nil || n <= lost {
		return math.NaN()
	}
	return f.sigma * math.Sqrt(n/(n-lost))
}

func perDay(all []Point, o Options) *Interval {
	x := make([]float64, len(all))
	for i, p := range all {
		x[i] = p.Time.Sub(all[0].Time).Hours() / 24
	}
	return slope(all, x, o)
}

func perCycle(all []Point, o Options) *Interval {
	var with []Point
	var x []float64
	for _, p := range all {
		if p.Cycle != nil {
			with, x = append(with, p), append(x, float64(*p.Cycle))
		}
	}
	return slope(with, x, o)
}

func slope(points []Point, x []float64, o Options) *Interval {
	if measured(points) < leastValues || spreadOf(x) <= 0 {
		return nil
	}
	s, ok := profile(points, x, o)
	if !ok || math.IsInf(s.Value, 0) {
		return nil
	}
	return &s
}

// say tells the trend in a sentence.
func (t Trend) say(all []Point) string {
	day := func(at time.Time) string { return at.UTC().Format("2006-01-02 15:04") }
	conf := fmt.Sprintf("%.0f %%", 100*t.Confidence)
	switch {
	case len(all) == 0:
		return "no claim in any run"
	case t.Change != nil:
		c := *t.Change
		return fmt.Sprintf("%s since %s (%s; without a change a series looks so with probability %.2g, and %.2g is called)", by(c.By, conf), day(c.Since), "the run before was "+day(c.Before), c.P, t.FalseAlarm)
	case t.Proof != nil:
		return fmt.Sprintf("fell by at least %.1f dB since %s: the newest value lies below what was claimed then (%.0f %%)", floor1(t.Proof.By), day(t.Proof.Since), 100*t.Proof.Confidence)
	case t.Values == 0:
		return fmt.Sprintf("bounds alone (%d): they prove no change", t.Bounds)
	case !t.Tested:
		return fmt.Sprintf("%d values and %d bounds are too few to look for a change: need %d runs, %d of them with values", t.Values, t.Bounds, leastForChange, leastValues)
	}
	s := fmt.Sprintf("no change found over %d runs (p %.2g; false alarms %.2g)", len(all), t.P, t.FalseAlarm)
	if d := t.PerDay; d != nil && (d.Low > 0 || d.High < 0) {
		s += fmt.Sprintf("; drifts by %+.2g dB a day (%+.2g to %+.2g dB, %s)", d.Value, d.Low, d.High, conf)
	}
	return s
}

// by tells a change; one known from one side only is "at least".
func by(i Interval, conf string) string {
	verb, v, lo, hi := "rose", i.Value, i.Low, i.High
	if i.Value < 0 {
		verb, v, lo, hi = "fell", -i.Value, -i.High, -i.Low
	}
	if math.IsInf(v, 0) {
		return fmt.Sprintf("%s by at least %.1f dB (%s)", verb, floor1(lo), conf)
	}
	return fmt.Sprintf("%s by %.1f dB (%.1f to %.1f dB, %s)", verb, v, lo, hi, conf)
}

func floor1(v float64) float64 { return math.Floor(v*10) / 10 }
