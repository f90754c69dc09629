package instrument

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/link"
	"lidded/driver/scpi"
	"lidded/driver/unit"
)

// maxPoints bounds a trace of unknown length.
const maxPoints = 1 << 20

// fetch asks for the trace and decodes it.
func (a *Analyzer) fetch(ctx context.Context) (driver.Trace, error) {
	d := &a.dialect.Trace
	if err := a.run(ctx, d.Before); err != nil {
		return driver.Trace{}, err
	}
	begun := time.Now()
	raw, err := a.rawTrace(ctx)
	if a.spec.Observer != nil {
		a.spec.Observer.Exchange(a.spec.Name, d.Query.Send, time.Since(begun), err)
	}
	if err != nil {
		return driver.Trace{}, err
	}
	values, err := a.decode(raw)
	if err != nil {
		return driver.Trace{}, a.distrust("read trace", d.Query, driver.KindFormat, err, clip(raw))
	}
	tr, err := a.trace(values)
	if err == nil {
		// What the query left in the queue is its own, not the next command's. A held
		// trace stays as it is.
		err = a.verify(ctx, d.Query.Send)
	}
	return tr, err
}

func clip(b []byte) string { return string(b[:min(len(b), 64)]) }

// rawTrace returns the bytes of the reply, for shapes of several lines joined.
func (a *Analyzer) rawTrace(ctx context.Context) ([]byte, error) {
	d := &a.dialect.Trace
	if a.conn == nil {
		return nil, a.fail("write", d.Query.Send, driver.KindClosed, errNoLink, "", "recover it first")
	}
	if d.Shape == dialect.PerPoint {
		return a.pointByPoint(ctx)
	}
	if err := a.conn.WriteLine(ctx, d.Query.Send); err != nil {
		return nil, a.lost(err)
	}
	timeout := max(d.Timeout, d.Query.Timeout, a.patience)
	a.patience = 0
	for range d.Header {
		if _, err := a.conn.ReadLine(ctx, timeout); err != nil {
			return nil, a.lost(err)
		}
		timeout = 0
	}
	var raw []byte
	var err error
	switch {
	case d.Shape == dialect.ManyLines:
		raw, err = a.traceLines(ctx, timeout)
	case d.Shape == dialect.OneBlock && d.Framing == dialect.Bare:
		raw, err = a.conn.ReadN(ctx, a.expectBytes(), timeout)
	case d.Shape == dialect.OneBlock:
		raw, err = a.conn.ReadBlock(ctx, a.expectBytes(), timeout)
	default:
		a.conn.Expect(a.expectText())
		raw, err = a.conn.ReadLine(ctx, timeout)
	}
	if err != nil {
		if errors.Is(err, link.ErrNoTrace) {
			return nil, err
		}
		return nil, a.lost(err)
	}
	return raw, nil
}

// expectBytes returns the bytes of a binary trace, 0 when not known.
func (a *Analyzer) expectBytes() int {
	d := &a.dialect.Trace
	n := a.points * d.Numbers.Width()
	if d.Numbers == dialect.Hex {
		n = a.points * d.Digits
	}
	if d.Pairs {
		n *= 2
	}
	return n
}

// expectText returns the most bytes that a trace as text is given time for.
func (a *Analyzer) expectText() int {
	const perValue, unknown = 24, 10001
	n := a.expectValues()
	if n <= 0 {
		n = unknown
	}
	return perValue * n
}

// slow gives up a trace that comes in pieces, each in time, and is not complete
// after the time that so many bytes of it may take.
func (a *Analyzer) slow(begun time.Time, first time.Duration, bytes int) error {
	if a.conn == nil || time.Since(begun) <= first+a.conn.Allowance(min(bytes, a.expectText())) {
		return nil
	}
	q := a.dialect.Trace.Query
	a.drop()
	return a.fail("read trace", q.Send, driver.KindTimeout, errors.New("the trace comes too slowly and was not complete"), "", "")
}

// expectValues returns the numbers in a trace, 0 when not known.
func (a *Analyzer) expectValues() int {
	if a.dialect.Trace.Pairs {
		return 2 * a.points
	}
	return a.points
}

