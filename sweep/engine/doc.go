// Package engine runs a plan on a bench: the state machine of a run, its
// checkpoints, hold points and faults, and the source that is off unless it
// must be on.
//
// It owns one bench's links and at most one run at a time. The states, the
// events and what follows from them are one table (machine.go, printed in
// states.md). One goroutine, Serve, owns the links and the run; every other
// method only hands it an event and waits for what comes of it.
//
// Promises, each with its test:
//
//   - The source is keyed in one place (transmitter.keyed), only for a settling
//     time and a look or a dwell, never outside what the bench may transmit,
//     with a ledger entry opened before and closed after, and read back both ways.
//   - It is read back as off before anything else at the start, at every hold
//     point, after every fault, and at the end, on a context that cancellation
//     does not reach.
//   - A point's captures and the checkpoint commit together; a run goes on after
//     the last committed point.
//   - A fault makes a point void after stated tries, or ends the run by a stated
//     rule (Rules); it never goes unsaid.
//
// It does not plan or judge (package sweep), store (package store), nor know
// commands and addresses (package instrument).
package engine
