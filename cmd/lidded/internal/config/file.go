package config

import (
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/emission"
	"lidded/sweep/practice"
)

// File is a config file as written. Everything but the daemon section
// describes the work and is read from the file alone.
type File struct {
	Daemon    Daemon          `yaml:"daemon"`
	Benches   []Bench         `yaml:"benches"`
	Plans     []practice.Plan `yaml:"plans"`
	Specimens []Specimen      `yaml:"specimens"`
	Schedules []Schedule      `yaml:"schedules"`
	Lab       Lab             `yaml:"lab"`
}

// Daemon is the daemon's own settings. Each can also be given by environment
// (LIDDED_DAEMON_LISTEN for daemon.listen) and some by a flag; a flag wins over
// the environment, the environment over the file.
type Daemon struct {
	Listen       string  `yaml:"listen"`       // host:port of page, REST and metrics
	Store        string  `yaml:"store"`        // the SQLite file
	Dialects     string  `yaml:"dialects"`     // folder whose dialect files come before the shipped ones
	Requirements string  `yaml:"requirements"` // folder of further requirement lines
	Log          Log     `yaml:"log"`
	Metrics      Metrics `yaml:"metrics"`
	Keep         Keep    `yaml:"keep"`
	Access       `yaml:",inline"`
	Guardian     bool `yaml:"guardian"` // a process for each bench that switches the source off should the daemon not be able to; default true
}

// Access says who comes in, besides the listening address.
type Access struct {
	WebConfig   string   `yaml:"web_config"`   // file with certificate and key (exporter-toolkit format): TLS; required on an address that others reach
	Auth        string   `yaml:"auth"`         // auto (default): tokens are wanted as soon as there is one, and always where others reach the daemon; required: always
	Tokens      string   `yaml:"tokens"`       // file of the tokens' hashes, default: the store's name with .tokens
	ClientToken string   `yaml:"client_token"` // file with a token that commands which read this config (off, doctor) send
	Hosts       []string `yaml:"hosts"`        // names that the daemon is known by, besides its addresses and localhost
}

// Log says what is logged and how.
type Log struct {
	Format string `yaml:"format"` // console or json
	Level  string `yaml:"level"`  // debug, info, warn or error
}

// Metrics bounds what /metrics gives.
type Metrics struct {
	MaxSeries int `yaml:"max_series"` // of per-frequency series, over all specimens
}

// Bench is one bench: an analyzer, a source, and what is known of them.
type Bench struct {
	Name        string             `yaml:"name"`
	Analyzer    Instrument         `yaml:"analyzer"`
	Source      Source             `yaml:"source"`
	MayTransmit []sweep.Permission `yaml:"may_transmit"`
	Conducted   bool               `yaml:"conducted"` // cabled: nothing is radiated; a basis like any other

	OverrideNever []emission.Override `yaml:"override_never"` // entries of the never-transmit table, each with the site's basis
	Radiated      *emission.Chain     `yaml:"radiated"`       // from source to air; without it no distance is computed
	Exposure      Exposure            `yaml:"exposure"`
	KeyDown       KeyDown             `yaml:"key_down"`
	Suspend       Suspend             `yaml:"suspend"` // conditions that a run waits out

	SharedReference bool              `yaml:"shared_reference"`             // both on one 10 MHz reference
	FreqErrorPPM    *float64          `yaml:"frequency_error_ppm"`          // both instruments together, default 10
	PathLoss        *unit.DB          `yaml:"path_loss"`                    // source output to analyzer input without a shield, default 40 dB
	PathLosses      []sweep.LossAt    `yaml:"path_losses"`                  // the same by frequency; takes the place of path_loss
	NoiseFigure     *unit.DB          `yaml:"noise_figure"`                 // of the analyzer as used, default 25 dB
	SweepFactor     float64           `yaml:"sweep_factor"`                 // k of the sweep-time law k·span/RBW², default 2.5
	ExchangeTime    time.Duration     `yaml:"exchange_time"`                // setting, keying and reading a trace beside the sweep, for predictions, default 30ms
	FreqDriftPPM    *float64          `yaml:"frequency_drift_ppm_per_hour"` // of source against analyzer, default a fiftieth of frequency_error_ppm
	Uncertainty     *sweep.Entries    `yaml:"uncertainty"`                  // standard uncertainty of a level difference apart from noise, or its entries; default 1 dB
	StepAttenuator  []sweep.KnownStep `yaml:"step_attenuator"`              // values that a linearity check inserts, each with its standard uncertainty
	SourceSteps     []sweep.KnownStep `yaml:"source_steps"`                 // steps of the source's level that a linearity check takes, the same way
	Hands           Hands             `yaml:"hands"`
	Cautions        []string          `yaml:"cautions"`
	Report          *sweep.BenchFacts `yaml:"report"`     // what only people know, for reports
	TimeScale       float64           `yaml:"time_scale"` // a virtual bench's clock runs this much faster than ours
}

// Instrument is where an instrument is and how it speaks.
type Instrument struct {
	Address string  `yaml:"address"` // tcp://host:port or serial:///dev/...?baud=115200
	Dialect string  `yaml:"dialect"`
	Expect  string  `yaml:"expect"`   // regular expression the identity must match; empty: any
	FreqMin unit.Hz `yaml:"freq_min"` // narrower than the dialect's, if this unit or what hangs on it is
	FreqMax unit.Hz `yaml:"freq_max"`
}

// Source is an instrument that transmits.
type Source struct {
	Instrument `yaml:",inline"`
	MaxLevel   *unit.DBm `yaml:"max_level"` // never set above; required
}

// Hands says who releases hold points of plans that leave it to a rule.
type Hands struct {
	Rule    string `yaml:"rule"`    // operator (default: a person), unattended (nothing needs moving), virtual (the virtual bench's control socket)
	Control string `yaml:"control"` // virtual: host:port of the control socket
}

// Schedule starts a run by the clock.
type Schedule struct {
	Name      string        `yaml:"name"`
	Bench     string        `yaml:"bench"`
	Plan      string        `yaml:"plan"`
	Specimens []string      `yaml:"specimens"` // empty: all
	Cron      string        `yaml:"cron"`      // minute hour day month weekday
	Zone      string        `yaml:"zone"`      // IANA time zone, default UTC
	Missed    string        `yaml:"missed"`    // skip (default) or once: one run on start-up if one was missed
	Within    time.Duration `yaml:"within"`    // missed: once looks back this far, default 12h
}
