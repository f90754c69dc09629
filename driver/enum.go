package driver

import "lidded/driver/word"

var detectorNames = word.List{"unknown", "sample", "positive_peak", "power_average", "log_average", "voltage_average", "auto_peak", "negative_peak"}

// String gives the name used in files, in the store and over REST.
func (d Detector) String() string { return detectorNames.Of(int(d)) }

// MarshalText writes the name.
func (d Detector) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the name.
func (d *Detector) UnmarshalText(text []byte) error {
	i, err := detectorNames.Find("detector", string(text))
	*d = Detector(i)
	return err
}

var holdNames = word.List{"unknown", "clear_write", "max_hold"}

// String gives the name used in files, in the store and over REST.
func (h HoldMode) String() string { return holdNames.Of(int(h)) }

// MarshalText writes the name.
func (h HoldMode) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the name.
func (h *HoldMode) UnmarshalText(text []byte) error {
	i, err := holdNames.Find("trace mode", string(text))
	*h = HoldMode(i)
	return err
}
