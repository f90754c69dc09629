package virtual

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Kind is a kind of fault.
type Kind int

// The faults that can be asked for.
const (
	FaultUnknown     Kind = iota
	FaultDrop             // close the connection instead of carrying the command out
	FaultDropMid          // close the connection in the middle of the answer
	FaultStall            // carry the command out, never answer
	FaultLate             // answer after Delay
	FaultTruncate         // send the first part of the answer, then nothing
	FaultWrongLength      // a block whose header claims another length
	FaultGarbage          // random bytes instead of the answer
	FaultNaN              // some trace points are 9.91E37
	FaultRefuse           // drop the clients and refuse new ones for Delay
	FaultPowerCycle       // forget every setting, drop the clients, refuse for Delay
	FaultOneClient        // serve one TCP client at a time from now on
	FaultEcho             // send the command back before the answer
	FaultIgnore           // do not carry the command out, say nothing
	FaultError            // enter -240 (or Code) into the error queue
)

var kindNames = []string{"unknown", "drop", "drop-mid", "stall", "late", "truncate", "wrong-length", "garbage", "nan",
	"refuse", "power-cycle", "one-client", "echo", "ignore", "error"}

func (k Kind) String() string { return kindNames[k] }

// Kinds lists every kind of fault.
func Kinds() []Kind {
	var all []Kind
	for k := FaultDrop; k <= FaultError; k++ {
		all = append(all, k)
	}
	return all
}

// ParseKind finds a kind by its name, such as "late".
func ParseKind(s string) (Kind, error) {
	for k, n := range kindNames {
		if n == s && k > 0 {
			return Kind(k), nil
		}
	}
	return FaultUnknown, fmt.Errorf("fault %q is unknown: there are %s", s, strings.Join(kindNames[1:], ", "))
}

// Fault is a fault on demand. It strikes Count times (0: once; negative:
// without end) at lines that contain Match (any line if empty, without regard
// to case), each with the given Probability (0: always). Faults of the answer
// strike only lines that are answered, wrong-length only blocks, nan only
// traces.
type Fault struct {
	Kind        Kind
	Count       int
	Probability float64
	Match       string
	Delay       time.Duration // real time; for late 300 ms, for refuse and power-cycle 200 ms if zero
	Code        int           // for error
}

// Storm is a random mixture of faults: each line is hit with Probability by one
// of Kinds (all of them if empty), drawn with Seed, at most Count times (0: no
// limit).
type Storm struct {
	Seed        uint64
	Probability float64
	Kinds       []Kind
	Delay       time.Duration
	Count       int
}

// faults are the faults waiting for one instrument, under the bench's lock.
type faults struct {
	list   []Fault
	storm  *Storm
	rnd    *rand.Rand
	struck map[Kind]int
	due    *Fault // drawn by the storm for the present line
}

func (f *faults) random() *rand.Rand {
	if f.rnd == nil {
		f.rnd = rand.New(rand.NewPCG(1, 2))
	}
	return f.rnd
}

func (f *faults) none() bool { return len(f.list) == 0 && f.storm == nil }

// begin draws the storm's fault for a line.
func (f *faults) begin() {
	f.due = nil
	s := f.storm
	if s == nil || f.random().Float64() >= s.Probability {
		return
	}
	kinds := s.Kinds
	if len(kinds) == 0 {
		kinds = Kinds()
	}
	f.due = &Fault{Kind: kinds[f.random().IntN(len(kinds))], Delay: s.Delay}
}

// take returns the first fault of the kinds given that strikes this line.
func (f *faults) take(line string, kinds ...Kind) *Fault {
	if f.none() {
		return nil
	}
	if f.due != nil && slices.Contains(kinds, f.due.Kind) {
		hit := f.due
		f.due = nil
		f.count(hit.Kind)
		if f.storm != nil && f.storm.Count > 0 {
			if f.storm.Count--; f.storm.Count == 0 {
				f.storm = nil
			}
		}
		return hit
	}
	for i := range f.list {
		x := &f.list[i]
		if !slices.Contains(kinds, x.Kind) || !strings.Contains(strings.ToUpper(line), strings.ToUpper(x.Match)) {
			continue
		}
		if x.Probability > 0 && f.random().Float64() >= x.Probability {
			continue
		}
		hit := *x
		if x.Count >= 0 {
			if x.Count--; x.Count <= 0 {
				f.list = slices.Delete(f.list, i, i+1)
			}
		}
		f.count(hit.Kind)
		return &hit
	}
	return nil
}

func (f *faults) count(k Kind) {
	if f.struck == nil {
		f.struck = map[Kind]int{}
	}
	f.struck[k]++
}

// missing returns which points of a trace are lost, nil for none.
func (f *faults) missing(line string, points int) []bool {
	if f.take(line, FaultNaN) == nil {
		return nil
	}
	lost := make([]bool, points)
	for range 1 + points/100 {
		lost[f.random().IntN(points)] = true
	}
	return lost
}

// wrongLength changes the length that a definite block claims.
func (f *faults) wrongLength(reply []byte) []byte {
	n := int(reply[1] - '0')
	size, err := strconv.Atoi(string(reply[2 : 2+n]))
	if err != nil {
		return reply
	}
	claim := fmt.Sprintf("%0*d", n, max(0, size-8))
	if f.random().IntN(2) == 0 && len(strconv.Itoa(size+8)) == n {
		claim = strconv.Itoa(size + 8)
	}
	out := bytes.Clone(reply)
	copy(out[2:], claim)
	return out
}

func isBlock(reply []byte) bool {
	if len(reply) < 3 || reply[0] != '#' || reply[1] < '1' || reply[1] > '9' {
		return false
	}
	return len(reply) > 2+int(reply[1]-'0')
}

func (f *faults) garbage() []byte {
	out := make([]byte, 5+f.random().IntN(40))
	for i := range out {
		out[i] = byte(f.random().IntN(256))
	}
	return append(out, '\n')
}
