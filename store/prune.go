package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lidded/sweep"
)

// Candidate is a run whose traces may go.
type Candidate struct {
	Run   sweep.RunInfo
	Bytes int64 // of its traces
}

// Prunable lists the runs whose traces may leave the journal once there is an
// archive of each, in the order in which they were stored. A run that has not
// ended for good is not among them; nor is, per bench, the newest run that says
// something about a specimen, the newest completed one that does, and the newest
// completed run of each plan.
func (s *Store) Prunable(ctx context.Context) (list []Candidate, err error) {
	err = s.read(ctx, "list runs to prune", func(tx *sql.Tx) error {
		return each(ctx, tx, func(scan func(...any) error) (err error) {
			var c Candidate
			c.Run, err = scanInfo(scan, &c.Bytes)
			list = append(list, c)
			return err
		}, `SELECT (SELECT coalesce(sum(l.points * l.width), 0) FROM captures c JOIN looks l ON l.capture_n = c.n WHERE c.run_n = r.n), `+infoColumns+`
			FROM prunable p JOIN runs r ON r.n = p.run_n ORDER BY r.n`)
	})
	return list, err
}

// Prune lets the traces of a run go, in one transaction with the record of it:
// the rule, who let them go, and the results as they stood (p.Rule, p.Who,
// p.Software, p.Evaluation). There must be an archive of the run, which is read
// whole once more before. A run that is not Prunable is an *Error of KindKept.
// The file is no smaller until Shrink.
func (s *Store) Prune(ctx context.Context, id sweep.RunID, p Pruned) error {
	if s.w == nil {
		return s.write(ctx, "prune run", nil)
	}
	n, err := s.endedRow(ctx, id)
	if err != nil {
		return err
	}
	a, err := s.lastArchive(ctx, n, id)
	if errors.Is(err, sql.ErrNoRows) {
		return fmt.Errorf("run %s has no archive: make one first: %w", id, sweep.ErrConflict)
	}
	if err != nil {
		return err
	}
	s.sound.Clear()
	if _, err := s.locate(ctx, a); err != nil {
		return err
	}
	now := s.now().UTC()
	return s.write(ctx, "prune run", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO pruned (run_n, archive_n, rule, who, software, evaluation, pruned_ns)
			VALUES (?, (SELECT max(n) FROM archives WHERE run_n = ?), ?, ?, ?, ?, ?)`, n, n, p.Rule, p.Who, p.Software, string(p.Evaluation), now.UnixNano())
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM looks WHERE capture_n IN (SELECT n FROM captures WHERE run_n = ?)`, n); err != nil {
			return err
		}
		return insertKeeping(ctx, tx, id, sweep.Event{Time: now, Kind: "prune", Who: p.Who, Text: fmt.Sprintf("%s: its %d traces lie in %s, SHA-256 %s", p.Rule, a.Looks, a.Path, a.SHA256)})
	})
}

// Used returns how many bytes of the store hold something: its size without
// pages that are free.
func (s *Store) Used(ctx context.Context) (bytes int64, err error) {
	err = s.read(ctx, "measure", func(tx *sql.Tx) error {
		var pages, free, size int64
		err := errors.Join(
			tx.QueryRowContext(ctx, `PRAGMA page_count`).Scan(&pages),
			tx.QueryRowContext(ctx, `PRAGMA freelist_count`).Scan(&free),
			tx.QueryRowContext(ctx, `PRAGMA page_size`).Scan(&size))
		bytes = (pages - free) * size
		return err
	})
	return bytes, err
}

// vacuumPages is how many free pages are given back between two other writes.
const vacuumPages = 2000

// Shrink gives free pages back to the file system. A store made before it could
// is written anew once, which takes as much free disk again as it holds.
func (s *Store) Shrink(ctx context.Context) error {
	const op = "shrink"
	if err := s.open(op); err != nil {
		return err
	}
	if s.w == nil {
		return s.write(ctx, op, nil)
	}
	one := func(query string) (n int64, err error) {
		err = s.w.QueryRowContext(ctx, query).Scan(&n)
		return n, explain(op, s.path, interrupted(ctx, err))
	}
	do := func(query string) error {
		_, err := s.w.ExecContext(ctx, query)
		return explain(op, s.path, interrupted(ctx, err))
	}
	mode, err := one(`PRAGMA auto_vacuum`)
	if err != nil {
		return err
	}
	if mode == 0 {
		err = errors.Join(do(`PRAGMA auto_vacuum = incremental`), do(`VACUUM`))
	}
	for before := int64(-1); err == nil; {
		var free int64
		if free, err = one(`PRAGMA freelist_count`); err != nil || free == 0 || free == before {
			break
		}
		before = free
		err = do(fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, vacuumPages))
	}
	return errors.Join(err, do(`PRAGMA wal_checkpoint(TRUNCATE)`))
}
