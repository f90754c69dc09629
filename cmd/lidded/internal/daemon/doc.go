// Package daemon puts the parts together: a config, its dialects and
// requirement lines (Lab); the store, one engine per bench, REST, metrics and
// the schedule (Daemon); or the records of a lab and the daemons of its benches
// (LabServer).
//
// It owns the wiring and the life of the process's parts: in which order they
// start, that the sources are off before anything else, and that everything is
// waited for at the end. It decides nothing that another package decides.
package daemon
