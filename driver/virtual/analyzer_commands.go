package virtual

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"lidded/driver/virtual/internal/noise"
	"lidded/driver/virtual/internal/program"
)

func (a *analyzer) commands() {
	a.frequencyCommands()
	a.bandwidthCommands()
	a.detectorCommands()
	a.sweepCommands()
	a.inputCommands()
	a.traceModeCommands()
	a.traceQueries()
	if !a.traits.NoMarkers {
		a.markerCommands()
	}
	a.choice("INSTrument[:SELect]", []string{"SA"}, func() string { return "SA" }, func(string) *program.Error { return nil })
	a.boolean("CALibration:AUTO", func() bool { return false }, func(bool) {})
}

func (a *analyzer) limits() (lo, hi float64) {
	w := a.bench.world.Analyzer
	return float64(w.MinFreq), float64(w.MaxFreq)
}

func (a *analyzer) frequencyCommands() {
	lo, hi := a.limits()
	freq := func() program.Range { return program.Range{Min: lo, Max: hi, Default: (lo + hi) / 2} }
	moved := func(start, stop float64) *program.Error {
		a.start, a.stop = max(start, lo), min(stop, hi)
		a.touch()
		return nil
	}
	a.number("[SENSe#:]FREQuency:STARt", program.Frequency, freq, func() float64 { return a.start },
		func(v float64) *program.Error { return moved(v, max(a.stop, v)) })
	a.number("[SENSe#:]FREQuency:STOP", program.Frequency, freq, func() float64 { return a.stop },
		func(v float64) *program.Error { return moved(min(a.start, v), v) })
	center := func() float64 { return (a.start + a.stop) / 2 }
	around := func(mid, span float64) *program.Error {
		half := min(span/2, mid-lo, hi-mid)
		return moved(mid-half, mid+half)
	}
	a.number("[SENSe#:]FREQuency:CENTer", program.Frequency, freq, center,
		func(v float64) *program.Error { return around(v, a.span()) })
	span := func() program.Range { return program.Range{Min: 0, Max: hi - lo, Default: hi - lo} }
	zero := func() *program.Error {
		mid := center()
		return moved(mid, mid)
	}
	set := func(v float64) *program.Error {
		if v == 0 && !slices.Contains(a.traits.ZeroSpan, "span-0") {
			return program.Fail(-222, "no zero span this way")
		}
		if v > 0 && v < 10 {
			v = 10
		}
		return around(center(), v)
	}
	if slices.Contains(a.traits.ZeroSpan, "keyword") {
		a.add("[SENSe#:]FREQuency:SPAN", func(c *call) *program.Error {
			if err := c.need(1, 1); err != nil {
				return err
			}
			if program.Is(c.arg(0), "ZERO") {
				return zero()
			}
			v, err := program.Number(c.arg(0), program.Frequency, span())
			if err != nil {
				return err
			}
			if v < 0 || v > hi-lo {
				return program.Fail(-222, c.arg(0))
			}
			return set(v)
		})
		a.query("[SENSe#:]FREQuency:SPAN?", func(c *call) *program.Error { c.out = appendNumber(c.out, a.span()); return nil })
	} else {
		a.number("[SENSe#:]FREQuency:SPAN", program.Frequency, span, a.span, set)
	}
	a.add("[SENSe#:]FREQuency:SPAN:FULL", func(*call) *program.Error { return moved(lo, hi) })
	if slices.Contains(a.traits.ZeroSpan, "span-zero") {
		a.add("[SENSe#:]FREQuency:SPAN:ZERO", func(*call) *program.Error { return zero() })
	}
}

func (a *analyzer) bandwidthCommands() {
	limits := func() program.Range {
		// Requests outside the filters are moved to the nearest filter.
		return program.Range{Min: 0.001, Max: 1e9, Default: a.nearestRBW(a.span() / 100)}
	}
	a.number("[SENSe#:]BANDwidth|BWIDth[:RESolution]", program.Frequency, limits, a.actualRBW,
		func(v float64) *program.Error {
			a.rbw, a.rbwAuto = a.nearestRBW(v), false
			a.touch()
			return nil
		})
	a.boolean("[SENSe#:]BANDwidth|BWIDth[:RESolution]:AUTO", func() bool { return a.rbwAuto },
		func(v bool) { a.rbw, a.rbwAuto = a.actualRBW(), v; a.touch() })
	a.number("[SENSe#:]BANDwidth|BWIDth:VIDeo", program.Frequency, limits, a.actualVBW,
		func(v float64) *program.Error {
			a.vbw, a.vbwAuto = min(max(v, 1), 10*a.traits.RBWMax), false
			a.touch()
			return nil
		})
	a.boolean("[SENSe#:]BANDwidth|BWIDth:VIDeo:AUTO", func() bool { return a.vbwAuto },
		func(v bool) { a.vbw, a.vbwAuto = a.actualVBW(), v; a.touch() })
}

