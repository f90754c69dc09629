package dialect

import "time"

// The types below are the file as written; compile.go turns them into a
// Dialect. Values with a unit are kept as text until their kind is known.

type file struct {
	Role        string                 `yaml:"role"`
	Summary     string                 `yaml:"summary"`
	Traits      []string               `yaml:"traits"`
	Link        linkFile               `yaml:"link"`
	Acknowledge *ackFile               `yaml:"acknowledge"`
	Identity    identityFile           `yaml:"identity"`
	Errors      *errorsFile            `yaml:"errors"`
	Status      statusFile             `yaml:"status"`
	Connect     stepsFile              `yaml:"connect"`
	Preset      stepsFile              `yaml:"preset"`
	Release     stepsFile              `yaml:"release"`
	Settings    map[string]settingFile `yaml:"settings"`
	MaxHold     *maxHoldFile           `yaml:"max_hold"`
	Sweep       *sweepFile             `yaml:"sweep"`
	Trace       *traceFile             `yaml:"trace"`
	Safe        *safeFile              `yaml:"safe"`
}

type linkFile struct {
	WriteEnd      string        `yaml:"write_end"`
	ReadEnd       string        `yaml:"read_end"`
	Echo          bool          `yaml:"echo"`
	Prompt        string        `yaml:"prompt"`
	Compound      bool          `yaml:"compound"`
	MaxLine       int           `yaml:"max_line_bytes"`
	MaxReply      int           `yaml:"max_reply_bytes"`
	MinGap        time.Duration `yaml:"min_gap"`
	AfterConnect  time.Duration `yaml:"after_connect"`
	DialTimeout   time.Duration `yaml:"dial_timeout"`
	WriteTimeout  time.Duration `yaml:"write_timeout"`
	FirstTimeout  time.Duration `yaml:"first_reply_timeout"`
	ReplyTimeout  time.Duration `yaml:"reply_timeout"`
	GapTimeout    time.Duration `yaml:"gap_timeout"`
	QuietOnResync time.Duration `yaml:"quiet_on_resync"`
}

type ackFile struct {
	OK      string `yaml:"ok"`
	Refused string `yaml:"refused"`
}

type identityFile struct {
	Query stepFile `yaml:"query"`
	Match string   `yaml:"match"`
	Fixed string   `yaml:"fixed"`
}

type errorsFile struct {
	None  bool     `yaml:"none"`
	Query stepFile `yaml:"query"`
	All   bool     `yaml:"all"`
	Event stepFile `yaml:"event"`
	Mask  *int     `yaml:"mask"`
}

type statusFile struct {
	Clear    stepsFile `yaml:"clear"`
	Event    stepFile  `yaml:"event"`
	PowerOn  *int      `yaml:"power_on_bit"`
	Overload *bitsFile `yaml:"overload"`

	Temperature *temperatureFile `yaml:"temperature"`
}

// temperatureFile asks for the instrument's own temperature.
type temperatureFile struct {
	Query stepFile `yaml:"query"`
	Unit  string   `yaml:"unit"`
}

type bitsFile struct {
	Query stepFile `yaml:"query"`
	Mask  int      `yaml:"mask"`
}

type settingFile struct {
	Set       stepsFile            `yaml:"set"`
	Get       stepFile             `yaml:"get"`
	Reply     string               `yaml:"reply"`
	Automatic stepsFile            `yaml:"automatic"`
	Zero      stepsFile            `yaml:"zero"`
	Words     map[string]wordsFile `yaml:"words"`
	Steps     map[string]stepsFile `yaml:"steps"`
	Values    []string             `yaml:"values"`
	Min       string               `yaml:"min"`
	Max       string               `yaml:"max"`
	AskMin    stepFile             `yaml:"ask_min"`
	AskMax    stepFile             `yaml:"ask_max"`
	Tolerance string               `yaml:"tolerance"`
	Fixed     string               `yaml:"fixed"`
}

