package chart_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/chart"
	"lidded/cmd/lidded/internal/specimens"
	"lidded/sweep/explain"
	"lidded/sweep/wall"
)

func outlook(t *testing.T, name string) explain.Outlook {
	t.Helper()
	k, err := specimens.Find(name)
	if err != nil {
		t.Fatal(err)
	}
	return explain.Expect(k.Model, nil, nil)
}

func TestPNGIsAPicture(t *testing.T) {
	var b bytes.Buffer
	if err := chart.Draw(&b, chart.PNG, outlook(t, "otter"), nil); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[[3]uint32]bool{}
	box := img.Bounds()
	for x := box.Min.X; x < box.Max.X; x++ {
		for y := box.Min.Y; y < box.Max.Y; y++ {
			r, g, b, _ := img.At(x, y).RGBA()
			seen[[3]uint32{r, g, b}] = true
		}
	}
	if box.Dx() < 600 || len(seen) < 10 {
		t.Errorf("%v with %d colours", box, len(seen))
	}
}

// What stands in the picture: title, units on the axis, fields, the guess.
func TestSVGSaysWhatItShows(t *testing.T) {
	for _, name := range specimens.Shipped() {
		o := outlook(t, name)
		points := []wall.Point{{Freq: 100e6, Field: wall.PlaneWave, SE: 60, U: 2}, {Freq: 200e6, Field: wall.PlaneWave, SE: 75, Bound: true}}
		var b bytes.Buffer
		if err := chart.Draw(&b, chart.SVG, o, points); err != nil {
			t.Fatal(err)
		}
		dec := xml.NewDecoder(bytes.NewReader(b.Bytes()))
		var text strings.Builder
		for {
			tok, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if c, ok := tok.(xml.CharData); ok {
				text.Write(c)
			}
		}
		for _, want := range []string{o.Title, "shielding effectiveness, dB", "1 MHz", "1 GHz", "magnetic field", "plane wave field", "expected", "single resonances: a guess between the dashes", o.Modes[0].Name, "measured", "at least"} {
			if !strings.Contains(text.String(), want) {
				t.Errorf("%s: the picture does not say %q", name, want)
			}
		}
		if dir := os.Getenv("LIDDED_CHARTS"); dir != "" {
			var pic bytes.Buffer
			if err := chart.Draw(&pic, chart.PNG, o, points); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(dir, name+".png"), pic.Bytes(), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A band that is not valid is drawn dashed and never filled.
func TestNothingIsFilledPastItsValidity(t *testing.T) {
	o := outlook(t, "heron")
	count := func(o explain.Outlook) (dashed, filled int) {
		var b bytes.Buffer
		if err := chart.Draw(&b, chart.SVG, o, nil); err != nil {
			t.Fatal(err)
		}
		return strings.Count(b.String(), "stroke-dasharray"), strings.Count(b.String(), "fill-opacity")
	}
	for i := range o.Curves {
		var only []wall.Expectation
		for _, e := range o.Curves[i].At {
			if !e.Valid {
				only = append(only, e)
			}
		}
		if len(only) < 3 {
			t.Fatal("no stretch past validity to look at")
		}
		o.Curves[i].At = only
	}
	guess := o
	dashed, filled := count(guess)
	if dashed < len(o.Curves)+1 || dashed > 2*len(o.Curves)+1 { // both ends of the guess, the upper one where the paper holds it; one in the key
		t.Errorf("%d dashed lines for %d fields", dashed, len(o.Curves))
	}
	for i := range o.Curves {
		o.Curves[i].At = nil
	}
	if _, without := count(o); filled > without+1 { // one more for the shaded stretch, whose ends move with the axis
		t.Errorf("%d filled shapes, %d without any curve", filled, without)
	}
}

func TestFormatOf(t *testing.T) {
	for name, want := range map[string]chart.Format{"a.png": chart.PNG, "b/c.SVG": chart.SVG} {
		if f, err := chart.FormatOf(name); err != nil || f != want {
			t.Errorf("%s: %v, %v", name, f, err)
		}
	}
	if _, err := chart.FormatOf("a.jpg"); err == nil || !strings.Contains(err.Error(), ".png or .svg") {
		t.Errorf("error %v", err)
	}
}
