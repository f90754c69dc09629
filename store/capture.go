package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"time"

	"lidded/driver/unit"
	"lidded/sweep"
)

// Commit appends captures and moves the checkpoint, in one transaction with the
// event that says so; see sweep.Journal. A capture without an identifier gets
// one; one that is stored already is ErrConflict, and so is a run that has
// ended.
func (s *Store) Commit(ctx context.Context, id sweep.RunID, next sweep.Checkpoint, captures ...sweep.Capture) error {
	rows := make([]captureRow, len(captures))
	for i, c := range captures {
		if c.Run != "" && c.Run != id {
			return fmt.Errorf("capture of run %s committed to run %s", c.Run, id)
		}
		row, err := newCaptureRow(c)
		if err != nil {
			return fmt.Errorf("run %s, capture %d of %d: %w", id, i+1, len(captures), err)
		}
		rows[i] = row
	}
	return s.write(ctx, "commit captures", func(tx *sql.Tx) error {
		n, err := openRow(ctx, tx, id)
		if err != nil {
			return err
		}
		var seq int
		if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM captures WHERE run_n = ?`, n).Scan(&seq); err != nil {
			return err
		}
		e := sweep.Event{Time: s.now(), Kind: "step", Step: next.Step, Point: next.Point}
		extra := map[string]any{"next": next}
		for i, row := range rows {
			if err := row.insert(ctx, tx, n, seq+1+i); err != nil {
				return err
			}
			if i == 0 {
				c := row.Capture
				e.Kind, e.Step, e.Point, e.Text = "point", c.Step, c.Point, c.Void
				extra["first_seq"], extra["captures"] = seq+1, len(rows)
			}
		}
		e.Extra = extra
		if _, err := tx.ExecContext(ctx, `UPDATE runs SET step = ?, point = ? WHERE n = ?`, next.Step, next.Point, n); err != nil {
			return err
		}
		return insertEvent(ctx, tx, &n, e)
	})
}

// captureRow is a capture made ready for its row.
type captureRow struct {
	sweep.Capture
	settings string
	begun    sql.NullInt64
	looks    []lookRow
}

type lookRow struct {
	begun sql.NullInt64
	blob  []byte
	width int
}

func newCaptureRow(c sweep.Capture) (captureRow, error) {
	row := captureRow{Capture: c}
	var err error
	if c.ID == "" {
		row.ID, err = newID()
	} else {
		err = checkID("capture", c.ID)
	}
	settings, e1 := json.Marshal(c.Settings)
	begun, e2 := nanos(c.Begun)
	errs := []error{err, e1, e2}
	row.settings, row.begun = string(settings), begun
	for _, l := range c.Looks {
		var lr lookRow
		lr.begun, err = nanos(l.Trace.Begun)
		errs = append(errs, err)
		lr.blob, lr.width = pack(l.Trace.Levels)
		row.looks = append(row.looks, lr)
	}
	return row, errors.Join(errs...)
}

func (c captureRow) insert(ctx context.Context, tx *sql.Tx, run int64, seq int) error {
	res, err := tx.ExecContext(ctx, `INSERT INTO captures (id, run_n, seq, step, kind, specimen, position, polarization, repeat, point, freq_hz, rung,
		source_freq_hz, source_level_dbm, settings, hold_sweeps, held_sweeps, hand_level_dbm, hand_noise_dbm, overload, void, begun_ns, took_ns, nominal_ns)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		c.ID, run, seq, c.Step, c.Kind.String(), c.At.Specimen, c.At.Position, string(c.At.Polarization), c.At.Repeat, c.Point, float64(c.Freq), c.Rung,
		float64(c.SourceFreq), number(c.SourceLevel), c.settings, c.HoldSweeps, c.HeldSweeps, number(c.HandLevel), number(c.HandNoise), c.Overload, c.Void,
		c.begun, int64(c.Took), int64(c.Nominal))
	if unique(err) {
		return fmt.Errorf("capture %s is stored already: %w", c.ID, sweep.ErrConflict)
	}
	if err != nil {
		return err
	}
	n, err := res.LastInsertId()
	if err != nil || len(c.looks) == 0 {
		return err
	}
	put, err := tx.PrepareContext(ctx, `INSERT INTO looks (capture_n, look, source_on, start_hz, stop_hz, points, width, levels_dbm, begun_ns, took_ns) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`)
	if err != nil {
		return err
	}
	defer put.Close()
	for i, l := range c.looks {
		t := c.Looks[i].Trace
		_, err := put.ExecContext(ctx, n, i, c.Looks[i].SourceOn, float64(t.Start), float64(t.Stop), len(t.Levels), l.width, l.blob, l.begun, int64(t.Took))
		if err != nil {
			return err
		}
	}
	return nil
}

const captureColumns = `c.id, r.id, c.seq, c.step, c.kind, c.specimen, c.position, c.polarization, c.repeat, c.point, c.freq_hz, c.rung,
	c.source_freq_hz, c.source_level_dbm, c.settings, c.hold_sweeps, c.held_sweeps, c.hand_level_dbm, c.hand_noise_dbm, c.overload, c.void, c.begun_ns, c.took_ns, c.nominal_ns`

// captureCells are the cells of one row of captures.
type captureCells struct {
	c                        sweep.Capture
	kind, settings           string
	sourceLevel, hand, noise sql.NullFloat64
	begun                    sql.NullInt64
}

func (x *captureCells) cells() []any {
	c := &x.c
	return []any{&c.ID, (*string)(&c.Run), &c.Seq, &c.Step, &x.kind, &c.At.Specimen, &c.At.Position, (*string)(&c.At.Polarization), &c.At.Repeat, &c.Point, (*float64)(&c.Freq), &c.Rung,
		(*float64)(&c.SourceFreq), &x.sourceLevel, &x.settings, &c.HoldSweeps, &c.HeldSweeps, &x.hand, &x.noise, &c.Overload, &c.Void, &x.begun, (*int64)(&c.Took), (*int64)(&c.Nominal)}
}

func (x *captureCells) capture() (sweep.Capture, error) {
	c := x.c
	c.SourceLevel = numberOf[unit.DBm](x.sourceLevel)
	c.HandLevel, c.HandNoise = numberOf[unit.DBm](x.hand), numberOf[unit.DBm](x.noise)
	c.Begun = moment(x.begun)
	return c, errors.Join(c.Kind.UnmarshalText([]byte(x.kind)), json.Unmarshal([]byte(x.settings), &c.Settings))
}

// CaptureList gives a run's captures without their looks; see sweep.Archive.
func (s *Store) CaptureList(ctx context.Context, id sweep.RunID, f sweep.CaptureFilter) (list []sweep.Capture, err error) {
	var w where
	w.and("c.seq > ?", f.After)
	w.equal("c.specimen", f.Specimen)
	if f.Kind != sweep.StepUnknown {
		w.equal("c.kind", f.Kind.String())
	}
	err = s.read(ctx, "list captures", func(tx *sql.Tx) error {
		n, _, err := rowOf(ctx, tx, id)
		if err != nil {
			return err
		}
		w.and("c.run_n = ?", n)
		return each(ctx, tx, func(scan func(...any) error) error {
			var x captureCells
			if err := scan(x.cells()...); err != nil {
				return err
			}
			c, err := x.capture()
			list = append(list, c)
			return err
		}, `SELECT `+captureColumns+` FROM captures c JOIN runs r ON r.n = c.run_n `+w.String()+` ORDER BY c.seq LIMIT ?`, w.with(limit(f.Limit))...)
	})
	return list, err
}

// Captures gives a run's captures with their traces; see sweep.Archive.
func (s *Store) Captures(ctx context.Context, id sweep.RunID) (list []sweep.Capture, err error) {
	for c, err := range s.EachCapture(ctx, id) {
		if err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, nil
}

// EachCapture gives a run's captures one by one; see sweep.Archive. It holds a
// reading connection until the loop ends.
func (s *Store) EachCapture(ctx context.Context, id sweep.RunID) iter.Seq2[sweep.Capture, error] {
	return s.CapturesAfter(ctx, id, 0)
}

// CapturesAfter is EachCapture from the first capture with a higher Seq on. The
// traces of a run that was pruned come from its archive; an archive that cannot
// be read is an *Error of KindAway.
func (s *Store) CapturesAfter(ctx context.Context, id sweep.RunID, seq int) iter.Seq2[sweep.Capture, error] {
	return func(yield func(sweep.Capture, error) bool) {
		err := s.readTraces(ctx, "read captures", func(tx *sql.Tx) (int64, error) {
			n, _, err := rowOf(ctx, tx, id)
			return n, err
		}, func(tx *sql.Tx, n int64) error {
			return wholeCaptures(ctx, tx, func(c sweep.Capture) bool { return yield(c, nil) }, `c.run_n = ? AND c.seq > ?`, n, seq)
		})
		if err != nil && !errors.Is(err, errEnough) {
			yield(sweep.Capture{}, err)
		}
	}
}

// Capture gives one capture with its traces; see sweep.Archive.
func (s *Store) Capture(ctx context.Context, id string) (c sweep.Capture, err error) {
	err = s.readTraces(ctx, "read capture", func(tx *sql.Tx) (n int64, err error) {
		err = tx.QueryRowContext(ctx, `SELECT run_n FROM captures WHERE id = ?`, id).Scan(&n)
		if errors.Is(err, sql.ErrNoRows) {
			err = fmt.Errorf("capture %s: %w", id, sweep.ErrNoCapture)
		}
		return n, err
	}, func(tx *sql.Tx, _ int64) error {
		return wholeCaptures(ctx, tx, func(one sweep.Capture) bool { c = one; return true }, `c.id = ?`, id)
	})
	return c, err
}

// errEnough ends a loop that the caller left.
var errEnough = errors.New("enough")

// wholeCaptures reads captures and their looks in one pass and hands each on
// when it is whole, until give says no.
func wholeCaptures(ctx context.Context, tx *sql.Tx, give func(sweep.Capture) bool, term string, args ...any) error {
	var now sweep.Capture
	err := each(ctx, tx, func(scan func(...any) error) error {
		var (
			x             captureCells
			on            sql.NullBool
			start, stop   sql.NullFloat64
			points, width sql.NullInt64
			blob          sql.RawBytes
			begun, took   sql.NullInt64
		)
		if err := scan(append(x.cells(), &on, &start, &stop, &points, &width, &blob, &begun, &took)...); err != nil {
			return err
		}
		if x.c.ID != now.ID {
			if now.ID != "" && !give(now) {
				return errEnough
			}
			var err error
			if now, err = x.capture(); err != nil {
				return err
			}
		}
		if !on.Valid {
			return nil
		}
		levels, err := unpack(blob, int(width.Int64), int(points.Int64))
		if err != nil {
			return fmt.Errorf("capture %s: %w", now.ID, err)
		}
		l := sweep.Look{SourceOn: on.Bool}
		l.Trace.Start, l.Trace.Stop = unit.Hz(start.Float64), unit.Hz(stop.Float64)
		l.Trace.Levels, l.Trace.Begun, l.Trace.Took = levels, moment(begun), time.Duration(took.Int64)
		now.Looks = append(now.Looks, l)
		return nil
	}, `SELECT `+captureColumns+`, l.source_on, l.start_hz, l.stop_hz, l.points, l.width, l.levels_dbm, l.begun_ns, l.took_ns
		FROM captures c JOIN runs r ON r.n = c.run_n LEFT JOIN looks l ON l.capture_n = c.n
		WHERE `+term+` ORDER BY c.seq, l.look`, args...)
	if err == nil && now.ID != "" && !give(now) {
		return errEnough
	}
	return err
}
