package document

import (
	"fmt"
	"slices"
	"strings"
)

// item is a line of the checklist: what a report must hold, where it stands,
// and the keys under which parts of it are missing when nobody stated them. A
// key that begins with ": " belongs to every specimen.
type item struct {
	what  string
	where string
	keys  []string
}

// checklistItems follow the test-plan and reporting clauses of IEEE Std
// 299-2006 (4.2 to 4.4, 6; from memory, check against your copy).
var checklistItems = []item{
	{"owner and enclosure: identification, location, dimensions, construction, state of doors, filters and vents, services fitted", "Specimens",
		[]string{": owner", ": identification", ": location", ": dimensions", ": construction", ": state of doors, filters, vents", ": services fitted"}},
	{"test organisation, operators, witnesses, dates, environment", "Organisation, people, time",
		[]string{"test organisation", "further operators", "witnesses", "place of the test", "environment"}},
	{"standard, edition, method, test plan, approved deviations", "Standard, method, requirement",
		[]string{"standard", "edition of the standard", "method", "test plan", "approved deviations"}},
	{"requirement at each frequency, pass rule, treatment of uncertainty", "Standard, method, requirement; Uncertainty",
		[]string{"requirement", "pass rule agreed"}},
	{"equipment: make, model, serial, firmware, calibration", "Equipment", []string{"equipment", "calibration of the "}},
	{"set-up: antennas, cables, amplifiers, attenuators, separations, heights, photos, block diagram, side of the source", "Set-up",
		[]string{"antennas", "cables", "amplifiers", "attenuators", "separations", "heights of the antennas", "side of the source", "photos and block diagram"}},
	{"settings: frequency, power, RBW, video bandwidth, detector, looks, dwell, attenuation, preamplifier", "Settings; Raw readings", []string{"video bandwidth as read back", "preamplifier as read back"}},
	{"reference before and after, drift, verdict", "Reference before and after", []string{"closing reference"}},
	{"noise floor, dynamic range against the need at each frequency, linearity", "Noise floor and dynamic range", []string{"proof of linearity"}},
	{"ambient with the source off, leakage check", "Source off: ambient and leakage", []string{"ambient in the open", "leakage check with terminated cables"}},
	{"grid of positions; every position, polarization and frequency; raw readings", "Results; Raw readings", []string{": grid of positions"}},
	{"SE with its relation; worst case at each frequency and where", "Results", nil},
	{"failures, repairs, retests: both sets of data", "Failures, repairs, retests", []string{": repairs"}},
	{"uncertainty, coverage factor and method", "Uncertainty; Uncertainty budgets", []string{"uncertainty budgets"}},
	{"right to transmit, overrides, radiated power, limits of exposure", "Transmission", []string{"radiated power"}},
	{"digest of the data; log; signatures", "Evidence; Log; Signatures", []string{"log"}},
}

// missingOf lists what is missing of an item.
func (b *builder) missingOf(i item) []string {
	var out []string
	for _, m := range b.missing {
		for _, k := range i.keys {
			if m == k || strings.HasPrefix(k, ": ") && strings.HasSuffix(m, k) || strings.HasSuffix(k, "the ") && strings.HasPrefix(m, k) {
				if !slices.Contains(out, m) {
					out = append(out, m)
				}
			}
		}
	}
	return out
}

// checklist says of each item whether the report has it.
func (b *builder) checklist() Section {
	t := Table{Caption: "What a report must hold", Columns: []Column{left("item"), left("where"), left("state")}}
	whole := 0
	for _, i := range checklistItems {
		state := "complete"
		if m := b.missingOf(i); len(m) > 0 {
			state = "missing: " + strings.TrimPrefix(strings.Join(b.grouped(m), "; "), "of the test: ")
		} else {
			whole++
		}
		t.Rows = append(t.Rows, []string{i.what, i.where, state})
	}
	return Section{"Checklist", []Block{
		text("%s. The items follow the test-plan and reporting clauses of IEEE Std 299-2006 (from memory: check against your copy).", fmt.Sprintf("%d of %d items are complete", whole, len(checklistItems))),
		t,
	}}
}