// traceLines joins the lines of a trace with the dialect's separator.
func (a *Analyzer) traceLines(ctx context.Context, timeout time.Duration) ([]byte, error) {
	d := &a.dialect.Trace
	a.text = a.text[:0]
	begun, first := time.Now(), max(timeout, a.opts.Reply, a.opts.FirstReply, longestFirst)
	for n, fields := 0, 0; ; n++ {
		if err := a.slow(begun, first, len(a.text)); err != nil {
			return nil, err
		}
		var line []byte
		var err error
		ended := false
		if d.AtPrompt {
			line, ended, err = a.conn.ReadLineOrPrompt(ctx, timeout)
		} else {
			line, err = a.conn.ReadLine(ctx, timeout)
		}
		if err != nil {
			return nil, err
		}
		timeout = 0
		line = bytes.TrimSpace(line)
		if ended || (d.Until != "" && !d.AtPrompt && string(line) == d.Until) {
			return a.text, nil
		}
		line = bytes.TrimRight(line, string(d.Separator))
		if len(line) > 0 {
			if len(a.text) > 0 {
				a.text = append(a.text, d.Separator)
			}
			a.text = append(a.text, line...)
			fields += a.fields(line)
		}
		switch {
		case d.LineCount > 0 && n+1 == d.LineCount:
			return a.text, nil
		case d.LineCount == 0 && d.Until == "" && fields >= a.expectValues()+d.SkipFields:
			return a.text, nil
		case n > maxPoints || fields > 2*maxPoints:
			a.conn.Close()
			return nil, a.fail("read trace", d.Query.Send, driver.KindFraming, errors.New("the trace does not end"), "", "")
		}
	}
}

func (a *Analyzer) fields(line []byte) int {
	if a.dialect.Trace.Separator == ' ' {
		return len(bytes.Fields(line))
	}
	return bytes.Count(line, []byte{a.dialect.Trace.Separator}) + 1
}

// longestFirst is what the first piece of a trace may take in any case.
const longestFirst = 10 * time.Second

// perPoint is what one point of a trace asked for point by point may take on
// average (ours, no source; a line of 9600 baud takes some 30 ms).
const perPoint = 300 * time.Millisecond

// pointByPoint asks for one point at a time.
func (a *Analyzer) pointByPoint(ctx context.Context) ([]byte, error) {
	d := &a.dialect.Trace
	if a.points <= 0 || a.points > maxPoints {
		return nil, a.fail("read trace", d.Query.Send, driver.KindFormat, fmt.Errorf("%d points", a.points), "", "the number of points must be known")
	}
	a.text = a.text[:0]
	begun := time.Now()
	for i := range a.points {
		q := d.PointQuery(i)
		// Each point is an exchange of its own, and has the time of one.
		if err := a.slow(begun, max(q.Timeout, a.patience, a.opts.FirstReply, longestFirst)+time.Duration(i)*(perPoint+a.opts.MinGap), len(a.text)); err != nil {
			return nil, err
		}
		if err := a.conn.WriteLine(ctx, q.Send); err != nil {
			return nil, a.lost(err)
		}
		line, err := a.conn.ReadLine(ctx, max(q.Timeout, a.patience))
		a.patience = 0
		if err != nil {
			return nil, a.lost(err)
		}
		if i > 0 {
			a.text = append(a.text, d.Separator)
		}
		a.text = append(a.text, bytes.TrimSpace(line)...)
	}
	return a.text, nil
}

// decode turns the bytes of a trace into numbers, not yet scaled.
func (a *Analyzer) decode(raw []byte) (values []float64, err error) {
	d := &a.dialect.Trace
	dst := a.scratch[:0]
	switch d.Numbers {
	case dialect.ASCII:
		values, err = a.decodeText(dst, raw)
	case dialect.Hex:
		values, err = decodeHex(dst, raw, d.Digits)
	case dialect.Real32:
		values, err = scpi.AppendREAL32(dst, raw, d.Order)
	case dialect.Real64:
		values, err = scpi.AppendREAL64(dst, raw, d.Order)
	case dialect.Int32:
		values, err = scpi.AppendINT32(dst, raw, d.Order, 1)
	default:
		values, err = decodeSmall(dst, raw, d)
	}
	if values != nil {
		a.scratch = values
	}
	return values, err
}

// decodeText reads numbers as text.
func (a *Analyzer) decodeText(dst []float64, raw []byte) ([]float64, error) {
	d := &a.dialect.Trace
	for range d.SkipFields {
		i := bytes.IndexByte(raw, d.Separator)
		if i < 0 {
			return dst, fmt.Errorf("fewer than the %d fields to pass over", d.SkipFields)
		}
		raw = raw[i+1:]
	}
	if d.Separator == ',' && len(d.Missing) == 0 {
		return scpi.AppendASCII(dst, raw)
	}
	var parts [][]byte
	if d.Separator == ' ' {
		parts = bytes.Fields(raw)
	} else {
		parts = bytes.Split(bytes.TrimRight(bytes.TrimSpace(raw), string(d.Separator)), []byte{d.Separator})
	}
	for i, p := range parts {
		p = bytes.TrimSpace(p)
		if isOneOf(string(p), d.Missing) {
			dst = append(dst, math.NaN())
			continue
		}
		v, err := scpi.ParseNumber(p)
		if err != nil {
			return dst, fmt.Errorf("value %d of the trace: %w", i+1, err)
		}
		dst = append(dst, v)
	}
	return dst, nil
}

func isOneOf(s string, words []string) bool {
	for _, w := range words {
		if s == w {
			return true
		}
	}
	return false
}

