package sweep

import (
	"math"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// stand boils down a capture in zero span: all points of all looks are the power
// at one frequency, one after another. moved is how far the carrier may have moved
// meanwhile.
func stand(c Capture, on, off sums, rbw unit.Hz, win window, moved unit.Hz) (reading, string) {
	switch c.Settings.Detector {
	case driver.PowerAverage, driver.Sample:
	default:
		return reading{}, "in zero span only power average and sample tell the mean power, not " + c.Settings.Detector.String()
	}
	if on.looks == 0 && off.looks == 0 {
		return reading{}, "no trace was captured"
	}
	beside := win.center - c.Looks[0].Trace.Start
	r := reading{looks: on.looks, offLooks: off.looks, window: 1, offBins: 1, spread: 1, carrier: win.center}
	r.loss = detect.DetuningLoss(unit.Hz(math.Abs(float64(beside)))+win.half+moved/2, rbw)
	if off.looks == 0 {
		return reading{}, "no trace with the source off was captured"
	}
	var each []detect.Looks
	r.off, each = standing(c, off, rbw)
	r.floor = r.off.Mean
	r.heard, r.offPeak = r.off, r.off.Mean
	if a := detect.AmbientCheck(each, unit.Missing(), detect.AmbientRule{Quantile: 0.99, UnsteadyAlpha: 1e-4}); a.Err == nil && a.Unsteady {
		r.unsteady = true
	}
	if on.looks > 0 {
		r.on, _ = standing(c, on, rbw)
		r.level = level(r.on.Mean)
	}
	return r, ""
}

// standing is the mean power of looks in zero span and how many independent
// looks it rests on: what the filter passes in the time (1.505·RBW·T), but no
// more than the scatter of the points themselves shows.
func standing(c Capture, s sums, rbw unit.Hz) (all detect.Looks, each []detect.Looks) {
	perLook := detect.IndependentLooks(rbw, c.Settings.SweepTime)
	var sum, n float64
	for _, look := range s.powers {
		var m, sq, k float64
		for _, mw := range look {
			if mw == mw {
				m += mw
				sq += mw * mw
				k++
			}
		}
		if k == 0 {
			continue
		}
		m /= k
		looks := perLook
		if v := sq/k - m*m; k > 1 && v > 0 && m > 0 {
			looks = math.Min(looks, math.Max(1, k*m*m/v*(1+3/math.Sqrt(k))))
		}
		each = append(each, detect.Looks{Mean: m, N: looks, Detector: detect.PowerAverage})
		sum += m
		n += looks
	}
	if len(each) > 0 {
		sum /= float64(len(each))
	}
	return detect.Looks{Mean: sum, N: n, Detector: detect.PowerAverage}, each
}
