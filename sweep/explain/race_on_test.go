//go:build race

package explain_test

// underRace thins out checks that are pure arithmetic over millions of samples:
// the race detector makes them slow and has nothing to find in them.
const underRace = true
