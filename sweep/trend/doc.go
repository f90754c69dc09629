// Package trend says how a quantity in decibels, the shielding effectiveness of a
// specimen at one frequency or its reference level, behaves over runs: whether it
// changed, when and by how much, and how it drifts.
//
// A point is a value or a lower bound ("at least", right-censored). Bounds are
// neither left out nor taken for values: they enter the likelihood as what they
// say, so a series of bounds proves no change, and a value below an earlier bound
// proves a fall. Scatter from run to run is taken to be independent and normal in
// decibels (setting up again acts as a factor); it is estimated from the series
// itself, since most of a budget is common to all runs and cancels between them.
//
// It owns the statistics and the sentence that tells them. It reads no runs and
// keeps nothing; the same points give the same answer, simulation included.
package trend
