package store

import (
	"encoding/binary"
	"fmt"
	"math"

	"lidded/driver/unit"
)

// Widths of a kept level in bytes. Nothing is ever lost: a trace goes into
// single precision only when every level of it is a single-precision number,
// as the levels of a binary REAL,32 reply are.
const (
	single = 4
	double = 8
)

// pack writes the levels little-endian and tells their width.
func pack(levels []unit.DBm) (blob []byte, width int) {
	width = single
	for _, p := range levels {
		if v := float64(p); float64(float32(v)) != v && v == v {
			width = double
			break
		}
	}
	blob = make([]byte, 0, width*len(levels))
	for _, p := range levels {
		if width == single {
			blob = binary.LittleEndian.AppendUint32(blob, math.Float32bits(float32(p)))
		} else {
			blob = binary.LittleEndian.AppendUint64(blob, math.Float64bits(float64(p)))
		}
	}
	return blob, width
}

// unpack reads what pack wrote. No levels are nil.
func unpack(blob []byte, width, points int) ([]unit.DBm, error) {
	if (width != single && width != double) || points < 0 || len(blob) != width*points {
		return nil, fmt.Errorf("trace of %d points of %d bytes is %d bytes long", points, width, len(blob))
	}
	if points == 0 {
		return nil, nil
	}
	levels := make([]unit.DBm, points)
	for i := range levels {
		if width == single {
			levels[i] = unit.DBm(math.Float32frombits(binary.LittleEndian.Uint32(blob[single*i:])))
		} else {
			levels[i] = unit.DBm(math.Float64frombits(binary.LittleEndian.Uint64(blob[double*i:])))
		}
	}
	return levels, nil
}
