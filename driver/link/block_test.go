package link_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"lidded/driver"
	"lidded/driver/link"
	"lidded/driver/scpi"
)

// awkward holds every byte value, line ends and a '#' at the front included.
var awkward = func() string {
	b := []byte("\n\r\n#15")
	for i := range 256 {
		b = append(b, byte(i))
	}
	return string(append(b, "\r\n\n"...))
}()

func definite(payload string) string {
	return string(scpi.AppendHeader(nil, len(payload))) + payload
}

func TestReadBlock(t *testing.T) {
	n := len(awkward)
	for name, c := range map[string]struct {
		send   string
		expect int
		want   string
	}{
		"definite, LF":          {definite(awkward) + "\n", n, awkward},
		"definite, CR LF":       {definite(awkward) + "\r\n", n, awkward},
		"definite, LF CR":       {definite(awkward) + "\n\r", n, awkward},
		"definite, no end":      {definite(awkward), n, awkward},
		"definite, any length":  {definite(awkward) + "\n", 0, awkward},
		"nine digits":           {fmt.Sprintf("#9%09d", n) + awkward + "\n", n, awkward},
		"parentheses":           {fmt.Sprintf("#(%d)", n) + awkward + "\n", n, awkward},
		"#A":                    {"#A" + string([]byte{byte(n >> 8), byte(n)}) + awkward + "\n", n, awkward},
		"indefinite":            {"#0" + awkward + "\n", n, awkward},
		"indefinite, no end":    {"#0" + awkward, n, awkward},
		"line ends and no more": {definite("\n\n\n\n") + "\n", 4, "\n\n\n\n"},
		"empty":                 {"#10\n", 0, ""},
	} {
		t.Run(name, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				addr := start(t, func(p *peer) {
					for {
						switch p.line('\n') {
						case "":
							return
						case "TRAC?":
							p.bytewise(c.send)
						default:
							p.send("1\n")
						}
					}
				})
				conn := dial(t, addr, quick())
				for range 3 {
					write(t, conn, "TRAC?")
					got, err := conn.ReadBlock(t.Context(), c.expect, 0)
					if err != nil || string(got) != c.want {
						t.Fatalf("got %d bytes, %v; want %d", len(got), err, len(c.want))
					}
					query(t, conn, "*OPC?", "1")
				}
			})
		})
	}
}

func TestReadBlockRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		send   string
		expect int
		kind   driver.Kind
		want   string
	}{
		"truncated payload": {"#15ab", 5, driver.KindTimeout, "the reply stopped, nothing more came within"},
		"truncated header":  {"#5", 5, driver.KindTimeout, "the reply stopped, nothing more came within"},
		"another length":    {"#14abcd\n", 5, driver.KindFraming, "the block has 4 bytes, expected 5"},
		"absurd length":     {"#9999999999", 0, driver.KindFraming, "declares 999999999 bytes"},
		"garbage":           {"\x81\x02zz\n", 5, driver.KindFraming, "does not begin with '#': not a block"},
		"a line":            {"-87.5,-91\n", 5, driver.KindFraming, "does not begin with '#': not a block"},
		"bad digits":        {"#2x1", 5, driver.KindFraming, "where a digit belongs"},
		"surplus":           {"#15abcdefg\n", 5, driver.KindFraming, "bytes follow the end of the block"},
		"indefinite, open":  {"#0abcdefg\n", 0, driver.KindFraming, "has no end on this link"},
		"indefinite, short": {"#0abc\n", 5, driver.KindTimeout, "the block stopped, nothing more came within"},
		"silence":           {"", 5, driver.KindUnknown, "no reply came within"},
	} {
		t.Run(name, func(t *testing.T) {
			overBoth(t, func(t *testing.T, start start) {
				addr := start(t, func(p *peer) {
					p.line('\n')
					p.send("1\n")
					p.line('\n')
					p.send(c.send)
					p.line('\n')
				})
				opts := impatient()
				opts.FirstReply = 0
				conn := dial(t, addr, opts)
				query(t, conn, "*OPC?", "1")
				write(t, conn, "TRAC?")
				got, err := conn.ReadBlock(t.Context(), c.expect, 0)
				kind := c.kind
				if kind == driver.KindUnknown {
					kind = driver.KindTimeout
				}
				if driver.KindOf(err) != kind || !strings.Contains(err.Error(), c.want) {
					t.Fatalf("got %q, %v; want %v: %s", got, err, kind, c.want)
				}
				if conn.Poisoned() == nil {
					t.Error("the link is still usable")
				}
			})
		})
	}
}

