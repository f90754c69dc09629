// Package detect decides, from readings with the source on and off, whether a
// signal is there, how strong it may be, and how sure that is.
//
// It owns the statistics of analyzer noise for each detector, the detection
// thresholds, the upper and lower limits on a signal, the correction of a level
// near the noise, the capability before a run and the check of the ambient.
// Judge is the entry for an engine; the rest are the pieces it is made of.
//
// It does no I/O, keeps no state, and does not judge requirements (package
// requirement) nor instrument uncertainty (package uncertainty).
//
// Model. One look at Gaussian noise through the resolution filter has a power
// that is exponentially distributed with mean N; with a steady carrier of power
// S its double, 2P/N, is noncentral chi-squared with 2 degrees of freedom and
// noncentrality 2S/N (Rice, Bell Syst. Tech. J. 24 (1945) 46). Looks are
// independent; where they are not, give the effective number of looks
// (IndependentLooks, EffectiveLooks). Fractional numbers of looks are allowed
// everywhere.
//
// Ratios are linear power ratios (float64) unless the type is unit.DB. A
// function given values outside its domain returns NaN; Judge returns a Reason.
package detect
