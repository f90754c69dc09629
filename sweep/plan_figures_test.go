package sweep_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// freqsOf compiles one band and gives its frequencies.
func freqsOf(t *testing.T, band sweep.BandSpec) (out []float64) {
	t.Helper()
	band.Level, band.RBW = dbm(0), 10e3
	p, bad := sweep.Compile(sweep.PlanSpec{Name: "p", Bands: []sweep.BandSpec{band}}, depotBench())
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	for i, q := range p.Points {
		if q.Index != i {
			t.Errorf("point %d has the index %d", i, q.Index)
		}
		out = append(out, float64(q.Freq))
	}
	return out
}

// TestBandsAreDividedByHand: both ends are there, steps end at or before the upper end,
// decades are divided evenly in the logarithm, and frequencies are round: to 1 kHz
// above 10 MHz, to 1 Hz up to it.
func TestBandsAreDividedByHand(t *testing.T) {
	for name, c := range map[string]struct {
		band sweep.BandSpec
		want []float64
	}{
		"count":                   {sweep.BandSpec{From: 1e6, To: 100e6, Count: 3}, []float64{1e6, 10e6, 100e6}},
		"count, rounded":          {sweep.BandSpec{From: 1e6, To: 100e6, Count: 5}, []float64{1e6, 3162278, 10e6, 31623e3, 100e6}},
		"one point":               {sweep.BandSpec{From: 50e6, To: 50e6, Count: 1}, []float64{50e6}},
		"step":                    {sweep.BandSpec{From: 30e6, To: 50e6, Step: 10e6}, []float64{30e6, 40e6, 50e6}},
		"step, not to the end":    {sweep.BandSpec{From: 30e6, To: 49e6, Step: 10e6}, []float64{30e6, 40e6}},
		"step of no binary":       {sweep.BandSpec{From: 0.1, To: 0.3, Step: 0.1}, []float64{0.1, 0.2, 0.30000000000000004}},
		"two to a decade":         {sweep.BandSpec{From: 1e6, To: 100e6, PerDecade: 2}, []float64{1e6, 3162278, 10e6, 31623e3, 100e6}},
		"three to part of one":    {sweep.BandSpec{From: 100e6, To: 200e6, PerDecade: 3}, []float64{100e6, 200e6}},
		"four to part of one":     {sweep.BandSpec{From: 100e6, To: 200e6, PerDecade: 4}, []float64{100e6, 141421e3, 200e6}},
		"a list, in its order":    {sweep.BandSpec{Freqs: []unit.Hz{300e6, 100e6}}, []float64{300e6, 100e6}},
		"at ten megahertz":        {sweep.BandSpec{From: 9999999.4, To: 10000000.4, Count: 3}, []float64{9999999.4, 10e6, 10000000.4}},
		"most points of a plan":   {sweep.BandSpec{From: 1e6, To: 100e6, Count: 2}, []float64{1e6, 100e6}},
		"a decade with one point": {sweep.BandSpec{From: 1e6, To: 10e6, PerDecade: 1}, []float64{1e6, 10e6}},
	} {
		if got := freqsOf(t, c.band); !slices.EqualFunc(got, c.want, func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*b }) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// TestSpansAndTracePoints: ten RBW and the frequency error on both sides; four trace
// points to an RBW and one more, from 101 to 10,001.
func TestSpansAndTracePoints(t *testing.T) {
	b := depotBench() // 5 ppm
	shared := b
	shared.SharedReference = true
	nearly(t, "default span", unit.DB(sweep.DefaultSpan(100e6, 1e3, b)), 11e3, 1e-6)
	nearly(t, "default span, shared", unit.DB(sweep.DefaultSpan(100e6, 1e3, shared)), 10e3, 1e-6)
	for _, c := range []struct {
		rbw, span unit.Hz
		want      int
	}{{10e3, 250e3, 101}, {10e3, 251e3, 102}, {10e3, 252.5e3, 102}, {10e3, 253e3, 103}, {10e3, 30e3, 101}, {10, 25e3, 10001}, {10, 24.9e3, 9961}, {10, 90e3, 10001}} {
		p, bad := sweep.Compile(sweep.PlanSpec{Name: "p", Bands: []sweep.BandSpec{{Freqs: []unit.Hz{100e6}, Level: dbm(0), RBW: c.rbw, Span: c.span}}}, b)
		if len(bad) > 0 || p.Points[0].TracePoints != c.want || p.Points[0].Span != c.span {
			t.Errorf("span %v, RBW %v: %d trace points, %v, want %d", c.span, c.rbw, p.Points[0].TracePoints, bad, c.want)
		}
	}
}

// TestSpecsAtTheirEdges: what is just allowed, and what is just not.
func TestSpecsAtTheirEdges(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*sweep.PlanSpec)
		says string
	}{
		"span of three RBW":         {func(s *sweep.PlanSpec) { s.Bands[0].Span = 30e3 }, ""},
		"span of less":              {func(s *sweep.PlanSpec) { s.Bands[0].Span = 29.9e3 }, "less than three RBW"},
		"span below zero":           {func(s *sweep.PlanSpec) { s.Bands[0].Span = -1 }, "less than three RBW"},
		"dwell of nothing":          {func(s *sweep.PlanSpec) { s.Bands[0].Dwell = 0 }, ""},
		"dwell below zero":          {func(s *sweep.PlanSpec) { s.Bands[0].Dwell = -1 }, "a dwell cannot be negative"},
		"RBW of nothing":            {func(s *sweep.PlanSpec) { s.Bands[0].RBW = 0 }, "no resolution bandwidth"},
		"confidence of a half":      {func(s *sweep.PlanSpec) { s.Confidence = 0.5 }, ""},
		"confidence below":          {func(s *sweep.PlanSpec) { s.Confidence = 0.49 }, "confidence: 0.49"},
		"confidence of one":         {func(s *sweep.PlanSpec) { s.Confidence = 1 }, "confidence: 1"},
		"false alarm of nearly one": {func(s *sweep.PlanSpec) { s.FalseAlarm = 0.99 }, ""},
		"false alarm of one":        {func(s *sweep.PlanSpec) { s.FalseAlarm = 1 }, "false_alarm: 1"},
		"false alarm below zero":    {func(s *sweep.PlanSpec) { s.FalseAlarm = -0.1 }, "false_alarm: -0.1"},
		"drift limit of nothing":    {func(s *sweep.PlanSpec) { s.DriftLimit = db(0) }, "drift_limit"},
		"drift limit of little":     {func(s *sweep.PlanSpec) { s.DriftLimit = db(0.1) }, ""},
		"as many looks as at most":  {func(s *sweep.PlanSpec) { s.Looks, s.MaxLooks = 8, 8 }, ""},
		"more looks than at most":   {func(s *sweep.PlanSpec) { s.Looks, s.MaxLooks = 9, 8 }, "8 is less than looks (9)"},
		"looks below zero":          {func(s *sweep.PlanSpec) { s.Looks = -1 }, "-1 looks"},
		"five sweeps":               {func(s *sweep.PlanSpec) { s.HoldSweeps = 5 }, ""},
		"four sweeps":               {func(s *sweep.PlanSpec) { s.HoldSweeps = 4 }, "4 sweeps: need at least 5"},
		"settling below zero":       {func(s *sweep.PlanSpec) { s.Settle = -1 }, "settling time"},
		"repeats below zero":        {func(s *sweep.PlanSpec) { s.Repeats = -1 }, "-1 repeats"},
		"a position twice":          {func(s *sweep.PlanSpec) { s.Positions = []string{"a", "b", "a"} }, `positions[2]: position "a" stands twice`},
		"a polarization twice":      {func(s *sweep.PlanSpec) { s.Polarizations = []string{"a", "a"} }, `polarizations[1]: polarization "a" stands twice`},
		"one point to two ends":     {func(s *sweep.PlanSpec) { s.Bands[0].Count = 1 }, "one point cannot cover"},
		"a count below zero":        {func(s *sweep.PlanSpec) { s.Bands[0].Count = -1 }, "must be above zero"},
		"from nothing":              {func(s *sweep.PlanSpec) { s.Bands[0].From = 0 }, "the band has no frequencies"},
		"to nothing":                {func(s *sweep.PlanSpec) { s.Bands[0].To = 0 }, "the band has no frequencies"},
		"a list with a zero": {func(s *sweep.PlanSpec) {
			s.Bands[0] = sweep.BandSpec{Freqs: []unit.Hz{1e6, 0}, Level: dbm(0), RBW: 1e3}
		}, "freqs[1]: 0 Hz: a frequency must be above zero"},
		"a list beside a range": {func(s *sweep.PlanSpec) { s.Bands[0].Freqs = []unit.Hz{1e6} }, "freqs stands beside"},
		"a frequency twice": {func(s *sweep.PlanSpec) {
			s.Bands = append(s.Bands, sweep.BandSpec{Freqs: []unit.Hz{1e9}, Level: dbm(0), RBW: 1e3})
		}, "stands twice in the plan (points 40 and 41)"},
		"twice, of another field": {func(s *sweep.PlanSpec) {
			s.Bands = append(s.Bands, sweep.BandSpec{Freqs: []unit.Hz{1e9}, Level: dbm(0), RBW: 1e3, Field: requirement.Magnetic})
		}, ""},
		"as many points as can be": {func(s *sweep.PlanSpec) { s.Bands[0].Count = sweep.MostPoints }, ""},
		"one more":                 {func(s *sweep.PlanSpec) { s.Bands[0].Count = sweep.MostPoints + 1 }, fmt.Sprintf("%d points: at most", sweep.MostPoints+1)},
	} {
		s := depotSpec()
		c.edit(&s)
		_, bad := sweep.Compile(s, depotBench())
		said := fmt.Sprint(bad)
		if (len(bad) == 0) != (c.says == "") || !strings.Contains(said, c.says) {
			t.Errorf("%s: %.300s, want %q", name, said, c.says)
		}
	}
}

