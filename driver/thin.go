package driver

import "lidded/driver/unit"

// Thin returns a trace of at most that many points for showing: each is the
// highest of a stretch of neighbours, so that no peak is lost. It stands at the
// middle of its stretch; the noise of a thinned trace therefore looks higher
// than it is. A trace that is short enough is returned as it is.
func (t Trace) Thin(most int) Trace {
	n := len(t.Levels)
	if most < 2 || n <= most {
		return t
	}
	// Stretches of one length keep the points evenly spaced; the last may be shorter.
	each := (n + most - 1) / most
	out := t
	out.Levels = make([]unit.DBm, 0, (n+each-1)/each)
	for i := 0; i < n; i += each {
		stretch := Trace{Levels: t.Levels[i:min(i+each, n)]}
		top := unit.Missing()
		if k := stretch.Peak(); k >= 0 {
			top = stretch.Levels[k]
		}
		out.Levels = append(out.Levels, top)
	}
	bin := (t.Stop - t.Start) / unit.Hz(n-1)
	out.Start = t.Start + bin*unit.Hz(each-1)/2
	out.Stop = out.Start + bin*unit.Hz(each*(len(out.Levels)-1))
	return out
}
