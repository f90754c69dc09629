package document

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"slices"
	"strings"

	"lidded/driver"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/report/export"
	textreport "lidded/sweep/report/text"
)

// digest is the SHA-256 of one table of the data, as it is exported.
type digest struct {
	file  string
	bytes int64
	sum   string
}

// read goes through the captures.
func (b *builder) read() error {
	b.tally = map[sweep.StepKind]int{}
	if b.in.Captures == nil {
		b.in.Captures = func(func(sweep.Capture, error) bool) {}
	}
	for c, err := range b.in.Captures {
		if err != nil {
			return fmt.Errorf("read the captures of run %s: %w", b.in.Run.ID, err)
		}
		b.take(c)
	}
	all := sha256.New()
	for _, t := range export.Tables(b.in.bundle()) {
		sum := &counter{hash: sha256.New()}
		var to io.Writer = sum
		if slices.Contains(captureFiles, t.File()) {
			to = io.MultiWriter(sum, all)
		}
		if err := t.Write(to, b.in.bundle()); err != nil {
			return err
		}
		b.digests = append(b.digests, digest{t.File(), sum.n, hex.EncodeToString(sum.hash.Sum(nil))})
	}
	b.digest = hex.EncodeToString(all.Sum(nil))
	return nil
}

// captureFiles hold the captures whole; the digest of a run is that of both,
// one after the other.
var captureFiles = []string{"captures.csv", "traces.csv"}

type counter struct {
	hash hash.Hash
	n    int64
}

var _ io.Writer = (*counter)(nil)

func (c *counter) Write(p []byte) (int, error) {
	c.n += int64(len(p))
	return c.hash.Write(p)
}

// top is the highest level over some traces.
type top struct {
	level unit.DBm
	at    unit.Hz
	looks int
}

func (t *top) see(tr driver.Trace) {
	t.looks++
	if i := tr.Peak(); i >= 0 && !(t.level >= tr.Levels[i]) {
		t.level, t.at = tr.Levels[i], tr.Freq(i)
	}
}

func (b *builder) take(c sweep.Capture) {
	b.tally[c.Kind]++
	on, off := top{level: unit.Missing()}, top{level: unit.Missing()}
	for _, l := range c.Looks {
		if l.SourceOn {
			on.see(l.Trace)
		} else {
			off.see(l.Trace)
		}
	}
	b.backs.see(c)
	if c.HandLevel != nil {
		on.level = *c.HandLevel
	}
	if c.HandNoise != nil {
		off.level = *c.HandNoise
	}
	source, attenuation := textreport.None, textreport.None
	if c.SourceLevel != nil {
		source = number(*c.SourceLevel)
	}
	if c.Settings.Attenuator != nil {
		attenuation = number(*c.Settings.Attenuator)
	}
	kind := strings.ReplaceAll(c.Kind.String(), "_", " ")
	freq := c.Freq.String()
	if c.Point == sweep.WholeTrace {
		freq = "whole trace"
	}
	begun := textreport.None
	if !c.Begun.IsZero() {
		begun = c.Begun.UTC().Format("01-02 15:04:05")
	}
	rbw := textreport.None
	if c.Settings.RBW > 0 {
		rbw = c.Settings.RBW.String()
	}
	b.rows = append(b.rows, []string{
		fmt.Sprint(c.Seq), kind, orNone(c.At.Specimen), where(c.At), freq, begun, source, rbw, attenuation, number(on.level), number(off.level), remarks(c),
	})
	if c.Kind == sweep.Ambient && c.Point >= 0 {
		at := textreport.None
		if off.level.IsFinite() && off.at > 0 {
			at = unit.Hz(float64(int64(off.at/1000)) * 1000).String()
		}
		b.heard = append(b.heard, []string{fmt.Sprint(c.Point + 1), freq, where(c.At), rbw, fmt.Sprint(off.looks), number(off.level), at})
	}
	if c.Void != "" || c.Overload {
		b.lost = append(b.lost, []string{fmt.Sprint(c.Seq), kind, orNone(c.At.Specimen), where(c.At), freq, remarks(c)})
	}
}

// remarks says what else there is to a capture.
func remarks(c sweep.Capture) string {
	var out []string
	if c.Void != "" {
		out = append(out, "void: "+c.Void)
	}
	if c.Overload {
		out = append(out, "input overloaded")
	}
	if c.Rung > 0 {
		out = append(out, fmt.Sprintf("look %d at the point", c.Rung+1))
	}
	if c.HeldSweeps > 0 {
		out = append(out, fmt.Sprintf("held over %d sweeps, %d saw it", c.HeldSweeps, c.HoldSweeps))
	}
	if c.HandLevel != nil {
		out = append(out, "read by hand")
	}
	return strings.Join(out, "; ")
}
