package virtual

import (
	"fmt"
	"os"
	"slices"
	"sort"
	"strings"
	"time"

	"lidded/driver/virtual/world"
)

// Traits are the habits of one instrument: what it understands and how it
// answers. The zero value of Config's Traits means the preset "modern-opc" for
// an analyzer and "source-scpi" for a source. LoadTraits reads them from YAML;
// TraitPreset returns the built-in ones, which are also a good start for one's
// own.
type Traits struct {
	// Base is the preset that a YAML description starts from.
	Base     string `yaml:"base"`
	Name     string `yaml:"name"`
	Identity string `yaml:"identity"` // the answer to *IDN?

	// ReplyEnd ends each answer: "lf", "crlf" or "cr". With "cr" a bare CR also
	// ends a command; LF always does and a CR before it is dropped.
	ReplyEnd string `yaml:"reply_end"`
	// Echo sends each command line back before the answer.
	Echo bool `yaml:"echo"`
	// Prompt follows each answer or command, Ack answers a line without query,
	// Nak one that failed (Ack if empty).
	Prompt string `yaml:"prompt"`
	Ack    string `yaml:"ack"`
	Nak    string `yaml:"nak"`
	// OneCommand refuses ";" between commands (-102).
	OneCommand bool `yaml:"one_command_per_line"`
	// MaxLine is the longest line in bytes; longer ones are lost (-363).
	MaxLine int `yaml:"max_line_bytes"`
	// Gap is the least real time from one line to the next; lines that come
	// sooner are lost (-363). ConnectDelay is how long a new client waits for
	// the first answer.
	Gap          time.Duration `yaml:"gap"`
	ConnectDelay time.Duration `yaml:"connect_delay"`
	// MaxClients is how many TCP clients are served; more connect and hear
	// nothing. 0 means no limit.
	MaxClients int `yaml:"max_clients"`
	// Interrupts gives up a pending *OPC? when another line arrives (-410).
	Interrupts bool `yaml:"interrupts_pending_query"`

	// Errors is "next" (SYST:ERR? and SYST:ERR:NEXT?), "all" (SYST:ERR:ALL? as
	// well) or "none".
	Errors string `yaml:"error_query"`
	// OPCQuery is "correct", "immediate" (answers 1 at once) or "absent".
	OPCQuery string `yaml:"opc_query"`
	// NoStatus removes *ESR?, *ESE, *STB?, *SRE, *OPC, *WAI and STAT.
	NoStatus bool `yaml:"no_status"`
	// SweepBit is the bit of STAT:OPER:COND? that tells about the sweep, -1 for
	// none; it is 1 while sweeping, or 1 when done if SweepBitDone.
	SweepBit     int  `yaml:"sweep_bit"`
	SweepBitDone bool `yaml:"sweep_bit_when_done"`
	// OverloadBit is the bit of STAT:QUES:COND? for overload, -1 for none.
	OverloadBit int `yaml:"overload_bit"`

	// TraceQuery lists the trace queries: "by-name" (TRAC? TRACE1), "by-suffix"
	// (TRAC1?), "by-number" (TRAC:DATA? 1), "bar-name" (TRAC? TRA), "xy-pairs"
	// (CALC:DATA1? and FETC:SAN1?, frequency and level in turn), "calc-data"
	// (CALC1:DATA?).
	TraceQuery []string `yaml:"trace_query"`
	// MaxHold lists the command families: "display-mode" (DISP:TRAC1:MODE MAXH),
	// "trace-type" (TRAC1:TYPE MAXH and TRAC1:MODE MAXH), "trace-operation"
	// (TRAC1:OPER MAXH), "calc-state" (CALC1:MAX ON and CALC1:MAX:CLE).
	MaxHold []string `yaml:"max_hold"`
	// HoldResendClears clears a held trace when its mode is sent again;
	// HoldForcesPositive sets an automatic detector to positive peak;
	// HoldKeptByInit keeps a held trace through INIT.
	HoldResendClears   bool `yaml:"hold_resend_clears"`
	HoldForcesPositive bool `yaml:"hold_forces_positive"`
	HoldKeptByInit     bool `yaml:"hold_kept_by_init"`
	// Detectors maps positive, negative, sample, normal, rms, voltage, log and
	// average (which follows AVER:TYPE) to the words the instrument uses, short
	// form in capitals: "POSitive".
	Detectors map[string]string `yaml:"detectors"`
	// ZeroSpan lists the ways into zero span: "span-0", "span-zero"
	// (FREQ:SPAN:ZERO), "keyword" (FREQ:SPAN ZERO).
	ZeroSpan []string `yaml:"zero_span"`

	// Formats lists what FORM takes: "ASC", "REAL,32", "REAL,64", "INT,32"
	// (thousandths of a dBm). The first is the default.
	Formats []string `yaml:"formats"`
	// BareReal also takes FORM REAL without a length.
	BareReal bool `yaml:"bare_real"`
	// ByteOrder is the default, "NORM" (big-endian) or "SWAP"; FixedByteOrder
	// removes FORM:BORD.
	ByteOrder      string `yaml:"byte_order"`
	FixedByteOrder bool   `yaml:"fixed_byte_order"`
	// Block is "definite", "indefinite" (#0) or "none" (bytes alone).
	Block string `yaml:"block"`
	// NoBlockEnd leaves out the terminator after a block.
	NoBlockEnd bool `yaml:"no_block_end"`
	// Decimals of ASCII traces: 0 for NR3 (-1.234567E+01), else NR2. PerLine
	// breaks an ASCII trace into lines of that many values. TrailingComma ends
	// it with one.
	Decimals      int  `yaml:"decimals"`
	PerLine       int  `yaml:"values_per_line"`
	TrailingComma bool `yaml:"trailing_comma"`
	// FixedDBm sends traces in dBm whatever UNIT:POW says; NoUnit removes it.
	FixedDBm bool `yaml:"fixed_dbm"`
	NoUnit   bool `yaml:"no_unit"`

	// Points lists the permitted numbers of points; one is fixed, none means
	// any from 3 to MaxPoints. DefaultPoints holds after *RST.
	Points        []int `yaml:"points"`
	MaxPoints     int   `yaml:"max_points"`
	DefaultPoints int   `yaml:"default_points"`
	// RBW is "1-3-10", "1-2-3-5", "1-2-5" or "any"; requests are moved to the
	// nearest step between RBWMin and RBWMax without a word.
	RBW    string  `yaml:"rbw"`
	RBWMin float64 `yaml:"rbw_min_hz"`
	RBWMax float64 `yaml:"rbw_max_hz"`
	// AttenuationStep in dB, up to 70 dB.
	AttenuationStep float64 `yaml:"attenuation_step_db"`
	// SweepLaw is "swept" (k·span/RBW², k = SweepK) or "fft" (k/RBW whatever
	// the span). Retrace is the time between sweeps.
	SweepLaw string        `yaml:"sweep_law"`
	SweepK   float64       `yaml:"sweep_k"`
	Retrace  time.Duration `yaml:"retrace"`
	// Thermometer adds SYST:TEMP?, in degrees Celsius; the control command
	// "temperature" sets what it says, 35 at first.
	Thermometer bool `yaml:"thermometer"`
	// OutputTimer adds OUTP:TIM, in seconds, 0 for none: so long after it went on,
	// a source's output goes off by itself.
	OutputTimer bool `yaml:"output_timer"`
	// NoMarkers and NoPreamp remove those commands.
	NoMarkers bool `yaml:"no_markers"`
	NoPreamp  bool `yaml:"no_preamp"`
	// NoReadBack removes OUTP? and the source's other setting queries.
	NoReadBack bool `yaml:"no_read_back"`
}

