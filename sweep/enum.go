package sweep

import "lidded/driver/word"

var captureNames = word.List{"unknown", "linked", "sealed"}

// String gives the name used in files, in the store and over REST.
func (c CaptureMode) String() string { return captureNames.Of(int(c)) }

// MarshalText writes the name.
func (c CaptureMode) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the name.
func (c *CaptureMode) UnmarshalText(text []byte) error {
	i, err := captureNames.Find("capture mode", string(text))
	*c = CaptureMode(i)
	return err
}

var stateNames = word.List{"unknown", "pending", "running", "holding", "suspended", "stopping", "completed", "stopped", "aborted", "failed", "interrupted"}

// String gives the name used in files, in the store and over REST.
func (s State) String() string { return stateNames.Of(int(s)) }

// MarshalText writes the name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name.
func (s *State) UnmarshalText(text []byte) error {
	i, err := stateNames.Find("state", string(text))
	*s = State(i)
	return err
}

var stepNames = word.List{"unknown", "hold_point", "ambient", "reference", "enclosed", "closing_reference", "leakage", "linearity"}

// String gives the name used in files, in the store and over REST.
func (s StepKind) String() string { return stepNames.Of(int(s)) }

// MarshalText writes the name.
func (s StepKind) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name.
func (s *StepKind) UnmarshalText(text []byte) error {
	i, err := stepNames.Find("step", string(text))
	*s = StepKind(i)
	return err
}

var lidNames = word.List{"stays", "closes", "opens"}

// String gives the name used in files, in the store and over REST.
func (l LidMove) String() string { return lidNames.Of(int(l)) }

// MarshalText writes the name.
func (l LidMove) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// UnmarshalText reads the name.
func (l *LidMove) UnmarshalText(text []byte) error {
	i, err := lidNames.Find("lid move", string(text))
	*l = LidMove(i)
	return err
}

var fittingNames = word.List{"as_used", "receiver_terminated", "source_loaded", "step_attenuator", "source_level"}

// String gives the name used in files, in the store and over REST.
func (f Fitting) String() string { return fittingNames.Of(int(f)) }

// MarshalText writes the name.
func (f Fitting) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads the name.
func (f *Fitting) UnmarshalText(text []byte) error {
	i, err := fittingNames.Find("fitting", string(text))
	*f = Fitting(i)
	return err
}

var relationNames = word.List{"", "=", ">="}

// String gives the name used in files, in the store and over REST.
func (r Relation) String() string { return relationNames.Of(int(r)) }

// MarshalText writes the name.
func (r Relation) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the name.
func (r *Relation) UnmarshalText(text []byte) error {
	i, err := relationNames.Find("relation", string(text))
	*r = Relation(i)
	return err
}

// Final reports whether the state ends a run for good.
func (s State) Final() bool { return s >= Completed && s <= Failed }

// Busy reports whether a run in this state occupies its bench.
func (s State) Busy() bool { return s >= Pending && s <= Stopping }