// TestBenchesAtTheirEdges: the ends of each range belong to it.
func TestBenchesAtTheirEdges(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*sweep.Plan, *sweep.Bench)
		says string
	}{
		"source from there":      {func(_ *sweep.Plan, b *sweep.Bench) { b.SourceRange.FreqMin = 100e6 }, ""},
		"source from above":      {func(_ *sweep.Plan, b *sweep.Bench) { b.SourceRange.FreqMin = 100e6 + 1 }, "outside the source's range from 100.000001 MHz"},
		"source up to there":     {func(_ *sweep.Plan, b *sweep.Bench) { b.SourceRange.FreqMax = 400e6 }, ""},
		"source up to below":     {func(_ *sweep.Plan, b *sweep.Bench) { b.SourceRange.FreqMax = 400e6 - 1 }, "outside the source's range up to"},
		"analyzer from above":    {func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.FreqMin, b.AnalyzerRange.FreqMax = 150e6, 1e9 }, "outside the analyzer's range 150 MHz to 1 GHz"},
		"RBW from there":         {func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.RBWMin = 10e3 }, ""},
		"RBW from above":         {func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.RBWMin = 10.1e3 }, "outside the analyzer's"},
		"RBW up to there":        {func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.RBWMax = 10e3 }, ""},
		"RBW up to below":        {func(_ *sweep.Plan, b *sweep.Bench) { b.AnalyzerRange.RBWMax = 9.9e3 }, "outside the analyzer's"},
		"at the bench's level":   {func(_ *sweep.Plan, b *sweep.Bench) { b.MaxLevel = 0 }, ""},
		"over it":                {func(_ *sweep.Plan, b *sweep.Bench) { b.MaxLevel = -0.1 }, "over bench depot's max_level"},
		"at the permitted level": {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].MaxLevel = 0 }, ""},
		"over it, permitted":     {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].MaxLevel = -0.1 }, "over the permitted"},
		"permitted from there":   {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].From = 100e6 }, ""},
		"permitted from above":   {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].From = 100e6 + 1 }, "not in may_transmit"},
		"permitted up to there":  {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].To = 400e6 }, ""},
		"permitted up to below":  {func(_ *sweep.Plan, b *sweep.Bench) { b.MayTransmit[0].To = 400e6 - 1 }, "not in may_transmit"},
		"narrowest RBW, just": {func(p *sweep.Plan, b *sweep.Bench) {
			p.Strategy, p.MinRBW, b.AnalyzerRange.RBWMin = sweep.Adaptive, 10, 10
		}, ""},
		"narrower than the analyzer": {func(p *sweep.Plan, b *sweep.Bench) {
			p.Strategy, p.MinRBW, b.AnalyzerRange.RBWMin = sweep.Adaptive, 9, 10
		}, "min_rbw: 9 Hz is narrower"},
		"the same, fixed": {func(p *sweep.Plan, b *sweep.Bench) { p.MinRBW, b.AnalyzerRange.RBWMin = 9, 10 }, ""},
		"a detector it has not": {func(_ *sweep.Plan, b *sweep.Bench) {
			b.AnalyzerRange.Detectors = []driver.Detector{driver.PositivePeak}
		}, "has no sample detector"},
	} {
		run := sheetRun(t, 0.3, nil)
		c.edit(&run.Plan, &run.Bench)
		bad := sweep.CheckOn(run.Plan, run.Bench)
		if said := fmt.Sprint(bad); (len(bad) == 0) != (c.says == "") || !strings.Contains(said, c.says) {
			t.Errorf("%s: %s, want %q", name, said, c.says)
		}
	}
}

