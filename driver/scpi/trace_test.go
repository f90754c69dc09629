package scpi_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"lidded/driver/scpi"
)

func equalTraces(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if !same(a[i], b[i]) {
			return false
		}
	}
	return true
}

func TestAppendASCII(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		in   string
		want []float64
	}{
		{"-87.5", []float64{-87.5}},
		{"-8.75000E+01,-9.1E+01", []float64{-87.5, -91}},
		{"-87.5, -91 ,\t3\r\n", []float64{-87.5, -91, 3}},
		{"-87.5,-91,", []float64{-87.5, -91}},
		{"-87.5,-91, \n", []float64{-87.5, -91}},
		{"1,9.91E37,-9.9E37,---,NAN", []float64{1, nan, math.Inf(-1), nan, nan}},
		{"+1.0E+009,.5", []float64{1e9, 0.5}},
	} {
		if got, err := scpi.AppendASCII(nil, []byte(c.in)); err != nil || !equalTraces(got, c.want) {
			t.Errorf("AppendASCII(%q) = %v, %v; want %v", c.in, got, err, c.want)
		}
	}
	for in, want := range map[string]string{
		"":          "the trace is empty",
		" \n":       "the trace is empty",
		",1":        "value 1 of the trace: empty reply where a number was expected",
		"1,,2":      "value 2 of the trace: empty reply where a number was expected",
		"1,2,x,4":   `value 3 of the trace: "x" is not a number`,
		"1,2 3,4":   `value 2 of the trace: "2 3" is not a number: " 3" follows it`,
		"1;2":       `value 1 of the trace: "1;2" is not a number: ";2" follows it`,
		"#15hello":  `value 1 of the trace: "#15hello" is not a number`,
		"-1.0dBm,2": `value 1 of the trace: "-1.0dBm" is not a number: "dBm" follows it`,
	} {
		if got, err := scpi.AppendASCII(nil, []byte(in)); err == nil || err.Error() != want {
			t.Errorf("AppendASCII(%q) = %v, %v; want error %q", in, got, err, want)
		}
	}
	got, err := scpi.AppendASCII([]float64{7}, []byte("1,2"))
	if err != nil || !equalTraces(got, []float64{7, 1, 2}) {
		t.Errorf("AppendASCII to a slice: %v, %v", got, err)
	}
}

// payload writes values as an instrument would.
func payload(values []float64, order binary.AppendByteOrder, width int) []byte {
	var b []byte
	for _, v := range values {
		switch width {
		case 4:
			b = order.AppendUint32(b, math.Float32bits(float32(v)))
		case 8:
			b = order.AppendUint64(b, math.Float64bits(v))
		}
	}
	return b
}

func TestAppendBinary(t *testing.T) {
	in := []float64{-87.5, 0, 12.25, 9.91e37, 9.9e37, -9.9e37, math.NaN(), math.Inf(-1), 9.5e37}
	want := []float64{-87.5, 0, 12.25, math.NaN(), math.Inf(1), math.Inf(-1), math.NaN(), math.Inf(-1), 9.5e37}
	want32 := append(append([]float64{}, want[:8]...), float64(float32(9.5e37)))
	for _, c := range []struct {
		name   string
		order  scpi.Order
		bytes  binary.AppendByteOrder
		width  int
		decode func([]float64, []byte, scpi.Order) ([]float64, error)
		want   []float64
	}{
		{"REAL,32 normal", scpi.BigEndian, binary.BigEndian, 4, scpi.AppendREAL32, want32},
		{"REAL,32 swapped", scpi.LittleEndian, binary.LittleEndian, 4, scpi.AppendREAL32, want32},
		{"REAL,64 normal", scpi.BigEndian, binary.BigEndian, 8, scpi.AppendREAL64, want},
		{"REAL,64 swapped", scpi.LittleEndian, binary.LittleEndian, 8, scpi.AppendREAL64, want},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := payload(in, c.bytes, c.width)
			got, err := c.decode([]float64{1}, b, c.order)
			if err != nil || !equalTraces(got, append([]float64{1}, c.want...)) {
				t.Errorf("got %v, %v; want %v", got, err, c.want)
			}
			if _, err := c.decode(nil, b[:len(b)-1], c.order); err == nil {
				t.Error("a byte short was accepted")
			}
			if _, err := c.decode(nil, nil, c.order); err == nil {
				t.Error("an empty payload was accepted")
			}
			if _, err := c.decode(nil, b, scpi.OrderUnknown); err == nil {
				t.Error("an unknown order was accepted")
			}
		})
	}
}

