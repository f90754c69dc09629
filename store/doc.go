// Package store keeps the bench's own journal in an SQLite file: runs, captures
// with their whole traces, events and the transmission ledger. It implements
// sweep.Journal and sweep.Archive.
//
// It owns the schema and its migrations, the durability of every write (WAL,
// full sync), the lock that keeps a second daemon out, backup, and the
// translation of the database's error codes into what an operator can do. It
// recomputes nothing: what a capture means is the domain's affair, and nothing
// here is ever rewritten.
//
// Traces may leave it, by one way: Archive copies a run to a file of its own,
// Prune lets its traces go, readers then get them from the archive, BringBack
// takes them back. Restore makes a store of a backup, Salvage of a damaged one.
//
// Times are kept as nanoseconds since 1970 UTC. Order is the order of storing,
// by rising numbers, never by the clock. A level that is not a number, behind a
// pointer, reads back as nil; in a trace it stays what it was.
package store
