package instrument

import (
	"context"
	"fmt"
	"math"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/unit"
)

// value is what an item is given: a number, a word, or "automatic".
type value struct {
	number    float64
	word      string
	automatic bool
}

// applied is what each item has been given; ok is false when that is not known
// or no longer believed.
type applied [dialect.Output + 1]struct {
	value
	ok bool
}

// change is one thing to be given.
type change struct {
	item dialect.Item
	value
}

// Configure implements driver.Analyzer. What cannot be set is not tried again
// by Recover; what a lost link prevented is.
func (a *Analyzer) Configure(ctx context.Context, s driver.Settings) (driver.Settings, error) {
	got, err := a.configure(ctx, s)
	if err == nil || driver.Retryable(err) {
		a.want = &s
	}
	return got, err
}

func (a *Analyzer) configure(ctx context.Context, s driver.Settings) (driver.Settings, error) {
	a.held = false
	if err := a.stillUp("configure"); err != nil {
		return driver.Settings{}, err
	}
	changes, err := a.changes(s)
	if err != nil {
		return driver.Settings{}, err
	}
	if err := a.toSingle(ctx); err != nil {
		return driver.Settings{}, err
	}
	sent, err := a.give(ctx, changes)
	if err != nil {
		return driver.Settings{}, err
	}
	got, off, err := a.readBack(ctx, s)
	if err != nil {
		return driver.Settings{}, err
	}
	// A setting that a later one moved (the span by the center, say), or that
	// was lost on the way, is given once more.
	var again []change
	for _, c := range sent {
		if off[c.item] {
			again = append(again, c)
		}
	}
	if len(again) > 0 {
		if _, err := a.give(ctx, again); err != nil {
			return driver.Settings{}, err
		}
		if got, _, err = a.readBack(ctx, s); err != nil {
			return driver.Settings{}, err
		}
	}
	a.got = got
	return got, nil
}

// changes lists what must be given, in a safe order: the points first, since
// they may reset the trace; the hold mode before the detector, which it may
// force; the input before the frequencies; the span before the center when it
// shrinks and after it when it grows, so that no pair is out of range on the
// way; the bandwidths after the span, which may couple them; the sweep time
// last, which all of them may change.
func (a *Analyzer) changes(s driver.Settings) ([]change, error) {
	b := builder{a: a}
	if s.Points > 0 {
		b.points(float64(s.Points))
	} else {
		b.automatic(dialect.Points)
	}
	holds := len(b.out)
	b.word(dialect.Hold, s.Hold.String())
	if len(b.out) > holds && a.dialect.MaxHold.ForcesDetector {
		a.applied[dialect.Detector].ok = false
	}
	b.word(dialect.Detector, s.Detector.String())
	b.preamp(s.Preamp)
	if s.Attenuator != nil {
		b.number(dialect.Attenuation, float64(*s.Attenuator))
	} else {
		b.automatic(dialect.Attenuation)
	}
	if s.RefLevel != nil {
		b.number(dialect.RefLevel, float64(*s.RefLevel))
	}
	b.frequencies(s)
	b.number(dialect.RBW, float64(s.RBW))
	if s.VBW > 0 {
		b.number(dialect.VBW, float64(s.VBW))
	} else {
		b.automatic(dialect.VBW)
	}
	if s.SweepTime > 0 {
		b.number(dialect.SweepTime, s.SweepTime.Seconds())
	} else {
		b.automatic(dialect.SweepTime)
	}
	return b.out, b.err
}

type builder struct {
	a   *Analyzer
	out []change
	err error
}

func (b *builder) setting(i dialect.Item) *dialect.Setting {
	s := b.a.dialect.Setting(i)
	if s == nil && b.err == nil {
		b.err = b.a.fail("configure", "", driver.KindDeviceSettings,
			fmt.Errorf("dialect %s cannot set %s", b.a.dialect.Name, i), "", "leave it automatic, or add it to the dialect")
	}
	return s
}

func (b *builder) add(c change) {
	if have := b.a.applied[c.item]; !have.ok || have.value != c.value {
		b.out = append(b.out, c)
	}
}

