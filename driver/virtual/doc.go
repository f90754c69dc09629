// Package virtual is the virtual bench: a spectrum analyzer and a signal source,
// each a SCPI server of its own on loopback TCP and, on Linux, on a serial line
// (pty), in one simulated radio world with paths, enclosures, ambient carriers
// and thermal noise.
//
// It is an instrument, not a mock. Commands go through a parser of its own
// (internal/program), answers come from a simulated front end: noise by
// resolution bandwidth with the statistics of each detector (internal/noise),
// a Gaussian filter, sweeps that take k·span/RBW² of simulated time, compression
// and overload, oscillators that are off and drift. What the world looks like is
// data (package world); how an instrument talks is data too (Traits).
//
// The package owns the two instruments, their ports, simulated time, faults on
// demand and the truth behind the numbers. It knows nothing of plans, runs or
// dialect files, and shares no code with the drivers that talk to it.
//
//	w, err := virtual.Preset("depot")
//	b, err := virtual.Start(ctx, virtual.Config{World: w, Seed: 1, TimeScale: 480})
//	defer b.Close()
//	conn, err := net.Dial("tcp", b.AnalyzerAddr())
//
// The operator's hands are methods: Place, Enclose (Seal, Link), Open,
// Terminate, Load, Pad. The same hands are on a line-based control socket for scripts
// in any language; README.md lists its commands and every SCPI command.
//
// # Simulated time
//
// Sweeps and settling take simulated time, of which Config.TimeScale seconds
// pass in a real one. With Jump, time moves only by triggered sweeps, settling
// and Advance, and a measurement is repeatable to the last bit: the same world,
// seed and commands give the same data. With a finite scale the noise of a given
// sweep is still decided by the seed, but drift and intermittent carriers depend
// on when the sweep happened.
//
// Held and averaged traces are made when somebody looks: the sweeps since the
// last look are folded in by their exact distribution (the greatest of n
// exponential powers is one draw by the inverse of (1-exp(-x))^n), point by
// point against the timeline of what the source and the operator did, so that a
// night behind a closed lid costs milliseconds. Only whole sweeps count, and a
// source step in the middle of a sweep reaches only the points after it.
//
// # Simplifications
//
// Carriers that share a point add in power. A trace in average mode, or a
// minimum hold, folds at most 256 draws per look at it. Phase noise and
// intermodulation are not modelled. The points of one trace are correlated
// where they share a look, but held and folded traces are not.
package virtual
