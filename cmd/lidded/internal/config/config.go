// Package config reads the daemon's settings and the description of benches,
// plans, specimens and schedules into a validated struct.
//
// It is the only importer of viper, which merges file, environment and flags
// for the daemon section. It opens nothing and dials nobody: addresses are
// parsed, dialects and requirement lines are looked up by whoever uses them.
package config

import (
	"encoding"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
	"github.com/spf13/pflag"
	"github.com/spf13/viper"

	"lidded/driver/link"
	"lidded/driver/strict"
	"lidded/sweep"
	"lidded/sweep/practice"
)

// Config is a validated configuration.
type Config struct {
	Path      string // absolute, "" when built in memory
	Daemon    Daemon
	Benches   []Bench
	Plans     []sweep.PlanSpec
	Specimens []sweep.Specimen
	Schedules []Schedule
	Lab       Lab
	doc       *strict.Document

	practices []practice.Resolved // of Plans, index by index
	makings   []Making            // of Specimens, index by index
}

// Defaults of the daemon section.
const (
	DefaultListen    = "127.0.0.1:7460"
	DefaultStore     = "lidded.db"
	DefaultMaxSeries = 5000
	DefaultKeepAt    = "04:00"
)

// What daemon.auth may say.
const (
	AuthAuto     = "auto"
	AuthRequired = "required"
)

// Load reads a config file. flags may be nil; its flags named like a daemon
// key ("listen", "store", "log.level", …) win over environment and file.
func Load(path string, flags *pflag.FlagSet) (*Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("config file %s is not there: name another with --config, or start from an example with 'lidded example > %s'", path, path)
		}
		return nil, fmt.Errorf("read config: %w", err)
	}
	return Parse(path, data, flags)
}

// Parse is Load on text already read; path names it in errors.
func Parse(path string, data []byte, flags *pflag.FlagSet) (*Config, error) {
	var f File
	doc, err := strict.Read(path, data, &f)
	if err != nil {
		return nil, err
	}
	c := &Config{Path: path, Benches: f.Benches, Schedules: f.Schedules, Lab: f.Lab, doc: doc}
	if abs, err := filepath.Abs(path); err == nil {
		c.Path = abs
	}
	if c.Daemon, err = daemon(path, data, flags); err != nil {
		return nil, err
	}
	errs, err := c.takePlans(f.Plans)
	if err != nil {
		return nil, err
	}
	errs = append(errs, c.takeSpecimens(f.Specimens)...)
	if errs = append(errs, c.check()...); len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return c, nil
}

// Errorf makes an error that names file, line and column of a value of this
// config by its path, such as "plans[0].bands[1].rbw".
func (c *Config) Errorf(path, format string, args ...any) error {
	return c.doc.Errorf(path, format, args...)
}

