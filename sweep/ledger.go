package sweep

import (
	"time"

	"lidded/driver/unit"
)

// BandTotal sums the transmission ledger over one band.
type BandTotal struct {
	Band      string        `json:"band"` // "VHF"
	From      unit.Hz       `json:"from_hz"`
	To        unit.Hz       `json:"to_hz"`
	Keyings   int           `json:"keyings"`
	On        time.Duration `json:"on_ns"`       // of those confirmed off
	Highest   unit.DBm      `json:"highest_dbm"` // highest level
	Unknown   int           `json:"unknown_off"` // keyings whose end is not in the ledger: the daemon was killed
	Doubtful  int           `json:"off_not_confirmed"`
	FirstOn   time.Time     `json:"first_on"`
	LastOn    time.Time     `json:"last_on"`
	LongestOn time.Duration `json:"longest_on_ns"`
}

// The bands of the ITU Radio Regulations, article 2, section I: band N reaches
// from 0.3·10^N Hz to 3·10^N Hz. What is below or above has one name each.
var ituBands = []struct {
	name string
	to   unit.Hz
}{
	{"below VLF", 3e3}, {"VLF", 30e3}, {"LF", 300e3}, {"MF", 3e6}, {"HF", 30e6}, {"VHF", 300e6},
	{"UHF", 3e9}, {"SHF", 30e9}, {"EHF", 300e9},
}

// Totals sums a ledger per band of the Radio Regulations, lowest band first;
// bands without a keying are left out.
func Totals(ledger []Keying) []BandTotal {
	sums := make([]BandTotal, len(ituBands)+1)
	for _, k := range ledger {
		i := 0
		for i < len(ituBands) && k.Freq > ituBands[i].to {
			i++
		}
		t := &sums[i]
		if t.Keyings == 0 {
			t.Highest, t.FirstOn, t.LastOn = k.Level, k.On, k.On
		}
		t.Keyings++
		t.Highest = max(t.Highest, k.Level)
		if k.On.Before(t.FirstOn) {
			t.FirstOn = k.On
		}
		if k.On.After(t.LastOn) {
			t.LastOn = k.On
		}
		switch {
		case k.Off.IsZero():
			t.Unknown++
			continue
		case k.OffNot != "":
			t.Doubtful++
		}
		on := max(0, k.Off.Sub(k.On))
		t.On += on
		t.LongestOn = max(t.LongestOn, on)
	}
	var out []BandTotal
	for i, t := range sums {
		if t.Keyings == 0 {
			continue
		}
		t.Band = "above EHF"
		if i < len(ituBands) {
			t.Band, t.To = ituBands[i].name, ituBands[i].to
		}
		if i > 0 {
			t.From = ituBands[i-1].to
		}
		out = append(out, t)
	}
	return out
}