// IEEE 754-2008 3.4: -100 is 0xC2C80000 in binary32 and 0xC059000000000000 in
// binary64.
func TestAppendBinaryKnownPatterns(t *testing.T) {
	got, err := scpi.AppendREAL32(nil, []byte{0xc2, 0xc8, 0, 0}, scpi.BigEndian)
	if err != nil || got[0] != -100 {
		t.Errorf("REAL,32: %v, %v", got, err)
	}
	got, err = scpi.AppendREAL64(nil, []byte{0, 0, 0, 0, 0, 0, 0x59, 0xc0}, scpi.LittleEndian)
	if err != nil || got[0] != -100 {
		t.Errorf("REAL,64: %v, %v", got, err)
	}
	got, err = scpi.AppendINT32(nil, []byte{0xff, 0xfe, 0x79, 0x60, 0, 0, 0, 1}, scpi.BigEndian, 1e-3)
	if err != nil || got[0] != -100 || got[1] != 1e-3 {
		t.Errorf("INT,32: %v, %v", got, err)
	}
	got, err = scpi.AppendINT32(nil, []byte{0x60, 0x79, 0xfe, 0xff}, scpi.LittleEndian, 1e-3)
	if err != nil || got[0] != -100 {
		t.Errorf("INT,32 swapped: %v, %v", got, err)
	}
}

func TestCheckLevels(t *testing.T) {
	good := []float64{-87.5, -112, 13, 0, 1e-7, -174, 30, math.NaN(), math.Inf(-1)}
	if err := scpi.CheckLevels(good); err != nil {
		t.Error(err)
	}
	for name, v := range map[string][]float64{"round levels": {-87.5, -112, 13}, "noise": levels(50)} {
		swapped, err := scpi.AppendREAL32(nil, payload(v, binary.LittleEndian, 4), scpi.BigEndian)
		if err != nil {
			t.Fatal(err)
		}
		if err := scpi.CheckLevels(swapped); err == nil {
			t.Errorf("%s: a trace in the wrong byte order was accepted: %v", name, swapped)
		}
	}
}

// levels returns n noisy levels in dBm.
func levels(n int) []float64 {
	r := rand.New(rand.NewPCG(1, 2))
	v := make([]float64, n)
	for i := range v {
		v[i] = -90 + 3*r.NormFloat64()
	}
	return v
}

// ascii writes levels in a strconv format.
func ascii(v []float64, format byte, prec int) []byte {
	var b []byte
	for i, x := range v {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendFloat(b, x, format, prec, 64)
	}
	return append(b, '\n')
}

func TestDecodingAllocatesNothing(t *testing.T) {
	v := levels(1001)
	dst := make([]float64, 0, len(v))
	text := ascii(v, 'E', 9)
	exact := ascii(v, 'E', -1)
	b := payload(v, binary.LittleEndian, 4)
	for name, f := range map[string]func() ([]float64, error){
		"ASCII":        func() ([]float64, error) { return scpi.AppendASCII(dst, text) },
		"ASCII, exact": func() ([]float64, error) { return scpi.AppendASCII(dst, exact) },
		"REAL,32":      func() ([]float64, error) { return scpi.AppendREAL32(dst, b, scpi.LittleEndian) },
	} {
		got, err := f()
		if err != nil || len(got) != len(v) {
			t.Fatalf("%s: %d values, %v", name, len(got), err)
		}
		if n := testing.AllocsPerRun(20, func() { f() }); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
	if got, _ := scpi.AppendASCII(nil, exact); !equalTraces(got, v) {
		t.Error("levels written in full did not come back to the last bit")
	}
}

func FuzzAppendASCII(f *testing.F) {
	for _, s := range []string{"1,2,3", "-8.75000E+01,-9.1E+01,\n", "1,,2", "---,9.91E37", " 1 , 2 ", "1;2", ",", "1e5,\x00", "#0"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := scpi.AppendASCII(nil, b)
		s := strings.Trim(string(b), " \t\n\v\f\r\x00")
		fields := strings.Split(s, ",")
		if n := len(fields); n > 1 && fields[n-1] == "" {
			fields = fields[:n-1]
		}
		for i, field := range fields {
			want, ferr := scpi.ParseNumber([]byte(field))
			if ferr != nil {
				if err == nil || len(got) != i {
					t.Fatalf("AppendASCII(%q) = %v, %v; field %d: %v", b, got, err, i, ferr)
				}
				return
			}
			if i >= len(got) || !same(got[i], want) {
				t.Fatalf("AppendASCII(%q) = %v, %v; field %d is %v", b, got, err, i, want)
			}
		}
		if err != nil || len(got) != len(fields) {
			t.Fatalf("AppendASCII(%q) = %v, %v; want %d values", b, got, err, len(fields))
		}
	})
}