func analyzerTraits(name string) Traits {
	return Traits{
		Name: name, Identity: "BENCH,VIRTUAL-ANALYZER,A0001,1.0", ReplyEnd: "lf", MaxLine: 4096,
		Errors: "next", OPCQuery: "correct", SweepBit: 3, OverloadBit: 3,
		TraceQuery: []string{"by-name"}, MaxHold: []string{"display-mode"},
		HoldForcesPositive: true,
		Detectors: map[string]string{"positive": "POSitive", "negative": "NEGative", "sample": "SAMPle",
			"normal": "NORMal", "rms": "RMS", "average": "AVERage"},
		ZeroSpan: []string{"span-0"},
		Formats:  []string{"ASC", "REAL,32", "REAL,64", "INT,32"}, ByteOrder: "NORM", Block: "definite",
		MaxPoints: 100001, DefaultPoints: 1001,
		RBW: "1-3-10", RBWMin: 1, RBWMax: 3e6, AttenuationStep: 5,
		SweepLaw: "swept", SweepK: 2.5, Retrace: time.Millisecond,
	}
}

func sourceTraits(name string) Traits {
	return Traits{
		Name: name, Identity: "BENCH,VIRTUAL-SOURCE,S0001,1.0", ReplyEnd: "lf", MaxLine: 1024,
		Errors: "next", OPCQuery: "correct", SweepBit: 1, OverloadBit: -1,
	}
}

