package virtual

import (
	"encoding/binary"
	"math"
	"strconv"
)

// notANumber and infinity are how SCPI spells them (SCPI-99 volume 1, 7.2.1.5).
const notANumber = 9.91e37

// axis returns the frequency of point k, or its time in zero span.
func (a *analyzer) axis(k int) float64 {
	x := float64(k) / float64(a.points-1)
	if a.span() == 0 {
		return x * a.actualTime()
	}
	return a.start + x*a.span()
}

// Levels in 50 ohm: 0 dBm is 46.9897 dBmV, 106.9897 dBµV.
func (a *analyzer) fromDBm(p float64) float64 {
	switch a.unit {
	case "DBMV":
		return p + 46.9897000434
	case "DBUV":
		return p + 106.9897000434
	case "W":
		return math.Pow(10, (p-30)/10)
	case "V":
		return math.Sqrt(50 * math.Pow(10, (p-30)/10))
	}
	return p
}

func (a *analyzer) toDBm(v float64) float64 {
	switch a.unit {
	case "DBMV":
		return v - 46.9897000434
	case "DBUV":
		return v - 106.9897000434
	case "W":
		return 10*math.Log10(max(v, 1e-40)) + 30
	case "V":
		return 10*math.Log10(max(v*v/50, 1e-40)) + 30
	}
	return v
}

// encode answers trace i in the format that is set.
func (a *analyzer) encode(c *call, i int, pairs bool) {
	data := a.values(i)
	missing := a.faults.missing(c.line, a.points)
	at := func(k int) float64 {
		if data == nil || missing != nil && missing[k] {
			return notANumber
		}
		p := decibel(data[k])
		if a.traits.FixedDBm || a.unit == "DBM" {
			return p
		}
		return a.fromDBm(p)
	}
	width := 0
	switch a.format {
	case "ASC":
		a.encodeText(c, at, pairs)
		return
	case "REAL,64":
		width = 8
	default:
		width = 4
	}
	n := a.points
	if pairs {
		n *= 2
	}
	c.out = a.blockHeader(c.out, n*width)
	body := len(c.out)
	c.out = append(c.out, make([]byte, n*width)...)
	buf := c.out[body:]
	if a.format == "REAL,32" && !pairs {
		// The common case without an indirect call per point.
		if a.swapped {
			for k := range a.points {
				binary.LittleEndian.PutUint32(buf[k*4:], math.Float32bits(float32(at(k))))
			}
		} else {
			for k := range a.points {
				binary.BigEndian.PutUint32(buf[k*4:], math.Float32bits(float32(at(k))))
			}
		}
	} else {
		a.encodeWords(buf, at, pairs)
	}
	c.endless = a.traits.Block == "indefinite"
	c.bare = a.traits.NoBlockEnd && a.traits.Block != "indefinite"
}

func (a *analyzer) encodeWords(buf []byte, at func(int) float64, pairs bool) {
	var order binary.ByteOrder = binary.BigEndian
	if a.swapped {
		order = binary.LittleEndian
	}
	put := func(v float64) {
		switch a.format {
		case "REAL,64":
			order.PutUint64(buf, math.Float64bits(v))
			buf = buf[8:]
		case "INT,32":
			if v == notANumber {
				v = math.MinInt32 / 1e3
			}
			order.PutUint32(buf, uint32(int32(math.Round(v*1e3))))
			buf = buf[4:]
		default:
			order.PutUint32(buf, math.Float32bits(float32(v)))
			buf = buf[4:]
		}
	}
	for k := range a.points {
		if pairs {
			put(a.axis(k))
		}
		put(at(k))
	}
}

func (a *analyzer) blockHeader(dst []byte, size int) []byte {
	switch a.traits.Block {
	case "indefinite":
		return append(dst, '#', '0')
	case "none":
		return dst
	}
	digits := strconv.Itoa(size)
	dst = append(dst, '#', byte('0'+len(digits)))
	return append(dst, digits...)
}

func (a *analyzer) encodeText(c *call, at func(int) float64, pairs bool) {
	end := lineEnd(a.traits.ReplyEnd)
	per := a.traits.PerLine
	for k := range a.points {
		if k > 0 {
			if per > 0 && k%per == 0 {
				c.out = append(c.out, end...)
				c.lines = true
			} else {
				c.out = append(c.out, ',')
			}
		}
		if pairs {
			c.out = strconv.AppendFloat(c.out, a.axis(k), 'E', 9, 64)
			c.out = append(c.out, ',')
		}
		v := at(k)
		switch {
		case v == notANumber:
			c.out = append(c.out, "9.91E+37"...)
		case a.traits.Decimals > 0:
			c.out = strconv.AppendFloat(c.out, v, 'f', a.traits.Decimals, 64)
		default:
			if v >= 0 {
				c.out = append(c.out, '+')
			}
			c.out = strconv.AppendFloat(c.out, v, 'E', 6, 64)
		}
	}
	if a.traits.TrailingComma {
		c.out = append(c.out, ',')
	}
}

func lineEnd(name string) string {
	switch name {
	case "crlf":
		return "\r\n"
	case "cr":
		return "\r"
	}
	return "\n"
}
