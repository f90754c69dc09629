package sweep_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/detect"
)

func number(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.8g, want %.8g", what, got, want)
	}
}

// TestTheLargestOfManyLooks: the largest of n exponential looks has the mean
// H_n = Σ1/k and the variance Σ1/k² (Rényi, Acta Math. Acad. Sci. Hung. 4 (1953) 191);
// H_10 = 2.928968, H_100 = 5.187378, H_1000 = 7.485471.
func TestTheLargestOfManyLooks(t *testing.T) {
	for n, want := range map[float64]float64{0.3: 1, 1: 1, 2: 1.5, 2.5: 1.5 + 0.5/3, 10: 2.928968254, 50: 4.499205338, 51: 4.518813181, 100: 5.187377518, 1000: 7.485470861} {
		number(t, "harmonic number", sweep.Harmonic(n), want, 4e-5)
	}
	number(t, "spread of one", sweep.SpreadOfMax(1), 1, 1e-12)
	number(t, "spread of ten", sweep.SpreadOfMax(10), math.Sqrt(math.Pi*math.Pi/6-0.1)/2.928968254, 1e-9)
	number(t, "spread of a thousand", sweep.SpreadOfMax(1000), math.Sqrt(math.Pi*math.Pi/6-0.001)/7.485470861, 1e-6)
	five := math.Sqrt(1+1./4+1./9+1./16+1./25) / (1 + 1./2 + 1./3 + 1./4 + 1./5)
	for cv, want := range map[float64]float64{3: 1, 1: 1, 0.999: 2, five + 1e-9: 5, five - 1e-9: 6, 0: 100000} {
		if got := sweep.LooksOfMax(cv); got != want {
			t.Errorf("a spread of %v: %v looks, want %v", cv, got, want)
		}
	}
}

// TestMiddleIsTheUpperMedian of anything.
func TestMiddleIsTheUpperMedian(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	for n := 1; n < 60; n++ {
		for range 20 {
			v := make([]float64, n)
			for i := range v {
				v[i] = float64(rng.IntN(12))
			}
			sorted := slices.Clone(v)
			slices.Sort(sorted)
			if got := sweep.Middle(v); got != sorted[n/2] {
				t.Fatalf("%v: %v, want %v", sorted, got, sorted[n/2])
			}
		}
	}
}

// TestMomentsWithoutOutliers: what stands over thirty times the median is no noise,
// what stands at it is.
func TestMomentsWithoutOutliers(t *testing.T) {
	for _, c := range []struct {
		v        []float64
		mean, cv float64
	}{
		{[]float64{1, 2, 3}, 2, 0.5}, {[]float64{1, 1, 30}, 32. / 3, math.Sqrt(((32./3-1)*(32./3-1)*2+(30-32./3)*(30-32./3))/2) / (32. / 3)},
		{[]float64{1, 1, 1, 30.1}, 1, 0}, {[]float64{2, 1, 3, 900, 2}, 2, math.Sqrt(2./3) / 2}, {[]float64{5}, 5, 1}, {[]float64{0, 0}, 0, 1},
	} {
		mean, cv := sweep.Moments(slices.Clone(c.v)...)
		number(t, "mean", mean, c.mean, 1e-12)
		number(t, "spread", cv, c.cv, 1e-12)
	}
}

