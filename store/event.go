package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"

	"lidded/sweep"
)

// Note appends an event that changes nothing; see sweep.Journal. It may belong
// to no run, or to one that has ended.
func (s *Store) Note(ctx context.Context, e sweep.Event) error {
	return s.write(ctx, "note event", func(tx *sql.Tx) error {
		n, err := optionalRow(ctx, tx, e.Run)
		if err != nil {
			return err
		}
		if !n.Valid {
			return insertEvent(ctx, tx, nil, e)
		}
		return insertEvent(ctx, tx, &n.Int64, e)
	})
}

func insertEvent(ctx context.Context, tx *sql.Tx, run *int64, e sweep.Event) error {
	id, e1 := newID()
	at, e2 := nanos(e.Time)
	var extra sql.NullString
	var e3 error
	if e.Extra != nil {
		var b []byte
		b, e3 = json.Marshal(e.Extra)
		extra = sql.NullString{String: string(b), Valid: true}
	}
	if err := errors.Join(e1, e2, e3); err != nil {
		return err
	}
	state := ""
	if e.State != sweep.StateUnknown {
		state = e.State.String()
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO events (id, run_n, time_ns, kind, state, step, point, text, who, extra) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		id, run, at, e.Kind, text(state), e.Step, e.Point, e.Text, e.Who, extra)
	return err
}

// Events gives events after the number given, oldest first; see sweep.Archive.
func (s *Store) Events(ctx context.Context, run sweep.RunID, after int64, most int) (list []sweep.Event, err error) {
	var w where
	w.and("e.seq > ?", after)
	err = s.read(ctx, "list events", func(tx *sql.Tx) error {
		if run != "" {
			n, _, err := rowOf(ctx, tx, run)
			if err != nil {
				return err
			}
			w.and("e.run_n = ?", n)
		}
		return each(ctx, tx, func(scan func(...any) error) error {
			e, err := scanEvent(scan)
			list = append(list, e)
			return err
		}, `SELECT e.seq, r.id, e.time_ns, e.kind, e.state, e.step, e.point, e.text, e.who, e.extra
			FROM events e LEFT JOIN runs r ON r.n = e.run_n `+w.String()+` ORDER BY e.seq LIMIT ?`, w.with(limit(most))...)
	})
	return list, err
}

func scanEvent(scan func(...any) error) (sweep.Event, error) {
	var (
		e                 sweep.Event
		run, state, extra sql.NullString
		at                sql.NullInt64
	)
	err := scan(&e.Seq, &run, &at, &e.Kind, &state, &e.Step, &e.Point, &e.Text, &e.Who, &extra)
	if err != nil {
		return e, err
	}
	e.Run, e.Time = sweep.RunID(run.String), moment(at)
	if state.Valid {
		err = e.State.UnmarshalText([]byte(state.String))
	}
	return e, errors.Join(err, undocument(extra, &e.Extra))
}
