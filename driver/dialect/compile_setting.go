package dialect

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lidded/driver"
	"lidded/driver/strict"
)

// setting compiles one entry of settings.
func (c *compiler) setting(key string, f settingFile) {
	at := "settings." + key
	i, err := itemNames.Find("setting", key)
	if err != nil {
		c.failf(at, "unknown setting %q%s", key, c.near(key))
		return
	}
	item := Item(i)
	if role := itemKinds[item].role; c.d.Role != RoleUnknown && role != c.d.Role {
		c.failf(at, "belongs to role %s: remove it", role)
		return
	}
	q := item.Quantity()
	s := &Setting{Item: item, Min: math.Inf(-1), Max: math.Inf(1), tolerance: itemKinds[item].tolerance}
	kind := valueKind(q, f)
	s.set = c.steps(at+".set", f.Set, kind)
	s.Get = c.query(at+".get", f.Get)
	s.AskMin = c.query(at+".ask_min", f.AskMin)
	s.AskMax = c.query(at+".ask_max", f.AskMax)
	s.Automatic = c.commands(at+".automatic", f.Automatic)
	s.Zero = c.commands(at+".zero", f.Zero)
	if s.reply, err = parsePattern(f.Reply, kind); err != nil {
		c.failf(at+".reply", "%v", err)
	}
	c.words(at, s, f)
	c.numbers(at, s, f)
	c.consistent(at, s, f)
	c.d.settings[item] = s
}

func (c *compiler) near(key string) string {
	var names []string
	for i := Center; i < itemCount; i++ {
		if c.d.Role == RoleUnknown || itemKinds[i].role == c.d.Role {
			names = append(names, i.String())
		}
	}
	if n := strict.Nearest(key, names); n != "" {
		return fmt.Sprintf(": did you mean %q?", n)
	}
	return ": known are " + strings.Join(names, ", ")
}

// names lists what a choice may be called.
func (s *Setting) names() []string {
	switch {
	case s.Item == Detector:
		return detectorNames
	case s.Item == Hold:
		return []string{driver.ClearWrite.String(), driver.MaxHold.String()}
	}
	return []string{"on", "off"}
}

// words compiles words and steps.
func (c *compiler) words(at string, s *Setting, f settingFile) {
	q := s.Item.Quantity()
	if q == Boolean && len(f.Words) == 0 && f.Fixed == "" {
		f.Words = map[string]wordsFile{"on": {"ON", "1"}, "off": {"OFF", "0"}}
	}
	all := map[string]bool{}
	for _, k := range sortedKeys(f.Words) {
		all[k] = true
	}
	for _, k := range sortedKeys(f.Steps) {
		all[k] = true
	}
	for _, name := range sortedKeys(all) {
		ch := choice{name: name, words: f.Words[name]}
		place := at + ".words." + name
		if !c.doc.Has(place) {
			place = at + ".steps." + name
		}
		if q.numeric() {
			v, err := q.parse(name)
			if err != nil {
				c.failf(place, "%v", err)
				continue
			}
			ch.value = v
			s.Values = append(s.Values, v)
		} else if i := indexOf(s.names(), name); i < 0 {
			if n := strict.Nearest(name, s.names()); n != "" {
				c.failf(place, "unknown choice %q: did you mean %q?", name, n)
			} else {
				c.failf(place, "unknown choice %q: known are %s", name, strings.Join(s.names(), ", "))
			}
			continue
		}
		kind := valueKind(q, f)
		if st, ok := f.Steps[name]; ok {
			ch.steps = c.steps(at+".steps."+name, st, kind)
			if ch.steps == nil {
				ch.steps = []step{}
			}
		}
		for _, w := range ch.words {
			if strings.TrimSpace(w) == "" {
				c.failf(place, "has an empty word")
			}
		}
		if len(ch.words) == 0 && s.Get.Send != "" {
			c.failf(place, "is asked for with get but has no words to know the reply by: add them to words")
		}
		if _, ok := f.Steps[name]; !ok && len(f.Set) == 0 && f.Fixed == "" {
			c.failf(place, "has no command: give set with {%s}, or steps for this choice", kind)
		}
		for _, o := range s.words {
			if ch.steps == nil && o.steps == nil && len(ch.words)*len(o.words) > 0 && ch.words[0] == o.words[0] {
				c.failf(place, "is written %q, as %s is: give each choice its own word", ch.words[0], o.name)
			}
		}
		s.words = append(s.words, ch)
	}
}

