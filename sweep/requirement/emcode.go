package requirement

import (
	"fmt"
	"math"
	"strings"

	"lidded/driver/unit"
)

// EMCodeSource names the document behind EMCode and how far to trust it.
const EMCodeSource = "IEC 61000-5-7:2001; bands and digits from memory, check against your copy"

// emEdges are the edges of the seven bands of the EM code, in hertz
// (IEC 61000-5-7:2001: 10 kHz to 40 GHz; inner edges from memory).
var emEdges = [...]unit.Hz{10e3, 100e3, 1e6, 30e6, 200e6, 1e9, 10e9, 40e9}

// CodePoint is a point of a measured curve, for the EM code.
type CodePoint struct {
	Freq   unit.Hz
	Result Result
}

// EMBand is one digit of the code and what it stands on.
type EMBand struct {
	Low, High unit.Hz
	Digit     int     // 0 to 9, or -1 when untested
	Lowest    unit.DB // lowest lower end over the band; NaN when untested
	Tested    int     // points that made a claim
	NoClaim   int     // ambient and void points, which made none
}

// EMCode is the electromagnetic protection code of an enclosure.
type EMCode struct {
	Bands  []EMBand
	Source string
}

// NewEMCode derives the code from measured results: per band, the lowest
// lower end (value minus uncertainty, or bound), in whole tens of dB, at most
// 9; a band without a claim is untested. A band is [low, high), the last one
// closed. Frequencies outside 10 kHz to 40 GHz do not count.
func NewEMCode(points []CodePoint) EMCode {
	c := EMCode{Source: EMCodeSource}
	last := len(emEdges) - 2
	for i := range last + 1 {
		b := EMBand{Low: emEdges[i], High: emEdges[i+1], Digit: -1, Lowest: unit.DB(math.NaN())}
		for _, p := range points {
			if p.Freq < b.Low || p.Freq > b.High || (p.Freq == b.High && i != last) {
				continue
			}
			lo, _, ok := p.Result.Interval()
			if !ok {
				b.NoClaim++
				continue
			}
			if b.Tested == 0 || lo < b.Lowest {
				b.Lowest = lo
			}
			b.Tested++
		}
		if b.Tested > 0 {
			b.Digit = int(math.Floor(min(max(float64(b.Lowest)/10, 0), 9)))
		}
		c.Bands = append(c.Bands, b)
	}
	return c
}

// String gives the code, such as "EMxx4432x".
func (c EMCode) String() string {
	var s strings.Builder
	s.WriteString("EM")
	for _, b := range c.Bands {
		if b.Digit < 0 {
			s.WriteByte('x')
			continue
		}
		fmt.Fprintf(&s, "%d", b.Digit)
	}
	return s.String()
}
