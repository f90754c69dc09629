// Package recall keeps in a file what ended runs found, in short, so that a daemon
// need not judge them all again after a restart.
//
// It owns that file, an SQLite database beside the store. Nothing in it is
// evidence: the captures in the store are. Whoever removes it loses some
// computing time and nothing else. What another program than this one wrote, byte
// for byte, is not read but thrown away, and so is a file that cannot be read: what
// is found here is what this program would say again.
//
// It judges nothing, and decides nothing about runs that may still change: those
// do not belong here.
package recall
