// Package dialect turns a data file into the commands of one kind of
// instrument: how it is linked, what is sent for each setting and how the reply
// is read, how a sweep is started and known to have ended, what shape a trace
// has, and for a source how it is made safe.
//
// A dialect is data and deliberately not a language: templates with one typed
// placeholder, step lists, word lists and traits. Everything is checked when
// the file is loaded, so that a mistake is an error with file, line and column
// and not a surprise in mid-run. The format is described in
// configs/dialects/README.md.
//
// The package does no I/O beyond reading files and knows no instrument;
// addresses are in the bench's configuration, and package instrument does the
// talking.
package dialect