// detectorWord finds the canonical detector of an instrument's word.
func (a *analyzer) detectorWord(arg string) (string, *program.Error) {
	for det, word := range a.traits.Detectors {
		if program.Is(arg, word) {
			return det, nil
		}
	}
	return "", program.Fail(-224, arg)
}

func (a *analyzer) detectorCommands() {
	set := func(c *call, use func(string)) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		det, err := a.detectorWord(c.arg(0))
		if err == nil {
			use(det)
			a.touch()
		}
		return err
	}
	word := func(det noise.Detector, canonical string, c *call) {
		if w, ok := a.traits.Detectors[canonical]; ok && a.statistic(canonical) == det {
			c.print(program.Short(w))
			return
		}
		for name, w := range a.traits.Detectors {
			if a.statistic(name) == det {
				c.print(program.Short(w))
				return
			}
		}
	}
	a.add("[SENSe#:]DETector#[:FUNCtion]", func(c *call) *program.Error {
		return set(c, func(det string) {
			a.detector, a.detectorAuto = det, false
			for i := range a.traces {
				a.traces[i].det = ""
			}
		})
	})
	a.query("[SENSe#:]DETector#[:FUNCtion]?", func(c *call) *program.Error {
		word(a.effective(0), a.detector, c)
		return nil
	})
	a.boolean("[SENSe#:]DETector#[:FUNCtion]:AUTO", func() bool { return a.detectorAuto },
		func(v bool) { a.detectorAuto = v; a.touch() })
	a.add("TRACe#:DETector", func(c *call) *program.Error {
		i, err := traceIndex(c.nums[0])
		if err != nil {
			return err
		}
		return set(c, func(det string) { a.traces[i].det = det })
	})
	a.query("TRACe#:DETector?", func(c *call) *program.Error {
		i, err := traceIndex(c.nums[0])
		if err == nil {
			word(a.effective(i), a.traces[i].det, c)
		}
		return err
	})
	a.boolean("[SENSe#:]AVERage[:STATe]", func() bool { return a.traces[0].mode == traceMean }, func(v bool) {
		if v {
			a.setMode(0, traceMean)
		} else if a.traces[0].mode == traceMean {
			a.setMode(0, traceWrite)
		}
	})
	a.number("[SENSe#:]AVERage:COUNt", program.Plain, func() program.Range { return program.Range{Min: 1, Max: 100000, Default: 10} },
		func() float64 { return float64(a.averageCount) },
		func(v float64) *program.Error { a.averageCount = int(math.Round(v)); return nil })
	types := []string{"RMS", "LOG", "SCALar"}
	a.choice("[SENSe#:]AVERage:TYPE", types, func() string { return types[a.averageType] }, func(v string) *program.Error {
		a.fold(a.bench.clock.now())
		a.averageType = scale(slices.Index(types, v))
		for i := range a.traces {
			if a.traces[i].mode == traceMean {
				a.traces[i].count = 0
			}
		}
		a.touch()
		return nil
	})
	a.add("[SENSe#:]AVERage:CLEar", func(*call) *program.Error { a.clearTrace(0); return nil })
}

func (a *analyzer) sweepCommands() {
	most := float64(a.traits.MaxPoints)
	if n := len(a.traits.Points); n > 0 {
		most = float64(a.traits.Points[n-1])
	}
	a.number("[SENSe#:]SWEep:POINts", program.Plain, func() program.Range {
		return program.Range{Min: 3, Max: most, Default: float64(a.traits.DefaultPoints)}
	}, func() float64 { return float64(a.points) }, func(v float64) *program.Error {
		n := int(math.Round(v))
		if len(a.traits.Points) == 1 && n != a.traits.Points[0] {
			return program.Fail(-224, "the number of points is fixed")
		}
		if !a.permitted(n) { // moved to the nearest, without a word
			n = slices.MinFunc(a.traits.Points, func(x, y int) int { return abs(x-n) - abs(y-n) })
		}
		a.points = n
		a.touch()
		return nil
	})
	a.number("[SENSe#:]SWEep:TIME", program.Time, func() program.Range {
		return program.Range{Min: 1e-6, Max: 16000, Default: a.autoTime()}
	}, a.actualTime, func(v float64) *program.Error {
		a.time, a.timeAuto = max(v, 1e-3), false
		a.touch()
		return nil
	})
	a.boolean("[SENSe#:]SWEep:TIME:AUTO", func() bool { return a.timeAuto },
		func(v bool) { a.time, a.timeAuto = a.actualTime(), v; a.touch() })
	a.number("[SENSe#:]SWEep:COUNt", program.Plain, func() program.Range { return program.Range{Min: 1, Max: 100000, Default: 1} },
		func() float64 { return float64(a.sweepCount) },
		func(v float64) *program.Error { a.sweepCount = int(math.Round(v)); return nil })
	a.boolean("INITiate#:CONTinuous", func() bool { return a.continuous }, a.setContinuous)
	a.add("INITiate#[:IMMediate]", func(*call) *program.Error { return a.initiate() })
	a.add("*TRG", func(*call) *program.Error { return a.initiate() })
	a.add("ABORt", func(*call) *program.Error { a.abort(); return nil })
}

