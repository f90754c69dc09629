package document

import (
	"fmt"
	"math"
	"strings"

	"lidded/driver/unit"
	"lidded/sweep"
	textreport "lidded/sweep/report/text"
)

func where(at sweep.Setting) string {
	parts := []string{at.Position, string(at.Polarization)}
	if at.Repeat > 1 {
		parts = append(parts, fmt.Sprintf("repeat %d", at.Repeat))
	}
	return strings.Join(parts, ", ")
}

// places lists the settings of the run's results without the specimen, and
// for each point the first result there: the reference belongs to the place.
func (b *builder) places() map[sweep.Setting]map[int]sweep.Result {
	out := map[sweep.Setting]map[int]sweep.Result{}
	for _, r := range b.in.Evaluation.Results {
		k := sweep.Setting{Position: r.At.Position, Polarization: r.At.Polarization}
		if out[k] == nil {
			out[k] = map[int]sweep.Result{}
		}
		if old, ok := out[k][r.Point]; !ok || !old.Reference.IsFinite() {
			out[k][r.Point] = r
		}
	}
	return out
}

// references compares the reference before and after.
func (b *builder) references() Section {
	p := b.in.Run.Plan
	limit := p.DriftLimit
	t := Table{Caption: "Reference before and after", Columns: []Column{
		right("point", ""), right("frequency", ""), left("position, polarization"), right("reference", "dBm"), right("closing", "dBm"), right("change", "dB"), left("verdict"),
	}}
	places := b.places()
	largest, moved, none := 0.0, 0, 0
	for _, pos := range p.Positions {
		for _, pol := range p.Polarizations {
			k := sweep.Setting{Position: pos, Polarization: pol}
			for _, q := range p.Points {
				r, ok := places[k][q.Index]
				if !ok {
					continue
				}
				closing, change, verdict := textreport.None, textreport.None, "no closing reference"
				switch {
				case r.Drift != nil && !math.IsNaN(float64(*r.Drift)):
					d := float64(*r.Drift)
					largest = max(largest, math.Abs(d))
					closing, change, verdict = number(r.Reference.Add(*r.Drift)), signed(d), "within the limit"
					if math.Abs(d) > float64(limit) {
						moved++
						verdict = "moved: void"
					}
				default:
					none++
				}
				t.Rows = append(t.Rows, []string{fmt.Sprint(q.Index + 1), q.Freq.String(), where(k), number(r.Reference), closing, change, verdict})
			}
		}
	}
	s := Section{Title: "Reference before and after"}
	switch {
	case len(t.Rows) == 0:
		s.Blocks = append(s.Blocks, Text{Missing, "No reference was captured."})
	case none == len(t.Rows):
		b.missing = append(b.missing, "closing reference")
		s.Blocks = append(s.Blocks, Text{Missing, "No closing reference was taken: nothing shows that the set-up stayed as it was."})
	default:
		verdict := fmt.Sprintf("The largest change is %.2f dB; the limit is %v.", largest, limit)
		tone := Plain
		if moved > 0 {
			verdict += fmt.Sprintf(" At %s the reference moved by more: the results there are void.", plural(moved, "place", "places"))
			tone = Strong
		}
		if none > 0 {
			verdict += fmt.Sprintf(" At %s there is no closing reference.", plural(none, "place", "places"))
		}
		s.Blocks = append(s.Blocks, Text{tone, verdict})
	}
	if len(t.Rows) > 0 {
		s.Blocks = append(s.Blocks, t)
	}
	return s
}

// signed writes a change to 0.01 dB.
func signed(d float64) string {
	if s := fmt.Sprintf("%+.2f", d); s != "-0.00" && s != "+0.00" {
		return s
	}
	return "0.00"
}

