package between

import (
	"fmt"
	"slices"
	"strings"
)

// Comparison is a specimen on several benches, each held against one of them.
type Comparison struct {
	Specimen string
	Against  string // the bench that the others are held against; empty: no run
	Pairs    []Pair // in the order of the nights, without that bench
}

// Specimen holds one night of each bench against that of one bench, the first where
// none is named.
func Specimen(specimen string, nights []Night, against string, only Choice) (Comparison, error) {
	out := Comparison{Specimen: specimen, Against: against}
	if len(nights) == 0 {
		return out, nil
	}
	names := make([]string, len(nights))
	for i, n := range nights {
		names[i] = n.Run.Bench.Name
		if slices.Contains(names[:i], names[i]) {
			return out, fmt.Errorf("two runs of %s: choose one for each bench", names[i])
		}
	}
	base := 0
	if against != "" {
		if base = slices.Index(names, against); base < 0 {
			return out, fmt.Errorf("%s was not measured on %s: choose among %s", specimen, against, strings.Join(names, ", "))
		}
	}
	out.Against = names[base]
	for i, n := range nights {
		if i != base {
			out.Pairs = append(out.Pairs, Compare(specimen, nights[base], n, only))
		}
	}
	return out, nil
}
