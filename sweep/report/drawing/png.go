package drawing

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// PNG writes a drawing as a picture of pixels, so many to a point of its own.
func PNG(w io.Writer, d *Drawing, scale float64) error {
	b, err := newBitmap(d, scale)
	if err != nil {
		return err
	}
	for _, m := range d.Marks {
		switch m := m.(type) {
		case Stroke:
			b.stroke(m)
		case Dot:
			b.dot(m)
		case Label:
			if err := b.label(m); err != nil {
				return err
			}
		}
	}
	return png.Encode(w, b.img)
}

type bitmap struct {
	img *image.RGBA
	k   float64
}

func newBitmap(d *Drawing, scale float64) (*bitmap, error) {
	w, h := int(math.Ceil(d.Width*scale)), int(math.Ceil(d.Height*scale))
	if w < 1 || h < 1 || w > 20000 || h > 20000 {
		return nil, fmt.Errorf("draw: a picture of %d by %d pixels", w, h)
	}
	b := &bitmap{image.NewRGBA(image.Rect(0, 0, w, h)), scale}
	draw.Draw(b.img, b.img.Bounds(), image.White, image.Point{}, draw.Src)
	return b, nil
}

func ink(i Ink, alpha float64) color.NRGBA {
	c := Colors[i]
	return color.NRGBA{uint8(c[0]), uint8(c[1]), uint8(c[2]), uint8(math.Round(255 * alpha))}
}

// fill fills a closed way.
func (b *bitmap) fill(points []XY, c color.NRGBA) {
	if len(points) < 3 {
		return
	}
	r := vector.NewRasterizer(b.img.Rect.Dx(), b.img.Rect.Dy())
	for i, p := range points {
		x, y := float32(p.X*b.k), float32(p.Y*b.k)
		if i == 0 {
			r.MoveTo(x, y)
		} else {
			r.LineTo(x, y)
		}
	}
	r.ClosePath()
	r.Draw(b.img, b.img.Bounds(), image.NewUniform(c), image.Point{})
}

// segment draws a straight line of a width.
func (b *bitmap) segment(from, to XY, width float64, c color.NRGBA) {
	dx, dy := to.X-from.X, to.Y-from.Y
	n := math.Hypot(dx, dy)
	if n == 0 {
		return
	}
	ox, oy := -dy/n*width/2, dx/n*width/2
	b.fill([]XY{{from.X + ox, from.Y + oy}, {to.X + ox, to.Y + oy}, {to.X - ox, to.Y - oy}, {from.X - ox, from.Y - oy}}, c)
}

const dash = 3.0

func (b *bitmap) stroke(s Stroke) {
	c := ink(s.Ink, 1)
	switch {
	case s.Soft:
		b.fill(s.Points, ink(s.Ink, 0.2))
		return
	case s.Fill:
		b.fill(s.Points, c)
	case s.Hollow:
		b.fill(s.Points, color.NRGBA{255, 255, 255, 255})
	}
	points := s.Points
	if s.Closed && len(points) > 1 {
		points = append(points[:len(points):len(points)], points[0])
	}
	done := 0.0 // along the way, for dashes
	for i := 1; i < len(points); i++ {
		from, to := points[i-1], points[i]
		if !s.Dashed {
			b.segment(from, to, s.Width, c)
			if i > 1 && s.Width > 1 {
				b.disc(from, s.Width/2, c)
			}
			continue
		}
		n := math.Hypot(to.X-from.X, to.Y-from.Y)
		at := func(d float64) XY { return XY{from.X + (to.X-from.X)*d/n, from.Y + (to.Y-from.Y)*d/n} }
		for d := 0.0; d < n; {
			left := dash - math.Mod(done, dash)
			step := math.Min(left, n-d)
			if int(done/dash)%2 == 0 {
				b.segment(at(d), at(d+step), s.Width, c)
			}
			d, done = d+step, done+math.Max(step, 1e-9)
		}
	}
}

func (b *bitmap) disc(at XY, radius float64, c color.NRGBA) {
	const corners = 24
	points := make([]XY, corners)
	for i := range points {
		a := 2 * math.Pi * float64(i) / corners
		points[i] = XY{at.X + radius*math.Cos(a), at.Y + radius*math.Sin(a)}
	}
	b.fill(points, c)
}

func (b *bitmap) dot(d Dot) {
	b.disc(d.At, d.Radius+0.3, ink(d.Ink, 1))
	if d.Hollow {
		b.disc(d.At, d.Radius-0.3, color.NRGBA{255, 255, 255, 255})
	}
}

// fonts are parsed once.
var fonts = sync.OnceValues(func() ([2]*opentype.Font, error) {
	var out [2]*opentype.Font
	for i, ttf := range [][]byte{liberationsansregular.TTF, liberationsansbold.TTF} {
		f, err := opentype.Parse(ttf)
		if err != nil {
			return out, fmt.Errorf("draw: font: %w", err)
		}
		out[i] = f
	}
	return out, nil
})

func (b *bitmap) label(l Label) error {
	all, err := fonts()
	if err != nil {
		return err
	}
	f := all[0]
	if l.Bold {
		f = all[1]
	}
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: l.Size * b.k, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return fmt.Errorf("draw: font: %w", err)
	}
	defer face.Close()
	wide := font.MeasureString(face, l.Text)
	shift := float64(wide) / 64 * float64(l.Anchor) / 2
	src := image.NewUniform(ink(l.Ink, 1))
	if !l.Up {
		d := font.Drawer{Dst: b.img, Src: src, Face: face, Dot: fixed.Point26_6{X: fixed.Int26_6((l.At.X*b.k - shift) * 64), Y: fixed.Int26_6(l.At.Y * b.k * 64)}}
		d.DrawString(l.Text)
		return nil
	}
	// Written flat on a sheet of its own, and turned.
	m := face.Metrics()
	w, h := wide.Ceil()+2, (m.Ascent+m.Descent).Ceil()+2
	flat := image.NewAlpha(image.Rect(0, 0, w, h))
	d := font.Drawer{Dst: flat, Src: image.Opaque, Face: face, Dot: fixed.Point26_6{Y: m.Ascent}}
	d.DrawString(l.Text)
	x0, y0 := int(math.Round(l.At.X*b.k))-m.Ascent.Ceil(), int(math.Round(l.At.Y*b.k+shift))
	mask := image.NewAlpha(image.Rect(0, 0, h, w))
	for y := range h {
		for x := range w {
			mask.SetAlpha(y, w-1-x, flat.AlphaAt(x, y))
		}
	}
	draw.DrawMask(b.img, image.Rect(x0, y0-w, x0+h, y0), src, image.Point{}, mask, image.Point{}, draw.Over)
	return nil
}
