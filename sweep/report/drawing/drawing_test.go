package drawing_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"strings"
	"testing"

	"lidded/sweep/report/drawing"
)

// sheet has one of each mark.
func sheet() *drawing.Drawing {
	d := &drawing.Drawing{Width: 100, Height: 60}
	d.Stroke(drawing.Stroke{Points: []drawing.XY{{X: 50, Y: 0}, {X: 100, Y: 0}, {X: 100, Y: 60}, {X: 50, Y: 60}}, Ink: drawing.InkVoid, Closed: true, Soft: true})
	d.Line(drawing.InkRequired, 2, drawing.XY{X: 10, Y: 30}, drawing.XY{X: 40, Y: 30})
	d.MeasuredMark(drawing.XY{X: 20, Y: 10}, 14, 6, drawing.InkMeasured)
	d.BoundMark(drawing.XY{X: 30, Y: 50}, -1, drawing.InkBound)
	d.Label(drawing.XY{X: 5, Y: 58}, 8, drawing.InkText, drawing.AnchorStart, "a < b")
	return d
}

// TestPNGShowsWhatStandsThere: pixels where marks are have their colour, the paper
// beside them stays white.
func TestPNGShowsWhatStandsThere(t *testing.T) {
	var b bytes.Buffer
	if err := drawing.PNG(&b, sheet(), 2); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if box := img.Bounds(); box.Dx() != 200 || box.Dy() != 120 {
		t.Fatalf("%v", box)
	}
	at := func(x, y int) [3]int {
		r, g, b, _ := img.At(x, y).RGBA()
		return [3]int{int(r >> 8), int(g >> 8), int(b >> 8)}
	}
	near := func(a, b [3]int) bool {
		for i := range a {
			if d := a[i] - b[i]; d > 3 || d < -3 {
				return false
			}
		}
		return true
	}
	white := [3]int{255, 255, 255}
	soft := func(i drawing.Ink) (c [3]int) {
		for k := range c {
			c[k] = 255 - (255-drawing.Colors[i][k])/5
		}
		return c
	}
	for name, c := range map[string]struct {
		x, y int
		want [3]int
	}{
		"line":  {50, 60, drawing.Colors[drawing.InkRequired]},
		"paper": {50, 70, white},
		"disc":  {40, 20, drawing.Colors[drawing.InkMeasured]},
		"shade": {150, 90, soft(drawing.InkVoid)},
	} {
		if got := at(c.x, c.y); !near(got, c.want) {
			t.Errorf("%s at %d, %d: %v, want %v", name, c.x, c.y, got, c.want)
		}
	}
	ink := 0
	for x := 8; x < 60; x++ {
		for y := 100; y < 120; y++ {
			if at(x, y) != white {
				ink++
			}
		}
	}
	if ink < 40 {
		t.Errorf("%d pixels of a text", ink)
	}
	if drawing.PNG(io.Discard, &drawing.Drawing{}, 1) == nil {
		t.Error("a picture of no size")
	}
}

// TestSVGIsWholeXML: texts are escaped, a file of its own names every colour that
// it uses.
func TestSVGIsWholeXML(t *testing.T) {
	page := drawing.Page(sheet(), `locker "a" & b`, "says")
	dec := xml.NewDecoder(strings.NewReader(page))
	for {
		if _, err := dec.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, part := range strings.Split(page, "var(")[1:] {
		name := part[:strings.Index(part, ")")]
		if !strings.Contains(page, name+":#") {
			t.Errorf("colour %s is not in the file", name)
		}
	}
	if !strings.Contains(page, "a &lt; b") || !strings.Contains(page, "fill-opacity:.2") {
		t.Errorf("%s", page)
	}
}
