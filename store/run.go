package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"lidded/driver"
	"lidded/sweep"
)

// Create stores a new run; see sweep.Journal.
func (s *Store) Create(ctx context.Context, r sweep.Run) error {
	if err := checkID("run", string(r.ID)); err != nil {
		return err
	}
	frozen := r
	frozen.State, frozen.Reason, frozen.Checkpoint = 0, "", sweep.Checkpoint{}
	frozen.Started, frozen.Ended = nil, nil
	frozen.Analyzer, frozen.Source = driver.Identity{}, driver.Identity{}
	snapshot, err := json.Marshal(frozen)
	if err != nil {
		return fmt.Errorf("run %s: %w", r.ID, err)
	}
	if err := json.Unmarshal(snapshot, new(sweep.Run)); err != nil {
		return fmt.Errorf("run %s could not be read back: %w", r.ID, err)
	}
	created, e1 := nanos(r.Created)
	started, e2 := nanosOf(r.Started)
	ended, e3 := nanosOf(r.Ended)
	analyzer, e4 := document(r.Analyzer)
	source, e5 := document(r.Source)
	if err := errors.Join(e1, e2, e3, e4, e5); err != nil {
		return fmt.Errorf("run %s: %w", r.ID, err)
	}
	return s.write(ctx, "create run", func(tx *sql.Tx) error {
		if err := taken(ctx, tx, r); err != nil {
			return err
		}
		res, err := tx.ExecContext(ctx, `INSERT INTO runs (id, bench, plan, key, operator, door_cycle, triggered_by, software, hand_read, snapshot,
			created_ns, started_ns, ended_ns, analyzer, source, state, reason, step, point)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			string(r.ID), r.Bench.Name, r.Plan.Name, text(r.Key), r.Operator, r.DoorCycle, r.Trigger, r.Software, r.HandRead, string(snapshot),
			created, started, ended, analyzer, source, r.State.String(), r.Reason, r.Checkpoint.Step, r.Checkpoint.Point)
		if err != nil {
			return err
		}
		n, err := res.LastInsertId()
		if err != nil {
			return err
		}
		for i, sp := range r.Specimens {
			if _, err := tx.ExecContext(ctx, `INSERT INTO run_specimens (run_n, place, specimen) VALUES (?, ?, ?)`, n, i, sp.Name); err != nil {
				return err
			}
		}
		return insertEvent(ctx, tx, &n, sweep.Event{Time: r.Created, Kind: "state", State: r.State, Text: r.Trigger, Who: r.Operator})
	})
}

// taken reports a run with the same identifier, or the same key on the bench.
func taken(ctx context.Context, tx *sql.Tx, r sweep.Run) error {
	var first string
	err := tx.QueryRowContext(ctx, `SELECT id FROM runs WHERE id = ? OR (key IS NOT NULL AND bench = ? AND key = ?)`, string(r.ID), r.Bench.Name, text(r.Key)).Scan(&first)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	case first == string(r.ID):
		return fmt.Errorf("run %s is stored already: %w", r.ID, sweep.ErrConflict)
	}
	return fmt.Errorf("run %s has the key %q on bench %s already: %w", first, r.Key, r.Bench.Name, sweep.ErrConflict)
}

// Begin notes identities and the starting time; see sweep.Journal. What the
// first Begin of a run noted stays the run's; a later one, of a resumed run, is
// kept as an event.
func (s *Store) Begin(ctx context.Context, r sweep.Run) error {
	at := s.now()
	if r.Started != nil {
		at = *r.Started
	}
	started, e1 := nanos(at)
	analyzer, e2 := document(r.Analyzer)
	source, e3 := document(r.Source)
	if err := errors.Join(e1, e2, e3); err != nil {
		return fmt.Errorf("run %s: %w", r.ID, err)
	}
	return s.write(ctx, "begin run", func(tx *sql.Tx) error {
		n, err := openRow(ctx, tx, r.ID)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE runs SET started_ns = coalesce(started_ns, ?), analyzer = coalesce(analyzer, ?), source = coalesce(source, ?) WHERE n = ?`,
			started, analyzer, source, n)
		if err != nil {
			return err
		}
		who := map[string]driver.Identity{"analyzer": r.Analyzer, "source": r.Source}
		return insertEvent(ctx, tx, &n, sweep.Event{Time: at, Kind: "begin", Step: r.Checkpoint.Step, Point: r.Checkpoint.Point, Extra: who})
	})
}

