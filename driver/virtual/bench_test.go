package virtual_test

import (
	"bufio"
	"io"
	"net"
	"testing"
	"time"

	"lidded/driver/virtual"
)

// BenchmarkQuery asks *ESR? over loopback; BenchmarkPingPong is the same
// exchange with a server that does nothing, for comparison in one run.
func BenchmarkQuery(b *testing.B) {
	bench := start(b, virtual.Config{TimeScale: virtual.Jump})
	ping(b, bench.AnalyzerAddr())
}

func BenchmarkPingPong(b *testing.B) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer ln.Close()
	go func() {
		conn, err := ln.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		in := bufio.NewReader(conn)
		for {
			if _, err := in.ReadSlice('\n'); err != nil {
				return
			}
			if _, err := conn.Write([]byte("0\n")); err != nil {
				return
			}
		}
	}()
	ping(b, ln.Addr().String())
}

func ping(b *testing.B, addr string) {
	c := dial(b, addr)
	query := []byte("*ESR?\n")
	for b.Loop() {
		if _, err := c.conn.Write(query); err != nil {
			b.Fatal(err)
		}
		if _, err := c.in.ReadSlice('\n'); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTrace sweeps 10,001 points and reads them.
func BenchmarkTrace(b *testing.B) {
	for name, c := range map[string]struct {
		setup string
		size  int
	}{
		"positive-REAL32":       {"FORM REAL,32;:DET POS;:BAND 10 KHZ", 40012},
		"rms-REAL32":            {"FORM REAL,32;:DET RMS;:BAND 10 KHZ", 40012},
		"sample-REAL32":         {"FORM REAL,32;:DET SAMP;:BAND 10 KHZ", 40012},
		"sample-correlated":     {"FORM REAL,32;:DET SAMP;:BAND 300 KHZ", 40012},
		"positive-ASC":          {"FORM ASC;:DET POS;:BAND 10 KHZ", 0},
		"positive-REAL32-reads": {"FORM REAL,32;:DET POS;:BAND 10 KHZ", 40012},
	} {
		b.Run(name, func(b *testing.B) {
			bench := start(b, virtual.Config{TimeScale: virtual.Jump})
			a := dial(b, bench.AnalyzerAddr())
			a.ok("*RST;:INIT:CONT OFF;:SWE:POIN 10001;:FREQ:CENT 300 MHZ;SPAN 100 MHZ", c.setup, "INIT;*WAI")
			line := "INIT;*WAI;:TRAC? TRACE1\n"
			if name == "positive-REAL32-reads" {
				line = "TRAC? TRACE1\n"
			}
			buf := make([]byte, c.size)
			for b.Loop() {
				if _, err := io.WriteString(a.conn, line); err != nil {
					b.Fatal(err)
				}
				if c.size == 0 {
					if _, err := a.in.ReadString('\n'); err != nil {
						b.Fatal(err)
					}
				} else if _, err := io.ReadFull(a.in, buf); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkNight folds eight hours of a sealed plan into one held trace.
func BenchmarkNight(b *testing.B) {
	w, err := virtual.Preset("depot")
	if err != nil {
		b.Fatal(err)
	}
	bench := start(b, virtual.Config{World: w, TimeScale: virtual.Jump})
	a, s := dial(b, bench.AnalyzerAddr()), dial(b, bench.SourceAddr())
	a.ok("*RST;:SWE:POIN 10001;:FREQ:STAR 30 MHZ;STOP 1 GHZ", "BAND 100 KHZ;:DET POS;:DISP:TRAC1:MODE MAXH;:FORM REAL,32")
	s.ok("POW 0;:OUTP ON")
	for b.Loop() {
		for _, f := range []string{"40", "80", "160", "320", "640", "900"} {
			s.ok("FREQ " + f + " MHZ")
			bench.Advance(80 * time.Minute)
		}
		a.discardTrace(b)
	}
}

func (c *client) discardTrace(b *testing.B) {
	if _, err := io.WriteString(c.conn, "TRAC? TRACE1\n"); err != nil {
		b.Fatal(err)
	}
	if _, err := io.CopyN(io.Discard, c.in, 40012); err != nil {
		b.Fatal(err)
	}
}
