package sweep

import (
	"fmt"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
	"lidded/sweep/ladder"
	"lidded/sweep/requirement"
)

// DefaultExchangeTime is what setting, keying and reading a trace take beside the
// sweep itself: a round figure for a local network, common practice, no source.
const DefaultExchangeTime = 30 * time.Millisecond

// Forecast is what a bench is expected to show at one point without a shield
// and with a perfect one, from what is stated of it.
type Forecast struct {
	Point        int      `json:"point"`
	Freq         unit.Hz  `json:"freq_hz"`
	Reference    unit.DBm `json:"reference_dbm"`
	NoiseFloor   unit.DBm `json:"noise_floor_dbm"`
	DynamicRange unit.DB  `json:"dynamic_range_db"`
	Provable     unit.DB  `json:"provable_db"` // median bound when the signal is gone, at the plan's confidence
	Required     *unit.DB `json:"required_db,omitempty"`
	Short        *unit.DB `json:"short_by_db,omitempty"` // how much the dynamic range lacks for requirement plus headroom
	Note         string   `json:"note,omitempty"`
	RBW          unit.Hz  `json:"rbw_hz,omitempty"` // adaptive: of the rung that should prove it

	deep time.Duration // adaptive: that rung's time
}

// Estimate is what a plan takes on a bench.
type Estimate struct {
	Total     time.Duration   `json:"total_ns"` // without waiting at hold points
	KeyedTime time.Duration   `json:"keyed_ns"` // source on
	StepTimes []time.Duration `json:"step_times_ns"`
	Points    []Forecast      `json:"points"`
	SweepTime time.Duration   `json:"sweep_time_ns,omitempty"` // sealed: one whole sweep
	Dwell     time.Duration   `json:"dwell_ns,omitempty"`      // sealed: on each step
	Notes     []string        `json:"notes,omitempty"`
	// PointTimes are what each point takes in a step of a kind.
	PointTimes map[StepKind][]time.Duration `json:"-"`
	// Exposure has radiated power and distances; nil where nothing is radiated or
	// the bench does not state what.
	Exposure *ExposureOutlook `json:"exposure,omitempty"`
}

// SweepLaw is the time of one sweep, k·span/RBW² (for near-Gaussian filters k is
// 2 to 3), but no less than one look of 2.5/RBW.
func SweepLaw(k float64, span, rbw unit.Hz) time.Duration {
	if rbw <= 0 {
		return 0
	}
	s := max(k*float64(span)/float64(rbw)/float64(rbw), 2.5/float64(rbw))
	return time.Duration(s * float64(time.Second))
}

// HeldCycle is how long a sweep takes with its retrace, for which a tenth of
// the sweep time and 20 ms are allowed (a round figure, common practice, no
// source).
func HeldCycle(sweepTime time.Duration) time.Duration {
	return sweepTime + sweepTime/10 + 20*time.Millisecond
}

// HeldDwell is how long the source stays on each step of a sealed capture so
// that n whole sweeps see it, settle + (n+1)·(sweep + retrace): a change may
// fall into the middle of a sweep, so only those begun after settling count.
func HeldDwell(p Plan, q Point, sweepTime time.Duration) time.Duration {
	return max(p.Settle+time.Duration(p.HoldSweeps+1)*HeldCycle(sweepTime), q.Dwell)
}

// WholeSweeps is how many whole sweeps surely see a step of that dwell.
func WholeSweeps(p Plan, dwell, sweepTime time.Duration) int {
	return max(int((dwell-p.Settle)/HeldCycle(sweepTime))-1, 0)
}

// Predict estimates time and reach of a plan on a bench without hardware.
func Predict(p Plan, b Bench, line *requirement.Line, specimens []Specimen) Estimate {
	var est Estimate
	steps := Steps(p, b, specimens)
	rule := detect.DefaultRule(max(1, Captures(p, steps)))
	rule.FamilyAlpha, rule.Confidence = p.FalseAlarm, p.Confidence
	held := HeldSweep(p, b)
	if p.Capture == Sealed {
		est.SweepTime = SweepLaw(b.SweepFactor, held.Span, held.RBW)
	}
	short := 0
	for _, q := range p.Points {
		f := forecast(p, q, b, rule, est.SweepTime, held)
		if p.Strategy == Adaptive {
			forecastRung(&f, p, q, b, rule, line)
		}
		if line != nil {
			if req, ok := line.At(fieldOf(q), q.Freq); ok {
				f.Required = &req
				if lack := req + p.Headroom - f.DynamicRange; lack > 0 {
					f.Short = &lack
					short++
					f.Note = fmt.Sprintf("dynamic range is %.1f dB short of requirement plus headroom: %s", float64(lack), cure(lack, q))
				}
			}
		}
		est.Points = append(est.Points, f)
	}
	est.PointTimes = map[StepKind][]time.Duration{}
	keyed := map[StepKind][]time.Duration{}
	for _, kind := range []StepKind{Ambient, Reference, Enclosed, Closing, Leakage, Linearity} {
		for i, q := range p.Points {
			on, whole := PointTime(p, q, b, kind, est.SweepTime)
			if kind == Enclosed || kind == Leakage {
				on, whole = on+est.Points[i].deep/2, whole+est.Points[i].deep
			}
			est.PointTimes[kind] = append(est.PointTimes[kind], whole)
			keyed[kind] = append(keyed[kind], on)
		}
	}
	for _, s := range steps {
		var t time.Duration
		for _, i := range s.Captures(p) {
			t += est.PointTimes[s.Kind][i]
			est.KeyedTime += keyed[s.Kind][i]
		}
		est.StepTimes = append(est.StepTimes, t)
		est.Total += t
	}
	if p.Capture == Sealed && len(p.Points) > 0 {
		est.Dwell = HeldDwell(p, p.Points[0], est.SweepTime)
	}
	if short > 0 {
		est.Notes = append(est.Notes, fmt.Sprintf("%d of %d points lack dynamic range for requirement plus %.0f dB headroom", short, len(p.Points), float64(p.Headroom)))
	}
	if line == nil && p.Requirement == "" {
		est.Notes = append(est.Notes, "no requirement line: results get no verdict")
	}
	est.Exposure = ExposureOf(p, b)
	est.Notes = append(est.Notes, neverNotes(p, b)...)
	return est
}

