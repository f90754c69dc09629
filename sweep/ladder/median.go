package ladder

import (
	"math"
	"sync"

	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// overNoise is the median upper limit without a signal, over the mean noise. It
// depends on whole numbers of looks in coarse steps, so the answers are kept.
func overNoise(on, off detect.Looks, rule detect.Rule) unit.DB {
	k := medianKey{math.Round(on.N), math.Round(off.N), on.Bins, rule.Confidence, rule.Points, rule.FamilyAlpha}
	if k.off > 64 { // beyond, a tenth more or less hardly matters
		k.off = math.Round(math.Exp(math.Round(math.Log(k.off)*10) / 10))
	}
	if k.bins > 16 {
		k.bins = 16 * int(math.Exp2(math.Round(math.Log2(float64(k.bins)/16))))
	}
	medians.Lock()
	defer medians.Unlock()
	if v, ok := medians.known[k]; ok {
		return v
	}
	const noise = unit.DBm(-100)
	on.N, off.N, on.Bins = k.on, k.off, k.bins
	v := detect.Predict(noise, on, off, rule).Sub(noise)
	if len(medians.known) > 20000 {
		clear(medians.known)
	}
	medians.known[k] = v
	return v
}

type medianKey struct {
	on, off     float64
	bins        int
	confidence  float64
	points      int
	familyAlpha float64
}

var medians = struct {
	sync.Mutex
	known map[medianKey]unit.DB
}{known: map[medianKey]unit.DB{}}
