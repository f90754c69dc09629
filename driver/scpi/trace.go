package scpi

import (
	"encoding/binary"
	"fmt"
	"math"
)

// Order is the byte order of a binary trace (FORM:BORD).
type Order int

// The byte orders.
const (
	OrderUnknown Order = iota
	BigEndian          // NORMal
	LittleEndian       // SWAPped
)

// String returns the SCPI keyword.
func (o Order) String() string {
	switch o {
	case BigEndian:
		return "NORMal"
	case LittleEndian:
		return "SWAPped"
	}
	return "unknown"
}

// AppendASCII appends the comma-separated numbers of an ASCII trace to dst and
// returns the extended slice; with enough capacity it allocates nothing.
// Blanks around a value, an empty last field and a line end are accepted;
// special numbers become NaN and infinities, dashes NaN. An error names the
// value, counted from 1; dst is then returned with the values before it.
func AppendASCII(dst []float64, b []byte) ([]float64, error) {
	b = trim(b)
	if len(b) == 0 {
		return dst, fmt.Errorf("the trace is empty")
	}
	first := len(dst)
	for len(b) > 0 {
		for len(b) > 0 && blank(b[0]) {
			b = b[1:]
		}
		v, n := scanDecimal(b)
		if n > 0 && (n == len(b) || b[n] == ',') {
			if v >= special || v <= -special {
				v = standardise(v)
			}
			dst = append(dst, v)
			if n == len(b) {
				return dst, nil
			}
			b = b[n+1:]
			continue
		}
		end := 0
		for end < len(b) && b[end] != ',' {
			end++
		}
		v, err := ParseNumber(b[:end])
		if err != nil {
			return dst, fmt.Errorf("value %d of the trace: %w", len(dst)-first+1, err)
		}
		dst = append(dst, v)
		if end == len(b) {
			return dst, nil
		}
		b = b[end+1:]
	}
	return dst, nil
}

// The loops below exist once for each byte order: a call through
// binary.ByteOrder costs more than the conversion. Each notes in one bit whether
// it met a special number; the second pass that replaces them is seldom needed.

// AppendREAL32 appends the IEEE 754 single-precision values of a block's
// payload to dst and returns the extended slice; with enough capacity it
// allocates nothing. Special numbers become NaN and infinities. A payload that
// is no multiple of 4 bytes, or an unknown order, is an error.
func AppendREAL32(dst []float64, b []byte, order Order) ([]float64, error) {
	out, err := grow(dst, b, 4, order)
	if err != nil {
		return dst, err
	}
	const magnitude = 1<<31 - 1
	toSign := 1<<31 - math.Float32bits(special) // lifts a special number to the sign bit
	v := out[len(dst):]
	var met uint32
	if order == LittleEndian {
		for i := 0; i < len(v) && len(b) >= 4; i++ {
			u := binary.LittleEndian.Uint32(b)
			b = b[4:]
			met |= u&magnitude + toSign
			v[i] = float64(math.Float32frombits(u))
		}
	} else {
		for i := 0; i < len(v) && len(b) >= 4; i++ {
			u := binary.BigEndian.Uint32(b)
			b = b[4:]
			met |= u&magnitude + toSign
			v[i] = float64(math.Float32frombits(u))
		}
	}
	if met > magnitude {
		standardiseAll(v)
	}
	return out, nil
}

// AppendREAL64 is AppendREAL32 for double-precision values of 8 bytes.
func AppendREAL64(dst []float64, b []byte, order Order) ([]float64, error) {
	out, err := grow(dst, b, 8, order)
	if err != nil {
		return dst, err
	}
	const magnitude = 1<<63 - 1
	toSign := 1<<63 - math.Float64bits(special)
	v := out[len(dst):]
	var met uint64
	if order == LittleEndian {
		for i := 0; i < len(v) && len(b) >= 8; i++ {
			u := binary.LittleEndian.Uint64(b)
			b = b[8:]
			met |= u&magnitude + toSign
			v[i] = math.Float64frombits(u)
		}
	} else {
		for i := 0; i < len(v) && len(b) >= 8; i++ {
			u := binary.BigEndian.Uint64(b)
			b = b[8:]
			met |= u&magnitude + toSign
			v[i] = math.Float64frombits(u)
		}
	}
	if met > magnitude {
		standardiseAll(v)
	}
	return out, nil
}

// AppendINT32 appends the signed 32-bit integers of a block's payload, each
// multiplied by scale (1e-3 for values in thousandths of a dBm), to dst and
// returns the extended slice.
func AppendINT32(dst []float64, b []byte, order Order, scale float64) ([]float64, error) {
	out, err := grow(dst, b, 4, order)
	if err != nil {
		return dst, err
	}
	v := out[len(dst):]
	if order == LittleEndian {
		for i := 0; i < len(v) && len(b) >= 4; i++ {
			v[i] = float64(int32(binary.LittleEndian.Uint32(b))) * scale
			b = b[4:]
		}
	} else {
		for i := 0; i < len(v) && len(b) >= 4; i++ {
			v[i] = float64(int32(binary.BigEndian.Uint32(b))) * scale
			b = b[4:]
		}
	}
	return out, nil
}

// Magnitudes that no level has, in dBm: larger than any instrument reports, or
// smaller than the last bit of one but not zero.
const (
	maxLevel  = 300
	tinyLevel = 1e-20
)

// CheckLevels refuses decoded levels (dBm) that no instrument can have
// measured, the sign of a wrong byte order or width. NaN and infinities pass.
func CheckLevels(dbm []float64) error {
	for i, v := range dbm {
		a := math.Abs(v)
		if (a > maxLevel && !math.IsInf(v, 0)) || (a > 0 && a < tinyLevel) {
			return fmt.Errorf("value %d of the trace is %g dBm: wrong byte order or number format?", i+1, v)
		}
	}
	return nil
}

// grow checks a payload and extends dst by its number of values.
func grow(dst []float64, b []byte, width int, order Order) ([]float64, error) {
	switch {
	case order != BigEndian && order != LittleEndian:
		return nil, fmt.Errorf("the byte order is not known")
	case len(b) == 0:
		return nil, fmt.Errorf("the trace is empty")
	case len(b)%width != 0:
		return nil, fmt.Errorf("a trace of %d bytes is not a whole number of %d-byte values", len(b), width)
	}
	n := len(dst) + len(b)/width
	if n <= cap(dst) {
		return dst[:n], nil
	}
	out := make([]float64, n)
	copy(out, dst)
	return out, nil
}

func standardiseAll(v []float64) {
	for i := range v {
		v[i] = standardise(v[i])
	}
}
