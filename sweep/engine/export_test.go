package engine

import (
	"lidded/driver/unit"
	"lidded/sweep"
)

// Allowed is the permission asked at the key, for tests.
func Allowed(facts sweep.Bench, permit func(unit.Hz, unit.DBm) error, f unit.Hz, p unit.DBm) error {
	t := transmitter{facts: facts, permit: permit}
	return t.allowed(f, p)
}
