// Package uncertainty states how far a shielding effectiveness may be from the
// truth, after the Guide to the Expression of Uncertainty in Measurement
// (JCGM 100:2008, the GUM) and its supplement on the propagation of distributions
// by Monte Carlo (JCGM 101:2008).
//
// It owns the budget of a point (components on the reference and the enclosed side,
// what is common to both, effective degrees of freedom, expanded and one-sided
// figures), repeatability from repeats, mismatch limits, the entries of a bench with
// their defaults, and general measurement equations as far as the worked examples
// need them. It does not judge against a requirement (package requirement) nor
// bound a signal in noise (package detect). It does no I/O and keeps no state;
// Monte Carlo runs are repeatable, from a fixed start of the generator.
package uncertainty