// daemon merges defaults, file, environment and flags, in rising order.
func daemon(path string, data []byte, flags *pflag.FlagSet) (Daemon, error) {
	v := viper.New()
	v.SetConfigType("yaml")
	v.SetEnvPrefix("lidded")
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	v.AutomaticEnv()
	defaults := map[string]any{
		"listen": DefaultListen, "store": DefaultStore, "dialects": "", "requirements": "",
		"log.format": "console", "log.level": "info", "metrics.max_series": DefaultMaxSeries,
		"guardian": true, "web_config": "", "auth": AuthAuto, "tokens": "", "client_token": "", "hosts": []string{},
		"keep.traces": "", "keep.largest": "", "keep.archive": "", "keep.at": DefaultKeepAt,
	}
	for k, d := range defaults {
		v.SetDefault("daemon."+k, d)
		if flags != nil && flags.Lookup(k) != nil {
			if err := v.BindPFlag("daemon."+k, flags.Lookup(k)); err != nil {
				return Daemon{}, fmt.Errorf("bind flag --%s: %w", k, err)
			}
		}
	}
	if err := v.ReadConfig(strings.NewReader(string(data))); err != nil {
		return Daemon{}, fmt.Errorf("%s: %w", path, err)
	}
	for _, e := range os.Environ() {
		name, _, _ := strings.Cut(e, "=")
		rest, ours := strings.CutPrefix(name, "LIDDED_DAEMON_")
		if !ours {
			continue
		}
		known := make([]string, 0, len(defaults))
		found := false
		for k := range defaults {
			env := strings.ToUpper(strings.ReplaceAll(k, ".", "_"))
			known = append(known, strings.ToLower(env))
			found = found || env == rest
		}
		if !found {
			msg := fmt.Sprintf("environment variable %s sets nothing", name)
			if near := strict.Nearest(rest, known); near != "" {
				msg += ": did you mean LIDDED_DAEMON_" + strings.ToUpper(near) + "?"
			}
			return Daemon{}, errors.New(msg)
		}
	}
	d := Daemon{
		Listen: v.GetString("daemon.listen"), Store: v.GetString("daemon.store"),
		Dialects: v.GetString("daemon.dialects"), Requirements: v.GetString("daemon.requirements"),
		Log:     Log{Format: v.GetString("daemon.log.format"), Level: v.GetString("daemon.log.level")},
		Metrics: Metrics{MaxSeries: v.GetInt("daemon.metrics.max_series")},
		Access: Access{
			WebConfig: v.GetString("daemon.web_config"), Auth: v.GetString("daemon.auth"), Tokens: v.GetString("daemon.tokens"),
			ClientToken: v.GetString("daemon.client_token"), Hosts: v.GetStringSlice("daemon.hosts"),
		},
	}
	var err error
	if d.Guardian, err = strconv.ParseBool(v.GetString("daemon.guardian")); err != nil {
		return Daemon{}, fmt.Errorf("%s: daemon.guardian: %q: write true or false", path, v.GetString("daemon.guardian"))
	}
	d.Keep = Keep{Archive: v.GetString("daemon.keep.archive"), At: v.GetString("daemon.keep.at")}
	for key, to := range map[string]encoding.TextUnmarshaler{"keep.traces": &d.Keep.Traces, "keep.largest": &d.Keep.Largest} {
		if err := to.UnmarshalText([]byte(v.GetString("daemon." + key))); err != nil {
			return Daemon{}, fmt.Errorf("%s: daemon.%s: %w", path, key, err)
		}
	}
	base := filepath.Dir(path)
	for _, p := range []*string{&d.Dialects, &d.Requirements, &d.WebConfig, &d.Tokens, &d.ClientToken, &d.Keep.Archive} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(base, *p)
		}
	}
	if !filepath.IsAbs(d.Store) && v.InConfig("daemon") && d.Store == v.GetString("daemon.store") && (flags == nil || flags.Lookup("store") == nil || !flags.Changed("store")) {
		d.Store = filepath.Join(base, d.Store)
	}
	if d.Tokens == "" {
		d.Tokens = d.Store + ".tokens"
	}
	return d, nil
}

func (c *Config) check() []error {
	var errs []error
	fail := func(path, format string, args ...any) { errs = append(errs, c.Errorf(path, format, args...)) }
	c.Daemon.checkAccess(fail)
	oneOf(c.Daemon.Log.Format, []string{"console", "json"}, func(m string) { fail("daemon.log.format", "%s", m) })
	oneOf(c.Daemon.Log.Level, []string{"debug", "info", "warn", "error"}, func(m string) { fail("daemon.log.level", "%s", m) })
	if c.Daemon.Metrics.MaxSeries < 0 {
		fail("daemon.metrics.max_series", "%d: need 0 or more", c.Daemon.Metrics.MaxSeries)
	}
	c.checkKeep(fail)
	c.checkLab(fail)
	names(len(c.Benches), "benches", func(i int) string { return c.Benches[i].Name }, fail)
	names(len(c.Plans), "plans", func(i int) string { return c.Plans[i].Name }, fail)
	names(len(c.Specimens), "specimens", func(i int) string { return c.Specimens[i].Name }, fail)
	names(len(c.Schedules), "schedules", func(i int) string { return c.Schedules[i].Name }, fail)
	for i := range c.Benches {
		checkBench(&c.Benches[i], fmt.Sprintf("benches[%d]", i), fail)
	}
	for i := range c.Plans {
		c.checkPlan(i, fail)
	}
	for i := range c.Schedules {
		c.checkSchedule(&c.Schedules[i], fmt.Sprintf("schedules[%d]", i), fail)
	}
	return errs
}

// checkPlan compiles the plan by itself; what a bench makes of it is checked
// when both are known.
func (c *Config) checkPlan(i int, fail func(path, format string, args ...any)) {
	at := fmt.Sprintf("plans[%d]", i)
	if c.practices[i].Unusable() {
		return // takePlans has said why
	}
	facts := sweep.Bench{}
	if len(c.Benches) > 0 {
		facts = c.Benches[0].Facts()
	}
	_, bad := sweep.Compile(c.Plans[i], facts)
	for _, p := range bad {
		if p.Path == "name" {
			continue // names() has said so
		}
		fail(at+"."+c.practices[i].Path(p.Path), "%s", p.Message)
	}
}