// numbers compiles values, limits, tolerance and fixed.
func (c *compiler) numbers(at string, s *Setting, f settingFile) {
	q := s.Item.Quantity()
	if !q.numeric() {
		for _, n := range []string{"values", "min", "max", "ask_min", "ask_max", "tolerance"} {
			if c.doc.Has(at + "." + n) {
				c.failf(at+"."+n, "means nothing for a %s: remove it", q)
			}
		}
		if f.Fixed != "" {
			s.fixed, s.fixedWord = true, f.Fixed
			if indexOf(s.names(), f.Fixed) < 0 {
				c.failf(at+".fixed", "unknown choice %q: known are %s", f.Fixed, strings.Join(s.names(), ", "))
			}
		}
		return
	}
	one := func(key, text string, into *float64) {
		if text == "" {
			return
		}
		v, err := q.parse(text)
		if err != nil {
			c.failf(at+"."+key, "%v", err)
			return
		}
		*into = v
	}
	one("min", f.Min, &s.Min)
	one("max", f.Max, &s.Max)
	if s.Min > s.Max {
		c.failf(at+".min", "is above max: swap them")
	}
	for i, text := range f.Values {
		v := math.NaN()
		one(fmt.Sprintf("values[%d]", i), text, &v)
		s.Values = append(s.Values, v)
	}
	if f.Fixed != "" {
		s.fixed = true
		one("fixed", f.Fixed, &s.fixedTo)
	}
	if f.Tolerance != "" {
		s.tolerance = tolerance{}
		if p, ok := strings.CutSuffix(strings.TrimSpace(f.Tolerance), "%"); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
			if err != nil || v < 0 || v > 100 {
				c.failf(at+".tolerance", "%q is not a percentage from 0 to 100", f.Tolerance)
			}
			s.tolerance.rel = v / 100
		} else {
			one("tolerance", f.Tolerance, &s.tolerance.abs)
		}
	}
}

// consistent checks that what is stated makes a whole.
func (c *compiler) consistent(at string, s *Setting, f settingFile) {
	q := s.Item.Quantity()
	if s.fixed {
		for _, n := range []string{"set", "steps", "words", "automatic", "zero", "values"} {
			if c.doc.Has(at + "." + n) {
				c.failf(at+"."+n, "means nothing for a fixed setting: remove it or fixed")
			}
		}
		return
	}
	if !q.numeric() && len(f.Words)+len(f.Steps) == 0 && q != Boolean {
		c.failf(at, "has no words: say which choices there are and how each is written")
	}
	if len(f.Set) == 0 && len(f.Steps) == 0 {
		if len(f.Words) > 0 {
			return // said for each word
		}
		if q.numeric() && s.Get.Send != "" && itemKinds[s.Item].wish {
			s.readOnly = true
			for _, n := range []string{"automatic", "values", "min", "max", "ask_min", "ask_max", "tolerance"} {
				if c.doc.Has(at + "." + n) {
					c.failf(at+"."+n, "means nothing for a setting that is only read: remove it, or give set")
				}
			}
			return
		}
		c.failf(at, "has no set: give the command, or fixed if the instrument cannot change it")
		return
	}
	if len(f.Set) > 0 && !takesValue(s.set) {
		c.failf(at+".set", "carries no value: put {%s} where it stands", valueKind(q, f))
	}
	if len(s.Zero) > 0 && s.Item != Span {
		c.failf(at+".zero", "only goes with span")
	}
	if len(s.Automatic) > 0 && s.Item != VBW && s.Item != SweepTime && s.Item != Attenuation && s.Item != Points {
		c.failf(at+".automatic", "only goes with vbw, sweep_time, attenuation and points")
	}
	if s.Get.Send == "" && f.Reply != "" {
		c.failf(at+".reply", "has no get whose reply it could read")
	}
}

// valueKind returns the kind of placeholder a setting's commands and replies
// have: a numeric setting with words is written with a word.
func valueKind(q Quantity, f settingFile) Quantity {
	if q.numeric() && len(f.Words)+len(f.Steps) > 0 {
		return Choice
	}
	return q
}

func takesValue(steps []step) bool {
	for _, s := range steps {
		if s.template.value != nil {
			return true
		}
	}
	return false
}

func indexOf(names []string, name string) int {
	for i, n := range names {
		if n == name {
			return i
		}
	}
	return -1
}
