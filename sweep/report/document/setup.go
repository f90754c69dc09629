package document

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	textreport "lidded/sweep/report/text"
)

func number[T unit.DB | unit.DBm](v T) string { return textreport.Number(v) }

// equipment lists what was measured with. The instruments' own answers come
// first; calibration is what people stated.
func (b *builder) equipment() Section {
	r := b.in.Run
	d, a := orEmpty(r.Bench.Facts), b.in.Facts.Bench
	t := Table{Caption: "Equipment", Columns: []Column{left("role"), left("maker"), left("model"), left("serial"), left("firmware"), left("calibrated"), left("due"), left("certificate"), left("known from")}}
	list := slices.Concat(d.Equipment, a.Equipment)
	if !r.HandRead {
		for _, in := range []struct {
			role string
			id   driver.Identity
		}{{"analyzer", r.Analyzer}, {"source", r.Source}} {
			row := sweep.EquipmentFact{Role: in.role, Maker: in.id.Maker, Model: in.id.Model, Serial: in.id.Serial, Firmware: in.id.Firmware}
			if row.Maker == "" && row.Model == "" {
				row.Model = in.id.Raw
			}
			for i, e := range list {
				if e.Role == in.role {
					row.Calibrated, row.Due, row.Certificate = e.Calibrated, e.Due, e.Certificate
					if e.Serial != "" && e.Serial != row.Serial {
						row.Serial += " (stated: " + e.Serial + ")"
					}
					list = slices.Delete(slices.Clone(list), i, i+1)
					break
				}
			}
			t.Rows = append(t.Rows, b.equipmentRow(row, "its own answer"))
		}
	}
	for _, e := range list {
		t.Rows = append(t.Rows, b.equipmentRow(e, "stated"))
	}
	if len(t.Rows) == 0 {
		b.missing = append(b.missing, "equipment")
		return Section{"Equipment", []Block{Text{Missing, "No equipment is stated."}}}
	}
	return Section{"Equipment", []Block{t}}
}

func (b *builder) equipmentRow(e sweep.EquipmentFact, from string) []string {
	if e.Calibrated == "" {
		b.missing = append(b.missing, "calibration of the "+e.Role)
	}
	row := []string{e.Role, e.Maker, e.Model, e.Serial, e.Firmware, e.Calibrated, e.Due, e.Certificate, from}
	for i, c := range row {
		if strings.TrimSpace(c) == "" {
			row[i] = notStated
		}
	}
	return row
}

// setUp is how things stood.
func (b *builder) setUp() Section {
	d, a := orEmpty(b.in.Run.Bench.Facts), b.in.Facts.Bench
	bench := b.in.Run.Bench
	s := Section{"Set-up", []Block{Pairs{
		b.fact("antennas", "antennas", d.Antennas, a.Antennas),
		b.fact("cables", "cables", d.Cables, a.Cables),
		b.fact("amplifiers", "amplifiers", d.Amplifiers, a.Amplifiers),
		b.fact("attenuators", "attenuators", d.Attenuators, a.Attenuators),
		b.fact("separations", "separations", d.Separation, a.Separation),
		b.fact("heights", "heights of the antennas", d.Heights, a.Heights),
		b.fact("side of the source", "side of the source", d.SourceSide, a.SourceSide),
		b.fact("photos, block diagram", "photos and block diagram", d.Pictures, a.Pictures),
	}}}
	if !b.in.Run.HandRead {
		radiates := "radiated"
		if bench.Conducted {
			radiates = "conducted: cabled, nothing is radiated"
		}
		s.Blocks = append(s.Blocks, Pairs{
			known("path", radiates),
			known("stated path loss, no shield", pathLoss(bench)),
			known("stated noise figure", bench.NoiseFigure.String()),
			known("stated frequency error", fmt.Sprintf("%g ppm, both instruments", bench.FreqErrorPPM)),
			known("source never above", bench.MaxLevel.String()),
		})
	}
	return s
}

// settings are what was asked for at each frequency; what was read back stands
// among the raw readings.
func (b *builder) settings() Section {
	p := b.in.Run.Plan
	t := Table{Caption: "Settings asked for; those read back stand with the raw readings", Columns: []Column{
		right("point", ""), left("band"), right("frequency", ""), right("source", "dBm"), right("RBW", ""), right("span", ""), left("detector"), left("attenuation"), left("reference level"), right("least dwell", ""),
	}}
	for _, q := range p.Points {
		attenuation, ref := "automatic", "automatic"
		if q.Attenuation != nil {
			attenuation = q.Attenuation.String()
		}
		if q.RefLevel != nil {
			ref = q.RefLevel.String()
		}
		t.Rows = append(t.Rows, []string{
			fmt.Sprint(q.Index + 1), orNone(q.Band), q.Freq.String(), number(q.Level), q.RBW.String(), rounded(q.Span), strings.ReplaceAll(q.Detector.String(), "_", " "), attenuation, ref, duration(q.Dwell),
		})
	}
	backs := b.readBacks()
	return Section{"Settings", []Block{append(Pairs{
		known("strategy", strategy(p)),
		known("looks at a point", fmt.Sprintf("%d to %d with the source on, and as many off, in turn", p.Looks, max(p.Looks, p.MaxLooks))),
		known("settling after each step", duration(p.Settle)),
		known("whole sweeps at a sealed step", sealedSweeps(p)),
	}, backs...), t}}
}

// strategy says how the looks at a point were chosen.
func strategy(p sweep.Plan) string {
	if p.Strategy != sweep.Adaptive {
		return "fixed: the settings below at every point"
	}
	return fmt.Sprintf("adaptive: from the settings below to narrower and longer looks where a point needs them, for its %v", p.Stop)
}

func sealedSweeps(p sweep.Plan) string {
	if p.Capture != sweep.Sealed {
		return "not a sealed capture"
	}
	return fmt.Sprint(p.HoldSweeps)
}

func duration(d time.Duration) string {
	if d == 0 {
		return "-"
	}
	return d.String()
}

// rounded writes a bandwidth with four digits.
func rounded(f unit.Hz) string {
	if f <= 0 {
		return f.String()
	}
	step := math.Pow(10, math.Floor(math.Log10(float64(f)))-3)
	return unit.Hz(math.Round(float64(f)/step) * step).String()
}

// pathLoss is the stated loss, by frequency where it is.
func pathLoss(b sweep.Bench) string {
	if len(b.PathLosses) == 0 {
		return b.PathLoss.String()
	}
	var parts []string
	for _, l := range b.PathLosses {
		parts = append(parts, l.Freq.String()+": "+l.Loss.String())
	}
	return strings.Join(parts, ", ")
}