func forecast(p Plan, q Point, b Bench, rule detect.Rule, sweepTime time.Duration, held driver.Settings) Forecast {
	rbw := q.RBW
	if p.Capture == Sealed {
		rbw = held.RBW
	}
	att := unit.DB(0)
	if q.Attenuation != nil {
		att = *q.Attenuation
	}
	f := Forecast{Point: q.Index, Freq: q.Freq, Reference: q.Level.Add(-b.LossOver(q.Freq)), NoiseFloor: unit.ThermalNoise(rbw).Add(b.NoiseFigure + att)}
	f.DynamicRange = f.Reference.Sub(f.NoiseFloor)
	off := detect.Looks{N: 20 * float64(p.Looks), Detector: detect.PowerAverage}
	on := detect.Looks{N: float64(LooksFor(p, 0)), Detector: detect.PowerAverage, Bins: 5}
	if p.Capture == Sealed {
		per := 1.0
		if held.Points > 0 {
			per = max(1, 1.505*float64(rbw)*sweepTime.Seconds()/float64(held.Points))
		}
		n := float64(p.HoldSweeps) * per
		on = detect.Looks{N: n, Extra: n * float64(max(len(p.Points)-1, 0)), Detector: detect.MaxHold, Bins: 3}
	}
	limit := detect.Predict(f.NoiseFloor, on, off, rule)
	f.Provable = f.Reference.Sub(limit) - b.allowance(true, p.Confidence)
	return f
}

// cure says what would buy the range that is lacking.
func cure(lack unit.DB, q Point) string {
	factor := lack.Power()
	return fmt.Sprintf("RBW %v would (sweeps take %.0f times as long at a span scaled with it), or %s more source level, or less path loss", q.RBW/unit.Hz(factor), math.Ceil(factor), lack)
}

// PointTime is how long a point takes in a step, and how long of it the source
// is on; of an adaptive plan, its quick rung. sweepTime is that of the held sweep
// of a sealed plan.
func PointTime(p Plan, q Point, b Bench, kind StepKind, sweepTime time.Duration) (on, whole time.Duration) {
	if p.Capture == Sealed {
		d := HeldDwell(p, q, sweepTime)
		if kind == Ambient {
			return 0, d
		}
		return d, d + b.exchangeTime()
	}
	look := max(SweepLaw(b.SweepFactor, q.Span, q.RBW), q.Dwell)
	n := p.Looks
	if p.Strategy == Adaptive {
		n = max(n, quickLooks)
		if kind == Reference && p.CheckReference {
			n++
		}
	} else if kind == Enclosed {
		n = LooksFor(p, 0)
	}
	if kind == Ambient {
		return 0, time.Duration(n) * (look + b.exchangeTime())
	}
	on = time.Duration(n) * (look + p.Settle)
	return on, on + time.Duration(n)*(look+2*b.exchangeTime())
}

func (b Bench) exchangeTime() time.Duration {
	if b.ExchangeTime > 0 {
		return b.ExchangeTime
	}
	return DefaultExchangeTime
}

// followedError is how far the carrier is taken to be from where it is followed
// to, in forecasts: the drift of a quarter of an hour.
func followedError(f unit.Hz, b Bench) unit.Hz {
	if b.SharedReference {
		return 0
	}
	return f * unit.Hz(followSigmas*b.driftPPM()/4) * 1e-6
}

// forecastRung is what the ladder should come to at a point behind a perfect
// shield.
func forecastRung(f *Forecast, p Plan, q Point, b Bench, rule detect.Rule, line *requirement.Line) {
	req := ladder.Request{
		Reference: f.Reference, Density: f.NoiseFloor.Add(-unit.PowerRatio(float64(q.RBW))), Loss: b.allowance(false, p.Confidence),
		Best: f.Provable, Signal: unit.Missing(), Goal: unit.DB(math.Inf(1)), Carrier: followedError(q.Freq, b), Drift: driftOf(q.Freq, b),
		Start: q.RBW, Min: p.MinRBW, Points: 10001, Left: -1, MostLooks: p.MaxLooks, ZeroSpan: q.Detector != driver.PositivePeak,
		Law: ladder.Law{Kind: detect.SweptFilter, K: orFloat(b.SweepFactor, 2.5), Least: time.Millisecond, Settle: p.Settle},
	}
	_, req.Rule = spentRule(rule, 1)
	switch p.Stop {
	case StopReach:
		req.Goal = p.Reach
	case StopVerdict:
		goal, ok := unit.DB(0), false
		if line != nil {
			goal, ok = line.At(fieldOf(q), q.Freq)
		}
		if req.Goal = goal; !ok {
			return
		}
	}
	if p.Budget > 0 {
		req.Left = p.Budget
	}
	if c := ladder.Choose(req); c.More {
		f.RBW, f.deep, f.Provable = c.RBW, c.Cost, c.Reach
		f.NoiseFloor = f.NoiseFloor.Add(unit.PowerRatio(float64(c.RBW / q.RBW)))
		f.DynamicRange = f.Reference.Sub(f.NoiseFloor)
	}
}
