package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"lidded/sweep"
)

const infoColumns = `r.id, r.bench, r.plan, r.operator, r.door_cycle, r.triggered_by, r.key, r.software, r.hand_read, r.created_ns, r.started_ns, r.ended_ns,
	r.state, r.reason, r.step, r.point,
	(SELECT coalesce(max(seq), 0) FROM captures WHERE run_n = r.n),
	(SELECT json_group_array(specimen) FROM (SELECT specimen FROM run_specimens WHERE run_n = r.n ORDER BY place))`

func scanInfo(scan func(...any) error, more ...any) (sweep.RunInfo, error) {
	var (
		i                       sweep.RunInfo
		id, state, specimens    string
		key                     sql.NullString
		created, started, ended sql.NullInt64
		cycle                   sql.NullInt64
	)
	err := scan(append(more, &id, &i.Bench, &i.Plan, &i.Operator, &cycle, &i.Trigger, &key, &i.Software, &i.HandRead, &created, &started, &ended,
		&state, &i.Reason, &i.Checkpoint.Step, &i.Checkpoint.Point, &i.Captures, &specimens)...)
	if err != nil {
		return i, err
	}
	i.ID, i.Key = sweep.RunID(id), key.String
	if cycle.Valid {
		i.DoorCycle = &cycle.Int64
	}
	i.Created, i.Started, i.Ended = moment(created), momentOf(started), momentOf(ended)
	return i, errors.Join(i.State.UnmarshalText([]byte(state)), json.Unmarshal([]byte(specimens), &i.Specimens))
}

// Runs lists runs, newest first; see sweep.Archive.
func (s *Store) Runs(ctx context.Context, f sweep.RunFilter) (list []sweep.RunInfo, err error) {
	var w where
	w.equal("r.bench", f.Bench)
	w.equal("r.plan", f.Plan)
	if f.State != sweep.StateUnknown {
		w.equal("r.state", f.State.String())
	}
	if f.Specimen != "" {
		w.and("EXISTS (SELECT 1 FROM run_specimens p WHERE p.run_n = r.n AND p.specimen = ?)", f.Specimen)
	}
	err = s.read(ctx, "list runs", func(tx *sql.Tx) error {
		if f.Before != "" {
			n, _, err := rowOf(ctx, tx, f.Before)
			if err != nil {
				return err
			}
			w.and("r.n < ?", n)
		}
		return each(ctx, tx, func(scan func(...any) error) error {
			i, err := scanInfo(scan)
			list = append(list, i)
			return err
		}, `SELECT `+infoColumns+` FROM runs r `+w.String()+` ORDER BY r.n DESC LIMIT ?`, w.with(limit(f.Limit))...)
	})
	return list, err
}

// LatestRuns gives the newest run that says something about each specimen; see
// sweep.Archive.
func (s *Store) LatestRuns(ctx context.Context, bench, specimen string) (list []sweep.SpecimenRun, err error) {
	var w where
	w.equal("b.bench", bench)
	w.equal("p.specimen", specimen)
	w.and("b.state IN ('completed', 'stopped')")
	w.and("EXISTS (SELECT 1 FROM captures c WHERE c.run_n = b.n AND c.specimen = p.specimen AND c.kind = 'enclosed')")
	err = s.read(ctx, "list latest runs", func(tx *sql.Tx) error {
		return each(ctx, tx, func(scan func(...any) error) (err error) {
			var l sweep.SpecimenRun
			l.Run, err = scanInfo(scan, &l.Specimen)
			list = append(list, l)
			return err
		}, `SELECT l.specimen, `+infoColumns+` FROM (
				SELECT p.specimen AS specimen, max(b.n) AS n FROM run_specimens p JOIN runs b ON b.n = p.run_n `+w.String()+` GROUP BY p.specimen
			) l JOIN runs r ON r.n = l.n ORDER BY l.specimen`, w.with()...)
	})
	return list, err
}

// LastSuccess gives the newest completed run of the plan; see sweep.Archive.
func (s *Store) LastSuccess(ctx context.Context, bench, plan string) (i sweep.RunInfo, err error) {
	var w where
	w.equal("r.bench", bench)
	w.equal("r.plan", plan)
	w.and("r.state = 'completed'")
	w.and("r.hand_read = 0")
	err = s.read(ctx, "find last success", func(tx *sql.Tx) error {
		i, err = scanInfo(tx.QueryRowContext(ctx, `SELECT `+infoColumns+` FROM runs r `+w.String()+` ORDER BY r.n DESC LIMIT 1`, w.with()...).Scan)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("completed run of plan %q on bench %q: %w", plan, bench, sweep.ErrNoRun)
		}
		return err
	})
	return i, err
}