// TestStatesByHand: which are ends, and in which a run has the bench.
func TestStatesByHand(t *testing.T) {
	final := map[sweep.State]bool{sweep.Completed: true, sweep.Stopped: true, sweep.Aborted: true, sweep.Failed: true}
	busy := map[sweep.State]bool{sweep.Pending: true, sweep.Running: true, sweep.Holding: true, sweep.Suspended: true, sweep.Stopping: true}
	for s := sweep.StateUnknown; s <= sweep.Interrupted; s++ {
		if s.Final() != final[s] || s.Busy() != busy[s] {
			t.Errorf("%v: final %v, busy %v", s, s.Final(), s.Busy())
		}
	}
}

// TestTotalsByHand: bands end with their upper frequency; levels, times and doubts are
// summed band by band.
func TestTotalsByHand(t *testing.T) {
	at := func(s int) time.Time { return time.Date(2026, 5, 4, 22, 0, s, 0, time.UTC) }
	got := sweep.Totals([]sweep.Keying{
		{Freq: 300e6, Level: -10, On: at(5), Off: at(9)}, {Freq: 200e6, Level: -20, On: at(1), Off: at(3)}, {Freq: 30e6 + 1, Level: -5, On: at(20), Off: at(21), OffNot: "no answer"},
		{Freq: 300e6 + 1, Level: 3, On: at(7)}, {Freq: 400e9, Level: -1, On: at(30), Off: at(29)}, {Freq: 1e3, Level: -2, On: at(40), Off: at(41)},
	})
	want := []sweep.BandTotal{
		{Band: "below VLF", To: 3e3, Keyings: 1, On: time.Second, Highest: -2, FirstOn: at(40), LastOn: at(40), LongestOn: time.Second},
		{Band: "VHF", From: 30e6, To: 300e6, Keyings: 3, On: 7 * time.Second, Highest: -5, Doubtful: 1, FirstOn: at(1), LastOn: at(20), LongestOn: 4 * time.Second},
		{Band: "UHF", From: 300e6, To: 3e9, Keyings: 1, Highest: 3, Unknown: 1, FirstOn: at(7), LastOn: at(7)},
		{Band: "above EHF", From: 300e9, Keyings: 1, Highest: -1, FirstOn: at(30), LastOn: at(30)},
	}
	if !slices.Equal(got, want) {
		t.Errorf("%+v,\nwant %+v", got, want)
	}
}

