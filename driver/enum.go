package driver

import "fmt"

var detectorNames = [...]string{"unknown", "sample", "positive_peak", "power_average", "log_average", "voltage_average", "auto_peak", "negative_peak"}

// String gives the name used in files, in the store and over REST.
func (d Detector) String() string { return name(detectorNames[:], int(d)) }

// MarshalText writes the name.
func (d Detector) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the name.
func (d *Detector) UnmarshalText(text []byte) error {
	i, err := index("detector", detectorNames[:], string(text))
	*d = Detector(i)
	return err
}

var holdNames = [...]string{"unknown", "clear_write", "max_hold"}

// String gives the name used in files, in the store and over REST.
func (h HoldMode) String() string { return name(holdNames[:], int(h)) }

// MarshalText writes the name.
func (h HoldMode) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the name.
func (h *HoldMode) UnmarshalText(text []byte) error {
	i, err := index("trace mode", holdNames[:], string(text))
	*h = HoldMode(i)
	return err
}

func name(names []string, i int) string {
	if i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("%s(%d)", names[0], i)
}

func index(what string, names []string, text string) (int, error) {
	for i, n := range names {
		if n == text {
			return i, nil
		}
	}
	return 0, fmt.Errorf("unknown %s %q: known are %v", what, text, names[1:])
}