func abs(x int) int { return max(x, -x) }

func (a *analyzer) inputCommands() {
	att := func() program.Range { return program.Range{Min: 0, Max: 70, Default: 10} }
	set := func(v float64) *program.Error {
		step := a.traits.AttenuationStep
		a.attenuation, a.attenuationAuto = math.Round(v/step)*step, false
		a.touch()
		return nil
	}
	auto := func(v bool) { a.attenuation, a.attenuationAuto = a.actualAttenuation(), v; a.touch() }
	for _, p := range []string{"INPut#:ATTenuation", "[SENSe#:]POWer[:RF]:ATTenuation"} {
		a.number(p, program.Ratio, att, a.actualAttenuation, set)
		a.boolean(p+":AUTO", func() bool { return a.attenuationAuto }, auto)
	}
	if !a.traits.NoPreamp {
		preamp := func(v bool) { a.preamp = v; a.touch() }
		a.boolean("INPut#:GAIN[:STATe]", func() bool { return a.preamp }, preamp)
		a.boolean("[SENSe#:]POWer[:RF]:GAIN[:STATe]", func() bool { return a.preamp }, preamp)
	}
	a.number("DISPlay[:WINDow#]:TRACe#:Y[:SCALe]:RLEVel", program.Level,
		func() program.Range {
			return program.Range{Min: a.fromDBm(-140), Max: a.fromDBm(30), Default: a.fromDBm(0)}
		},
		func() float64 { return a.fromDBm(a.refLevel) },
		func(v float64) *program.Error { a.refLevel = a.toDBm(v); a.touch(); return nil })
	if !a.traits.NoUnit {
		a.choice("UNIT:POWer", []string{"DBM", "DBMV", "DBUV", "W", "V"}, func() string { return a.unit },
			func(v string) *program.Error { a.unit = v; return nil })
	}
	a.choice("[SENSe#:]ROSCillator:SOURce", []string{"INTernal", "EXTernal"},
		func() string { return reference(a.bench.world.SharedReference, a.bench.air.anaInternal) },
		func(v string) *program.Error {
			if v == "EXTernal" && !a.bench.world.SharedReference {
				return program.Fail(-221, "no external reference")
			}
			a.bench.air.anaInternal = v == "INTernal"
			return nil
		})
	formats := a.traits.Formats
	a.add("FORMat[:DATA]", func(c *call) *program.Error {
		if err := c.need(1, 2); err != nil {
			return err
		}
		kind, bits := c.arg(0), c.arg(1)
		switch {
		case program.Is(kind, "ASCii") && (bits == "" || bits == "0" || bits == "8"):
			kind = "ASC"
		case program.Is(kind, "REAL") && bits == "":
			if !a.traits.BareReal {
				return program.Fail(-109, "REAL")
			}
			for _, f := range formats {
				if strings.HasPrefix(f, "REAL") {
					kind = f
					break
				}
			}
		case program.Is(kind, "REAL") || program.Is(kind, "INTeger"):
			kind = program.Short(strings.ToUpper(kind[:min(4, len(kind))])) + "," + bits
			kind = strings.Replace(kind, "INTE", "INT", 1)
		}
		if !slices.Contains(formats, kind) {
			return program.Fail(-224, strings.Join(c.args, ","))
		}
		a.format = kind
		return nil
	})
	a.query("FORMat[:DATA]?", func(c *call) *program.Error { c.print(a.format); return nil })
	if !a.traits.FixedByteOrder {
		orders := []string{"NORMal", "SWAPped"}
		a.choice("FORMat:BORDer", orders, func() string {
			if a.swapped {
				return orders[1]
			}
			return orders[0]
		}, func(v string) *program.Error { a.swapped = v == orders[1]; return nil })
	}
}

