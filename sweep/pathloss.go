package sweep

import (
	"fmt"
	"math"
	"sort"

	"lidded/driver/unit"
)

// LossAt is the loss from the source's output to the analyzer's input at one
// frequency, without a shield.
type LossAt struct {
	Freq unit.Hz `json:"freq_hz" yaml:"freq"`
	Loss unit.DB `json:"loss_db" yaml:"loss"`
}

// LossOver returns the stated path loss at a frequency: between the frequencies
// of PathLosses by the logarithm, beyond them that of the nearest, and PathLoss
// where there are none. Time and reach are predicted from it; results never are.
func (b Bench) LossOver(f unit.Hz) unit.DB {
	l := b.PathLosses
	if len(l) == 0 {
		return b.PathLoss
	}
	i := sort.Search(len(l), func(i int) bool { return l[i].Freq >= f })
	switch {
	case i == 0:
		return l[0].Loss
	case i == len(l):
		return l[i-1].Loss
	}
	share := math.Log(float64(f/l[i-1].Freq)) / math.Log(float64(l[i].Freq/l[i-1].Freq))
	return l[i-1].Loss + (l[i].Loss-l[i-1].Loss)*unit.DB(share)
}

// CheckLosses reports the first mistake in a table of path losses and its place
// in it.
func CheckLosses(l []LossAt) (at int, err error) {
	for i, e := range l {
		switch {
		case !(e.Freq > 0):
			return i, fmt.Errorf("%v: need a frequency above 0 Hz", e.Freq)
		case i > 0 && e.Freq <= l[i-1].Freq:
			return i, fmt.Errorf("%v does not come after %v: list the frequencies once each, in rising order", e.Freq, l[i-1].Freq)
		case math.IsNaN(float64(e.Loss)) || math.Abs(float64(e.Loss)) > 300:
			return i, fmt.Errorf("%v is no loss of a path: need -300 dB to 300 dB", e.Loss)
		}
	}
	return 0, nil
}
