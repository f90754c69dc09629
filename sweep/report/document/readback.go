package document

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
)

// readBack gathers settings that the plan leaves to the analyzer.
type readBack struct {
	captures int
	video    map[unit.Hz]int
	preamp   map[bool]int
}

func (r *readBack) see(c sweep.Capture) {
	if len(c.Looks) == 0 {
		return
	}
	if r.video == nil {
		r.video, r.preamp = map[unit.Hz]int{}, map[bool]int{}
	}
	r.captures++
	if v := c.Settings.VBW; v > 0 {
		r.video[v]++
	}
	if p := c.Settings.Preamp; p != nil {
		r.preamp[*p]++
	}
}

// mostValues is how many different values are named one by one.
const mostValues = 6

// readBacks says what the analyzer read back of them; what it does not tell is
// missing.
func (b *builder) readBacks() Pairs {
	r := b.backs
	if r.captures == 0 {
		return nil
	}
	var widths, states []string
	for _, v := range slices.Sorted(maps.Keys(r.video)) {
		widths = append(widths, v.String())
	}
	if n := len(widths); n > mostValues {
		widths = []string{fmt.Sprintf("%d values from %s to %s, with the RBW", n, widths[0], widths[n-1])}
	}
	for _, on := range []bool{false, true} {
		if n := r.preamp[on]; n > 0 {
			states = append(states, fmt.Sprintf("%s in %d of %d captures", map[bool]string{false: "off", true: "on"}[on], n, r.captures))
		}
	}
	return Pairs{
		b.told("video bandwidth as read back", strings.Join(widths, ", ")),
		b.told("preamplifier as read back", strings.Join(states, ", ")),
	}
}

// told is a pair from what the analyzer read back.
func (b *builder) told(name, value string) Pair {
	if value == "" {
		b.missing = append(b.missing, name)
		return Pair{name, "the analyzer was not asked, or does not tell", true}
	}
	return Pair{Name: name, Value: value}
}