func FuzzAppendREAL32(f *testing.F) {
	f.Add([]byte{0xc2, 0xc8, 0, 0}, true)
	f.Add([]byte{0x7e, 0x95, 0x1b, 0x8a, 1}, false)
	f.Fuzz(func(t *testing.T, b []byte, big bool) {
		order := scpi.LittleEndian
		if big {
			order = scpi.BigEndian
		}
		got, err := scpi.AppendREAL32(nil, b, order)
		if (err == nil) != (len(b) > 0 && len(b)%4 == 0) || (err == nil && len(got) != len(b)/4) {
			t.Fatalf("%d bytes: %d values, %v", len(b), len(got), err)
		}
		for _, v := range got {
			if a := math.Abs(v); a >= 9.8e37 && !math.IsInf(v, 0) {
				t.Fatalf("the special number %v came through", v)
			}
		}
	})
}

// points is the length of the traces in the benchmarks.
const points = 10001

// benchmark reports the median time for a point, which other work on the
// machine disturbs less than the mean.
func benchmark(b *testing.B, wire []byte, decode func(dst []float64, wire []byte) ([]float64, error)) {
	dst := make([]float64, 0, points)
	b.SetBytes(int64(len(wire)))
	b.ReportAllocs()
	var took []time.Duration
	for b.Loop() {
		start := time.Now()
		got, err := decode(dst, wire)
		took = append(took, time.Since(start))
		if err != nil || len(got) != points {
			b.Fatal(len(got), err)
		}
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Nanoseconds())/points, "ns/pt")
}

func benchmarkBinary(b *testing.B, width int, order scpi.Order, bytes binary.AppendByteOrder) {
	benchmark(b, payload(levels(points), bytes, width), func(dst []float64, wire []byte) ([]float64, error) {
		if width == 4 {
			return scpi.AppendREAL32(dst, wire, order)
		}
		return scpi.AppendREAL64(dst, wire, order)
	})
}

func BenchmarkREAL32Normal(b *testing.B) { benchmarkBinary(b, 4, scpi.BigEndian, binary.BigEndian) }
func BenchmarkREAL32Swapped(b *testing.B) {
	benchmarkBinary(b, 4, scpi.LittleEndian, binary.LittleEndian)
}
func BenchmarkREAL64Normal(b *testing.B) { benchmarkBinary(b, 8, scpi.BigEndian, binary.BigEndian) }
func BenchmarkREAL64Swapped(b *testing.B) {
	benchmarkBinary(b, 8, scpi.LittleEndian, binary.LittleEndian)
}

func BenchmarkINT32Normal(b *testing.B) {
	var wire []byte
	for _, v := range levels(points) {
		wire = binary.BigEndian.AppendUint32(wire, uint32(int32(v*1000)))
	}
	benchmark(b, wire, func(dst []float64, wire []byte) ([]float64, error) {
		return scpi.AppendINT32(dst, wire, scpi.BigEndian, 1e-3)
	})
}

func BenchmarkASCIINR3(b *testing.B) { benchmark(b, ascii(levels(points), 'E', 9), scpi.AppendASCII) }
func BenchmarkASCIINR2(b *testing.B) { benchmark(b, ascii(levels(points), 'f', 3), scpi.AppendASCII) }

// All 17 digits, beyond the fast path.
func BenchmarkASCIIExact(b *testing.B) {
	benchmark(b, ascii(levels(points), 'E', 16), scpi.AppendASCII)
}