func traceIndex(n int) (int, *program.Error) {
	if n < 1 || n > traceCount {
		return 0, program.Fail(-114, strconv.Itoa(n))
	}
	return n - 1, nil
}

var traceModes = []struct {
	word string
	mode traceMode
}{
	{"WRITe", traceWrite}, {"MAXHold", traceMax}, {"MINHold", traceMin},
	{"AVERage", traceMean}, {"VIEW", traceView}, {"BLANk", traceBlank},
}

func (a *analyzer) traceModeCommands() {
	family := func(pattern string, which int) {
		a.add(pattern, func(c *call) *program.Error {
			if err := c.need(1, 1); err != nil {
				return err
			}
			i, err := traceIndex(c.nums[which])
			if err != nil {
				return err
			}
			for _, m := range traceModes {
				if program.Is(c.arg(0), m.word) || m.mode == traceWrite && program.Is(c.arg(0), "CLRWrite") {
					a.setMode(i, m.mode)
					return nil
				}
			}
			return program.Fail(-224, c.arg(0))
		})
		a.query(pattern+"?", func(c *call) *program.Error {
			i, err := traceIndex(c.nums[which])
			if err != nil {
				return err
			}
			for _, m := range traceModes {
				if m.mode == a.traces[i].mode {
					c.print(program.Short(m.word))
				}
			}
			return nil
		})
	}
	for _, f := range a.traits.MaxHold {
		switch f {
		case "display-mode":
			family("DISPlay[:WINDow#]:TRACe#:MODE", 1)
		case "trace-type":
			family("TRACe#:TYPE", 0)
			family("TRACe#:MODE", 0)
		case "trace-operation":
			family("TRACe#:OPERation", 0)
		case "calc-state":
			a.calcState("MAXimum", traceMax)
			a.calcState("MINimum", traceMin)
			a.calcState("AVERage", traceMean)
		}
	}
	a.add("TRACe#:CLEar", func(c *call) *program.Error {
		i, err := traceIndex(c.nums[0])
		if err == nil {
			a.clearTrace(i)
		}
		return err
	})
}

func (a *analyzer) calcState(word string, mode traceMode) {
	a.add("CALCulate#:"+word+"[:STATe]", func(c *call) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		i, err := traceIndex(c.nums[0])
		if err != nil {
			return err
		}
		on, err := program.Bool(c.arg(0))
		if err != nil {
			return err
		}
		if on {
			a.setMode(i, mode)
		} else if a.traces[i].mode == mode {
			a.setMode(i, traceWrite)
		}
		return nil
	})
	a.query("CALCulate#:"+word+"[:STATe]?", func(c *call) *program.Error {
		i, err := traceIndex(c.nums[0])
		if err == nil {
			c.out = appendBool(c.out, a.traces[i].mode == mode)
		}
		return err
	})
	a.add("CALCulate#:"+word+":CLEar", func(c *call) *program.Error {
		i, err := traceIndex(c.nums[0])
		if err == nil {
			a.clearTrace(i)
		}
		return err
	})
}

func (a *analyzer) traceQueries() {
	answer := func(i int, err *program.Error, c *call, pairs bool) *program.Error {
		if err != nil {
			return err
		}
		a.encode(c, i, pairs)
		return nil
	}
	named := func(prefixes ...string) handler {
		return func(c *call) *program.Error {
			if err := c.need(1, 1); err != nil {
				return err
			}
			name := strings.ToUpper(program.Unquote(c.arg(0)))
			for _, p := range prefixes {
				if n, err := strconv.Atoi(strings.TrimPrefix(name, p)); err == nil && strings.HasPrefix(name, p) {
					i, e := traceIndex(n)
					return answer(i, e, c, false)
				}
			}
			return program.Fail(-224, c.arg(0))
		}
	}
	byArgument := false
	for _, q := range a.traits.TraceQuery {
		switch q {
		case "by-name", "by-number", "bar-name":
			if byArgument {
				continue
			}
			byArgument = true
			a.add("TRACe[:DATA]?", a.argumentQuery(named, answer))
		case "by-suffix":
			a.add("TRACe#[:DATA]?", func(c *call) *program.Error {
				i, err := traceIndex(c.nums[0])
				// Naming the trace once more is let pass.
				if name := "TRACE" + strconv.Itoa(c.nums[0]); len(c.args) > 0 && !strings.EqualFold(c.arg(0), name) {
					return program.Fail(-108, c.arg(0))
				}
				return answer(i, err, c, false)
			})
		case "calc-data":
			a.add("CALCulate#:DATA?", func(c *call) *program.Error {
				i, err := traceIndex(c.nums[0])
				return answer(i, err, c, false)
			})
		case "xy-pairs":
			for _, p := range []string{"CALCulate:DATA#?", "FETCh:SAN#?"} {
				a.add(p, func(c *call) *program.Error {
					i, err := traceIndex(c.nums[0])
					return answer(i, err, c, true)
				})
			}
			a.add("READ:SAN#?", func(c *call) *program.Error { return program.Fail(-200, "use INIT and FETC") })
		}
	}
}