type maxHoldFile struct {
	Clear          stepsFile `yaml:"clear"`
	ClearedBy      []string  `yaml:"cleared_by"`
	ForcesDetector bool      `yaml:"forces_detector"`
}

type sweepFile struct {
	Single     stepsFile    `yaml:"single"`
	Continuous stepsFile    `yaml:"continuous"`
	Start      stepsFile    `yaml:"start"`
	Stop       stepsFile    `yaml:"stop"`
	Freeze     stepsFile    `yaml:"freeze"`
	TimeLaw    *timeLawFile `yaml:"time_law"`
	Complete   completeFile `yaml:"complete"`
}

type timeLawFile struct {
	K         float64       `yaml:"k"`
	PerPoint  time.Duration `yaml:"per_point"`
	Minimum   time.Duration `yaml:"minimum"`
	ZeroSpan  time.Duration `yaml:"zero_span"`
	UsesVideo bool          `yaml:"uses_vbw"`
}

type completeFile struct {
	By      string        `yaml:"by"`
	Query   stepFile      `yaml:"query"`
	Send    stepFile      `yaml:"send"`
	Reply   string        `yaml:"reply"`
	Mask    int           `yaml:"mask"`
	Busy    *int          `yaml:"busy"`
	Every   time.Duration `yaml:"every"`
	First   time.Duration `yaml:"first_after"`
	Factor  float64       `yaml:"factor"`
	Plus    time.Duration `yaml:"plus"`
	Timeout time.Duration `yaml:"extra_timeout"`
}

type traceFile struct {
	Format     stepsFile `yaml:"format"`
	Query      stepsFile `yaml:"query"`
	Shape      string    `yaml:"shape"`
	Lines      int       `yaml:"lines"`
	Until      string    `yaml:"until"`
	Header     int       `yaml:"header_lines"`
	SkipFields int       `yaml:"skip_fields"`
	FirstIndex int       `yaml:"first_index"`
	Numbers    string    `yaml:"numbers"`
	Digits     int       `yaml:"digits"`
	Order      string    `yaml:"byte_order"`
	Block      string    `yaml:"block"`
	Separator  string    `yaml:"separator"`
	Columns    string    `yaml:"columns"`
	XUnit      string    `yaml:"x_unit"`
	Scale      *float64  `yaml:"scale"`
	Offset     float64   `yaml:"offset"`
	Missing    []string  `yaml:"missing"`
	Timeout    string    `yaml:"timeout"`
}

type safeFile struct {
	Send    stepsFile  `yaml:"send"`
	Confirm string     `yaml:"confirm"`
	Timer   *timerFile `yaml:"timer"`
}

// timerFile is a timer of the instrument's own that switches the output off.
type timerFile struct {
	Set     stepsFile     `yaml:"set"`
	Get     stepFile      `yaml:"get"`
	Longest time.Duration `yaml:"longest"`
}

// stepFile is one exchange; a plain text is the command alone.
type stepFile struct {
	Send    string        `yaml:"send"`
	Expect  string        `yaml:"expect"`
	Lines   int           `yaml:"lines"`
	Match   string        `yaml:"match"`
	Timeout time.Duration `yaml:"timeout"`
	Settle  time.Duration `yaml:"settle"`
}

// UnmarshalScalar takes a command alone.
func (s *stepFile) UnmarshalScalar(text string) error {
	s.Send = text
	return nil
}

// stepsFile is a list of exchanges; a plain text is a list of one command.
type stepsFile []stepFile

// UnmarshalScalar takes a command alone.
func (s *stepsFile) UnmarshalScalar(text string) error {
	*s = stepsFile{{Send: text}}
	return nil
}

// wordsFile is what is sent for one choice, and then every spelling read back;
// a plain text is a list of one.
type wordsFile []string

// UnmarshalScalar takes one word.
func (w *wordsFile) UnmarshalScalar(text string) error {
	*w = wordsFile{text}
	return nil
}
