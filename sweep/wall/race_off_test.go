//go:build !race

package wall_test

const underRace = false
