package sweep

import (
	"lidded/driver/unit"
	"lidded/sweep/detect"
)

// Smeared is smeared.
func Smeared(f detect.Finding, by unit.DB) detect.Finding { return smeared(f, by) }
