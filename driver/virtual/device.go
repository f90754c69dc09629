package virtual

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"lidded/driver/virtual/internal/program"
)

// Role tells the bench's two instruments apart.
type Role int

// The roles.
const (
	RoleUnknown Role = iota
	RoleAnalyzer
	RoleSource
)

func (r Role) String() string {
	return [...]string{"unknown", "analyzer", "source"}[r]
}

func parseRole(s string) (Role, error) {
	switch s {
	case "analyzer":
		return RoleAnalyzer, nil
	case "source":
		return RoleSource, nil
	}
	return RoleUnknown, fmt.Errorf("instrument %q is unknown: use analyzer or source", s)
}

// call is one command being carried out, under the bench's lock.
type call struct {
	args  []string
	nums  []int  // header suffixes, one per "#"
	line  string // the whole message
	out   []byte // the answer, empty for none
	lines bool   // the answer has line breaks of its own
	// endless marks an answer after which none may follow in the message.
	endless bool
	// bare suppresses the terminator.
	bare bool
	// pending is what the message has answered before this command.
	pending bool
}

func (c *call) print(s string)            { c.out = append(c.out, s...) }
func (c *call) printf(f string, a ...any) { c.out = fmt.Appendf(c.out, f, a...) }

func (c *call) arg(i int) string {
	if i < len(c.args) {
		return c.args[i]
	}
	return ""
}

// need checks the number of parameters.
func (c *call) need(least, most int) *program.Error {
	switch {
	case len(c.args) < least:
		return program.Fail(-109, "")
	case len(c.args) > most:
		return program.Fail(-108, "")
	}
	return nil
}

type handler func(c *call) *program.Error

// errBusy is returned by a command that must wait for the pending operation.
var errBusy = program.Fail(0, "busy")

// device is what both instruments have in common: the command tree, the status
// registers of IEEE 488.2 chapter 11 and the error queue.
type device struct {
	bench  *Bench
	role   Role
	traits Traits
	tree   program.Tree[handler]
	server *server

	esr, ese, sre       byte
	operEnable, quesEna uint16
	operEvent, quesEve  uint16
	opcWaits            bool
	queue               []string
	faults              faults

	remaining func(now float64) float64 // seconds until the pending operation ends
	operation func(now float64) uint16  // STAT:OPER:COND
	question  func(now float64) uint16  // STAT:QUES:COND
	preset    func()
	lose      func() // forgets everything at a power cycle
}

const queueSize = 16

// push enters an error into the queue and the event status register.
func (d *device) push(e *program.Error) {
	switch {
	case e.Code <= -100 && e.Code > -200:
		d.esr |= 1 << 5
	case e.Code <= -200 && e.Code > -300:
		d.esr |= 1 << 4
	case e.Code <= -400 && e.Code > -500:
		d.esr |= 1 << 2
	default:
		d.esr |= 1 << 3
	}
	if len(d.queue) == queueSize {
		d.queue[queueSize-1] = entry(program.Fail(-350, ""))
		return
	}
	d.queue = append(d.queue, entry(e))
}

func entry(e *program.Error) string {
	text := strings.ReplaceAll(e.Error(), `"`, "'")
	if len(text) > 120 {
		text = text[:120]
	}
	return strconv.Itoa(e.Code) + `,"` + text + `"`
}

// add enters a command; the patterns are constants, so a mistake in one is a
// programming mistake, reported by Start.
func (d *device) add(pattern string, h handler) {
	if err := d.tree.Add(pattern, h); err != nil && d.bench.build == nil {
		d.bench.build = err
	}
}

// idle is true when no operation is pending; it also completes *OPC.
func (d *device) idle() bool {
	if d.remaining(d.bench.clock.now()) > 0 {
		return false
	}
	if d.opcWaits {
		d.opcWaits = false
		d.esr |= 1
	}
	return true
}

func (d *device) clearStatus() {
	d.esr, d.queue, d.opcWaits = 0, nil, false
	d.operEvent, d.quesEve = 0, 0
}

func (d *device) powerOn() {
	d.clearStatus()
	d.ese, d.sre, d.operEnable, d.quesEna = 0, 0, 0, 0
	d.lose()
	d.preset()
	d.esr = 1 << 7
}