var traitPresets = map[string]func() Traits{
	// The textbook analyzer: everything by the standard.
	"modern-opc": func() Traits { return analyzerTraits("modern-opc") },
	// The textbook analyzer whose sweep is an FFT.
	"modern-fft": func() Traits {
		t := analyzerTraits("modern-fft")
		t.SweepLaw = "fft"
		return t
	},
	// *OPC? answers at once; only *OPC and then *ESR? tells the truth.
	"esr-poll": func() Traits {
		t := analyzerTraits("esr-poll")
		t.OPCQuery = "immediate"
		t.TraceQuery = []string{"by-suffix"}
		t.MaxHold = []string{"trace-type"}
		t.HoldResendClears, t.HoldKeptByInit = true, true
		t.ReplyEnd = "crlf"
		t.SweepBit = -1
		t.AttenuationStep = 10
		t.Detectors = map[string]string{"positive": "POSitive", "negative": "NEGative", "sample": "SAMPle", "normal": "NORMal", "average": "AVERage"}
		t.ZeroSpan = []string{"span-0", "span-zero"}
		return t
	},
	// Traces as frequency and level pairs; completion by a status bit that is
	// 1 when done; hold as a state of the calculation.
	"xy-pairs": func() Traits {
		t := analyzerTraits("xy-pairs")
		t.TraceQuery = []string{"xy-pairs"}
		t.MaxHold = []string{"calc-state"}
		t.HoldKeptByInit, t.HoldForcesPositive = true, false
		t.OPCQuery = "immediate"
		t.SweepBit, t.SweepBitDone = 8, true
		t.Errors = "all"
		t.ByteOrder = "SWAP"
		t.Formats = []string{"ASC", "REAL,32", "REAL,64"}
		t.Detectors = map[string]string{"positive": "POSitive", "sample": "SAMPle", "rms": "RMS", "average": "AVERage"}
		t.ZeroSpan = []string{"span-0", "keyword"}
		return t
	},
	// ASCII alone, fixed points, no way to know when the sweep is done.
	"ascii-only": func() Traits {
		t := analyzerTraits("ascii-only")
		t.TraceQuery = []string{"by-number"}
		t.MaxHold = []string{"trace-operation"}
		t.Formats = []string{"ASC"}
		t.FixedByteOrder = true
		t.OPCQuery = "absent"
		t.NoStatus, t.SweepBit, t.OverloadBit = true, -1, -1
		t.Points, t.DefaultPoints = []int{551}, 551
		t.OneCommand = true
		t.MaxLine = 256
		t.ReplyEnd = "crlf"
		t.Decimals = 2
		t.AttenuationStep = 10
		t.HoldResendClears = true
		t.Detectors = map[string]string{"positive": "POS", "negative": "NEG", "sample": "SAMP", "normal": "APE", "rms": "RMS", "voltage": "AVER"}
		t.NoUnit, t.FixedDBm = true, true
		return t
	},
	// Eight-byte little-endian numbers, a list of points, one client only.
	"swapped-real64": func() Traits {
		t := analyzerTraits("swapped-real64")
		t.Formats = []string{"REAL,64", "ASC"}
		t.BareReal = true
		t.ByteOrder, t.FixedByteOrder = "SWAP", true
		t.Points, t.DefaultPoints = []int{101, 201, 401, 601, 801, 1001, 2001, 4001, 8001}, 401
		t.MaxClients = 1
		t.RBW = "1-2-3-5"
		t.MaxHold = []string{"trace-type", "display-mode"}
		t.TraceQuery = []string{"by-name", "calc-data"}
		t.NoBlockEnd = true
		return t
	},
	// A handheld on a serial line: CR, echo, prompt, OK, traces over many lines.
	"handheld-serial": func() Traits {
		t := analyzerTraits("handheld-serial")
		t.ReplyEnd, t.Echo, t.Prompt, t.Ack, t.Nak = "cr", true, "> ", "OK", "ERR"
		t.OneCommand = true
		t.MaxLine = 128
		t.Errors, t.OPCQuery = "none", "absent"
		t.NoStatus, t.SweepBit, t.OverloadBit = true, -1, -1
		t.TraceQuery = []string{"bar-name"}
		t.MaxHold = []string{"display-mode"}
		t.Formats = []string{"ASC"}
		t.FixedByteOrder = true
		t.Points, t.DefaultPoints = []int{501}, 501
		t.Decimals, t.PerLine = 2, 26
		t.RBWMin, t.AttenuationStep = 100, 10
		t.Detectors = map[string]string{"positive": "POS", "negative": "NEG", "sample": "SAMP", "rms": "AVG"}
		t.NoUnit, t.FixedDBm, t.NoMarkers, t.NoPreamp = true, true, true, true
		t.MaxClients = 1
		return t
	},
	// The textbook source.
	"source-scpi": func() Traits { return sourceTraits("source-scpi") },
	// A source whose output goes off by itself when its timer has run out.
	"source-timer": func() Traits {
		t := sourceTraits("source-timer")
		t.OutputTimer = true
		return t
	},
	// A source that answers OK to every setting, one command to a line.
	"source-ack": func() Traits {
		t := sourceTraits("source-ack")
		t.Ack, t.Nak = "OK", "ERR"
		t.OneCommand = true
		t.ReplyEnd = "crlf"
		t.Errors = "none"
		t.OPCQuery = "absent"
		t.NoStatus, t.SweepBit = true, -1
		t.MaxClients = 1
		return t
	},
}

