// Package between compares one specimen as measured on different benches: at each
// setting and frequency whether two claims agree within their stated uncertainties,
// and how the open reference levels of the benches differ, so that a bench whose
// path lost something is seen.
//
// Two values are compared by the En score with uncertainties that cover 95 %. A
// bound contradicts a value only where it stands above all that the value leaves
// open; two bounds never contradict each other, and bounds are never subtracted as
// if they were values. Some scores beyond 1 are expected by chance: their number is
// stated beside the number found.
//
// Readings are taken to be independent, as the score wants it. What two benches
// share, such as an antenna that was carried along, is known only as far as the runs
// state it, and it is said that the rest cannot be known.
//
// It owns the comparison and the sentences that tell it. It reads no runs and keeps
// nothing.
package between