// argumentQuery reads the trace from the parameter, in each spelling that the
// traits have.
func (a *analyzer) argumentQuery(named func(...string) handler, answer func(int, *program.Error, *call, bool) *program.Error) handler {
	has := func(q string) bool { return slices.Contains(a.traits.TraceQuery, q) }
	byName := named("TRACE", "TRAC")
	return func(c *call) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		arg := strings.ToUpper(program.Unquote(c.arg(0)))
		if n, err := strconv.Atoi(arg); err == nil {
			if !has("by-number") {
				return program.Fail(-128, arg)
			}
			i, e := traceIndex(n)
			return answer(i, e, c, false)
		}
		if has("bar-name") && len(arg) == 3 && strings.HasPrefix(arg, "TR") && arg[2] >= 'A' && arg[2] < 'A'+traceCount {
			return answer(int(arg[2]-'A'), nil, c, false)
		}
		if has("by-name") {
			return byName(c)
		}
		return program.Fail(-224, c.arg(0))
	}
}

func (a *analyzer) markerCommands() {
	at := func(c *call) (int, *program.Error) { return traceIndex(c.nums[1]) }
	place := func(i, k int) { a.markers[i] = k }
	search := func(c *call, better func(x, y float64) bool) *program.Error {
		i, err := at(c)
		if err != nil {
			return err
		}
		v := a.values(0)
		if v == nil {
			return program.Fail(-230, "no sweep yet")
		}
		best := 0
		for k := range v {
			if better(v[k], v[best]) {
				best = k
			}
		}
		place(i, best)
		return nil
	}
	greater := func(x, y float64) bool { return x > y }
	a.add("CALCulate#:MARKer#:MAXimum[:PEAK]", func(c *call) *program.Error { return search(c, greater) })
	a.add("CALCulate#:MARKer#:MINimum[:PEAK]", func(c *call) *program.Error {
		return search(c, func(x, y float64) bool { return x < y })
	})
	a.add("CALCulate#:MARKer#[:STATe]", func(c *call) *program.Error {
		i, err := at(c)
		if err != nil {
			return err
		}
		if err := c.need(1, 1); err != nil {
			return err
		}
		on, err := program.Bool(c.arg(0))
		switch {
		case err != nil:
			return err
		case !on:
			place(i, -1)
		case a.markers[i] < 0:
			place(i, a.points/2)
		}
		return nil
	})
	a.add("CALCulate#:MARKer#:X", func(c *call) *program.Error {
		i, err := at(c)
		if err != nil {
			return err
		}
		if err := c.need(1, 1); err != nil {
			return err
		}
		v, err := program.Number(c.arg(0), program.Frequency, program.Range{Min: a.start, Max: a.stop, Default: (a.start + a.stop) / 2})
		if err != nil {
			return err
		}
		k := a.points / 2
		if a.span() > 0 {
			k = int(math.Round((v - a.start) / a.span() * float64(a.points-1)))
		}
		place(i, min(max(k, 0), a.points-1))
		return nil
	})
	read := func(c *call) (int, *program.Error) {
		i, err := at(c)
		if err != nil {
			return 0, err
		}
		k := a.markers[i]
		if k < 0 || k >= a.points {
			return 0, program.Fail(-221, "the marker is off")
		}
		return k, nil
	}
	a.add("CALCulate#:MARKer#:X?", func(c *call) *program.Error {
		k, err := read(c)
		if err == nil {
			c.out = appendNumber(c.out, a.axis(k))
		}
		return err
	})
	a.add("CALCulate#:MARKer#:Y?", func(c *call) *program.Error {
		k, err := read(c)
		if err != nil {
			return err
		}
		v := notANumber
		if data := a.values(0); data != nil {
			v = a.fromDBm(decibel(data[k]))
		}
		c.out = strconv.AppendFloat(c.out, v, 'E', 8, 64)
		return nil
	})
}