// TraitPresets lists the names that TraitPreset knows, in order.
func TraitPresets() []string {
	var names []string
	for n := range traitPresets {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}

// TraitPreset returns built-in traits.
func TraitPreset(name string) (Traits, error) {
	make, ok := traitPresets[name]
	if !ok {
		return Traits{}, fmt.Errorf("no traits %q are built in: there are %s", name, strings.Join(TraitPresets(), ", "))
	}
	return make(), nil
}

// LoadTraits reads traits from a strict YAML file; see ParseTraits.
func LoadTraits(file string, role Role) (Traits, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return Traits{}, fmt.Errorf("traits: %w", err)
	}
	return ParseTraits(file, data, role)
}

// ParseTraits reads traits from YAML text; errors name file and line. Keys left
// out are as in the preset named by the key base, by default "modern-opc" for an
// analyzer and "source-scpi" for a source.
func ParseTraits(file string, data []byte, role Role) (Traits, error) {
	var t Traits
	if _, err := world.Decode(file, data, &t); err != nil {
		return Traits{}, err
	}
	switch {
	case t.Base != "":
		base, err := TraitPreset(t.Base)
		if err != nil {
			return Traits{}, fmt.Errorf("%s: base: %w", file, err)
		}
		t = base
	case role == RoleSource:
		t = sourceTraits("")
	default:
		t = analyzerTraits("")
	}
	if _, err := world.Decode(file, data, &t); err != nil {
		return Traits{}, err
	}
	if err := t.check(role); err != nil {
		return Traits{}, fmt.Errorf("%s: %w", file, err)
	}
	return t, nil
}