func checkBench(b *Bench, at string, fail func(path, format string, args ...any)) {
	checkInstrument(b.Analyzer, at+".analyzer", fail)
	checkInstrument(b.Source.Instrument, at+".source", fail)
	if b.Analyzer.Address != "" && b.Analyzer.Address == b.Source.Address {
		fail(at+".source.address", "analyzer and source have the same address: give each its own")
	}
	if b.Source.MaxLevel == nil {
		fail(at+".source", "no max_level: write the highest level that everything behind the source stands, for example max_level: 0 dBm")
	}
	checkEmission(b, at, fail)
	checkSuspend(b.Suspend, at+".suspend", fail)
	positive := func(key string, v *float64) {
		if v != nil && *v < 0 {
			fail(at+"."+key, "%g: need 0 or more", *v)
		}
	}
	positive("frequency_error_ppm", b.FreqErrorPPM)
	positive("noise_figure", (*float64)(b.NoiseFigure))
	positive("frequency_drift_ppm_per_hour", b.FreqDriftPPM)
	if b.Uncertainty != nil {
		if err := b.Uncertainty.Check(); err != nil {
			fail(at+".uncertainty", "%v", err)
		}
	}
	for key, list := range map[string][]sweep.KnownStep{"step_attenuator": b.StepAttenuator, "source_steps": b.SourceSteps} {
		for i, k := range list {
			if err := k.Check(); err != nil {
				fail(fmt.Sprintf("%s.%s[%d]", at, key, i), "%v", err)
			}
		}
	}
	if i, err := sweep.CheckLosses(b.PathLosses); err != nil {
		fail(fmt.Sprintf("%s.path_losses[%d]", at, i), "%v", err)
	}
	positive("sweep_factor", &b.SweepFactor)
	positive("time_scale", &b.TimeScale)
	if b.ExchangeTime < 0 {
		fail(at+".exchange_time", "%v: write a time above 0, such as 20ms", b.ExchangeTime)
	}
	oneOf(orElse(b.Hands.Rule, "operator"), []string{"operator", "unattended", "virtual"}, func(m string) { fail(at+".hands.rule", "%s", m) })
	if b.Hands.Rule == "virtual" && b.Hands.Control == "" {
		fail(at+".hands", "rule virtual needs control: the host:port of the virtual bench's control socket")
	}
}

func checkInstrument(in Instrument, at string, fail func(path, format string, args ...any)) {
	if in.Address == "" {
		fail(at, "no address: write tcp://host:port or serial:///dev/...?baud=115200")
	} else if _, err := link.Parse(in.Address); err != nil {
		fail(at+".address", "%v", err)
	}
	if in.Dialect == "" {
		fail(at, "no dialect: 'lidded dialects' lists them")
	}
	if _, err := regexp.Compile(in.Expect); err != nil {
		fail(at+".expect", "not a regular expression: %v", err)
	}
	if in.FreqMax > 0 && in.FreqMax < in.FreqMin {
		fail(at+".freq_max", "%v is below freq_min (%v)", in.FreqMax, in.FreqMin)
	}
}

func (c *Config) checkSchedule(s *Schedule, at string, fail func(path, format string, args ...any)) {
	known := func(key, name string, list []string) {
		if name == "" {
			fail(at, "no %s: name one", key)
			return
		}
		oneOf(name, list, func(m string) { fail(at+"."+key, "%s", m) })
	}
	known("bench", s.Bench, c.BenchNames())
	known("plan", s.Plan, c.PlanNames())
	for i, n := range s.Specimens {
		oneOf(n, c.SpecimenNames(), func(m string) { fail(fmt.Sprintf("%s.specimens[%d]", at, i), "%s", m) })
	}
	if _, err := cron.ParseStandard(s.Cron); err != nil {
		fail(at+".cron", "%q is not a cron line (minute hour day month weekday, as \"30 2 * * *\"): %v", s.Cron, err)
	}
	if _, err := time.LoadLocation(orElse(s.Zone, "UTC")); err != nil {
		fail(at+".zone", "unknown time zone %q: use an IANA name such as Europe/Vienna", s.Zone)
	}
	oneOf(orElse(s.Missed, "skip"), []string{"skip", "once"}, func(m string) { fail(at+".missed", "%s", m) })
	if p, ok := c.Plan(s.Plan); ok && p.HoldPoints != "rule" {
		fail(at+".plan", "plan %s waits for a person at its hold points, so it cannot run by the clock: set hold_points: rule on it, and hands on the bench", s.Plan)
	}
}

