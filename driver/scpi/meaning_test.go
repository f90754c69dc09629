package scpi_test

import (
	"strings"
	"testing"

	"lidded/driver/scpi"
)

// TestMeaning: the standard numbers by their class (SCPI-99 vol. 2 ch. 21.8, from
// memory), each with a cure; an instrument's own numbers mean nothing here.
func TestMeaning(t *testing.T) {
	for code, want := range map[int]string{
		-108: "more parameters", -113: "header", -190: "command error", -221: "conflicts", -222: "out of range", -299: "execution error",
		-310: "system error", -399: "fault of the instrument", -410: "interrupted", -420: "no question", -499: "query error", -500: "switched on", -350: "ran over",
	} {
		says, cure, ok := scpi.Meaning(code)
		if !ok || !strings.Contains(says, want) || cure == "" {
			t.Errorf("%d: %q, %q, %v; want %q", code, says, cure, ok, want)
		}
	}
	for _, code := range []int{0, 1, 350, -1, -99, -501, -1000} {
		if says, _, ok := scpi.Meaning(code); ok {
			t.Errorf("%d: %q", code, says)
		}
	}
}
