// Package deploy_test checks what is shipped beside the program: alert rules,
// dashboard, service unit, packaging.
package deploy_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// peer finds a program that a test compares with. Where it is not installed the
// test is skipped, unless LIDDED_PEERS=required.
func peer(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("%s is not installed: this is not tested here", name)
	}
	return path
}

type rule struct {
	Alert       string            `yaml:"alert,omitempty"`
	Record      string            `yaml:"record,omitempty"`
	Expr        string            `yaml:"expr"`
	For         string            `yaml:"for,omitempty"`
	Labels      map[string]string `yaml:"labels,omitempty"`
	Annotations map[string]string `yaml:"annotations,omitempty"`
}

type group struct {
	Name     string `yaml:"name"`
	Interval string `yaml:"interval,omitempty"`
	Rules    []rule `yaml:"rules"`
}

type ruleFile struct {
	Groups []group `yaml:"groups"`
}

type testFile struct {
	RuleFiles []string   `yaml:"rule_files"`
	Every     string     `yaml:"evaluation_interval"`
	Tests     []testCase `yaml:"tests"`
}

type testCase struct {
	Name     string      `yaml:"name"`
	Interval string      `yaml:"interval"`
	Series   []yaml.Node `yaml:"input_series"`
	Exprs    []exprTest  `yaml:"promql_expr_test,omitempty"`
	Alerts   []alertTest `yaml:"alert_rule_test,omitempty"`
}

type exprTest struct {
	Expr    string      `yaml:"expr"`
	At      string      `yaml:"eval_time"`
	Samples []yaml.Node `yaml:"exp_samples"`
}

type alertTest struct {
	Alert  string      `yaml:"alertname"`
	At     string      `yaml:"eval_time"`
	Expect []yaml.Node `yaml:"exp_alerts"`
}

func read(t *testing.T, path string, to any) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err == nil {
		err = yaml.Unmarshal(data, to)
	}
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
}