func oneOf(key, value string, allowed ...string) error {
	if slices.Contains(allowed, value) {
		return nil
	}
	return fmt.Errorf("%s %q is unknown: use %s", key, value, strings.Join(allowed, ", "))
}

func allOf(key string, values []string, allowed ...string) error {
	if len(values) == 0 {
		return fmt.Errorf("%s is empty: give at least one of %s", key, strings.Join(allowed, ", "))
	}
	for _, v := range values {
		if err := oneOf(key, v, allowed...); err != nil {
			return err
		}
	}
	return nil
}

func (t *Traits) check(role Role) error {
	errs := []error{
		oneOf("reply_end", t.ReplyEnd, "lf", "crlf", "cr"),
		oneOf("error_query", t.Errors, "next", "all", "none"),
		oneOf("opc_query", t.OPCQuery, "correct", "immediate", "absent"),
	}
	if role == RoleAnalyzer {
		errs = append(errs,
			allOf("trace_query", t.TraceQuery, "by-name", "by-suffix", "by-number", "bar-name", "xy-pairs", "calc-data"),
			allOf("max_hold", t.MaxHold, "display-mode", "trace-type", "trace-operation", "calc-state"),
			allOf("zero_span", t.ZeroSpan, "span-0", "span-zero", "keyword"),
			allOf("formats", t.Formats, "ASC", "REAL,32", "REAL,64", "INT,32"),
			oneOf("byte_order", t.ByteOrder, "NORM", "SWAP"),
			oneOf("block", t.Block, "definite", "indefinite", "none"),
			oneOf("rbw", t.RBW, "1-3-10", "1-2-3-5", "1-2-5", "any"),
			oneOf("sweep_law", t.SweepLaw, "swept", "fft"),
		)
		has := func(q string) bool { return slices.Contains(t.TraceQuery, q) }
		if has("by-suffix") && (has("by-name") || has("by-number") || has("bar-name")) || has("calc-data") && has("xy-pairs") {
			errs = append(errs, fmt.Errorf("trace_query: %s share a header: leave one out", strings.Join(t.TraceQuery, ", ")))
		}
		for name := range t.Detectors {
			errs = append(errs, oneOf("detectors", name, "positive", "negative", "sample", "normal", "rms", "voltage", "log", "average"))
		}
		if len(t.Detectors) == 0 {
			errs = append(errs, fmt.Errorf("detectors is empty: map at least positive to a word"))
		}
		if t.SweepK <= 0 || t.RBWMin <= 0 || t.RBWMax < t.RBWMin || t.AttenuationStep <= 0 {
			errs = append(errs, fmt.Errorf("sweep_k, rbw_min_hz, rbw_max_hz and attenuation_step_db must be above zero and in order"))
		}
		if t.DefaultPoints < 3 || t.DefaultPoints > t.MaxPoints || t.MaxPoints > 1000001 {
			errs = append(errs, fmt.Errorf("default_points must lie between 3 and max_points, and max_points below 1000002"))
		}
		for _, p := range t.Points {
			if p < 3 {
				errs = append(errs, fmt.Errorf("points must be 3 or more, not %d", p))
			}
		}
	}
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
