package instrument_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"net"
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/instrument"
	"lidded/driver/link"
)

// fastAnalyzer answers without thinking: what is measured is the driver.
func fastAnalyzer(b *testing.B, points int) link.Address {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan struct{})
	b.Cleanup(func() { l.Close(); <-done })
	size := fmt.Sprint(4 * points)
	trace := fmt.Appendf(nil, "#%d%s", len(size), size)
	for range points {
		trace = binary.BigEndian.AppendUint32(trace, math.Float32bits(-97.25))
	}
	trace = append(trace, '\n')
	go func() {
		defer close(done)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		buf := make([]byte, 4096)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			for line := range strings.Lines(string(buf[:n])) {
				switch strings.TrimSpace(line) {
				case "*IDN?":
					c.Write([]byte("BENCH,FAST,1,1\n"))
				case "*OPC?":
					c.Write([]byte("1\n"))
				case "*ESR?;:SYST:ERR?":
					c.Write([]byte("0;0,\"No error\"\n"))
				case "*ESR?":
					c.Write([]byte("0\n"))
				case "TRAC?":
					c.Write(trace)
				}
			}
		}
	}()
	return link.Address{Scheme: link.SchemeTCP, Host: l.Addr().String()}
}

const fastDialect = `role: analyzer
summary: benchmark
link: {compound: true}
identity: {query: "*IDN?"}
errors: {query: "SYST:ERR?"}
status: {event: "*ESR?"}
settings:
  center: {set: "C {frequency}"}
  span: {set: "S {frequency}"}
  rbw: {set: "B {frequency}"}
  detector: {fixed: sample}
  hold: {fixed: clear_write}
sweep:
  start: "INIT"
  time_law: {minimum: 1ms}
  complete: {by: opc_query}
trace: {query: "TRAC?", shape: block, numbers: real32, byte_order: big, format: []}
`

// BenchmarkSweep is one sweep on loopback: start, completion, status, trace.
// The trace that is returned is the only thing allocated by size.
func BenchmarkSweep(b *testing.B) {
	for _, points := range []int{1001, 10001} {
		b.Run(fmt.Sprint(points), func(b *testing.B) {
			d, err := dialect.Load("fast.yaml", []byte(fastDialect))
			if err != nil {
				b.Fatal(err)
			}
			a, err := instrument.OpenAnalyzer(b.Context(), instrument.Spec{Address: fastAnalyzer(b, points), Dialect: d, Ring: link.NewRing(64, 16)})
			if err != nil {
				b.Fatal(err)
			}
			defer a.Close()
			if _, err := a.Configure(b.Context(), driver.Settings{Center: 1e8, Span: 1e6, RBW: 1e4, Detector: driver.Sample, Hold: driver.ClearWrite}); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				tr, err := a.Sweep(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				if len(tr.Levels) != points {
					b.Fatal(len(tr.Levels))
				}
			}
		})
	}
}

// BenchmarkConfigure moves the center on the virtual bench and reads
// everything back.
func BenchmarkConfigure(b *testing.B) {
	l := newLab(b, "modern-opc", "source-scpi", false)
	a, err := l.analyzer(b.Context(), "analyzer-opc")
	if err != nil {
		b.Fatal(err)
	}
	defer a.Close()
	s := driver.Settings{Center: 1e8, Span: 1e6, RBW: 3e4, Detector: driver.Sample, Hold: driver.ClearWrite, Points: 101}
	b.ReportAllocs()
	for b.Loop() {
		s.Center += 1e3
		if _, err := a.Configure(b.Context(), s); err != nil {
			b.Fatal(err)
		}
	}
}
