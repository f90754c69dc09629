// Package lab is the store that many benches share: one PostgreSQL database that
// holds what their journals hold, and the judgements of their runs.
//
// It owns the schema and its migrations, the roles, the partitions and their
// retention (Admin), the copying of one journal's records into it (Writer takes
// a batch, Shipper keeps on sending), and reading them back for one journal or
// for all (Reader, a sweep.Archive). The benches' own journals stay the truth:
// the lab is written by shipping alone, an older copy of it is filled up again
// from them, and nothing waits for it.
//
// It does not run anything, and never calls a bench.
package lab
