package main

import (
	"strings"
	"testing"
)

// TestDecibel: both ways, and what cannot be meant is refused with the cure.
func TestDecibel(t *testing.T) {
	for _, c := range []struct {
		args []string
		code int
		says []string
	}{
		{[]string{"37"}, exitOK, []string{"37.0 dB: 1/70 of the field, 1/5,000 of the power", "20 dB is ten times less of a field"}},
		{[]string{"1/100"}, exitOK, []string{"1/100 of the field is 40.0 dB"}},
		{[]string{"1/100", "--power"}, exitOK, []string{"1/100 of the power is 20.0 dB"}},
		{[]string{"40", "--pulse", "50000"}, exitOK, []string{"500 V/m of 50,000 V/m remain"}},
		{[]string{"loud"}, exitUsage, []string{"write decibels (37 dB) or what is left"}},
		{[]string{"0 %"}, exitUsage, []string{"more than nothing"}},
		{[]string{"1/2", "--power", "--field"}, exitUsage, []string{"one or the other"}},
		{nil, exitUsage, []string{"needs decibels, or what is left"}},
	} {
		said := prints(t, c.code, append([]string{"decibel"}, c.args...)...)
		for _, want := range c.says {
			if !strings.Contains(said, want) {
				t.Errorf("%q says %q, not %q", c.args, said, want)
			}
		}
	}
}
