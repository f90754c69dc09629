// Package practice holds how the standards measure: their frequency sets with
// antennas, field components, distances and rules, as plans that a person can
// take over, and the checks that go with them (size of the specimen, a
// frequency in each band, resonances of the cavity).
//
// It owns the preset format, the shipped presets, and how a plan of a config
// takes one over, avoids resonances or looks closely at them. It does not
// compile plans (package sweep does) and does not judge results. What a
// preset has from memory says so, wherever it is shown.
package practice
