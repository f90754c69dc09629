package virtual

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"lidded/driver/unit"
)

// control is the socket through which scripts move the operator's hands.
type control struct {
	b     *Bench
	ln    net.Listener
	mu    sync.Mutex
	conns map[net.Conn]struct{}
	wg    sync.WaitGroup
}

func openControl(b *Bench, addr string) (*control, error) {
	ln, err := listenLoopback(addr)
	if err != nil {
		return nil, fmt.Errorf("control: %w", err)
	}
	c := &control{b: b, ln: ln, conns: map[net.Conn]struct{}{}}
	c.wg.Go(func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			c.mu.Lock()
			c.conns[conn] = struct{}{}
			c.mu.Unlock()
			c.wg.Go(func() { c.serve(conn) })
		}
	})
	return c, nil
}

func (c *control) close() {
	c.ln.Close()
	c.mu.Lock()
	for conn := range c.conns {
		conn.Close()
	}
	c.mu.Unlock()
	c.wg.Wait()
}

func (c *control) serve(conn net.Conn) {
	defer func() {
		conn.Close()
		c.mu.Lock()
		delete(c.conns, conn)
		c.mu.Unlock()
	}()
	in := bufio.NewScanner(conn)
	for in.Scan() {
		fields := strings.Fields(in.Text())
		if len(fields) == 0 {
			continue
		}
		reply, err := c.b.Do(fields)
		line := "ok"
		switch {
		case err != nil:
			line = "error " + err.Error()
		case reply != nil:
			text, err := json.Marshal(reply)
			if err != nil {
				line = "error " + err.Error()
			} else {
				line = "ok " + string(text)
			}
		}
		if _, err := fmt.Fprintln(conn, line); err != nil {
			return
		}
	}
}

// Status is what the control command "status" answers.
type Status struct {
	World      string  `json:"world"`
	Specimen   string  `json:"specimen"` // "" in the open
	Sealed     bool    `json:"sealed"`
	Position   string  `json:"position"`
	Polar      string  `json:"polarization"`
	SourceOn   bool    `json:"source_on"`
	SourceHz   float64 `json:"source_freq_hz"`
	SourceDBm  float64 `json:"source_level_dbm"`
	SimSeconds float64 `json:"sim_time_s"`
	Nominal    Nominal `json:"nominal"`
	Analyzer   string  `json:"analyzer_addr"`
	Source     string  `json:"source_addr"`
	AnaPTY     string  `json:"analyzer_pty"`
	SrcPTY     string  `json:"source_pty"`
}

// Status returns the state of the bench.
func (b *Bench) Status() Status {
	n := b.Nominal()
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.clock.now()
	s := b.air.at(now)
	return Status{World: b.world.Name, Specimen: b.specimen, Sealed: b.sealed, Position: s.position, Polar: s.polar,
		SourceOn: b.source.on, SourceHz: b.source.freq, SourceDBm: b.source.level, SimSeconds: now, Nominal: n,
		Analyzer: b.AnalyzerAddr(), Source: b.SourceAddr(), AnaPTY: b.AnalyzerPTY(), SrcPTY: b.SourcePTY()}
}

// Do carries out one control command, given as its words; README.md lists them.
// The answer, if any, can be marshalled to JSON.
func (b *Bench) Do(words []string) (any, error) {
	args := words[1:]
	need := func(n int, usage string) error {
		if len(args) != n {
			return fmt.Errorf("usage: %s", usage)
		}
		return nil
	}
	switch words[0] {
	case "place":
		if err := need(2, "place POSITION POLARIZATION"); err != nil {
			return nil, err
		}
		return nil, b.Place(dash(args[0]), dash(args[1]))
	case "enclose", "seal", "link":
		if err := need(1, words[0]+" SPECIMEN"); err != nil {
			return nil, err
		}
		return nil, map[string]func(string) error{"enclose": b.Enclose, "seal": b.Seal, "link": b.Link}[words[0]](args[0])
	case "open":
		return nil, b.Open()
	case "terminate", "load":
		usage := words[0] + " on|off"
		if err := need(1, usage); err != nil {
			return nil, err
		}
		if args[0] != "on" && args[0] != "off" {
			return nil, fmt.Errorf("usage: %s", usage)
		}
		map[string]func(bool){"terminate": b.Terminate, "load": b.Load}[words[0]](args[0] == "on")
		return nil, nil
	case "pad", "advance", "temperature":
		if err := need(1, words[0]+" NUMBER"); err != nil {
			return nil, err
		}
		v, err := strconv.ParseFloat(args[0], 64)
		if err != nil {
			return nil, fmt.Errorf("%q is not a number", args[0])
		}
		switch words[0] {
		case "pad":
			b.Pad(unit.DB(v))
		case "temperature":
			b.Warm(v)
		default:
			b.Advance(time.Duration(v * 1e9))
		}
		return nil, nil
	case "power":
		if err := need(1, "power analyzer|source"); err != nil {
			return nil, err
		}
		r, err := parseRole(args[0])
		if err != nil {
			return nil, err
		}
		return nil, b.PowerCycle(r, 200*time.Millisecond)
	case "fault":
		return nil, b.faultCommand(args)
	case "storm":
		return nil, b.stormCommand(args)
	case "calm":
		if err := need(1, "calm analyzer|source"); err != nil {
			return nil, err
		}
		r, err := parseRole(args[0])
		if err != nil {
			return nil, err
		}
		return nil, b.CalmDown(r)
	case "truth":
		return b.truthCommand(args)
	case "ledger":
		l := b.Ledger()
		if l == nil {
			l = []Keying{}
		}
		return l, nil
	case "status":
		return b.Status(), nil
	}
	return nil, fmt.Errorf("command %q is unknown: there are place, enclose, seal, link, open, terminate, load, pad, temperature, advance, power, fault, storm, calm, truth, ledger, status", words[0])
}