// TestLooksByHand: a bound wants 12; a level as many as bring 8.686/√2 dB over √(S/N)
// down to 0.15 dB (Rice 1945, first order): 106 at 12 dB, 17 at 20 dB, 2 at 30 dB.
func TestLooksByHand(t *testing.T) {
	p := sweep.Plan{Looks: 4, MaxLooks: 1000}
	for margin, want := range map[unit.DB]int{-3: 12, 0: 12, 5.99: 12, 6: 422, 12: 106, 20: 17, 30: 4, 60: 4} {
		if got := sweep.LooksFor(p, margin); got != want {
			t.Errorf("at %v: %d, want %d", margin, got, want)
		}
	}
	p.MaxLooks = 20
	if got := sweep.LooksFor(p, 12); got != 20 {
		t.Errorf("%d, want at most 20", got)
	}
}

// TestTimesByHand: a sweep takes k·span/RBW², or a look of 2.5/RBW; a held step
// settling and one sweep more than must see it, each with a tenth and 20 ms of retrace.
func TestTimesByHand(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		k         float64
		span, rbw unit.Hz
		want      time.Duration
	}{{2.5, 1e6, 1e3, 2500 * ms}, {2.5, 1e3, 1e3, 2500 * time.Microsecond}, {3, 2e6, 1e3, 6 * time.Second}, {2.5, 100, 1e3, 2500 * time.Microsecond}, {2.5, 1e6, 0, 0}} {
		if got := sweep.SweepLaw(c.k, c.span, c.rbw); (got - c.want).Abs() > time.Nanosecond {
			t.Errorf("%v: %v, want %v", c, got, c.want)
		}
	}
	if got := sweep.HeldCycle(time.Second); got != 1120*ms {
		t.Errorf("a cycle of %v", got)
	}
	p := sweep.Plan{Settle: 40 * ms, HoldSweeps: 6}
	if got := sweep.HeldDwell(p, sweep.Point{Dwell: time.Second}, time.Second); got != 40*ms+7*1120*ms {
		t.Errorf("a dwell of %v", got)
	}
	if got := sweep.HeldDwell(p, sweep.Point{Dwell: time.Minute}, time.Second); got != time.Minute {
		t.Errorf("a dwell of %v", got)
	}
	for dwell, want := range map[time.Duration]int{40*ms + 7*1120*ms: 6, 40*ms + 7*1120*ms - 1: 5, 40 * ms: 0, 0: 0} {
		if got := sweep.WholeSweeps(p, dwell, time.Second); got != want {
			t.Errorf("%v see %d sweeps, want %d", dwell, got, want)
		}
	}
}

