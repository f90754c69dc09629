package detect_test

import (
	"fmt"
	"testing"

	"lidded/sweep/detect"
)

func BenchmarkCDF(b *testing.B) {
	for _, s := range []float64{0.5, 50, 5e4} {
		b.Run(fmt.Sprint("s=", s), func(b *testing.B) {
			for b.Loop() {
				detect.CDF(s+1, s, 20)
			}
		})
	}
}

func BenchmarkRatioCDF(b *testing.B) {
	for _, s := range []float64{0.5, 50, 5e4} {
		b.Run(fmt.Sprint("s=", s), func(b *testing.B) {
			for b.Loop() {
				detect.RatioCDF(s+1, s, 20, 20)
			}
		})
	}
}

func BenchmarkUpperLimit(b *testing.B) {
	for b.Loop() {
		detect.UpperLimitEstimated(detect.CLs, 0.95, 1.1, 20, 20)
	}
}

func BenchmarkJudge(b *testing.B) {
	for _, d := range detect.Detectors() {
		for _, margin := range []float64{0.5, 10, 40} {
			b.Run(fmt.Sprintf("%v/%g dB", d, margin), func(b *testing.B) {
				on := detect.Looks{Mean: lin(margin), N: 20, Detector: d}
				off := detect.Looks{Mean: 1, N: 20, Detector: d}
				rule := detect.DefaultRule(60)
				for b.Loop() {
					detect.Judge(on, off, rule)
				}
			})
		}
	}
}
