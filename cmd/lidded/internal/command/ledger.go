package command

import (
	"io"
	"time"

	"lidded/sweep"
)

// ledgerEntry is a keying as 'keyings --json' gives it.
type LedgerEntry struct {
	Entry int64      `json:"entry"`
	Run   string     `json:"run,omitempty"`
	Step  int        `json:"step"`
	Point int        `json:"point"`
	Freq  float64    `json:"freq_hz"`
	Level float64    `json:"level_dbm"`
	On    time.Time  `json:"on"`
	Off   *time.Time `json:"off"` // null: its end is not in the ledger
	For   *float64   `json:"on_s,omitempty"`
	Doubt string     `json:"off_not_confirmed,omitempty"`
}

// ledgerTotal is the sum over a band.
type ledgerTotal struct {
	Band     string    `json:"band"`
	From     float64   `json:"from_hz"`
	To       float64   `json:"to_hz"`
	Keyings  int       `json:"keyings"`
	On       float64   `json:"on_s"`
	Longest  float64   `json:"longest_on_s"`
	Highest  float64   `json:"highest_level_dbm"`
	First    time.Time `json:"first_on"`
	Last     time.Time `json:"last_on"`
	Unknown  int       `json:"end_not_known"`
	Doubtful int       `json:"off_not_confirmed"`
}

func printLedger(w io.Writer, list []sweep.Keying, totalsOnly bool) error {
	out := struct {
		Keyings []LedgerEntry `json:"keyings,omitempty"`
		Totals  []ledgerTotal `json:"totals"`
	}{Totals: []ledgerTotal{}}
	for _, t := range sweep.Totals(list) {
		out.Totals = append(out.Totals, ledgerTotal{
			t.Band, float64(t.From), float64(t.To), t.Keyings, t.On.Seconds(), t.LongestOn.Seconds(), float64(t.Highest), t.FirstOn.UTC(), t.LastOn.UTC(), t.Unknown, t.Doubtful,
		})
	}
	if totalsOnly {
		return printJSON(w, out)
	}
	for _, k := range list {
		e := LedgerEntry{Entry: k.Entry, Run: string(k.Run), Step: k.Step, Point: k.Point, Freq: float64(k.Freq), Level: float64(k.Level), On: k.On.UTC(), Doubt: k.OffNot}
		if !k.Off.IsZero() {
			off, on := k.Off.UTC(), k.Off.Sub(k.On).Seconds()
			e.Off, e.For = &off, &on
		}
		out.Keyings = append(out.Keyings, e)
	}
	return printJSON(w, out)
}