// TestPointTimesByHand: a look of 100 ms, 20 ms of settling and an exchange of 30 ms.
func TestPointTimesByHand(t *testing.T) {
	const ms = time.Millisecond
	b := sweep.Bench{SweepFactor: 2.5}
	q := sweep.Point{Span: 40e3, RBW: 1e3} // 100 ms
	fixed := sweep.Plan{Capture: sweep.Linked, Strategy: sweep.Fixed, Looks: 4, MaxLooks: 32, Settle: 20 * ms}
	climb := fixed
	climb.Strategy, climb.CheckReference = sweep.Adaptive, true
	few := climb
	few.Looks, few.CheckReference = 1, false
	sealed := sweep.Plan{Capture: sweep.Sealed, HoldSweeps: 5, Settle: 20 * ms}
	long := q
	long.Dwell = time.Second
	for name, c := range map[string]struct {
		p         sweep.Plan
		q         sweep.Point
		b         sweep.Bench
		kind      sweep.StepKind
		on, whole time.Duration
	}{
		"ambient":                    {fixed, q, b, sweep.Ambient, 0, 4 * 130 * ms},
		"reference":                  {fixed, q, b, sweep.Reference, 4 * 120 * ms, 4*120*ms + 4*160*ms},
		"closing":                    {fixed, q, b, sweep.Closing, 4 * 120 * ms, 4*120*ms + 4*160*ms},
		"enclosed":                   {fixed, q, b, sweep.Enclosed, 12 * 120 * ms, 12*120*ms + 12*160*ms},
		"enclosed, slow exchange":    {fixed, q, sweep.Bench{SweepFactor: 2.5, ExchangeTime: 50 * ms}, sweep.Enclosed, 12 * 120 * ms, 12*120*ms + 12*200*ms},
		"enclosed, long dwell":       {fixed, long, b, sweep.Enclosed, 12 * 1020 * ms, 12*1020*ms + 12*1060*ms},
		"adaptive, reference":        {climb, q, b, sweep.Reference, 5 * 120 * ms, 5*120*ms + 5*160*ms},
		"adaptive, closing":          {climb, q, b, sweep.Closing, 4 * 120 * ms, 4*120*ms + 4*160*ms},
		"adaptive, enclosed":         {climb, q, b, sweep.Enclosed, 4 * 120 * ms, 4*120*ms + 4*160*ms},
		"adaptive, one look planned": {few, q, b, sweep.Reference, 2 * 120 * ms, 2*120*ms + 2*160*ms},
		"sealed":                     {sealed, q, b, sweep.Enclosed, 20*ms + 6*130*ms, 20*ms + 6*130*ms + 30*ms},
		"sealed, ambient":            {sealed, q, b, sweep.Ambient, 0, 20*ms + 6*130*ms},
	} {
		on, whole := sweep.PointTime(c.p, c.q, c.b, c.kind, 100*ms)
		if on != c.on || whole != c.whole {
			t.Errorf("%s: %v of %v, want %v of %v", name, on, whole, c.on, c.whole)
		}
	}
}

