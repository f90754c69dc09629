// Package text writes a run's results as plain tables for a terminal.
//
// It is pure rendering: no colour, no measuring of the terminal, no evaluation.
// The relation is part of every SE: "= 67.5 ± 2.1" or "≥ 73.5".
package text