// ranges says what could have been shown at all.
func (b *builder) ranges() Section {
	p, line := b.in.Run.Plan, b.in.Run.Line
	t := Table{Caption: "Noise floor and dynamic range at each frequency: the least over specimens, positions and polarizations", Columns: []Column{
		right("point", ""), right("frequency", ""), right("noise floor", "dBm"), right("dynamic range", "dB"), right("wanted", "dB"), right("to spare", "dB"), left("enough"),
	}}
	short := 0
	for _, q := range p.Points {
		var worst *sweep.Result
		for i, r := range b.in.Evaluation.Results {
			if r.Point == q.Index && !math.IsNaN(float64(r.DynamicRange)) && (worst == nil || r.DynamicRange < worst.DynamicRange) {
				worst = &b.in.Evaluation.Results[i]
			}
		}
		row := []string{fmt.Sprint(q.Index + 1), q.Freq.String(), textreport.None, textreport.None, textreport.None, textreport.None, "not known"}
		var wanted *unit.DB
		if line != nil {
			if v, ok := line.At(fieldOf(q), q.Freq); ok {
				v += p.Headroom
				wanted = &v
				row[4] = number(v)
			}
		}
		if worst != nil {
			row[2], row[3] = number(worst.NoiseFloor), number(worst.DynamicRange)
			switch {
			case wanted == nil:
				row[6] = "nothing required"
			case worst.DynamicRange >= *wanted:
				row[5], row[6] = number(worst.DynamicRange-*wanted), "yes"
			default:
				short++
				row[5], row[6] = number(worst.DynamicRange-*wanted), "no"
			}
		}
		t.Rows = append(t.Rows, row)
	}
	d, a := orEmpty(b.in.Run.Bench.Facts), b.in.Facts.Bench
	s := Section{"Noise floor and dynamic range", []Block{
		Pairs{
			b.proof("linearity", "proof of linearity", d.Linearity, a.Linearity, b.linearityChecked()),
			known("reference against overload", referenceCheck(p)),
			known("headroom wanted", p.Headroom.String()+" of dynamic range above the requirement"),
		},
	}}
	if line != nil {
		verdict := "The dynamic range suffices to show the requirement with headroom at every frequency where one is set."
		if short > 0 {
			verdict = fmt.Sprintf("At %s the dynamic range is less than the requirement and the headroom: what meets the requirement may read as undecided there.", plural(short, "frequency", "frequencies"))
		}
		s.Blocks = append(s.Blocks, text("%s", verdict))
	}
	s.Blocks = append(s.Blocks, t)
	s.Blocks = append(s.Blocks, b.linearity()...)
	return s
}

func referenceCheck(p sweep.Plan) string {
	if p.CheckReference {
		return "checked at each reference: 10 dB more attenuation must move the reading by less than 1 dB"
	}
	return "not checked by the run"
}

// ambient says what was on the air with the source off.
func (b *builder) ambient() Section {
	d, a := orEmpty(b.in.Run.Bench.Facts), b.in.Facts.Bench
	s := Section{"Source off: ambient and leakage", []Block{
		Pairs{b.proof("cables terminated", "leakage check with terminated cables", d.Leakage, a.Leakage, b.leakageChecked())},
	}}
	s.Blocks = append(s.Blocks, b.leakage()...)
	if len(b.heard) == 0 {
		b.missing = append(b.missing, "ambient in the open")
		s.Blocks = append(s.Blocks, Text{Missing, "The ambient in the open was not captured."})
		return s
	}
	s.Blocks = append(s.Blocks,
		text("Source off, in the open; the same is seen through the shield between the looks with the source on. Where somebody else's signal stood at a point, its result says so and claims nothing."),
		Table{Caption: "Highest level with the source off, in the open", Columns: []Column{
			right("point", ""), right("frequency", ""), left("position, polarization"), right("RBW", ""), right("looks", ""), right("highest", "dBm"), right("at", ""),
		}, Rows: b.heard})
	return s
}

// raw are the readings as taken.
func (b *builder) raw() Section {
	s := Section{Title: "Raw readings"}
	s.Blocks = append(s.Blocks,
		text("Every capture of the run in the order taken, with the settings as read back and the highest level of its traces within the span. The traces themselves stand in the data (see Evidence)."),
		Table{Caption: "Captures", Columns: []Column{
			right("no.", ""), left("what"), left("specimen"), left("where"), right("frequency", ""), left("begun, UTC"), right("source", "dBm"), right("RBW", ""), right("att.", "dB"), right("on", "dBm"), right("off", "dBm"), left("remarks"),
		}, Rows: b.rows})
	return s
}
