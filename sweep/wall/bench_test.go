package wall_test

import (
	"math/rand/v2"
	"testing"

	"lidded/sweep/wall"
)

func BenchmarkExpect(b *testing.B) {
	m := model(b, ventedCase)
	freqs := logSpaced(10e3, 10e9, 100)
	for b.Loop() {
		m.Expect(wall.PlaneWave, freqs)
	}
}

func BenchmarkExplain(b *testing.B) {
	m := model(b, ventedCase)
	points := leak(soundAt(m, wall.PlaneWave, logSpaced(30e6, 1e9, 100), 0.5, rand.New(rand.NewPCG(1, 1))), slotLaw(0.25))
	for b.Loop() {
		m.Explain(points)
	}
}

func BenchmarkPulseBehind(b *testing.B) {
	curve := []wall.CurvePoint{{Freq: 10e3, SE: 20}, {Freq: 10e6, SE: 80}, {Freq: 1e9, SE: 80}}
	for b.Loop() {
		if _, err := wall.EarlyTime().Behind(curve, wall.PowerLaw); err != nil {
			b.Fatal(err)
		}
	}
}