func (b *builder) number(i dialect.Item, v float64) {
	s := b.setting(i)
	if s == nil {
		return
	}
	if _, _, err := b.a.commands(s, v); err != nil && b.err == nil {
		b.err = err
	}
	b.add(change{i, value{number: v}})
}

func (b *builder) word(i dialect.Item, w string) {
	s := b.setting(i)
	if s == nil {
		return
	}
	if _, err := s.Choose(w); err != nil && b.err == nil {
		b.err = b.a.fail("configure", "", driver.KindDeviceSettings, err, "", "")
	}
	b.add(change{i, value{word: w}})
}

// automatic hands an item to the instrument, if the dialect knows how.
func (b *builder) automatic(i dialect.Item) {
	if s := b.a.dialect.Setting(i); s != nil && len(s.Automatic) > 0 {
		b.add(change{i, value{automatic: true}})
	}
}

// points asks for at least so many trace points, as far as the instrument goes:
// it is a wish, and the reply decides.
func (b *builder) points(n float64) {
	s := b.a.dialect.Setting(dialect.Points)
	if s == nil || !s.Settable() {
		return
	}
	if len(s.Values) > 0 {
		most, least := 0.0, math.Inf(1)
		for _, v := range s.Values {
			most = max(most, v)
			if v >= n {
				least = min(least, v)
			}
		}
		n = min(least, most)
	}
	if l := b.a.limits[dialect.Points]; l != (limit{}) {
		n = min(max(n, l.min), l.max)
	}
	n = max(n, stated(s.Min))
	if m := stated(s.Max); m > 0 {
		n = min(n, m)
	}
	b.number(dialect.Points, n)
}

// preamp is off unless asked for; an instrument that cannot switch it is left
// alone then.
func (b *builder) preamp(on *bool) {
	w := "off"
	if on != nil && *on {
		w = "on"
	}
	if s := b.a.dialect.Setting(dialect.Preamp); on == nil && (s == nil || !s.Settable()) {
		return
	}
	b.word(dialect.Preamp, w)
}

// frequencies gives center and span, or start and stop, in an order that is
// never out of range on the way.
func (b *builder) frequencies(s driver.Settings) {
	if b.a.dialect.Setting(dialect.Start) != nil {
		start, stop := float64(s.Center-s.Span/2), float64(s.Center+s.Span/2)
		if have := b.a.applied[dialect.Stop]; have.ok && start > have.number {
			b.number(dialect.Stop, stop)
			b.number(dialect.Start, start)
			return
		}
		b.number(dialect.Start, start)
		b.number(dialect.Stop, stop)
		return
	}
	if have := b.a.applied[dialect.Span]; have.ok && float64(s.Span) > have.number {
		b.number(dialect.Center, float64(s.Center))
		b.number(dialect.Span, float64(s.Span))
		return
	}
	b.number(dialect.Span, float64(s.Span))
	b.number(dialect.Center, float64(s.Center))
}

// give sends changes, each verified, and returns them.
func (a *Analyzer) give(ctx context.Context, changes []change) ([]change, error) {
	for _, c := range changes {
		s := a.dialect.Setting(c.item)
		var cmds []dialect.Command
		var err error
		switch {
		case c.automatic:
			cmds = s.Automatic
		case c.word != "":
			cmds, err = s.Choose(c.word)
		default:
			cmds, _, err = a.commands(s, c.number)
		}
		if err != nil {
			return nil, err
		}
		a.applied[c.item].ok = false // until it is verified
		if err := a.apply(ctx, cmds); err != nil {
			return nil, err
		}
		a.applied[c.item].value, a.applied[c.item].ok = c.value, true
	}
	return changes, nil
}

