// Package instrument makes the roles of package driver out of a dialect and a
// link: it sends what the dialect says, reads what comes back, drains the error
// queue after every setting and turns every kind of failure into a
// *driver.Error.
//
// It owns the rules of a trustworthy conversation. A link on which anything
// went wrong (time-out, framing, an answer that cannot be understood) is given
// up at once and never read again, so that no late reply answers the next
// query; Recover dials anew, makes sure the same instrument answers, and
// re-applies what was set. A source comes back with its output off. An analyzer
// that is armed in max hold is left alone: its trace is what the job is for.
//
// It does not decide what to do about a failure (package engine does), knows no
// command (package dialect does) and reads no byte (packages link and scpi do).
package instrument
