package link_test

import (
	"context"
	"net"
	"slices"
	"testing"
	"time"

	"lidded/driver/link"
)

// answering serves one fixed reply to whatever arrives.
func answering(b *testing.B, reply []byte) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				buf := make([]byte, 256)
				for {
					if _, err := c.Read(buf); err != nil {
						return
					}
					if _, err := c.Write(reply); err != nil {
						return
					}
				}
			}()
		}
	}()
	return l.Addr().String()
}

// BenchmarkQuery compares a query over a link with a bare write and read on a
// TCP connection to the same server, in turns within one run. The rates are
// medians over the turns, and "of-raw" is the median of their ratios: what else
// the machine does would spoil a mean.
func BenchmarkQuery(b *testing.B) {
	cancellable, cancel := context.WithCancel(context.Background())
	defer cancel()
	for _, v := range []struct {
		name string
		ctx  context.Context
		opts link.Options
	}{
		{"plain", context.Background(), link.Options{}},
		{"cancellable", cancellable, link.Options{}},
		{"cancellable,log", cancellable, link.Options{Log: link.NewRing(64, 16)}},
	} {
		b.Run(v.name, func(b *testing.B) {
			host := answering(b, []byte("-8.75000E+01\n"))
			raw, err := net.Dial("tcp", host)
			if err != nil {
				b.Fatal(err)
			}
			defer raw.Close()
			addr, err := link.Parse("tcp://" + host)
			if err != nil {
				b.Fatal(err)
			}
			conn, err := link.Dial(v.ctx, addr, v.opts)
			if err != nil {
				b.Fatal(err)
			}
			defer conn.Close()

			const batch = 50
			line, buf := []byte("CALC:MARK:Y?\n"), make([]byte, 256)
			var rawRate, linkRate, ratio []float64
			b.ReportAllocs()
			for b.Loop() {
				start := time.Now()
				for range batch {
					if _, err := raw.Write(line); err != nil {
						b.Fatal(err)
					}
					if _, err := raw.Read(buf); err != nil {
						b.Fatal(err)
					}
				}
				middle := time.Now()
				for range batch {
					if err := conn.WriteLine(v.ctx, "CALC:MARK:Y?"); err != nil {
						b.Fatal(err)
					}
					if _, err := conn.ReadLine(v.ctx, 0); err != nil {
						b.Fatal(err)
					}
				}
				rawTime, linkTime := middle.Sub(start).Seconds(), time.Since(middle).Seconds()
				rawRate = append(rawRate, batch/rawTime)
				linkRate = append(linkRate, batch/linkTime)
				ratio = append(ratio, rawTime/linkTime)
			}
			b.ReportMetric(median(rawRate), "raw-q/s")
			b.ReportMetric(median(linkRate), "link-q/s")
			b.ReportMetric(median(ratio), "of-raw")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// BenchmarkReadBlock fetches a trace of 10,001 points as REAL,32.
func BenchmarkReadBlock(b *testing.B) {
	const payload = 4 * 10001
	host := answering(b, append(append([]byte("#540004"), make([]byte, payload)...), '\n'))
	addr, err := link.Parse("tcp://" + host)
	if err != nil {
		b.Fatal(err)
	}
	ctx := context.Background()
	conn, err := link.Dial(ctx, addr, link.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	b.SetBytes(payload)
	b.ReportAllocs()
	for b.Loop() {
		if err := conn.WriteLine(ctx, "TRAC? TRACE1"); err != nil {
			b.Fatal(err)
		}
		if _, err := conn.ReadBlock(ctx, payload, 0); err != nil {
			b.Fatal(err)
		}
	}
}

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}