func write(t *testing.T, path string, v any) {
	t.Helper()
	data, err := yaml.Marshal(v)
	if err == nil {
		err = os.WriteFile(path, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

var testFiles = []string{"lidded.rules.test.yml", "lidded.history.test.yml", "lidded.fleet.test.yml"}

func TestRules(t *testing.T) {
	promtool := peer(t, "promtool")
	for _, args := range [][]string{{"check", "rules", "lidded.rules.yml"}, {"check", "config", "prometheus.yml"}, append([]string{"test", "rules"}, testFiles...)} {
		c := exec.Command(promtool, args...)
		c.Dir = "prometheus"
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("promtool %s: %v\n%s", strings.Join(args, " "), err, out)
		}
	}
}

// TestRemoteScrape: the example for other computers is taken as it is, with the
// token that it says to put beside it, and not without.
func TestRemoteScrape(t *testing.T) {
	promtool := peer(t, "promtool")
	dir := t.TempDir()
	for _, name := range []string{"prometheus.remote.yml", "lidded.rules.yml"} {
		data, err := os.ReadFile(filepath.Join("prometheus", name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	check := func() error { return checkConfig(promtool, dir, "prometheus.remote.yml") }
	if err := check(); err == nil || !strings.Contains(err.Error(), "lidded.token") {
		t.Errorf("without a token: %v", err)
	}
	for _, name := range []string{"lidded.token", "lidded-ca.pem"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte("x\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := check(); err != nil {
		t.Error(err)
	}
}

// lastComparison is the comparison that decides whether a rule fires.
var lastComparison = regexp.MustCompile(`(==|!=|>=|<=|>|<)(\s*(bool\s+)?[0-9.e* ]+)([^=<>]*)$`)

var opposite = map[string]string{"==": "!=", "!=": "==", ">": "<=", "<": ">=", ">=": "<", "<=": ">"}

// breaks are ways to break a rule.
var breaks = []struct {
	name string
	do   func(*rule) bool // false: does not apply
}{
	{"never fires", func(r *rule) bool { r.Expr = "vector(1) == 0"; return true }},
	{"compares the other way", func(r *rule) bool {
		m := lastComparison.FindStringSubmatchIndex(r.Expr)
		if m == nil {
			return false
		}
		r.Expr = r.Expr[:m[2]] + opposite[r.Expr[m[2]:m[3]]] + r.Expr[m[3]:]
		return true
	}},
	{"waits for ever", func(r *rule) bool { r.For = "1000h"; return true }},
	{"does not wait", func(r *rule) bool { had := r.For != ""; r.For = ""; return had }},
	{"says something else", func(r *rule) bool { r.Annotations["summary"] = "all is well"; return true }},
}

// shipped are the rules, and their tests.
func shipped(t *testing.T) (rules ruleFile, files []testFile) {
	t.Helper()
	read(t, "prometheus/lidded.rules.yml", &rules)
	for _, name := range testFiles {
		var f testFile
		read(t, filepath.Join("prometheus", name), &f)
		files = append(files, f)
	}
	return rules, files
}

// TestRulesBroken: each alert rule has a test that passes as it is, and fails
// when the rule is broken in any of several ways.
func TestRulesBroken(t *testing.T) {
	promtool := peer(t, "promtool")
	rules, files := shipped(t)
	n := 0
	for _, g := range rules.Groups {
		for i, r := range g.Rules {
			if r.Alert == "" {
				continue
			}
			n++
			t.Run(r.Alert, func(t *testing.T) {
				t.Parallel()
				if err := tryRule(t, promtool, rules, files, r); err != nil {
					t.Fatalf("as it is: %v", err)
				}
				for _, b := range breaks {
					broken := g.Rules[i]
					broken.Annotations = map[string]string{}
					for k, v := range r.Annotations {
						broken.Annotations[k] = v
					}
					switch applies := b.do(&broken); {
					case !applies && b.name != "does not wait":
						t.Errorf("%s: cannot be broken this way", b.name)
					case applies && tryRule(t, promtool, rules, files, broken) == nil:
						t.Errorf("%s: no test notices", b.name)
					}
				}
			})
		}
	}
	if n < 28 {
		t.Errorf("only %d alert rules", n)
	}
}

// recordName is the name of a recording rule: level:metric:operation.
var recordName = regexp.MustCompile(`\b(bench|lab|lidded):[a-z_]+:[a-z0-9]+\b`)

// recordsFor are the recording rules that an expression needs, and what they need.
func recordsFor(all ruleFile, expr string) (out ruleFile) {
	needed := map[string]bool{}
	var need func(expr string)
	need = func(expr string) {
		for _, name := range recordName.FindAllString(expr, -1) {
			if needed[name] {
				continue
			}
			needed[name] = true
			for _, g := range all.Groups {
				for _, r := range g.Rules {
					if r.Record == name {
						need(r.Expr)
					}
				}
			}
		}
	}
	need(expr)
	for _, g := range all.Groups {
		g.Rules = slices.DeleteFunc(slices.Clone(g.Rules), func(r rule) bool { return !needed[r.Record] })
		if len(g.Rules) > 0 {
			out.Groups = append(out.Groups, g)
		}
	}
	return out
}

// tryRule runs the tests of one alert rule, with the recording rules that it needs.
func tryRule(t *testing.T, promtool string, all ruleFile, files []testFile, r rule) error {
	dir := t.TempDir()
	alone := recordsFor(all, r.Expr)
	alone.Groups = append(alone.Groups, group{Name: "alone", Rules: []rule{r}})
	write(t, filepath.Join(dir, "lidded.rules.yml"), alone)
	fires := 0
	err := tryTests(t, promtool, dir, files, func(c *testCase) bool {
		c.Exprs = nil
		c.Alerts = slices.DeleteFunc(slices.Clone(c.Alerts), func(a alertTest) bool { return a.Alert != r.Alert })
		for _, a := range c.Alerts {
			fires += len(a.Expect)
		}
		return len(c.Alerts) > 0
	})
	if fires == 0 {
		return fmt.Errorf("no test in which it fires")
	}
	return err
}

// tryTests runs those tests that a choice leaves, against the rules in a folder.
func tryTests(t *testing.T, promtool, dir string, files []testFile, choose func(*testCase) bool) error {
	args := []string{"test", "rules"}
	for i, f := range files {
		own := testFile{RuleFiles: f.RuleFiles, Every: f.Every}
		for _, c := range f.Tests {
			if choose(&c) {
				own.Tests = append(own.Tests, c)
			}
		}
		if len(own.Tests) > 0 {
			path := filepath.Join(dir, testFiles[i])
			write(t, path, own)
			args = append(args, path)
		}
	}
	if out, err := exec.Command(promtool, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

// asItStands are recordings that need no test: nothing is reckoned in them.
var asItStands = map[string]bool{"lidded:se_db:hourly": true}

// TestRecordsBroken: each recording rule over many benches has a test that fails
// when it records another number.
func TestRecordsBroken(t *testing.T) {
	promtool := peer(t, "promtool")
	rules, files := shipped(t)
	n := 0
	for _, g := range rules.Groups {
		for _, r := range g.Rules {
			if r.Record == "" || asItStands[r.Record] {
				continue
			}
			n++
			t.Run(r.Record, func(t *testing.T) {
				t.Parallel()
				if recordName.FindString(r.Record) != r.Record {
					t.Error("the name is not level:metric:operation")
				}
				alone := recordsFor(rules, r.Record)
				try := func() error {
					dir := t.TempDir()
					write(t, filepath.Join(dir, "lidded.rules.yml"), alone)
					return tryTests(t, promtool, dir, files, func(c *testCase) bool {
						c.Alerts = nil
						c.Exprs = slices.DeleteFunc(slices.Clone(c.Exprs), func(e exprTest) bool { return recordName.FindString(e.Expr) != r.Record })
						return len(c.Exprs) > 0
					})
				}
				if err := try(); err != nil {
					t.Fatalf("as it is: %v", err)
				}
				for _, g := range alone.Groups {
					for i := range g.Rules {
						if g.Rules[i].Record == r.Record {
							g.Rules[i].Expr = "(" + r.Expr + ") + 1"
						}
					}
				}
				if try() == nil {
					t.Error("no test notices that it records another number")
				}
			})
		}
	}
	if n < 14 {
		t.Errorf("only %d recording rules", n)
	}
}

// TestFleetScrape: the example for many daemons is taken as it is, with the
// files that it names where it looks for them, and the list of benches is one.
func TestFleetScrape(t *testing.T) {
	promtool := peer(t, "promtool")
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "lidded.d"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, f := range []struct{ from, to string }{
		{"prometheus.fleet.yml", "prometheus.yml"}, {"lidded.rules.yml", "lidded.rules.yml"}, {"lidded.benches.yml", "lidded.d/depot.yml"},
	} {
		data, err := os.ReadFile(filepath.Join("prometheus", f.from))
		if err == nil {
			data = []byte(strings.ReplaceAll(string(data), "/etc/prometheus/", dir+"/"))
			err = os.WriteFile(filepath.Join(dir, f.to), data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	check := func() error { return checkConfig(promtool, dir, "prometheus.yml") }
	if err := check(); err == nil || !strings.Contains(err.Error(), "lidded.token") {
		t.Errorf("without a token: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "lidded.token"), []byte("x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := check(); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "lidded.d/depot.yml"), []byte("- targets: weir:7460\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := check(); err == nil {
		t.Error("a list that is none is taken")
	}
}

// checkConfig has a config and what it names in a folder checked.
func checkConfig(promtool, dir, name string) error {
	c := exec.Command(promtool, "check", "config", name)
	c.Dir = dir
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}