// decodeHex reads hexadecimal text, two's complement of the given digits,
// with or without commas and blanks between the values.
func decodeHex(dst []float64, raw []byte, digits int) ([]float64, error) {
	raw = bytes.Map(func(r rune) rune {
		if r == ',' || r == ' ' || r == '\r' || r == '\n' {
			return -1
		}
		return r
	}, raw)
	if len(raw) == 0 || len(raw)%digits != 0 {
		return dst, fmt.Errorf("a trace of %d hexadecimal digits is not a whole number of %d-digit values", len(raw), digits)
	}
	for i := 0; i < len(raw); i += digits {
		u, err := strconv.ParseUint(string(raw[i:i+digits]), 16, 64)
		if err != nil {
			return dst, fmt.Errorf("value %d of the trace: %q is not hexadecimal", i/digits+1, raw[i:i+digits])
		}
		shift := 64 - 4*digits
		dst = append(dst, float64(int64(u<<shift)>>shift))
	}
	return dst, nil
}

// decodeSmall reads integers of one or two bytes.
func decodeSmall(dst []float64, raw []byte, d *dialect.Trace) ([]float64, error) {
	w := d.Numbers.Width()
	if len(raw) == 0 || len(raw)%w != 0 {
		return dst, fmt.Errorf("a trace of %d bytes is not a whole number of %d-byte values", len(raw), w)
	}
	var order binary.ByteOrder = binary.BigEndian
	if d.Order == scpi.LittleEndian {
		order = binary.LittleEndian
	}
	for i := 0; i < len(raw); i += w {
		switch d.Numbers {
		case dialect.Int16:
			dst = append(dst, float64(int16(order.Uint16(raw[i:]))))
		case dialect.Uint16:
			dst = append(dst, float64(order.Uint16(raw[i:])))
		case dialect.Int8:
			dst = append(dst, float64(int8(raw[i])))
		default:
			dst = append(dst, float64(raw[i]))
		}
	}
	return dst, nil
}

// trace scales decoded numbers to levels, checks them and gives them their
// axis.
func (a *Analyzer) trace(values []float64) (driver.Trace, error) {
	d := &a.dialect.Trace
	tr := driver.Trace{Start: a.got.Center - a.got.Span/2, Stop: a.got.Center + a.got.Span/2}
	if want := a.expectValues(); want > 0 && len(values) != want {
		return tr, a.distrust("read trace", d.Query, driver.KindFraming,
			fmt.Errorf("the trace has %d values, expected %d", len(values), want), "")
	}
	step := 1
	if d.Pairs {
		if len(values)%2 != 0 {
			return tr, a.distrust("read trace", d.Query, driver.KindFraming, fmt.Errorf("the trace has %d values, which are no pairs", len(values)), "")
		}
		step = 2
		if a.got.Span > 0 {
			if err := a.axis(&tr, values); err != nil {
				return tr, a.distrust("read trace", d.Query, driver.KindFormat, err, "")
			}
		}
	}
	tr.Levels = make([]unit.DBm, len(values)/step)
	plain := d.Scale == 1 && d.Offset == 0
	for i := range tr.Levels {
		v := values[i*step+step-1]
		if !plain {
			v = v*d.Scale + d.Offset
		}
		if m := math.Abs(v); m > maxLevel && !math.IsInf(v, 0) || m < minLevel && v != 0 {
			return tr, a.distrust("read trace", d.Query, driver.KindFormat,
				fmt.Errorf("point %d is at %g dBm: wrong byte order, number format or scale?", i+1, v), "")
		}
		tr.Levels[i] = unit.DBm(v)
	}
	return tr, nil
}

// maxLevel is beyond any level an instrument can report, in dBm. A level that
// is not zero but within minLevel of it comes from bytes in the wrong order:
// rounding of a logarithm leaves no less than about 1e-16.
const (
	maxLevel = 300
	minLevel = 1e-20
)

// axis takes the frequencies from x,y pairs and checks that they are evenly
// spaced, as driver.Trace says.
func (a *Analyzer) axis(tr *driver.Trace, xy []float64) error {
	n := len(xy) / 2
	if n == 0 {
		return errors.New("the trace is empty")
	}
	k := a.dialect.Trace.XScale
	first, last := xy[0]*k, xy[len(xy)-2]*k
	if n > 1 {
		step := (last - first) / float64(n-1)
		for i := range n {
			if x := first + step*float64(i); !(math.Abs(xy[2*i]*k-x) <= math.Abs(step)/2) {
				return fmt.Errorf("point %d is at %g Hz, expected %g Hz: the points are not evenly spaced", i+1, xy[2*i]*k, x)
			}
		}
		if step <= 0 {
			return fmt.Errorf("the frequencies run from %g Hz to %g Hz", first, last)
		}
	}
	tr.Start, tr.Stop = unit.Hz(first), unit.Hz(last)
	return nil
}
