package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"lidded/sweep"
)

// KeyOn opens a ledger entry; see sweep.Journal. Off, OffNot and Entry of k are
// not looked at.
func (s *Store) KeyOn(ctx context.Context, k sweep.Keying) (entry int64, err error) {
	on, e1 := nanos(k.On)
	id, e2 := newID()
	if err := errors.Join(e1, e2); err != nil {
		return 0, fmt.Errorf("keying of run %s: %w", k.Run, err)
	}
	if !on.Valid {
		return 0, fmt.Errorf("keying of run %s has no time", k.Run)
	}
	err = s.write(ctx, "open ledger entry", func(tx *sql.Tx) error {
		n, err := optionalRow(ctx, tx, k.Run)
		if err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO keyings (id, run_n, step, point, freq_hz, level_dbm, on_ns) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			id, n, k.Step, k.Point, float64(k.Freq), float64(k.Level), on)
		if err != nil {
			return err
		}
		entry, err = res.LastInsertId()
		return err
	})
	return entry, err
}

// KeyOff closes a ledger entry; see sweep.Journal. An entry that is closed, or
// was never opened, is ErrConflict.
func (s *Store) KeyOff(ctx context.Context, entry int64, off time.Time, notConfirmed string) error {
	at, err := nanos(off)
	if err != nil {
		return fmt.Errorf("ledger entry %d: %w", entry, err)
	}
	if !at.Valid {
		return fmt.Errorf("end of ledger entry %d has no time", entry)
	}
	return s.write(ctx, "close ledger entry", func(tx *sql.Tx) error {
		var opened, closed bool
		err := tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM keyings WHERE entry = ?1), EXISTS (SELECT 1 FROM keying_ends WHERE entry = ?1)`, entry).Scan(&opened, &closed)
		switch {
		case err != nil:
			return err
		case !opened:
			return fmt.Errorf("ledger entry %d was never opened: %w", entry, sweep.ErrConflict)
		case closed:
			return fmt.Errorf("ledger entry %d is closed already: %w", entry, sweep.ErrConflict)
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO keying_ends (entry, off_ns, not_confirmed) VALUES (?, ?, ?)`, entry, at, notConfirmed)
		return err
	})
}

// Keyings gives entries of the ledger, oldest first; see sweep.Archive.
func (s *Store) Keyings(ctx context.Context, f sweep.KeyingFilter) (list []sweep.Keying, err error) {
	var w where
	w.and("k.entry > ?", f.After)
	w.equal("r.bench", f.Bench)
	if f.Open {
		w.and("e.entry IS NULL")
	}
	from, e1 := nanos(f.From)
	to, e2 := nanos(f.To)
	if err := errors.Join(e1, e2); err != nil {
		return nil, err
	}
	if from.Valid {
		w.and("k.on_ns >= ?", from)
	}
	if to.Valid {
		w.and("k.on_ns < ?", to)
	}
	err = s.read(ctx, "list ledger", func(tx *sql.Tx) error {
		if f.Run != "" {
			n, _, err := rowOf(ctx, tx, f.Run)
			if err != nil {
				return err
			}
			w.and("k.run_n = ?", n)
		}
		return each(ctx, tx, func(scan func(...any) error) error {
			k, err := scanKeying(scan)
			list = append(list, k)
			return err
		}, `SELECT k.entry, r.id, k.step, k.point, k.freq_hz, k.level_dbm, k.on_ns, e.off_ns, e.not_confirmed
			FROM keyings k LEFT JOIN keying_ends e ON e.entry = k.entry LEFT JOIN runs r ON r.n = k.run_n `+w.String()+` ORDER BY k.entry LIMIT ?`, w.with(limit(f.Limit))...)
	})
	return list, err
}

func scanKeying(scan func(...any) error) (sweep.Keying, error) {
	var (
		k       sweep.Keying
		run     sql.NullString
		on, off sql.NullInt64
		not     sql.NullString
	)
	err := scan(&k.Entry, &run, &k.Step, &k.Point, (*float64)(&k.Freq), (*float64)(&k.Level), &on, &off, &not)
	k.Run, k.On, k.Off, k.OffNot = sweep.RunID(run.String), moment(on), moment(off), not.String
	return k, err
}