func TestBareIndefiniteMeansNoTrace(t *testing.T) {
	for _, send := range []string{"#0\n", "#0\r\n", "#0"} {
		for _, expect := range []int{0, 4004} {
			t.Run(fmt.Sprintf("%q,%d", send, expect), func(t *testing.T) {
				overBoth(t, func(t *testing.T, start start) {
					addr := start(t, func(p *peer) {
						p.line('\n')
						p.send(send)
						p.line('\n')
						p.send("1\n")
						p.line('\n')
					})
					opts := impatient()
					opts.FirstReply, opts.Reply = 0, 0
					conn := dial(t, addr, opts)
					write(t, conn, "TRAC?")
					if _, err := conn.ReadBlock(t.Context(), expect, 0); !errors.Is(err, link.ErrNoTrace) {
						t.Fatalf("bare #0: %v", err)
					}
					query(t, conn, "*OPC?", "1")
				})
			})
		}
	}
}

func TestReadN(t *testing.T) {
	overBoth(t, func(t *testing.T, start start) {
		addr := start(t, func(p *peer) {
			p.line('\n')
			p.bytewise(awkward + "\r\n")
			p.line('\n')
			p.send("1\n")
			p.line('\n')
		})
		conn := dial(t, addr, quick())
		write(t, conn, "TRAC?")
		if _, err := conn.ReadN(t.Context(), 0, 0); err == nil || conn.Poisoned() != nil {
			t.Fatalf("reading nothing: %v", err)
		}
		got, err := conn.ReadN(t.Context(), len(awkward), 0)
		if err != nil || string(got) != awkward {
			t.Fatalf("got %d bytes, %v", len(got), err)
		}
		query(t, conn, "*OPC?", "1")
	})
}

// chunks cuts b at the places that cuts gives.
func chunks(b, cuts []byte) [][]byte {
	var out [][]byte
	for i := 0; len(b) > 0; i++ {
		n := len(b)
		if i < len(cuts) {
			n = min(n, 1+int(cuts[i]))
		}
		out = append(out, append([]byte(nil), b[:n]...))
		b = b[n:]
	}
	return out
}

// Whatever arrives, in whatever pieces: a whole block is delivered as it was
// sent, anything else is an error that poisons the link, and the pieces make no
// difference.
func FuzzReadBlock(f *testing.F) {
	for _, s := range []string{"#15hello\n", "#15hel", "#0hello\n", "#0\n", "#0", "#(5)hello", "#A\x00\x05hello\r\n", "#9999999999x", "1,2,3\n", "#15hello world\n", "#10\n"} {
		for _, expect := range []uint16{0, 5} {
			f.Add([]byte(s), []byte{0, 1, 0}, expect, true)
			f.Add([]byte(s), []byte{}, expect, false)
		}
	}
	f.Fuzz(func(t *testing.T, wire, cuts []byte, expect uint16, eof bool) {
		opts := link.Options{MaxReply: 1 << 16}
		conn := link.NewChunkConn(chunks(wire, cuts), eof, opts)
		got, err := conn.ReadBlock(background(), int(expect), 0)

		h, herr := scpi.ParseHeader(wire, 1<<16)
		want, whole := "", false
		if herr == nil {
			n := h.Len
			if h.Form == scpi.FormIndefinite {
				n = int(expect)
			}
			if len(wire)-h.Size >= n && (n > 0 || h.Form != scpi.FormIndefinite) && (expect == 0 || n == int(expect)) {
				want, whole = string(wire[h.Size:h.Size+n]), true
			}
		}
		switch {
		case err == nil && !whole:
			t.Fatalf("%q gave %q, want an error", wire, got)
		case err == nil && string(got) != want:
			t.Fatalf("%q gave %q, want %q", wire, got, want)
		case err != nil && !errors.Is(err, link.ErrNoTrace) && conn.Poisoned() == nil:
			t.Fatalf("%q left the link usable after %v", wire, err)
		}
		rest := string(wire[min(len(wire), h.Size+len(want)):])
		end := slices.Contains([]string{"", "\n", "\r", "\r\n", "\n\r"}, rest)
		if err != nil && whole && end && h.Form != scpi.FormIndefinite {
			t.Fatalf("the whole block %q was refused: %v", wire, err)
		}
	})
}

// Lines in any pieces: each comes as it was sent.
func FuzzReadLine(f *testing.F) {
	f.Add([]byte("1\n2\r\n\n-350,\"x\"\n"), []byte{0, 0, 3}, false)
	f.Add([]byte("1\r2\r\n3"), []byte{1}, true)
	f.Fuzz(func(t *testing.T, wire, cuts []byte, cr bool) {
		end := "\n"
		if cr {
			end = "\r"
		}
		read := func(cuts []byte) (lines []string) {
			conn := link.NewChunkConn(chunks(wire, cuts), true, link.Options{ReadEnd: end})
			for {
				b, err := conn.ReadLine(background(), 0)
				if err != nil {
					if conn.Poisoned() == nil {
						t.Fatal("an error left the link usable")
					}
					return lines
				}
				lines = append(lines, string(b))
			}
		}
		whole, pieces := read(nil), read(cuts)
		if strings.Join(whole, end) != strings.Join(pieces, end) || len(whole) != strings.Count(string(wire), end) || len(pieces) != len(whole) {
			t.Fatalf("%q reads as %q in one piece, as %q in %v", wire, whole, pieces, cuts)
		}
	})
}
