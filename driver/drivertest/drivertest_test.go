package drivertest_test

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"lidded/driver"
	"lidded/driver/drivertest"
	"lidded/driver/link"
	"lidded/driver/unit"
)

func talk(t *testing.T, at link.Address, lines ...string) {
	t.Helper()
	c, err := net.Dial("tcp", at.Host)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	in := bufio.NewReader(c)
	for _, l := range lines {
		fmt.Fprint(c, l+"\n")
		if strings.HasSuffix(l, "?") {
			if _, err := in.ReadString('\n'); err != nil {
				return
			}
		}
	}
}

var conversation = drivertest.Transcript{Notes: []string{"a test"}, Exchanges: []drivertest.Exchange{
	{ToInstrument: true, Data: []byte("*IDN?\n")},
	{Data: []byte("BENCH,PLAYER,1,1\n")},
	{ToInstrument: true, Data: []byte("A 1\nB?\n")},
	{Data: []byte("\x00\xff\n")},
}}

func TestPlay(t *testing.T) {
	for _, c := range []struct {
		name  string
		lines []string
		want  string // in the error; empty: none
	}{
		{"as recorded", []string{"*IDN?", "A 1", "B?"}, ""},
		{"nothing", nil, "exchanges remain"},
		{"too little", []string{"*IDN?"}, "exchanges remain"},
		{"something else", []string{"*IDN?", "A 2", "B?"}, `"A 2\nB?\n" came where "A 1\nB?\n" was recorded`},
		{"too much", []string{"*IDN?", "A 1", "B?", "C"}, `"C\n" came after the end`},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := drivertest.Play(t.Context(), conversation)
			if err != nil {
				t.Fatal(err)
			}
			talk(t, p.Address(), c.lines...)
			err = p.Close()
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
	p, err := drivertest.Play(t.Context(), conversation)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Close(); err == nil {
		t.Error("a player that nobody called is content")
	}
}

func TestRecord(t *testing.T) {
	p, err := drivertest.Play(t.Context(), conversation)
	if err != nil {
		t.Fatal(err)
	}
	r, err := drivertest.Record(t.Context(), p.Address().Host)
	if err != nil {
		t.Fatal(err)
	}
	talk(t, r.Address(), "*IDN?", "A 1", "B?")
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	tr, err := r.Close()
	if err != nil {
		t.Fatal(err)
	}
	tr.Notes = conversation.Notes
	if got, want := string(tr.Text()), string(conversation.Text()); got != want {
		t.Errorf("recorded\n%s\nwant\n%s", got, want)
	}
	again, err := drivertest.ReadTranscript("x", bytes.NewReader(tr.Text()))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(again.Text(), tr.Text()) {
		t.Errorf("read back as\n%s", again.Text())
	}
}

func TestBadTranscript(t *testing.T) {
	for in, want := range map[string]string{"? \"x\"\n": "x:1:", "# ok\n> nope\n": "x:2:"} {
		if _, err := drivertest.ReadTranscript("x", strings.NewReader(in)); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%q: got %v", in, err)
		}
	}
}

// The fakes tell the truth they share: −20 dBm less 30 dB is −50 dBm.
func TestFakes(t *testing.T) {
	ctx := t.Context()
	air := drivertest.NewAir(func(unit.Hz) unit.DB { return -30 }, -100)
	src, ana := drivertest.NewSource(air), drivertest.NewAnalyzer(air, time.Millisecond)
	got, err := ana.Configure(ctx, driver.Settings{Center: 100e6, Span: 1e6, RBW: 10e3, Detector: driver.Sample, Hold: driver.MaxHold})
	if err != nil || got.Points != 1001 {
		t.Fatal(got, err)
	}
	if err := ana.Arm(ctx); err != nil {
		t.Fatal(err)
	}
	src.SetFrequency(ctx, 100.2e6)
	src.SetLevel(ctx, -20)
	src.SetOutput(ctx, true)
	ana.Look()
	tr, err := ana.Sweep(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if k := tr.Peak(); tr.Levels[k] != -50 || tr.Freq(k) < 100.19e6 || tr.Freq(k) > 100.21e6 {
		t.Errorf("the peak is %v at %v", tr.Levels[k], tr.Freq(k))
	}
	if err := src.Recover(ctx); err != nil {
		t.Fatal(err)
	}
	if on, _ := src.Output(ctx); on {
		t.Error("recovered, the source is on")
	}
	held, err := ana.ReadHold(ctx)
	if err != nil || held.Levels[held.Peak()] != -50 {
		t.Errorf("held %v, %v", held.Levels[held.Peak()], err)
	}
	broken := errors.New("broken")
	ana.SetScript(func(method string) error {
		if method == "Sweep" {
			return broken
		}
		return nil
	})
	if _, err := ana.Sweep(ctx); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
	if n := ana.Calls("Sweep"); n != 2 {
		t.Errorf("%d sweeps", n)
	}
}
