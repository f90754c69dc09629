package config_test

import (
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/config"
	"lidded/configs"
	"lidded/sweep"
)

const bench = `benches:
  - name: depot
    analyzer: {address: "tcp://127.0.0.1:5025", dialect: analyzer-opc}
    source: {address: "tcp://127.0.0.1:5026", dialect: source-scpi, max_level: 0 dBm}
    may_transmit: [{from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: "inside the depot's screened room"}]
`

func parse(text string) (*config.Config, error) {
	return config.Parse("lidded.yaml", []byte(text), nil)
}

func TestEmissionRefusals(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no basis", strings.Replace(bench, `, basis: "inside the depot's screened room"`, "", 1), "lidded.yaml:5:20: benches[0].may_transmit[0]: no basis: say in your own words what gives you the right (licence, authorization, inside a screened room, cabled)"},
		{"unknown entry", bench + "    override_never: [{entry: airband-vice, basis: b}]\n", `lidded.yaml:6:22: benches[0].override_never[0]: unknown never-transmit entry "airband-vice": did you mean "airband-voice"?`},
		{"override without basis", bench + "    override_never: [{entry: airband-voice}]\n", "lidded.yaml:6:22: benches[0].override_never[0]: no basis: say in your own words what gives you the right to transmit on airband-voice"},
		{"unknown limits", bench + "    exposure: {limits: icnirp-2020-publik}\n", `lidded.yaml:6:24: benches[0].exposure.limits: unknown exposure limits "icnirp-2020-publik": did you mean "icnirp-2020-public"?`},
		{"ground", bench + "    exposure: {ground_reflection: 5}\n", "lidded.yaml:6:35: benches[0].exposure.ground_reflection: 5: need 1 (free space) to 4 (full reflection)"},
		{"bare gain", bench + "    radiated: {antenna_gain: 2 dB}\n", `lidded.yaml:6:30: benches[0].radiated.antenna_gain: "2 dB" does not say over what: write dBi (over isotropic) or dBd (over a dipole), for example "2 dBi"`},
		{"cable gain", bench + "    radiated: {cable: -1 dB}\n", "lidded.yaml:6:23: benches[0].radiated.cable: -1.0 dB: a cable's loss is 0 dB or more; gain goes into amplifier"},
		{"both", bench + "    conducted: true\n    radiated: {cable: 1 dB}\n", "lidded.yaml:7:15: benches[0].radiated: conducted: true says that nothing is radiated: remove radiated, or conducted"},
		{"hour", bench + "    key_down: {max_per_hour: 90m}\n", "lidded.yaml:6:30: benches[0].key_down.max_per_hour: 1h30m0s: an hour has no more than 1h0m0s"},
		{"negative", bench + "    key_down: {max_on: -1s}\n", "lidded.yaml:6:24: benches[0].key_down.max_on: -1s: need 0 (the default) or more"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := parse(c.text)
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

func TestEmissionInTheFacts(t *testing.T) {
	c, err := parse(bench + `    override_never: [{entry: airband-voice, basis: "site rule 7"}]
    radiated: {amplifier: 20 dB, cable: 1 dB, antenna_gain: 0 dBd}
    exposure: {ground_reflection: 2.56}
    key_down: {max_on: 30s, max_per_run: 2h, max_per_hour: 20m}
`)
	if err != nil {
		t.Fatal(err)
	}
	f := c.Benches[0].Facts()
	if f.Radiated.EIRP(0) != 21.15 || f.Exposure.Ground != 2.56 || f.Exposure.Limits.Name != "47cfr-1.1310-public" {
		t.Errorf("%+v %+v", f.Radiated, f.Exposure)
	}
	if len(f.Never.Overrides) != 1 || len(f.Never.Entries) < 30 || sweep.Forbidden(f, 130e6) != "" || sweep.Forbidden(f, 110e6) == "" {
		t.Errorf("never-transmit table: %d entries, overrides %v", len(f.Never.Entries), f.Never.Overrides)
	}
	if k := c.Benches[0].KeyDown; k.MaxOn != 30*time.Second || k.MaxPerRun != 2*time.Hour || k.MaxPerHour != 20*time.Minute {
		t.Errorf("%+v", k)
	}
}

// A conducted bench radiates nothing: the table does not bind it, and there is no
// distance to compute.
func TestConductedBench(t *testing.T) {
	c, err := parse(bench + "    conducted: true\n")
	if err != nil {
		t.Fatal(err)
	}
	f := c.Benches[0].Facts()
	if f.Exposure != nil || len(f.Never.Entries) == 0 {
		t.Errorf("%+v", f)
	}
	if why := sweep.Forbidden(f, 121.5e6); why != "" {
		t.Error(why)
	}
}

func TestGuardianIsOnUnlessSaid(t *testing.T) {
	for text, want := range map[string]bool{bench: true, "daemon: {guardian: false}\n" + bench: false} {
		c, err := parse(text)
		if err != nil {
			t.Fatal(err)
		}
		if c.Daemon.Guardian != want {
			t.Errorf("guardian %v, want %v", c.Daemon.Guardian, want)
		}
	}
	t.Setenv("LIDDED_DAEMON_GUARDIAN", "perhaps")
	if _, err := parse(bench); err == nil || err.Error() != `lidded.yaml: daemon.guardian: "perhaps": write true or false` {
		t.Error(err)
	}
}

// The example must be one that may be run: it radiates, so its plan keeps out of
// what is never transmitted on.
func TestExampleMayBeRun(t *testing.T) {
	text, err := configs.FS.ReadFile("benches/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, err := parse(string(text))
	if err != nil {
		t.Fatal(err)
	}
	f := c.Benches[0].Facts()
	p, bad := sweep.Compile(c.Plans[0], f)
	if len(bad) > 0 {
		t.Fatal(bad)
	}
	if bad := sweep.CheckOn(p, f); len(bad) > 0 {
		t.Error(bad)
	}
	if f.Conducted || len(p.Points) != 40 || len(sweep.Exposures(p, f)) != 40 {
		t.Errorf("%d points", len(p.Points))
	}
}