// readBack asks for every item that can be asked for and returns the settings;
// off marks the items that disagree with what they were given, which are no
// longer believed and will be given again.
func (a *Analyzer) readBack(ctx context.Context, s driver.Settings) (got driver.Settings, off [dialect.Output + 1]bool, err error) {
	r, err := a.query(ctx, s)
	if err != nil {
		return got, off, err
	}
	for i := range r {
		set := a.dialect.Setting(dialect.Item(i))
		have := &a.applied[i]
		if set == nil || !r[i].known || !have.ok || have.automatic {
			continue
		}
		agree := r[i].word == have.word
		if have.word == "" {
			agree = set.Within(set.Nearest(have.number), r[i].number)
		}
		if !agree {
			off[i], have.ok = true, false
		}
	}
	got = driver.Settings{Center: s.Center, Span: s.Span, RBW: s.RBW, Detector: s.Detector, Hold: s.Hold}
	if b := r[dialect.RBW]; b.known {
		got.RBW = unit.Hz(b.number)
	} else if sent := a.dialect.Setting(dialect.RBW); sent != nil {
		got.RBW = unit.Hz(sent.Nearest(float64(s.RBW)))
	}
	switch {
	case r[dialect.Start].known && r[dialect.Stop].known:
		got.Center = unit.Hz(r[dialect.Start].number+r[dialect.Stop].number) / 2
		got.Span = unit.Hz(r[dialect.Stop].number - r[dialect.Start].number)
	default:
		if c := r[dialect.Center]; c.known {
			got.Center = unit.Hz(c.number)
		}
		if c := r[dialect.Span]; c.known {
			got.Span = unit.Hz(c.number)
		}
	}
	if w := r[dialect.Detector]; w.known {
		err = got.Detector.UnmarshalText([]byte(w.word))
	}
	if w := r[dialect.Hold]; w.known && err == nil {
		err = got.Hold.UnmarshalText([]byte(w.word))
	}
	if err != nil {
		return got, off, err
	}
	got.VBW = unit.Hz(r[dialect.VBW].number)
	got.Points = int(r[dialect.Points].number)
	a.points = got.Points
	got.SweepTime = time.Duration(r[dialect.SweepTime].number * float64(time.Second))
	if v := r[dialect.RefLevel]; v.known {
		p := unit.DBm(v.number)
		got.RefLevel = &p
	}
	if v := r[dialect.Attenuation]; v.known {
		p := unit.DB(v.number)
		got.Attenuator = &p
	}
	if v := r[dialect.Preamp]; v.known {
		on := v.word == "on"
		got.Preamp = &on
	}
	a.took = got.SweepTime
	if a.took <= 0 {
		a.took = a.byLaw(got)
	}
	return got, off, nil
}

// byLaw computes the sweep time when the dialect has a law.
func (a *Analyzer) byLaw(s driver.Settings) time.Duration {
	if a.dialect.Sweep.Law == nil {
		return 0
	}
	return a.dialect.Sweep.Law.Time(float64(s.Span), float64(s.RBW), float64(s.VBW), s.Points)
}

// reading is what one item reads back as.
type reading struct {
	number float64
	word   string
	known  bool
}

// query asks for every item that can be asked for; fixed items are known.
func (a *Analyzer) query(ctx context.Context, s driver.Settings) (out [dialect.Output + 1]reading, err error) {
	var items []*dialect.Setting
	var cmds []dialect.Command
	for i := dialect.Center; i <= dialect.Preamp; i++ {
		set := a.dialect.Setting(i)
		if set == nil {
			continue
		}
		if number, word, fixed := set.Fixed(); fixed && set.Get.Send == "" {
			out[i] = reading{number, word, true}
		}
		if set.Get.Send != "" {
			items, cmds = append(items, set), append(cmds, set.Get)
		}
	}
	replies, err := a.askAll(ctx, cmds)
	if err != nil {
		return out, err
	}
	preferred := map[dialect.Item]string{dialect.Detector: s.Detector.String(), dialect.Hold: s.Hold.String()}
	for i, set := range items {
		r := reading{known: true}
		if q := set.Item.Quantity(); q == dialect.Choice || q == dialect.Boolean {
			r.word, err = set.ReadChoice(replies[i], preferred[set.Item])
		} else {
			r.number, err = set.ReadNumber(replies[i])
		}
		if err != nil || math.IsNaN(r.number) {
			return out, a.distrust("read back", set.Get, driver.KindFormat, err, replies[i])
		}
		out[set.Item] = r
	}
	return out, nil
}
