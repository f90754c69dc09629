// Package explain sets what a run measured beside what its specimen should do,
// and says it in sentences, tables and figures: agreement region by region,
// hypotheses with their evidence, what may be inferred where nothing was
// measured, the protection code, and what is left of a pulse.
//
// It owns the passage from results of a run to points of a curve, the choice
// of frequencies to infer at, and the rendering as text and CSV. The physics
// are package wall's, the code is package requirement's. It is pure: no files,
// no clock.
package explain
