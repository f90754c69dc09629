package dialect

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"lidded/driver/strict"
	"lidded/driver/word"
)

// Item is one thing that is set.
type Item uint8

// The items of both roles.
const (
	ItemUnknown Item = iota
	Center
	Span
	Start
	Stop
	RBW
	VBW
	Detector
	Hold
	Points
	SweepTime
	RefLevel
	Attenuation
	Preamp
	CarrierFrequency
	CarrierLevel
	Output
	itemCount
)

var itemNames = word.List{"unknown", "center", "span", "start", "stop", "rbw", "vbw", "detector", "hold", "points",
	"sweep_time", "ref_level", "attenuation", "preamp", "frequency", "level", "output"}

// String gives the name used in files.
func (i Item) String() string { return itemNames.Of(int(i)) }

// itemKinds says what each item holds and whose it is.
var itemKinds = [itemCount]struct {
	quantity  Quantity
	role      Role
	tolerance tolerance // unless the file says otherwise
	wish      bool      // may be read without being settable
}{
	Center:           {Frequency, Analyzer, tolerance{abs: 1, rel: 1e-9}, false},
	Span:             {Frequency, Analyzer, tolerance{abs: 1, rel: 0.01}, false},
	Start:            {Frequency, Analyzer, tolerance{abs: 1, rel: 1e-9}, false},
	Stop:             {Frequency, Analyzer, tolerance{abs: 1, rel: 1e-9}, false},
	RBW:              {Frequency, Analyzer, tolerance{rel: 0.05}, false},
	VBW:              {Frequency, Analyzer, tolerance{rel: 0.05}, true},
	Detector:         {Choice, Analyzer, tolerance{}, false},
	Hold:             {Choice, Analyzer, tolerance{}, false},
	Points:           {Integer, Analyzer, tolerance{}, true},
	SweepTime:        {Seconds, Analyzer, tolerance{rel: 0.05}, true},
	RefLevel:         {Level, Analyzer, tolerance{abs: 0.1}, true},
	Attenuation:      {Ratio, Analyzer, tolerance{abs: 0.1}, true},
	Preamp:           {Boolean, Analyzer, tolerance{}, false},
	CarrierFrequency: {Frequency, Source, tolerance{abs: 1, rel: 1e-9}, false},
	CarrierLevel:     {Level, Source, tolerance{abs: 0.1}, false},
	Output:           {Boolean, Source, tolerance{}, false},
}

// Quantity returns what the item holds.
func (i Item) Quantity() Quantity { return itemKinds[i].quantity }

type tolerance struct{ abs, rel float64 }

// Setting is how one item is set and read back.
type Setting struct {
	Item      Item
	Automatic []Command // hands it to the instrument; empty: not possible
	Zero      []Command // span: sent instead for zero span
	Get       Command   // Send is empty when it cannot be asked
	AskMin    Command   // asks for the least value; Send is empty when unknown
	AskMax    Command
	Min, Max  float64 // NaN: not stated
	Values    []float64

	set       []step
	reply     pattern
	words     []choice
	tolerance tolerance
	readOnly  bool // can be asked for and not set
	fixed     bool
	fixedTo   float64
	fixedWord string
}

// step is a command that may have a placeholder.
type step struct {
	Command
	template template
}

// choice is one word of a setting, or for a numeric setting one of its values.
type choice struct {
	name  string
	value float64
	words []string
	steps []step // instead of the setting's
}

// Fixed reports whether the item cannot be set, and to what it stands then.
func (s *Setting) Fixed() (value float64, word string, fixed bool) {
	return s.fixedTo, s.fixedWord, s.fixed
}

// Settable reports whether there is a command for it.
func (s *Setting) Settable() bool { return !s.fixed && !s.readOnly }

// Nearest returns the value that will be sent for v: the nearest of the stated
// values (by ratio for frequencies and times), or v itself.
func (s *Setting) Nearest(v float64) float64 {
	best, dist := v, math.Inf(1)
	for _, x := range s.Values {
		d := math.Abs(x - v)
		if q := s.Item.Quantity(); (q == Frequency || q == Seconds) && x > 0 && v > 0 {
			d = math.Abs(math.Log(x / v))
		}
		if d < dist {
			best, dist = x, d
		}
	}
	return best
}

// Number returns the commands that set a numeric item, and the value they
// carry. A value outside the stated range is an error.
func (s *Setting) Number(v float64) ([]Command, float64, error) {
	q := s.Item.Quantity()
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, 0, fmt.Errorf("%s: %v is not a value", s.Item, v)
	}
	if s.Item == Span && v == 0 && len(s.Zero) > 0 {
		return s.Zero, 0, nil
	}
	if s.fixed {
		if !s.Within(v, s.fixedTo) {
			return nil, 0, fmt.Errorf("%s %s: this instrument has %s and cannot change it", s.Item, q.Text(v), q.Text(s.fixedTo))
		}
		return nil, s.fixedTo, nil
	}
	if s.readOnly {
		return nil, 0, fmt.Errorf("%s %s: this dialect only reads it", s.Item, q.Text(v))
	}
	if err := s.Check(v); err != nil {
		return nil, 0, err
	}
	v = s.Nearest(v)
	if c := s.choiceOf(v); c != nil {
		return c.commands(s.set), v, nil
	}
	out := make([]Command, len(s.set))
	for i, st := range s.set {
		out[i] = st.Command
		out[i].Send = st.template.number(v)
	}
	return out, v, nil
}