// TestAForecastByHand: source level less path loss over thermal noise in the RBW, the
// noise figure and the attenuation; what lacks of requirement and headroom is named.
func TestAForecastByHand(t *testing.T) {
	run := sheetRun(t, 0.3, func(s *sweep.PlanSpec, _ *sweep.Bench) { s.Headroom = db(5); s.Bands[0].Attenuation = db(10) })
	floor := -174 + 40 + 24 + 10.0 // 10 kHz; 290 K gives −173.98 dBm in 1 Hz
	for asked, lack := range map[unit.DB]float64{50: 0, 54.9: 0, 57: 2, 70: 15} {
		e := sweep.Predict(run.Plan, run.Bench, flatLine(asked), run.Specimens)
		f := e.Points[0]
		nearly(t, "reference", unit.DB(f.Reference), -40, 1e-9)
		nearly(t, "floor", unit.DB(f.NoiseFloor), floor, 0.05)
		nearly(t, "range", f.DynamicRange, -40-floor, 0.05)
		nearly(t, "required", *f.Required, float64(asked), 0)
		if (f.Short != nil) != (lack > 0) || lack > 0 && math.Abs(float64(*f.Short)-lack) > 0.05 {
			t.Errorf("asked %v: short by %v, want %v", asked, f.Short, lack)
		}
		if said := strings.Join(e.Notes, "\n"); strings.Contains(said, "3 of 3 points lack dynamic range for requirement plus 5 dB headroom") != (lack > 0) {
			t.Errorf("asked %v: %q", asked, said)
		}
		if f.Provable >= f.DynamicRange || f.Provable < f.DynamicRange-12 {
			t.Errorf("%v of %v provable", f.Provable, f.DynamicRange)
		}
		var whole time.Duration
		for _, step := range e.StepTimes {
			whole += step
		}
		if whole != e.Total || e.KeyedTime <= 0 || e.KeyedTime >= e.Total || len(e.StepTimes) != len(run.Steps) {
			t.Errorf("%v of %v, %v keyed", whole, e.Total, e.KeyedTime)
		}
	}
}
