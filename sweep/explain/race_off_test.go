//go:build !race

package explain_test

const underRace = false