// Check reports whether a value is within the stated range.
func (s *Setting) Check(v float64) error {
	q := s.Item.Quantity()
	switch {
	case v < s.Min && !(s.Item == Span && v == 0):
		return fmt.Errorf("%s %s is below the %s this dialect states as the least", s.Item, q.Text(v), q.Text(s.Min))
	case v > s.Max:
		return fmt.Errorf("%s %s is above the %s this dialect states as the most", s.Item, q.Text(v), q.Text(s.Max))
	}
	return nil
}

func (s *Setting) choiceOf(v float64) *choice {
	if !s.Item.Quantity().numeric() {
		return nil
	}
	for i := range s.words {
		if s.words[i].value == v {
			return &s.words[i]
		}
	}
	return nil
}

// Choose returns the commands that set a choice ("positive_peak", "max_hold",
// "on").
func (s *Setting) Choose(name string) ([]Command, error) {
	if s.fixed {
		if name != s.fixedWord {
			return nil, fmt.Errorf("%s %s: this instrument has %s and cannot change it", s.Item, name, s.fixedWord)
		}
		return nil, nil
	}
	for i := range s.words {
		if s.words[i].name == name {
			return s.words[i].commands(s.set), nil
		}
	}
	return nil, fmt.Errorf("%s %s: this instrument has none; it has %s", s.Item, name, strings.Join(s.Choices(), ", "))
}

func (c choice) commands(set []step) []Command {
	steps, w := c.steps, ""
	if steps == nil {
		steps = set
	}
	if len(c.words) > 0 {
		w = c.words[0]
	}
	out := make([]Command, len(steps))
	for i, st := range steps {
		out[i] = st.Command
		out[i].Send = st.template.word(w)
	}
	return out
}

// Choices lists the names Choose takes.
func (s *Setting) Choices() []string {
	if s.fixed {
		return []string{s.fixedWord}
	}
	names := make([]string, len(s.words))
	for i, c := range s.words {
		names[i] = c.name
	}
	return names
}

// Knows reports whether Choose takes the name.
func (s *Setting) Knows(name string) bool {
	for _, n := range s.Choices() {
		if n == name {
			return true
		}
	}
	return false
}

// ReadNumber reads the reply to Get into the base unit.
func (s *Setting) ReadNumber(reply string) (float64, error) {
	text, err := s.reply.value(reply)
	if err != nil {
		return 0, err
	}
	if len(s.words) > 0 {
		if c := s.spelled(text, ""); c != nil {
			return c.value, nil
		}
		return 0, s.unknownWord(text)
	}
	return s.reply.wire.parseReply(s.Item.Quantity(), text)
}

// ReadChoice reads the reply to Get. Of several choices with the same spelling
// the preferred one counts.
func (s *Setting) ReadChoice(reply, preferred string) (string, error) {
	text, err := s.reply.value(reply)
	if err != nil {
		return "", err
	}
	if c := s.spelled(strings.Trim(text, `"'`), preferred); c != nil {
		return c.name, nil
	}
	return "", s.unknownWord(text)
}

func (s *Setting) unknownWord(text string) error {
	var all []string
	for _, c := range s.words {
		for _, w := range c.words {
			all = append(all, strings.ToLower(w))
		}
	}
	near := strict.Nearest(text, all)
	if near != "" {
		near = fmt.Sprintf(" (near %q)", strings.ToUpper(near))
	}
	return fmt.Errorf("reply %q is none of the words the dialect states for %s%s: add it to words", clip(text), s.Item, near)
}

func (s *Setting) spelled(text, preferred string) *choice {
	var found *choice
	for i := range s.words {
		for _, w := range s.words[i].words {
			if !strings.EqualFold(w, text) && !sameNumber(w, text) {
				continue
			}
			if s.words[i].name == preferred {
				return &s.words[i]
			}
			if found == nil {
				found = &s.words[i]
			}
		}
	}
	return found
}

// sameNumber lets a word "1" match "+1" and "1.0E0".
func sameNumber(a, b string) bool {
	if a == "" || (a[0] != '-' && a[0] != '+' && a[0]-'0' > 9) {
		return false
	}
	w := wire{scale: 1}
	x, err := w.parseReply(Integer, a)
	if err != nil {
		return false
	}
	y, err := w.parseReply(Integer, b)
	return err == nil && x == y
}

// Within reports whether a value read back agrees with the one asked for.
func (s *Setting) Within(asked, got float64) bool {
	return math.Abs(asked-got) <= math.Max(s.tolerance.abs, s.tolerance.rel*math.Abs(asked))
}

// Time returns the sweep time by the law.
func (l TimeLaw) Time(span, rbw, vbw float64, points int) time.Duration {
	if span == 0 {
		return max(l.ZeroSpan, l.Minimum)
	}
	b := rbw
	if l.UsesVBW && vbw > 0 && vbw < b {
		b = vbw
	}
	var t float64
	if rbw > 0 {
		t = l.K * span / (rbw * b)
	}
	d := time.Duration(math.Min(t, 1e6)*float64(time.Second)) + time.Duration(points)*l.PerPoint
	return max(d, l.Minimum)
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
