package rest_test

import (
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// BenchmarkObserve is what a picture costs the sweep, with nobody listening
// and with as many as may, who read nothing.
func BenchmarkObserve(b *testing.B) {
	for name, listeners := range map[string]int{"nobody": 0, "64 listeners": 64} {
		b.Run(name, func(b *testing.B) {
			h := rest.NewHub()
			// The looks of 10,001 points are neither read nor copied here.
			p := sweep.Progress{Bench: "depot", Run: "r", State: sweep.Running, Capture: carrier(0, 10001, 5000, -40).Capture}
			for i := 0; b.Loop(); i++ {
				if i%rest.SubscriberBuffer == 0 {
					for range listeners {
						rest.Subscribe(h)
					}
				}
				h.Observe(p)
			}
		})
	}
}