func (d *device) statusByte(pending bool) byte {
	d.idle()
	now := d.bench.clock.now()
	var b byte
	if len(d.queue) > 0 && d.traits.Errors != "none" {
		b |= 1 << 2
	}
	d.quesEve |= d.question(now)
	if d.quesEve&d.quesEna != 0 {
		b |= 1 << 3
	}
	if pending {
		b |= 1 << 4
	}
	if d.esr&d.ese != 0 {
		b |= 1 << 5
	}
	d.operEvent |= d.operation(now)
	if d.operEvent&d.operEnable != 0 {
		b |= 1 << 7
	}
	if b&d.sre != 0 {
		b |= 1 << 6
	}
	return b
}

func quiet(*call) *program.Error { return nil }

// common enters the commands that IEEE 488.2 and SCPI ask of any instrument,
// as far as the traits have them.
func (d *device) common() {
	d.add("*IDN?", func(c *call) *program.Error { c.print(d.traits.Identity); return nil })
	d.add("*RST", func(c *call) *program.Error { d.opcWaits = false; d.preset(); return nil })
	d.add("SYSTem:PRESet", func(c *call) *program.Error { d.preset(); return nil })
	d.add("*CLS", func(c *call) *program.Error { d.clearStatus(); return nil })
	d.add("*TST?", func(c *call) *program.Error { c.print("0"); return nil })
	d.add("*OPT?", func(c *call) *program.Error { c.print("0"); return nil })
	d.add("SYSTem:VERSion?", func(c *call) *program.Error { c.print("1999.0"); return nil })
	for _, p := range []string{"SYSTem:REMote", "SYSTem:LOCal", "DISPlay:ENABle"} {
		d.add(p, quiet)
	}
	switch d.traits.OPCQuery {
	case "correct":
		d.add("*OPC?", func(c *call) *program.Error {
			if !d.idle() {
				return errBusy
			}
			c.print("1")
			return nil
		})
	case "immediate":
		d.add("*OPC?", func(c *call) *program.Error { c.print("1"); return nil })
	}
	d.errorQuery()
	if !d.traits.NoStatus {
		d.status()
	}
}

func (d *device) errorQuery() {
	if d.traits.Errors == "none" {
		return
	}
	d.add("SYSTem:ERRor[:NEXT]?", func(c *call) *program.Error {
		if len(d.queue) == 0 {
			c.print(`0,"No error"`)
			return nil
		}
		c.print(d.queue[0])
		d.queue = d.queue[1:]
		return nil
	})
	if d.traits.Thermometer {
		d.add("SYSTem:TEMPerature?", func(c *call) *program.Error { c.printf("%.2f", d.bench.temperature); return nil })
	}
	d.add("SYSTem:ERRor:COUNt?", func(c *call) *program.Error { c.printf("%d", len(d.queue)); return nil })
	if d.traits.Errors == "all" {
		d.add("SYSTem:ERRor:ALL?", func(c *call) *program.Error {
			if len(d.queue) == 0 {
				c.print(`0,"No error"`)
				return nil
			}
			c.print(strings.Join(d.queue, ","))
			d.queue = nil
			return nil
		})
	}
}

