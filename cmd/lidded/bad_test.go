package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const goodConfig = `benches:
  - name: depot
    analyzer: {address: "tcp://127.0.0.1:1", dialect: analyzer-opc}
    source: {address: "tcp://127.0.0.1:2", dialect: source-scpi, max_level: 0 dBm}
    conducted: true
    may_transmit:
      - {from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: "cabled"}
plans:
  - name: quick
    bands: [{from: 30 MHz, to: 1 GHz, count: 5, level: 0 dBm, rbw: 10 kHz}]
specimens: [{name: heron}]
schedules: [{name: night, bench: depot, plan: quick, cron: "30 2 * * *"}]
`

// Every mistake is named with its place and the cure, and nothing is started.
func TestBadConfigs(t *testing.T) {
	good := strings.Replace(goodConfig, "  - name: quick\n", "  - name: quick\n    hold_points: rule\n", 1)
	good = strings.Replace(good, "    conducted: true\n", "    conducted: true\n    hands: {rule: unattended}\n", 1)
	for _, c := range []struct{ name, old, new, want string }{
		{"unknown key", "conducted:", "conductde:", `lidded.yaml:5:5: benches[0].conductde: unknown key "conductde": did you mean "conducted"?`},
		{"wrong unit", "max_level: 0 dBm}\n    cond", "max_level: 0 dB}\n    cond", `lidded.yaml:4:77: benches[0].source.max_level: "0 dB" has the wrong unit "dB": write it in dBm, for example "-10 dBm"`},
		{"empty plan", "bands: [{from: 30 MHz, to: 1 GHz, count: 5, level: 0 dBm, rbw: 10 kHz}]", "bands: []", `lidded.yaml:12:12: plans[0].bands: the plan has no frequencies: add a band with freqs, or from, to and count`},
		{"no rbw", ", rbw: 10 kHz", "", `lidded.yaml:12:13: plans[0].bands[0].rbw: no resolution bandwidth: write it, for example rbw: 10 kHz`},
		{"two benches of one name", "plans:\n", "  - name: depot\n    analyzer: {address: \"tcp://127.0.0.1:1\", dialect: analyzer-opc}\n    source: {address: \"tcp://127.0.0.1:2\", dialect: source-scpi, max_level: 0 dBm}\nplans:\n", `lidded.yaml:9:11: benches[1].name: the name "depot" stands twice (first as benches[0]): rename one`},
		{"a known step without its uncertainty", "    conducted: true\n", "    conducted: true\n    step_attenuator: [{value: 20 dB}]\n", `lidded.yaml:6:23: benches[0].step_attenuator[0]: uncertainty: 0.0 dB: need the standard uncertainty of the step, above 0 dB, for example 0.2 dB`},
		{"an exchange in no time", "    conducted: true\n", "    conducted: true\n    exchange_time: -3ms\n", `lidded.yaml:6:20: benches[0].exchange_time: -3ms: write a time above 0, such as 20ms`},
		{"resume over trip", "    conducted: true\n", "    conducted: true\n    suspend: {floor: {trip: 3 dB, resume: 6 dB}}\n", `lidded.yaml:6:22: benches[0].suspend.floor: trip 3.0 dB and resume 6.0 dB: resume has to be above 0 dB and below trip, for example {trip: 6 dB, resume: 3 dB}`},
		{"no such check", "hold_points: rule", "hold_points: rule\n    leakage_check: terminated", `lidded.yaml:12:20: plans[0].leakage_check: unknown fitting "terminated"`},
		{"two specimens of one name", "[{name: heron}]", "[{name: heron}, {name: heron}]", `lidded.yaml:13:35: specimens[1].name: the name "heron" stands twice (first as specimens[0]): rename one`},
		{"no maximum level", ", max_level: 0 dBm}\n    cond", "}\n    cond", `lidded.yaml:4:13: benches[0].source: no max_level: write the highest level that everything behind the source stands, for example max_level: 0 dBm`},
		{"no basis", `, basis: "cabled"`, "", `lidded.yaml:8:9: benches[0].may_transmit[0]: no basis: say in your own words what gives you the right (licence, authorization, inside a screened room, cabled)`},
		{"address", "tcp://127.0.0.1:1\"", "udp://127.0.0.1:1\"", `lidded.yaml:3:25: benches[0].analyzer.address: `},
		{"dialect", "analyzer-opc", "analyzer-ocp", `lidded.yaml:3:55: benches[0].analyzer.dialect: unknown dialect "analyzer-ocp": did you mean "analyzer-opc"?`},
		{"a source's dialect for an analyzer", "dialect: analyzer-opc", "dialect: source-scpi", `lidded.yaml:3:55: benches[0].analyzer.dialect: dialect source-scpi drives a source, and this is the bench's analyzer: 'lidded dialects' lists both kinds`},
		{"requirement", "  - name: quick\n", "  - name: quick\n    requirement: flat-61\n", `lidded.yaml:11:18: plans[0].requirement: `},
		{"remote listener", "benches:", "daemon: {listen: 0.0.0.0:7460}\nbenches:", `lidded.yaml:1:18: daemon.listen: "0.0.0.0:7460" can be reached by others, and whoever reaches the daemon can key the source: set daemon.web_config to a file with certificate and key and make a token with 'lidded token create', or listen on 127.0.0.1:7460`},
		{"listener on every address", "benches:", "daemon: {listen: \":7460\"}\nbenches:", `lidded.yaml:1:18: daemon.listen: ":7460" can be reached by others, `},
		{"listener by name", "benches:", "daemon: {listen: \"bench.depot.example:7460\"}\nbenches:", `lidded.yaml:1:18: daemon.listen: "bench.depot.example:7460" can be reached by others, `},
		{"unknown authentication", "benches:", "daemon: {auth: none}\nbenches:", `lidded.yaml:1:16: daemon.auth: unknown value "none": known are auto, required`},
		{"host with a port", "benches:", "daemon: {hosts: [\"bench.depot.example:7460\"]}\nbenches:", `lidded.yaml:1:17: daemon.hosts: "bench.depot.example:7460": write a bare host name, such as bench.depot.example`},
		{"log level", "benches:", "daemon: {log: {level: loud}}\nbenches:", `lidded.yaml:1:23: daemon.log.level: unknown value "loud": known are debug, info, warn, error`},
		{"keep without an archive", "benches:", "daemon: {keep: {traces: 400 days}}\nbenches:", `lidded.yaml:1:16: daemon.keep: no archive: traces leave the store only for archive files; name their folder, best on another disk, as archive: /srv/lidded-archive`},
		{"keep for no time", "benches:", "daemon: {keep: {traces: 400, archive: a}}\nbenches:", `lidded.yaml:1:25: daemon.keep.traces: "400" is no length of time: write a number and days, weeks, months or years, such as 400 days`},
		{"keep for hours", "benches:", "daemon: {keep: {traces: 0.5 days, archive: a}}\nbenches:", `lidded.yaml:1:25: daemon.keep.traces: "0.5 days" is less than a day: keep a day at least`},
		{"keep of no size", "benches:", "daemon: {keep: {largest: 20 G, archive: a}}\nbenches:", `lidded.yaml:1:26: daemon.keep.largest: "20 G" is no amount of data: write a number and MB, GB or TB (MiB, GiB, TiB), such as 20 GB`},
		{"keep next to nothing", "benches:", "daemon: {keep: {largest: 0.1 MB, archive: a}}\nbenches:", `lidded.yaml:1:26: daemon.keep.largest: "0.1 MB" is less than a store needs: allow 1 MB at least`},
		{"keep at no time", "benches:", "daemon: {keep: {at: noon}}\nbenches:", `lidded.yaml:1:21: daemon.keep.at: "noon" is no time of day: write hours and minutes, such as "04:00"`},
		{"unknown key of keep", "benches:", "daemon: {keep: {trace: 400 days}}\nbenches:", `lidded.yaml:1:17: daemon.keep.trace: unknown key "trace": did you mean "traces"?`},
		{"cron line", "30 2 * * *", "30 26 * * *", `lidded.yaml:14:60: schedules[0].cron: "30 26 * * *" is not a cron line (minute hour day month weekday, as "30 2 * * *"): end of range (26) above maximum (23): 26`},
		{"time zone", `cron: "30 2 * * *"`, `cron: "30 2 * * *", zone: Atlantis`, `lidded.yaml:14:80: schedules[0].zone: unknown time zone "Atlantis": use an IANA name such as Europe/Vienna`},
		{"schedule of nothing", "plan: quick, cron", "plan: quack, cron", `lidded.yaml:14:47: schedules[0].plan: unknown value "quack": did you mean "quick"?`},
		{"schedule that waits for people", "    hold_points: rule\n", "", `lidded.yaml:13:47: schedules[0].plan: plan quick waits for a person at its hold points, so it cannot run by the clock: set hold_points: rule on it, and hands on the bench`},
		{"not YAML", "benches:", "benches: [", `lidded.yaml:`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			if text == good {
				t.Fatalf("%q is not in the config", c.old)
			}
			dir := t.TempDir()
			t.Chdir(dir)
			if err := os.WriteFile("lidded.yaml", []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			for _, words := range [][]string{{"serve"}, {"check"}, {"plan"}} {
				var stdout, stderr bytes.Buffer
				code := run(t.Context(), words, &stdout, &stderr)
				if code != exitUsage {
					t.Errorf("%v: exit code %d, want %d", words, code, exitUsage)
				}
				if got := stderr.String(); !strings.HasPrefix(got, "lidded: "+c.want) {
					t.Errorf("%v says\n%swant\nlidded: %s", words, got, c.want)
				}
				if stdout.Len() > 0 {
					t.Errorf("%v printed %q", words, stdout.String())
				}
			}
			left, _ := os.ReadDir(dir)
			if len(left) != 1 {
				t.Errorf("something was left behind: %v", left)
			}
		})
	}
}

