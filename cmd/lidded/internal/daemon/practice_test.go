package daemon_test

import (
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/daemon"
)

const practised = `
benches:
  - name: depot
    analyzer: {address: "tcp://127.0.0.1:5025", dialect: analyzer-opc}
    source: {address: "tcp://127.0.0.1:5026", dialect: source-scpi, max_level: 0 dBm}
    may_transmit: [{from: 9 kHz, to: 1 GHz, max_level: 0 dBm, basis: "cabled on the bench"}]
    conducted: true
specimens:
  - {name: heron, made_of: heron}
  - {name: weir-room, inner: {width: 3.6 m, height: 2.4 m, depth: 2.4 m}}
plans:
  - name: room
    preset: ieee-299-2006
    only: [20 MHz to 100 MHz, 100 MHz to 300 MHz]
    level: 0 dBm
    rbw: 1 kHz
  - name: close-look
    preset: ieee-299-2006
    only: [300 MHz to 600 MHz]
    level: 0 dBm
    rbw: 1 kHz
    modes: densify
`

func labOf(t *testing.T, text string) *daemon.Lab {
	t.Helper()
	c, err := config.Parse("lidded.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	l, err := daemon.NewLab(c)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestPlanByPreset(t *testing.T) {
	l := labOf(t, practised)
	on, err := l.On("room", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(on.Plan.Points) != 2 || on.Plan.Headroom != 6 || len(on.Refusals) > 0 {
		t.Errorf("%d points, headroom %v, refusals %v", len(on.Plan.Points), on.Plan.Headroom, on.Refusals)
	}
	all := strings.Join(on.Warnings, "\n")
	for _, want := range []string{"check against your copy", "heron measures 400 mm to 600 mm inside", "weir-room resonates when empty", "biconical"} {
		if !strings.Contains(all, want) {
			t.Errorf("the cautions miss %q:\n%s", want, all)
		}
	}
	if on, err = l.On("room", "", []string{"weir-room"}); err != nil || strings.Contains(strings.Join(on.Warnings, "\n"), "measures") {
		t.Errorf("a room of 2.4 m is accused of its size: %v", on.Warnings)
	}
}

func TestPlanLooksCloselyAtModes(t *testing.T) {
	on, err := labOf(t, practised).On("close-look", "depot", []string{"heron"})
	if err != nil {
		t.Fatal(err)
	}
	// 0.6 m by 0.5 m: 390 MHz; the band holds three more modes of the locker
	if len(on.Plan.Points) < 20 || len(on.Refusals) > 0 || !strings.Contains(strings.Join(on.Warnings, "\n"), "frequencies added across TM110 of heron") {
		t.Errorf("%d points, %v, %v", len(on.Plan.Points), on.Refusals, on.Warnings)
	}
}

func TestPresetErrorsNameTheConfigsPlace(t *testing.T) {
	for want, change := range map[string][2]string{
		`lidded.yaml:13:13: plans[0].preset: unknown preset "ieee-299-2007": did you mean "ieee-299-2006"?`: {"preset: ieee-299-2006\n    only: [20", "preset: ieee-299-2007\n    only: [20"},
		"plans[0].level: preset ieee-299-2006 leaves the source level to you":                               {"level: 0 dBm\n    rbw: 1 kHz\n  - name", "rbw: 1 kHz\n  - name"},
		"plans[0].only[0]: preset ieee-299-2006 has no band":                                                {"only: [20 MHz", "only: [21 MHz"},
		`unknown rule for modes "dodge"`:                                                                    {"modes: densify", "modes: dodge"},
	} {
		text := strings.Replace(practised, change[0], change[1], 1)
		if text == practised {
			t.Fatalf("%q changes nothing", change[0])
		}
		if _, err := config.Parse("lidded.yaml", []byte(text), nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}