// dash reads "-" as no name.
func dash(s string) string {
	if s == "-" {
		return ""
	}
	return s
}

// options reads key=value words.
func options(words []string, use map[string]func(string) error) error {
	for _, w := range words {
		key, value, ok := strings.Cut(w, "=")
		set := use[key]
		if !ok || set == nil {
			return fmt.Errorf("%q is not an option here", w)
		}
		if err := set(value); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	return nil
}

func into[T any](dst *T, parse func(string) (T, error)) func(string) error {
	return func(s string) error {
		v, err := parse(s)
		if err == nil {
			*dst = v
		}
		return err
	}
}

func parseFloat(s string) (float64, error) { return strconv.ParseFloat(s, 64) }

func parseUint(s string) (uint64, error) { return strconv.ParseUint(s, 10, 64) }

func parseText(s string) (string, error) { return s, nil }

func (b *Bench) faultCommand(args []string) error {
	if len(args) < 2 {
		return fmt.Errorf("usage: fault analyzer|source KIND [count=N] [p=0.1] [match=TEXT] [delay=200ms] [code=-240]")
	}
	r, err := parseRole(args[0])
	if err != nil {
		return err
	}
	var f Fault
	if f.Kind, err = ParseKind(args[1]); err != nil {
		return err
	}
	err = options(args[2:], map[string]func(string) error{
		"count": into(&f.Count, strconv.Atoi), "p": into(&f.Probability, parseFloat), "match": into(&f.Match, parseText),
		"delay": into(&f.Delay, time.ParseDuration), "code": into(&f.Code, strconv.Atoi),
	})
	if err != nil {
		return err
	}
	return b.Fault(r, f)
}

func (b *Bench) stormCommand(args []string) error {
	if len(args) < 1 {
		return fmt.Errorf("usage: storm analyzer|source [p=0.01] [seed=1] [count=N] [delay=200ms] [kinds=drop,late,...]")
	}
	r, err := parseRole(args[0])
	if err != nil {
		return err
	}
	s := Storm{Probability: 0.01, Seed: 1}
	err = options(args[1:], map[string]func(string) error{
		"p": into(&s.Probability, parseFloat), "seed": into(&s.Seed, parseUint), "count": into(&s.Count, strconv.Atoi),
		"delay": into(&s.Delay, time.ParseDuration),
		"kinds": into(&s.Kinds, func(text string) ([]Kind, error) {
			var kinds []Kind
			for name := range strings.SplitSeq(text, ",") {
				k, err := ParseKind(name)
				if err != nil {
					return nil, err
				}
				kinds = append(kinds, k)
			}
			return kinds, nil
		}),
	})
	if err != nil {
		return err
	}
	return b.Storm(r, s)
}

func (b *Bench) truthCommand(args []string) (any, error) {
	usage := fmt.Errorf("usage: truth se SPECIMEN POSITION POLARIZATION HZ, truth reference HZ DBM POSITION POLARIZATION, truth noise RBW_HZ, truth offset HZ, truth ambient")
	if len(args) == 0 {
		return nil, usage
	}
	t := b.Truth()
	number := func(i int) (float64, error) {
		if i >= len(args) {
			return 0, usage
		}
		v, err := strconv.ParseFloat(args[i], 64)
		if err != nil {
			return 0, fmt.Errorf("%q is not a number", args[i])
		}
		return v, nil
	}
	switch {
	case args[0] == "se" && len(args) == 5:
		f, err := number(4)
		if err != nil {
			return nil, err
		}
		se, err := t.SE(args[1], dash(args[2]), dash(args[3]), unit.Hz(f))
		return map[string]float64{"se_db": float64(se)}, err
	case args[0] == "reference" && len(args) == 5:
		f, err := number(1)
		if err != nil {
			return nil, err
		}
		level, err := number(2)
		if err != nil {
			return nil, err
		}
		p := t.Reference(unit.Hz(f), unit.DBm(level), dash(args[3]), dash(args[4]))
		return map[string]float64{"level_dbm": float64(p)}, nil
	case args[0] == "noise" && len(args) == 2:
		rbw, err := number(1)
		if err != nil {
			return nil, err
		}
		return map[string]float64{"noise_dbm": float64(t.Noise(unit.Hz(rbw)))}, nil
	case args[0] == "offset" && len(args) == 2:
		f, err := number(1)
		if err != nil {
			return nil, err
		}
		return map[string]float64{"offset_hz": float64(t.FrequencyOffset(unit.Hz(f)))}, nil
	case args[0] == "ambient":
		return map[string]any{"freq_hz": t.Ambient()}, nil
	}
	return nil, usage
}