// Refusals of a sound config that asks for what may not be done.
func TestPlanRefusals(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"frequency outside what may be transmitted", "to: 1 GHz, max_level", "to: 900 MHz, max_level", `lidded: refused: points[4]: 1 GHz is not in may_transmit of bench depot (30 MHz to 900 MHz): take it out of the plan, or add the range with its basis if you hold the right`},
		{"level over the maximum", "level: 0 dBm, rbw", "level: 3 dBm, rbw", `lidded: refused: points[0]: source level 3.0 dBm at 30 MHz is over bench depot's max_level 0.0 dBm: lower level, or raise max_level if everything behind the source stands it`},
		{"frequency outside the analyzer", "dialect: analyzer-opc}", "dialect: analyzer-opc, freq_max: 500 MHz}", `lidded: refused: points[4]: 1 GHz is outside the analyzer's range `},
		{"nothing may be transmitted", "    may_transmit:\n      - {from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: \"cabled\"}\n", "", `lidded: refused: bench depot lists nothing it may transmit (may_transmit is empty): list ranges with max_level and basis before anything is keyed`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(goodConfig, c.old, c.new, 1)
			text = text[:strings.Index(text, "schedules:")]
			path := filepath.Join(t.TempDir(), "lidded.yaml")
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			var stdout, stderr bytes.Buffer
			if code := run(t.Context(), []string{"plan", "-c", path}, &stdout, &stderr); code != exitFailed {
				t.Errorf("exit code %d, want %d", code, exitFailed)
			}
			if got := stderr.String(); !strings.HasPrefix(got, c.want) {
				t.Errorf("got\n%swant\n%s", got, c.want)
			}
		})
	}
}

