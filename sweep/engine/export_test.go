package engine

import (
	"lidded/driver/unit"
	"lidded/sweep"
)

// Allowed is the permission as it is asked at the key.
func Allowed(facts sweep.Bench, permit func(unit.Hz, unit.DBm) error, f unit.Hz, p unit.DBm) error {
	return (&transmitter{facts: facts, permit: permit}).allowed(f, p)
}
