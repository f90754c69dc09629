// Package scpi is the codec of instrument messages: it turns bytes from an
// instrument into numbers, texts, traces, block headers and error-queue
// entries, and values into the text a command needs.
//
// It owns the rules of IEEE 488.2 and SCPI-99 for response data, with the
// liberties real instruments take. It does no I/O, keeps no state and knows no
// command; links are in package link, commands in package dialect. It depends
// on the standard library alone.
//
// Section numbers of IEEE 488.2-1992 and SCPI-99 in the comments are from
// memory: check them against your copy.
package scpi
