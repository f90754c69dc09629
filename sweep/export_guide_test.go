package sweep

import "lidded/sweep/detect"

// LawLearnt is how sweep times go by what a guide has seen.
func LawLearnt(run Run, caps ...Capture) (block bool, k float64) {
	g := NewGuide(run)
	for _, c := range caps {
		g.learnLaw(c)
	}
	return g.law.Kind == detect.BlockFFT, g.law.K
}
