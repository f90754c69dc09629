// Package link carries lines and blocks to and from one instrument over TCP or
// a serial port.
//
// It owns connecting, framing, time-outs and the rule that a link which failed
// once is never used again: after a time-out or a framing error every later
// call fails, so that a late reply can never answer the next query. The owner
// closes, dials anew, and checks the instrument's identity and settings; that
// part belongs to package instrument. link knows no command and interprets no
// reply. It is the only importer of go.bug.st/serial.
//
// Serial ports need a Unix system.
package link