// TestPlacesInATrace: the highest reading, what is missing left out; outside a window;
// the trace points of a window; how far looks lie apart.
func TestPlacesInATrace(t *testing.T) {
	nan := math.NaN()
	v := []float64{nan, 5, 2, 0, 7, 7, nan, 6}
	for _, c := range []struct{ first, last, want int }{{0, 7, 4}, {0, 3, 1}, {2, 3, 2}, {3, 3, -1}, {0, 0, -1}, {5, 7, 5}, {6, 7, 7}, {4, 3, -1}} {
		if got := sweep.Argmax(v, c.first, c.last); got != c.want {
			t.Errorf("from %d to %d: %d, want %d", c.first, c.last, got, c.want)
		}
	}
	for _, c := range []struct{ first, last, want int }{{4, 5, 7}, {5, 7, 4}, {0, 7, -1}, {0, 5, 7}, {2, 7, 1}, {1, 1, 4}, {4, 7, 1}} {
		if got := sweep.ArgmaxOutside(v, c.first, c.last); got != c.want {
			t.Errorf("outside %d to %d: %d, want %d", c.first, c.last, got, c.want)
		}
	}
	if sweep.PeakIn(v, 0, 3) != 5 || sweep.PeakIn(v, 3, 3) != 0 || sweep.PeakIn(nil, 0, 0) != 0 {
		t.Error("peaks")
	}
	axis := driver.Trace{Start: 100, Stop: 200, Levels: make([]unit.DBm, 11)}
	for _, c := range []struct {
		center, half unit.Hz
		first, last  int
	}{{150, 20, 3, 7}, {150, 19, 4, 6}, {150, 4, 5, 5}, {155, 4, 6, 5}, {100, 10, 0, 1}, {200, 10, 9, 10}, {150, 500, 0, 10}} {
		first, last := sweep.BinsIn(axis, c.center, c.half)
		if first != c.first || last != c.last {
			t.Errorf("%v ± %v: %d to %d, want %d to %d", c.center, c.half, first, last, c.first, c.last)
		}
	}
	m := unit.Missing()
	number(t, "spread", sweep.SpreadIn([][]unit.DBm{{-50, -30, -50}, {-50, -40, -50}, {-50, -36, -50}}, 1, 1), 10, 1e-6)
	number(t, "spread of means", sweep.SpreadIn([][]unit.DBm{{-30, -30}, {-30, -200}}, 0, 1), 2, 1e-6)
	number(t, "spread beside a missing look", sweep.SpreadIn([][]unit.DBm{{m}, {-40}, {-37}}, 0, 0), math.Pow(10, 0.3), 1e-6)
	for _, none := range [][][]unit.DBm{nil, {{m}}, {{-40}}} {
		number(t, "spread of nothing", sweep.SpreadIn(none, 0, 0), 1, 1e-12)
	}
	for _, c := range []struct {
		points    int
		half, rbw unit.Hz
		want      int
	}{{100, 1000, 1000, 9}, {100, 1001, 1000, 10}, {5, 1000, 1000, 5}, {100, 0, 1000, 1}, {0, 1000, 1000, 1}} {
		if got := sweep.SearchBins(c.points, c.half, c.rbw); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
}

// TestTheWindowByHand: 5 ppm of 100 MHz are 500 Hz, and half an RBW and a trace point
// to both sides; a twentieth of it, an eighth and a half around what was found.
func TestTheWindowByHand(t *testing.T) {
	b := depotBench()
	shared := b
	shared.SharedReference = true
	q := sweep.Point{Freq: 100e6}
	for name, c := range map[string]struct {
		b                   sweep.Bench
		found, center, want unit.Hz
	}{
		"unknown":         {b, 0, 100e6, 500 + 500 + 30},
		"found":           {b, 100e6 + 321, 100e6 + 321, 25 + 125 + 15},
		"unknown, shared": {shared, 0, 100e6, 500 + 30},
		"found, shared":   {shared, 100e6 + 3, 100e6 + 3, 125 + 15},
	} {
		center, half := sweep.SearchWindow(q, c.b, 1e3, 30, c.found)
		if center != c.center || math.Abs(float64(half-c.want)) > 1e-6 {
			t.Errorf("%s: %v ± %v, want %v ± %v", name, center, half, c.center, c.want)
		}
	}
}

// TestTheLawOfEachDetector: the relative spread of the readings tells how many looks a
// trace point holds, a little on the side of fewer: 1/cv² of a mean of powers,
// (π²/6)/cv² of a mean of decibels, 4·(4/π − 1)/cv² of one of voltages, and the sweeps
// of a max hold, however slow: what the filter sees in each is counted apart.
func TestTheLawOfEachDetector(t *testing.T) {
	const cv, independent = 0.25, 225.0
	wide := cv * 1.1 // 1 + 1.5/√225
	at := func(d driver.Detector) sweep.Capture { return sweep.Capture{Settings: driver.Settings{Detector: d}} }
	for name, c := range map[string]struct {
		c    sweep.Capture
		cv   float64
		det  detect.Detector
		want float64
	}{
		"sample":                    {at(driver.Sample), cv, detect.PowerAverage, 1 / (wide * wide)},
		"power average":             {at(driver.PowerAverage), cv, detect.PowerAverage, 1 / (wide * wide)},
		"power average, wide":       {at(driver.PowerAverage), 2, detect.PowerAverage, 1},
		"power average, no spread":  {at(driver.PowerAverage), 0, detect.PowerAverage, 1},
		"power average, and little": {at(driver.PowerAverage), 1e-9, detect.PowerAverage, 1e6},
		"log average":               {at(driver.LogAverage), cv, detect.LogAverage, math.Pi * math.Pi / 6 / (wide * wide)},
		"log average, wide":         {at(driver.LogAverage), 3, detect.LogAverage, 1},
		"voltage average":           {at(driver.VoltageAverage), cv, detect.VoltageAverage, 4 * (4/math.Pi - 1) / (wide * wide)},
		"positive peak":             {at(driver.PositivePeak), 0.45 / 1.1, detect.PositivePeak, sweep.LooksOfMax(0.45)},
		"positive peak, one look":   {at(driver.PositivePeak), 1, detect.Sample, 1},
		"auto peak":                 {at(driver.AutoPeak), 0.45 / 1.1, detect.PositivePeak, sweep.LooksOfMax(0.45)},
		"max hold":                  {sweep.Capture{HeldSweeps: 240}, cv, detect.MaxHold, 240},
		"max hold, slow":            {sweep.Capture{HeldSweeps: 240, Settings: driver.Settings{SweepTime: time.Second}}, cv, detect.MaxHold, 240},
		"max hold, quick":           {sweep.Capture{HeldSweeps: 240, Settings: driver.Settings{SweepTime: time.Millisecond}}, cv, detect.MaxHold, 240},
	} {
		det, n := sweep.Model(c.c, c.cv, 1001, 10e3, independent)
		if det != c.det || math.Abs(n-c.want) > 1e-9*c.want {
			t.Errorf("%s: %v of %v looks, want %v of %v", name, det, n, c.det, c.want)
		}
	}
}

// TestSharesOfTheError: the rungs together may err no more often than the plan says.
func TestSharesOfTheError(t *testing.T) {
	sum := 0.0
	for i, want := range []float64{0.1, 0.5, 0.2, 0.1, 0.05, 0.025, 0.0125, 0.00625} {
		number(t, "share", sweep.RungShare(i), want, 1e-12)
		sum += sweep.RungShare(i)
	}
	if sum >= 1 {
		t.Errorf("shares of %v in all", sum)
	}
	both := sweep.BothLooks(detect.Looks{Mean: 1, N: 30}, detect.Looks{Mean: 5, N: 10})
	number(t, "mean of both", both.Mean, 2, 1e-12)
	number(t, "looks of both", both.N, 40, 1e-12)
}

// TestInWords: frequencies to three digits, times to what a person needs.
func TestInWords(t *testing.T) {
	for f, want := range map[unit.Hz]unit.Hz{123456: 123000, 123500.1: 124000, -123456: -123000, 0.0012345: 0.00123, 0: 0, 7: 7, 99.96: 100} {
		number(t, "rounded", float64(sweep.Rounded(f)), float64(want), 1e-9*math.Abs(float64(want))+1e-15)
	}
	for d, want := range map[time.Duration]time.Duration{
		time.Hour + 100*time.Second: time.Hour + 2*time.Minute, time.Hour: time.Hour, time.Hour - 400*time.Millisecond: time.Hour, 10 * time.Second: 10 * time.Second,
		10*time.Second + 600*time.Millisecond: 11 * time.Second, 9*time.Second + 640*time.Millisecond: 9*time.Second + 600*time.Millisecond,
	} {
		if got := sweep.Shortly(d); got != want {
			t.Errorf("%v: %v, want %v", d, got, want)
		}
	}
}

// flatTrace is noise of one level, with levels of its own at some points.
func flatTrace(noise unit.DBm, at map[int]unit.DBm) driver.Trace {
	t := driver.Trace{Start: 100e6 - 50e3, Stop: 100e6 + 50e3, Levels: make([]unit.DBm, 101)} // 1 kHz apart
	for i := range t.Levels {
		// A spread that stands still: 3 dB up and down by turns.
		t.Levels[i] = noise.Add(unit.DB(3 - 6*(i%2)))
		if p, ok := at[i]; ok {
			t.Levels[i] = p
		}
	}
	return t
}

// TestACaptureBoiledDown: where the carrier stands and how high, over how many looks;
// the floor is the mean power of the looks with the source off, a signal beside left
// out; a signal with the source on outside the window is a stray one if it is strong
// enough, and gone with the source off.
func TestACaptureBoiledDown(t *testing.T) {
	capture := func(on, off []driver.Trace) sweep.Capture {
		c := sweep.Capture{Settings: driver.Settings{Detector: driver.PowerAverage, RBW: 2e3, Span: 100e3}}
		for _, l := range off {
			c.Looks = append(c.Looks, sweep.Look{Trace: l})
		}
		for _, l := range on {
			c.Looks = append(c.Looks, sweep.Look{SourceOn: true, Trace: l})
		}
		return c
	}
	mw := func(p float64) float64 { return math.Pow(10, p/10) }
	floor := (mw(-97)*51 + mw(-103)*50) / 101
	on := map[int]unit.DBm{49: -60, 50: -50, 51: -58}
	one, two := flatTrace(-100, on), flatTrace(-100, map[int]unit.DBm{49: -60, 50: -53, 51: -58})
	quiet := flatTrace(-100, nil)
	r, why := sweep.Reduce(capture([]driver.Trace{one, two}, []driver.Trace{quiet, quiet, quiet}), 2e3, 100e6, 5e3, false)
	if why != "" || r.Looks != 2 || r.OffLooks != 3 || r.Window != 11 || r.Carrier != 100e6 || r.Stray != 0 || r.On.Bins != 11 || r.Heard.Bins != 11 {
		t.Fatalf("%+v, %q", r, why)
	}
	mean := (mw(-50) + mw(-53)) / 2
	number(t, "level", float64(r.Level), 10*math.Log10(mean), 1e-6)
	number(t, "on", r.On.Mean/mean, 1, 1e-9)
	number(t, "spread of the on looks", r.OnSpread, mw(3), 1e-6)
	number(t, "floor", r.Floor/floor, 1, 1e-9)
	number(t, "off", r.Off.Mean/floor, 1, 1e-9)
	number(t, "independent readings", float64(r.OffBins), math.Floor(303./2), 0)
	readings := []float64{}
	for range 3 {
		for _, p := range quiet.Levels {
			readings = append(readings, mw(float64(p)))
		}
	}
	_, cv := sweep.Moments(readings...)
	number(t, "looks the floor rests on", r.Off.N, 303./2*math.Max(1, 1/(cv*cv+1e-9)), 1e-6)
	number(t, "off peak", r.OffPeak/mw(-97), 1, 1e-9)
	number(t, "heard", r.Heard.Mean/mw(-97), 1, 1e-9)
	number(t, "spread of the off looks", r.Spread, 1, 1e-9)
	if !(r.On.N > 2) || math.Abs(r.Heard.N/r.On.N-1.5) > 1e-9 || r.On.Extra != 0 || r.Off.Detector != detect.PowerAverage {
		t.Errorf("looks %+v, heard %+v", r.On, r.Heard)
	}
	// Somebody's signal beside ours, on and off alike: it leaves the floor as it is, and
	// is no stray carrier.
	somebody := func(at map[int]unit.DBm, p unit.DBm) map[int]unit.DBm {
		out := map[int]unit.DBm{80: p}
		for k, v := range at {
			out[k] = v
		}
		return out
	}
	r, _ = sweep.Reduce(capture([]driver.Trace{flatTrace(-100, somebody(on, -30))}, []driver.Trace{flatTrace(-100, somebody(nil, -30))}), 2e3, 100e6, 5e3, false)
	if r.Stray != 0 || math.Abs(r.Floor/floor-1) > 0.02 {
		t.Errorf("beside somebody's: stray at %v, floor %.3g of %.3g", r.Stray, r.Floor, floor)
	}
	for name, c := range map[string]struct {
		level    unit.DBm
		followed bool
		stray    bool
	}{
		"ten times as strong, and more": {-39.9, false, true}, "not ten times": {-40.1, false, false},
		"followed, 1 dB stronger": {-48.9, true, true}, "followed, less": {-49.1, true, false},
	} {
		r, _ := sweep.Reduce(capture([]driver.Trace{flatTrace(-100, somebody(on, c.level))}, []driver.Trace{quiet}), 2e3, 100e6, 5e3, c.followed)
		if (r.Stray != 0) != c.stray || c.stray && (r.Stray != 100e6+30e3 || math.Abs(r.StrayMW/mw(float64(c.level))-1) > 1e-9) {
			t.Errorf("%s: %v of %g mW", name, r.Stray, r.StrayMW)
		}
	}
	for says, c := range map[string]sweep.Capture{
		"no trace was captured":                       {},
		"the traces with the source on and off":       capture([]driver.Trace{one}, []driver.Trace{{Start: 1, Stop: 2, Levels: []unit.DBm{-100, -100}}}),
		"no trace point beside the carrier":           capture([]driver.Trace{one}, []driver.Trace{{Start: one.Start, Stop: one.Stop, Levels: missing(101)}}),
		"every trace point at the carrier is missing": capture([]driver.Trace{{Start: one.Start, Stop: one.Stop, Levels: missing(101)}}, []driver.Trace{quiet}),
	} {
		if _, why := sweep.Reduce(c, 2e3, 100e6, 5e3, false); !strings.Contains(why, says) {
			t.Errorf("%q, want %q", why, says)
		}
	}
	if _, why := sweep.Reduce(capture([]driver.Trace{one}, []driver.Trace{quiet}), 2e3, 200e6, 5e3, false); !strings.Contains(why, "does not cover") {
		t.Errorf("%q", why)
	}
	// Without a look with the source on there is a floor and nothing else.
	if r, why := sweep.Reduce(capture(nil, []driver.Trace{quiet}), 2e3, 100e6, 5e3, false); why != "" || r.Looks != 0 || r.Carrier != 0 || math.Abs(r.Floor/floor-1) > 1e-9 {
		t.Errorf("%+v, %q", r, why)
	}
}

func missing(n int) []unit.DBm {
	out := make([]unit.DBm, n)
	for i := range out {
		out[i] = unit.Missing()
	}
	return out
}

// TestAHeldTraceBoiledDown: the floor is what stands beside the carrier, its mean that
// of one look once the law of the largest is taken off; of the sweeps held, those of
// the dwell saw the carrier, the rest are extra looks of noise.
func TestAHeldTraceBoiledDown(t *testing.T) {
	held := flatTrace(-90, map[int]unit.DBm{50: -50})
	c := sweep.Capture{HoldSweeps: 6, HeldSweeps: 240, Settings: driver.Settings{Detector: driver.PositivePeak, RBW: 2e3, Span: 100e3}, Looks: []sweep.Look{{SourceOn: true, Trace: held}}}
	r, why := sweep.Reduce(c, 2e3, 100e6, 5e3, false)
	if why != "" {
		t.Fatal(why)
	}
	var sum, n float64
	for i, p := range held.Levels {
		if d := math.Abs(float64(held.Freq(i) - 100e6)); d > 3*2e3+5e3 {
			sum, n = sum+float64(p.Watts())*1e3, n+1
		}
	}
	number(t, "floor", r.Floor/(sum/n), 1, 1e-9)
	number(t, "noise of one look", r.Off.Mean/(sum/n/sweep.Harmonic(240)), 1, 1e-9)
	if r.On.N != 6 || r.On.Extra != 234 || r.On.Detector != detect.MaxHold || r.Off.Detector != detect.PowerAverage {
		t.Errorf("%+v, %+v", r.On, r.Off)
	}
	number(t, "readings the noise rests on", r.Off.N, math.Floor(n)/2/math.Pow(sweep.SpreadOfMax(240), 2), 1e-6)
	c.HoldSweeps = 500
	if r, _ := sweep.Reduce(c, 2e3, 100e6, 5e3, false); r.On.N != 240 || r.On.Extra != 0 {
		t.Errorf("%+v", r.On)
	}
}

// TestAStandBoiledDown: the mean power of all points of all looks, missing ones left
// out; the carrier may have lost what the filter takes off as far as it may stand
// beside (Gaussian, 3.01·(2δ/RBW)² dB).
func TestAStandBoiledDown(t *testing.T) {
	look := func(on bool, levels ...unit.DBm) sweep.Look {
		return sweep.Look{SourceOn: on, Trace: driver.Trace{Start: 100e6, Stop: 100e6, Levels: levels}}
	}
	c := sweep.Capture{Settings: driver.Settings{Detector: driver.PowerAverage, RBW: 1e3, SweepTime: 10 * time.Millisecond}, Looks: []sweep.Look{
		look(false, -100, -103), look(true, -80, unit.Missing(), -83), look(false, -100, -100), look(true, -77, -77, -77),
	}}
	r, loss, why := sweep.Stand(c, 1e3, 100e6+50, 30)
	if why != "" || r.Looks != 2 || r.OffLooks != 2 || r.Carrier != 100e6+50 {
		t.Fatalf("%+v %q", r, why)
	}
	mw := func(p float64) float64 { return math.Pow(10, p/10) }
	number(t, "on", r.On.Mean/(((mw(-80)+mw(-83))/2+mw(-77))/2), 1, 1e-9)
	number(t, "level", float64(r.Level), 10*math.Log10(((mw(-80)+mw(-83))/2+mw(-77))/2), 1e-9)
	number(t, "floor", r.Floor/(((mw(-100)+mw(-103))/2+mw(-100))/2), 1, 1e-9)
	number(t, "loss", float64(loss), float64(detect.DetuningLoss(80, 1e3)), 1e-9)
	_, back, _ := sweep.Stand(c, 1e3, 100e6-50, 30)
	number(t, "loss on the other side", float64(back), float64(loss), 1e-9)
	if most := detect.IndependentLooks(1e3, 10*time.Millisecond); r.On.N > 2*most+1e-9 || r.On.N < 2 {
		t.Errorf("%v looks, at most %v", r.On.N, 2*most)
	}
}