func TestBadCommandLines(t *testing.T) {
	t.Chdir(t.TempDir())
	t.Setenv("LIDDED_URL", "http://127.0.0.1:1")
	if err := os.WriteFile("levels.csv", []byte("frequency,state,specimen,level,noise_floor\n30 MHz,reference,,-60 dBm,-100 dBm\n30 MHz,enclosed,heron,\"-80,5 dBm\",-100 dBm\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"serv"}, exitUsage, `lidded: unknown command "serv": did you mean "serve"?`},
		{[]string{"serve", "--confg", "x"}, exitUsage, `lidded: unknown flag: --confg: see 'lidded serve --help'`},
		{[]string{"serve"}, exitUsage, `lidded: config file lidded.yaml is not there: name another with --config, or start from an example with 'lidded example > lidded.yaml'`},
		{[]string{"release", "x"}, exitUsage, `lidded: lidded release needs a run and the step that waits: see 'lidded release --help'`},
		{[]string{"release", "x", "first"}, exitUsage, `lidded: step "first" is not a number: 'lidded watch x' and the page show the one that waits`},
		{[]string{"runs"}, exitFailed, `lidded: no daemon at http://127.0.0.1:1: `},
		{[]string{"export", "latest"}, exitUsage, `lidded: config file lidded.yaml is not there`},
		{[]string{"export", "latest", "--store", "none.db"}, exitFailed, `lidded: `},
		{[]string{"import", "levels.csv", "--dry-run"}, exitUsage, `lidded: levels.csv:3:`},
		{[]string{"import", "none.csv"}, exitUsage, `lidded: open none.csv: no such file or directory`},
		{[]string{"virtual", "--world", "atlantis"}, exitUsage, `lidded: `},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			if code := run(t.Context(), c.args, &stdout, &stderr); code != c.code {
				t.Errorf("exit code %d, want %d", code, c.code)
			}
			if got := stderr.String(); !strings.HasPrefix(got, c.want) {
				t.Errorf("got\n%swant\n%s", got, c.want)
			}
		})
	}
}