func (d *device) status() {
	byteReg := func(name string, reg *byte) {
		d.add(name, func(c *call) *program.Error {
			v, err := d.register(c, 255)
			if err == nil {
				*reg = byte(v)
			}
			return err
		})
		d.add(name+"?", func(c *call) *program.Error { c.printf("%d", *reg); return nil })
	}
	byteReg("*ESE", &d.ese)
	byteReg("*SRE", &d.sre)
	d.add("*ESR?", func(c *call) *program.Error {
		d.idle()
		c.printf("%d", d.esr)
		d.esr = 0
		return nil
	})
	d.add("*STB?", func(c *call) *program.Error { c.printf("%d", d.statusByte(c.pending)); return nil })
	d.add("*OPC", func(c *call) *program.Error { d.opcWaits = true; d.idle(); return nil })
	d.add("*WAI", func(c *call) *program.Error {
		if !d.idle() {
			return errBusy
		}
		return nil
	})
	d.add("STATus:PRESet", func(c *call) *program.Error { d.operEnable, d.quesEna = 0, 0; return nil })
	word := func(name string, condition *func(float64) uint16, event, enable *uint16) {
		d.add("STATus:"+name+":CONDition?", func(c *call) *program.Error {
			c.printf("%d", (*condition)(d.bench.clock.now()))
			return nil
		})
		d.add("STATus:"+name+"[:EVENt]?", func(c *call) *program.Error {
			c.printf("%d", *event|(*condition)(d.bench.clock.now()))
			*event = 0
			return nil
		})
		d.add("STATus:"+name+":ENABle", func(c *call) *program.Error {
			v, err := d.register(c, 65535)
			if err == nil {
				*enable = uint16(v)
			}
			return err
		})
		d.add("STATus:"+name+":ENABle?", func(c *call) *program.Error { c.printf("%d", *enable); return nil })
	}
	word("OPERation", &d.operation, &d.operEvent, &d.operEnable)
	word("QUEStionable", &d.question, &d.quesEve, &d.quesEna)
}

func (d *device) register(c *call, most float64) (int, *program.Error) {
	if err := c.need(1, 1); err != nil {
		return 0, err
	}
	v, err := program.Number(c.arg(0), program.Plain, program.Range{})
	if err != nil {
		return 0, err
	}
	if v < 0 || v > most {
		return 0, program.Fail(-222, c.arg(0))
	}
	return int(v), nil
}

// number enters a numeric setting and its query, which takes MIN, MAX and DEF.
func (d *device) number(pattern string, q program.Quantity, limits func() program.Range, get func() float64, set func(float64) *program.Error) {
	d.add(pattern, func(c *call) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		r := limits()
		v, err := program.Number(c.arg(0), q, r)
		if err != nil {
			return err
		}
		if v < r.Min || v > r.Max {
			return program.Fail(-222, c.arg(0))
		}
		return set(v)
	})
	d.query(pattern+"?", func(c *call) *program.Error {
		if err := c.need(0, 1); err != nil {
			return err
		}
		v := get()
		if len(c.args) == 1 {
			var err *program.Error
			if v, err = program.Number(c.arg(0), q, limits()); err != nil {
				return err
			}
		}
		c.out = appendNumber(c.out, v)
		return nil
	})
}

// query enters a setting's read-back, unless the traits have none.
func (d *device) query(pattern string, h handler) {
	if !d.traits.NoReadBack {
		d.add(pattern, h)
	}
}

// boolean enters an on-off setting and its query.
func (d *device) boolean(pattern string, get func() bool, set func(bool)) {
	d.add(pattern, func(c *call) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		v, err := program.Bool(c.arg(0))
		if err == nil {
			set(v)
		}
		return err
	})
	d.query(pattern+"?", func(c *call) *program.Error {
		c.out = appendBool(c.out, get())
		return nil
	})
}

// choice enters a setting of character data; the words' capitals are the short
// form, which the query answers.
func (d *device) choice(pattern string, words []string, get func() string, set func(string) *program.Error) {
	d.add(pattern, func(c *call) *program.Error {
		if err := c.need(1, 1); err != nil {
			return err
		}
		for _, w := range words {
			if program.Is(c.arg(0), w) {
				return set(w)
			}
		}
		return program.Fail(-224, c.arg(0))
	})
	d.query(pattern+"?", func(c *call) *program.Error {
		c.print(program.Short(get()))
		return nil
	})
}

// appendNumber writes whole numbers below a trillion as NR1 and others as NR3
// with enough digits to lose nothing that a setting can hold.
func appendNumber(dst []byte, v float64) []byte {
	if v == float64(int64(v)) && v > -1e12 && v < 1e12 {
		return strconv.AppendInt(dst, int64(v), 10)
	}
	if a := max(v, -v); a >= 1e-3 && a < 1e12 {
		return strconv.AppendFloat(dst, v, 'f', -1, 64)
	}
	return strconv.AppendFloat(dst, v, 'E', 11, 64)
}

func appendBool(dst []byte, v bool) []byte {
	if v {
		return append(dst, '1')
	}
	return append(dst, '0')
}

func seconds(d time.Duration) float64 { return d.Seconds() }