// Transition appends a state event and makes it the run's state; see
// sweep.Journal. A run that has ended is ErrConflict.
func (s *Store) Transition(ctx context.Context, id sweep.RunID, at time.Time, to sweep.State, reason, who string) error {
	when, err := nanos(at)
	if err != nil {
		return fmt.Errorf("run %s: %w", id, err)
	}
	if !to.Final() {
		when = sql.NullInt64{}
	}
	return s.write(ctx, "change state", func(tx *sql.Tx) error {
		n, err := openRow(ctx, tx, id)
		if err != nil {
			return err
		}
		var at0 sweep.Checkpoint
		err = tx.QueryRowContext(ctx, `UPDATE runs SET state = ?, reason = ?, ended_ns = coalesce(?, ended_ns) WHERE n = ? RETURNING step, point`,
			to.String(), reason, when, n).Scan(&at0.Step, &at0.Point)
		if err != nil {
			return err
		}
		return insertEvent(ctx, tx, &n, sweep.Event{Time: at, Kind: "state", State: to, Step: at0.Step, Point: at0.Point, Text: reason, Who: who})
	})
}

const runColumns = `snapshot, created_ns, started_ns, ended_ns, analyzer, source, state, reason, step, point`

func scanRun(scan func(...any) error) (sweep.Run, error) {
	var (
		r                       sweep.Run
		snapshot, state, reason string
		created, started, ended sql.NullInt64
		analyzer, source        sql.NullString
		at                      sweep.Checkpoint
	)
	err := scan(&snapshot, &created, &started, &ended, &analyzer, &source, &state, &reason, &at.Step, &at.Point)
	if err != nil {
		return r, err
	}
	err = json.Unmarshal([]byte(snapshot), &r)
	r.Created, r.Started, r.Ended = moment(created), momentOf(started), momentOf(ended)
	r.Reason, r.Checkpoint = reason, at
	return r, errors.Join(err, undocument(analyzer, &r.Analyzer), undocument(source, &r.Source), r.State.UnmarshalText([]byte(state)))
}

// Run gives one run with its snapshot; see sweep.Archive.
func (s *Store) Run(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	return s.oneRun(ctx, fmt.Sprintf("run %s", id), `id = ?`, string(id))
}

// RunByKey finds a run by its idempotency key; see sweep.Archive.
func (s *Store) RunByKey(ctx context.Context, bench, key string) (sweep.Run, error) {
	return s.oneRun(ctx, fmt.Sprintf("key %q on bench %s", key, bench), `bench = ? AND key = ?`, bench, text(key))
}

func (s *Store) oneRun(ctx context.Context, what, where string, args ...any) (r sweep.Run, err error) {
	err = s.read(ctx, "read run", func(tx *sql.Tx) error {
		r, err = scanRun(tx.QueryRowContext(ctx, `SELECT `+runColumns+` FROM runs WHERE `+where, args...).Scan)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("%s: %w", what, sweep.ErrNoRun)
		}
		return err
	})
	return r, err
}

// Unfinished lists, oldest first, the runs in a state that is neither final nor
// Interrupted.
func (s *Store) Unfinished(ctx context.Context) (runs []sweep.Run, err error) {
	var in []string
	for st := sweep.StateUnknown; st <= sweep.Interrupted; st++ {
		if !st.Final() && st != sweep.Interrupted {
			in = append(in, "'"+st.String()+"'")
		}
	}
	err = s.read(ctx, "list unfinished runs", func(tx *sql.Tx) error {
		return each(ctx, tx, func(scan func(...any) error) error {
			r, err := scanRun(scan)
			runs = append(runs, r)
			return err
		}, `SELECT `+runColumns+` FROM runs WHERE state IN (`+strings.Join(in, ", ")+`) ORDER BY n`)
	})
	return runs, err
}

// each calls f with the scanner of every row of a query.
func each(ctx context.Context, tx *sql.Tx, f func(scan func(...any) error) error, query string, args ...any) error {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}