// TestNoneNamed: where several plans are known and none is named, they are listed.
func TestNoneNamed(t *testing.T) {
	t.Chdir(t.TempDir())
	two := strings.Replace(goodConfig[:strings.Index(goodConfig, "schedules:")], "plans:\n", "plans:\n  - {name: brief, bands: [{from: 300 MHz, to: 320 MHz, count: 2, level: 0 dBm, rbw: 1 kHz}]}\n", 1)
	if err := os.WriteFile("lidded.yaml", []byte(two), 0o600); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"plan"}, &stdout, &stderr); code != exitUsage || !strings.HasPrefix(stderr.String(), "lidded: there is more than one plan, so name it: brief, ") {
		t.Errorf("%d: %s", code, stderr.String())
	}
}

// TestNoStoreNoDaemon: what reads a store, or a daemon where none is named, says
// both ways out.
func TestNoStoreNoDaemon(t *testing.T) {
	t.Chdir(t.TempDir())
	t.Setenv("LIDDED_URL", "http://127.0.0.1:1")
	for _, args := range [][]string{{"report", "latest"}, {"keyings"}, {"trend", "heron"}} {
		if said := prints(t, exitFailed, args...); !strings.HasPrefix(said, "lidded: no daemon at http://127.0.0.1:1: ") || !strings.Contains(said, "; or name a config with --config, or a store with --store") {
			t.Errorf("%v: %s", args, said)
		}
	}
}

func TestUnknownEnvironment(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("lidded.yaml", []byte(goodConfig[:strings.Index(goodConfig, "schedules:")]), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("LIDDED_DAEMON_LISTN", "127.0.0.1:1")
	var stdout, stderr bytes.Buffer
	if code := run(t.Context(), []string{"plan"}, &stdout, &stderr); code != exitUsage {
		t.Errorf("exit code %d", code)
	}
	if want := "lidded: environment variable LIDDED_DAEMON_LISTN sets nothing: did you mean LIDDED_DAEMON_LISTEN?"; !strings.HasPrefix(stderr.String(), want) {
		t.Errorf("got %swant %s", stderr.String(), want)
	}
}