// Facts is what the domain knows about the bench, before its instruments have
// been asked. Ranges from the dialect are added by whoever opens it.
func (b Bench) Facts() sweep.Bench {
	f := sweep.Bench{
		Name: b.Name, PathLoss: 40, NoiseFigure: 25, FreqErrorPPM: 10, SweepFactor: 2.5, Uncertainty: 1,
		PathLosses: b.PathLosses, SharedReference: b.SharedReference, Conducted: b.Conducted, Cautions: b.Cautions,
		Facts:        b.Report,
		HandsByRule:  b.Hands.Rule == "unattended" || b.Hands.Rule == "virtual",
		ExchangeTime: b.ExchangeTime,
		HandsFit:     b.Hands.Rule == "virtual", StepAttenuator: b.StepAttenuator, SourceSteps: b.SourceSteps,
		AnalyzerRange: sweep.Limits{FreqMin: b.Analyzer.FreqMin, FreqMax: b.Analyzer.FreqMax},
		SourceRange:   sweep.Limits{FreqMin: b.Source.FreqMin, FreqMax: b.Source.FreqMax},
	}
	set(&f.MaxLevel, b.Source.MaxLevel)
	set(&f.PathLoss, b.PathLoss)
	set(&f.NoiseFigure, b.NoiseFigure)
	set(&f.FreqErrorPPM, b.FreqErrorPPM)
	set(&f.FreqDriftPPM, b.FreqDriftPPM)
	if b.Uncertainty != nil {
		f = f.WithUncertainty(*b.Uncertainty)
	}
	if b.SweepFactor > 0 {
		f.SweepFactor = b.SweepFactor
	}
	b.emit(&f)
	return f
}

// Bench finds a bench by name.
func (c *Config) Bench(name string) (Bench, bool) {
	return find(c.Benches, name, func(b Bench) string { return b.Name })
}

// Plan finds a plan by name.
func (c *Config) Plan(name string) (sweep.PlanSpec, bool) {
	return find(c.Plans, name, func(p sweep.PlanSpec) string { return p.Name })
}

// Specimen finds a specimen by name.
func (c *Config) Specimen(name string) (sweep.Specimen, bool) {
	return find(c.Specimens, name, func(s sweep.Specimen) string { return s.Name })
}

// BenchNames lists the benches in order.
func (c *Config) BenchNames() []string {
	return list(c.Benches, func(b Bench) string { return b.Name })
}

// PlanNames lists the plans in order.
func (c *Config) PlanNames() []string {
	return list(c.Plans, func(p sweep.PlanSpec) string { return p.Name })
}

// SpecimenNames lists the specimens in order.
func (c *Config) SpecimenNames() []string {
	return list(c.Specimens, func(s sweep.Specimen) string { return s.Name })
}

func set[T ~float64](to *T, from *T) {
	if from != nil {
		*to = *from
	}
}

func find[T any](items []T, name string, of func(T) string) (T, bool) {
	for _, it := range items {
		if of(it) == name {
			return it, true
		}
	}
	var none T
	return none, false
}

func list[T any](items []T, of func(T) string) []string {
	out := make([]string, len(items))
	for i, it := range items {
		out[i] = of(it)
	}
	return out
}

func orElse(s, def string) string {
	if s == "" {
		return def
	}
	return s
}

var goodName = regexp.MustCompile(`^[\pL\pN][\pL\pN ._-]*$`)

func names(n int, what string, of func(int) string, fail func(path, format string, args ...any)) {
	seen := map[string]int{}
	for i := range n {
		at := fmt.Sprintf("%s[%d]", what, i)
		name := of(i)
		switch first, twice := seen[name]; {
		case name == "":
			fail(at, "no name: give it one")
		case twice:
			fail(at+".name", "the name %q stands twice (first as %s[%d]): rename one", name, what, first)
		case !goodName.MatchString(name):
			fail(at+".name", "%q: use letters, digits, space, dot, dash and underscore", name)
		default:
			seen[name] = i
		}
	}
}

func oneOf(v string, known []string, fail func(string)) {
	for _, k := range known {
		if v == k {
			return
		}
	}
	msg := fmt.Sprintf("unknown value %q", v)
	if near := strict.Nearest(v, known); near != "" {
		msg += fmt.Sprintf(": did you mean %q?", near)
	} else {
		msg += ": known are " + strings.Join(known, ", ")
	}
	fail(msg)
}
