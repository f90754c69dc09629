package lab

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lidded/driver/unit"
	"lidded/store"
	"lidded/sweep"
)

// Reader reads the lab. It implements sweep.Archive, over one journal or all.
//
// Over one journal, numbers and order are the journal's own. Over all, runs come
// newest first by the time in their identifiers, for a bench that was cut off
// brings old ones late; events and entries of the ledger come in the order in
// which they came in, by the lab's own numbers, unless a run is named. Benches
// come in side by side, so a number may be seen a moment after a higher one: who
// must miss nothing follows each journal by its own numbers.
type Reader struct {
	pool    *pgxpool.Pool
	known   *atomic.Bool // the schema was seen to be of our version
	journal string       // "" for all
}

var _ sweep.Archive = (*Reader)(nil)

// Open connects to the lab for reading. The role needs no more than lidded_read.
func Open(ctx context.Context, dsn string) (*Reader, error) {
	r, err := OpenLater(dsn)
	if err != nil {
		return nil, err
	}
	if err := r.Check(ctx); err != nil {
		r.pool.Close()
		return nil, err
	}
	return r, nil
}

// OpenLater is Open for a lab that may be away: it is reached, and its version
// looked at, when it is first needed.
func OpenLater(dsn string) (*Reader, error) {
	if _, err := parse(dsn); err != nil {
		return nil, err
	}
	pc, err := pgxpool.ParseConfig(dsn)
	if err != nil {
		return nil, errNoDSN()
	}
	tame(pc.ConnConfig)
	pc.ConnConfig.RuntimeParams["default_transaction_read_only"] = "on"
	pool, err := pgxpool.NewWithConfig(context.Background(), pc)
	if err != nil {
		return nil, explain("connect", pc.ConnConfig, err)
	}
	return &Reader{pool: pool, known: new(atomic.Bool)}, nil
}

// Check asks the lab whether it is there, and of this program's version.
func (r *Reader) Check(ctx context.Context) error {
	err := checkVersion(ctx, r.pool, r.pool.Config().ConnConfig)
	r.known.Store(err == nil)
	return err
}

// ready looks at the version once.
func (r *Reader) ready(ctx context.Context) error {
	if r.known.Load() {
		return nil
	}
	return r.Check(ctx)
}

// Close ends the connections, also those of readers made of it by Of.
func (r *Reader) Close() error {
	r.pool.Close()
	return nil
}

// Of is the reader of one journal, over the same connections.
func (r *Reader) Of(journal string) *Reader {
	return &Reader{pool: r.pool, known: r.known, journal: journal}
}

// terms collects the conditions of a query.
type terms struct {
	list []string
	args []any
}

// and adds a condition; each ? in it is the next argument.
func (t *terms) and(term string, args ...any) {
	for _, a := range args {
		t.args = append(t.args, a)
		term = strings.Replace(term, "?", fmt.Sprintf("$%d", len(t.args)), 1)
	}
	t.list = append(t.list, term)
}

func (t *terms) equal(column, value string) {
	if value != "" {
		t.and(column+" = ?", store.Shipped(value))
	}
}

func (t *terms) String() string {
	if len(t.list) == 0 {
		return ""
	}
	return " WHERE " + strings.Join(t.list, " AND ")
}

// limited is a LIMIT of a number; none or negative means all.
func limited(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" LIMIT %d", n)
}

// mine restricts to the reader's journal.
func (r *Reader) mine(t *terms, column string) {
	if r.journal != "" {
		t.and(column+" = (SELECT n FROM lidded.journals WHERE id = ?::uuid)", r.journal)
	}
}

// restoring takes texts back to what they were before they were shipped.
func restoring(scan store.Scan) store.Scan {
	return func(to ...any) error {
		if err := scan(to...); err != nil {
			return err
		}
		for _, t := range to {
			switch t := t.(type) {
			case *string:
				*t = store.Restored(*t)
			case *sql.NullString:
				t.String = store.Restored(t.String)
			}
		}
		return nil
	}
}

func (r *Reader) each(ctx context.Context, op string, f func(store.Scan) error, query string, args ...any) error {
	if err := r.ready(ctx); err != nil {
		return err
	}
	rows, err := r.pool.Query(ctx, query, args...)
	if err == nil {
		defer rows.Close()
		for err == nil && rows.Next() {
			err = f(restoring(rows.Scan))
		}
		if err == nil {
			err = rows.Err()
		}
	}
	return r.explain(op, err)
}

func (r *Reader) explain(op string, err error) error {
	return explain(op, r.pool.Config().ConnConfig, err)
}

func (r *Reader) one(ctx context.Context, op string, none error, scan func(store.Scan) error, query string, args ...any) error {
	if err := r.ready(ctx); err != nil {
		return err
	}
	err := scan(restoring(r.pool.QueryRow(ctx, query, args...).Scan))
	if errors.Is(err, pgx.ErrNoRows) {
		return none
	}
	return r.explain(op, err)
}

// found is the time of a run that the lab has, and its number in its journal.
func (r *Reader) found(ctx context.Context, id sweep.RunID) (n int64, at time.Time, err error) {
	none := fmt.Errorf("run %s: %w", id, sweep.ErrNoRun)
	if _, err := uuid.Parse(string(id)); err != nil {
		return 0, at, none
	}
	var t terms
	t.and("id = ?::uuid", string(id))
	r.mine(&t, "journal")
	err = r.one(ctx, "find run", none, func(scan store.Scan) error { return scan(&n, &at) }, `SELECT n, run_time FROM lidded.runs`+t.String(), t.args...)
	return n, at, err
}

// Run gives one run with its snapshot; see sweep.Archive.
func (r *Reader) Run(ctx context.Context, id sweep.RunID) (sweep.Run, error) {
	if _, _, err := r.found(ctx, id); err != nil {
		return sweep.Run{}, err
	}
	var t terms
	t.and("id = ?::uuid", string(id))
	return r.run(ctx, fmt.Sprintf("run %s", id), t)
}

// RunByKey finds a run by its idempotency key; see sweep.Archive.
func (r *Reader) RunByKey(ctx context.Context, bench, key string) (sweep.Run, error) {
	var t terms
	t.and("bench = ?", store.Shipped(bench))
	t.and("key = ?", store.Shipped(key))
	return r.run(ctx, fmt.Sprintf("key %q on bench %s", key, bench), t)
}

func (r *Reader) run(ctx context.Context, what string, t terms) (run sweep.Run, err error) {
	r.mine(&t, "journal")
	err = r.one(ctx, "read run", fmt.Errorf("%s: %w", what, sweep.ErrNoRun), func(scan store.Scan) (err error) {
		run, err = store.ScanRun(scan)
		return err
	}, `SELECT `+store.RunRow+` FROM lidded.runs`+t.String()+` ORDER BY id LIMIT 1`, t.args...)
	return run, err
}

const infoRow = `r.id, r.bench, r.plan, r.operator, r.door_cycle, r.triggered_by, r.key, r.software, r.hand_read, r.created_ns, r.started_ns, r.ended_ns,
	r.state, r.reason, r.step, r.point, r.captures,
	(SELECT coalesce(json_agg(s.specimen ORDER BY s.place), '[]')::text FROM lidded.run_specimens s WHERE s.run_id = r.id)`

// newest orders runs: by the journal's numbers, or by time.
func (r *Reader) newest(alias string) string {
	if r.journal != "" {
		return alias + ".n DESC"
	}
	return alias + ".id DESC"
}

// Runs lists runs, newest first; see sweep.Archive.
func (r *Reader) Runs(ctx context.Context, f sweep.RunFilter) (list []sweep.RunInfo, err error) {
	var t terms
	t.equal("r.bench", f.Bench)
	t.equal("r.plan", f.Plan)
	if f.State != sweep.StateUnknown {
		t.and("r.state = ?", f.State.String())
	}
	if f.Specimen != "" {
		t.and("EXISTS (SELECT FROM lidded.run_specimens p WHERE p.run_id = r.id AND p.specimen = ?)", store.Shipped(f.Specimen))
	}
	if f.Before != "" {
		n, _, err := r.found(ctx, f.Before)
		if err != nil {
			return nil, err
		}
		if r.journal != "" {
			t.and("r.n < ?", n)
		} else {
			t.and("r.id < ?::uuid", string(f.Before))
		}
	}
	r.mine(&t, "r.journal")
	err = r.each(ctx, "list runs", func(scan store.Scan) error {
		i, err := store.ScanInfo(scan)
		list = append(list, i)
		return err
	}, `SELECT `+infoRow+` FROM lidded.runs r`+t.String()+` ORDER BY `+r.newest("r")+limited(f.Limit), t.args...)
	return list, err
}

// LatestRuns gives the newest run that says something about each specimen; see
// sweep.Archive.
func (r *Reader) LatestRuns(ctx context.Context, bench, specimen string) (list []sweep.SpecimenRun, err error) {
	var t terms
	t.and("s.enclosed")
	t.and("b.state IN ('completed', 'stopped')")
	t.equal("b.bench", bench)
	t.equal("s.specimen", specimen)
	r.mine(&t, "b.journal")
	latest := `WITH latest AS (SELECT DISTINCT ON (s.specimen) s.specimen, b.id FROM lidded.run_specimens s JOIN lidded.runs b ON b.id = s.run_id` + t.String() + `
		ORDER BY s.specimen, ` + r.newest("b") + `)`
	if r.journal == "" && bench == "" && specimen == "" { // of the whole lab: from name to name, for each the newest
		latest = names("lidded.run_specimens", "specimen") + `, latest AS (SELECT names.specimen, l.id FROM names CROSS JOIN LATERAL (
			SELECT b.id FROM lidded.run_specimens s JOIN lidded.runs b ON b.id = s.run_id` + t.String() + ` AND s.specimen = names.specimen
			ORDER BY s.run_id DESC LIMIT 1) l)`
	}
	err = r.each(ctx, "list latest runs", func(scan store.Scan) (err error) {
		var l sweep.SpecimenRun
		l.Run, err = store.ScanInfo(scan, &l.Specimen)
		list = append(list, l)
		return err
	}, latest+` SELECT l.specimen, `+infoRow+` FROM latest l JOIN lidded.runs r ON r.id = l.id ORDER BY l.specimen COLLATE "C"`, t.args...)
	return list, err
}

// LastSuccess gives the newest completed run of the plan; see sweep.Archive.
func (r *Reader) LastSuccess(ctx context.Context, bench, plan string) (i sweep.RunInfo, err error) {
	var t terms
	t.equal("r.bench", bench)
	t.equal("r.plan", plan)
	t.and("r.state = 'completed'")
	t.and("NOT r.hand_read")
	r.mine(&t, "r.journal")
	err = r.one(ctx, "find last success", fmt.Errorf("completed run of plan %q on bench %q: %w", plan, bench, sweep.ErrNoRun), func(scan store.Scan) (err error) {
		i, err = store.ScanInfo(scan)
		return err
	}, `SELECT `+infoRow+` FROM lidded.runs r`+t.String()+` ORDER BY `+r.newest("r")+` LIMIT 1`, t.args...)
	return i, err
}

const captureRow = `c.id, c.run_id, c.seq, c.step, c.kind, c.specimen, c.position, c.polarization, c.repeat, c.point, c.freq_hz, c.rung, c.source_freq_hz, c.source_level_dbm,
	c.settings, c.hold_sweeps, c.held_sweeps, c.hand_level_dbm, c.hand_noise_dbm, c.overload, c.void, c.begun_ns, c.took_ns, c.nominal_ns`

// CaptureList gives a run's captures without their looks; see sweep.Archive.
func (r *Reader) CaptureList(ctx context.Context, id sweep.RunID, f sweep.CaptureFilter) (list []sweep.Capture, err error) {
	_, at, err := r.found(ctx, id)
	if err != nil {
		return nil, err
	}
	var t terms
	t.and("c.run_time = ?", at)
	t.and("c.run_id = ?::uuid", string(id))
	t.and("c.seq > ?", f.After)
	t.equal("c.specimen", f.Specimen)
	if f.Kind != sweep.StepUnknown {
		t.and("c.kind = ?", f.Kind.String())
	}
	err = r.each(ctx, "list captures", func(scan store.Scan) error {
		c, err := store.ScanCapture(scan)
		list = append(list, c)
		return err
	}, `SELECT `+captureRow+` FROM lidded.captures c`+t.String()+` ORDER BY c.seq`+limited(f.Limit), t.args...)
	return list, err
}

// Captures gives a run's captures with their traces; see sweep.Archive.
func (r *Reader) Captures(ctx context.Context, id sweep.RunID) (list []sweep.Capture, err error) {
	for c, err := range r.EachCapture(ctx, id) {
		if err != nil {
			return nil, err
		}
		list = append(list, c)
	}
	return list, nil
}

// EachCapture gives a run's captures one by one; see sweep.Archive. It holds a
// connection until the loop ends.
func (r *Reader) EachCapture(ctx context.Context, id sweep.RunID) iter.Seq2[sweep.Capture, error] {
	return r.CapturesAfter(ctx, id, 0)
}

// CapturesAfter is EachCapture from the first capture with a higher Seq on.
func (r *Reader) CapturesAfter(ctx context.Context, id sweep.RunID, seq int) iter.Seq2[sweep.Capture, error] {
	return func(yield func(sweep.Capture, error) bool) {
		_, at, err := r.found(ctx, id)
		if err == nil {
			var t terms
			t.and("c.run_time = ?", at)
			t.and("c.run_id = ?::uuid", string(id))
			t.and("c.seq > ?", seq)
			some := seq > 0
			err = r.whole(ctx, func(c sweep.Capture) bool { some = true; return yield(c, nil) }, t)
			if err == nil && !some {
				err = r.dropped(ctx, id)
			}
		}
		if err != nil && !errors.Is(err, errEnough) {
			yield(sweep.Capture{}, err)
		}
	}
}

// dropped is an error for a run whose captures are gone, though it has some: their
// month was dropped, and a run without captures would be judged as one that found
// nothing.
func (r *Reader) dropped(ctx context.Context, id sweep.RunID) error {
	var had int
	err := r.one(ctx, "read captures", nil, func(scan store.Scan) error { return scan(&had) }, `SELECT captures FROM lidded.runs WHERE id = $1::uuid`, string(id))
	if err == nil && had > 0 {
		err = &Error{Op: "read captures", Where: place(r.pool.Config().ConnConfig), Err: errDropped,
			Hint: "the bench's own journal has them: ask its daemon; the views of SQL still have the specimens' summaries"}
	}
	return err
}

// errDropped is the cause of an error about records that are not kept any more.
var errDropped = errors.New("the captures of this run are not kept in the lab any more")

// Capture gives one capture with its traces; see sweep.Archive.
func (r *Reader) Capture(ctx context.Context, id string) (c sweep.Capture, err error) {
	none := fmt.Errorf("capture %s: %w", id, sweep.ErrNoCapture)
	if _, err := uuid.Parse(id); err != nil {
		return c, none
	}
	var t terms
	t.and("c.id = ?::uuid", id)
	if r.journal != "" {
		t.and("EXISTS (SELECT FROM lidded.runs u JOIN lidded.journals j ON j.n = u.journal WHERE u.id = c.run_id AND j.id = ?::uuid)", r.journal)
	}
	found := false
	err = r.whole(ctx, func(one sweep.Capture) bool { c, found = one, true; return true }, t)
	if err == nil && !found {
		err = none
	}
	return c, err
}

// errEnough ends a loop that the caller left.
var errEnough = errors.New("enough")

func (r *Reader) whole(ctx context.Context, give func(sweep.Capture) bool, t terms) error {
	var now sweep.Capture
	var enough bool
	err := r.each(ctx, "read captures", func(scan store.Scan) error {
		var (
			on            *bool
			start, stop   *float64
			points, width *int
			blob          []byte
			begun, took   *int64
		)
		c, err := store.ScanCapture(scan, &on, &start, &stop, &points, &width, &blob, &begun, &took)
		if err != nil {
			return err
		}
		if c.ID != now.ID {
			if now.ID != "" && !give(now) {
				enough = true
				return errEnough
			}
			now = c
		}
		if on == nil {
			return nil
		}
		l := sweep.Look{SourceOn: *on}
		l.Trace.Start, l.Trace.Stop, l.Trace.Took = unit.Hz(*start), unit.Hz(*stop), time.Duration(*took)
		if begun != nil {
			l.Trace.Begun = time.Unix(0, *begun).UTC()
		}
		if l.Trace.Levels, err = store.Unpack(blob, *width, *points); err != nil {
			return fmt.Errorf("capture %s: %w", now.ID, err)
		}
		now.Looks = append(now.Looks, l)
		return nil
	}, `SELECT `+captureRow+`, l.source_on, l.start_hz, l.stop_hz, l.points, l.width, l.levels_dbm, l.begun_ns, l.took_ns
		FROM lidded.captures c LEFT JOIN lidded.looks l ON l.run_time = c.run_time AND l.run_id = c.run_id AND l.seq = c.seq`+t.String()+` ORDER BY c.seq, l.look`, t.args...)
	if enough || err == nil && now.ID != "" && !give(now) {
		return errEnough
	}
	return err
}

// Events gives events after the number given, oldest first; see sweep.Archive.
func (r *Reader) Events(ctx context.Context, run sweep.RunID, after int64, limit int) (list []sweep.Event, err error) {
	number := "e.n"
	if r.journal != "" || run != "" {
		number = "e.seq"
	}
	var t terms
	t.and(number+" > ?", after)
	if run != "" {
		_, at, err := r.found(ctx, run)
		if err != nil {
			return nil, err
		}
		t.and("e.kept_at = ?", at)
		t.and("e.run_id = ?::uuid", string(run))
	}
	r.mine(&t, "e.journal")
	err = r.each(ctx, "list events", func(scan store.Scan) error {
		e, err := store.ScanEvent(scan)
		list = append(list, e)
		return err
	}, `SELECT `+number+`, e.run_id, e.time_ns, e.kind, e.state, e.step, e.point, e.text, e.who, e.extra FROM lidded.events e`+t.String()+` ORDER BY `+number+limited(limit), t.args...)
	return list, err
}

// Keyings gives entries of the ledger, oldest first; see sweep.Archive.
func (r *Reader) Keyings(ctx context.Context, f sweep.KeyingFilter) (list []sweep.Keying, err error) {
	number := "k.n"
	if r.journal != "" || f.Run != "" {
		number = "k.entry"
	}
	var t terms
	t.and(number+" > ?", f.After)
	if f.Bench != "" {
		t.and("EXISTS (SELECT FROM lidded.runs b WHERE b.id = k.run_id AND b.bench = ?)", store.Shipped(f.Bench))
	}
	if f.Open {
		t.and("e.id IS NULL")
	}
	if !f.From.IsZero() {
		t.and("k.on_ns >= ?", f.From.UnixNano())
	}
	if !f.To.IsZero() {
		t.and("k.on_ns < ?", f.To.UnixNano())
	}
	if f.Run != "" {
		if _, _, err := r.found(ctx, f.Run); err != nil {
			return nil, err
		}
		t.and("k.run_id = ?::uuid", string(f.Run))
	}
	r.mine(&t, "k.journal")
	err = r.each(ctx, "list ledger", func(scan store.Scan) error {
		k, err := store.ScanKeying(scan)
		list = append(list, k)
		return err
	}, `SELECT `+number+`, k.run_id, k.step, k.point, k.freq_hz, k.level_dbm, k.on_ns, e.off_ns, e.not_confirmed
		FROM lidded.keyings k LEFT JOIN lidded.keying_ends e ON e.id = k.id AND e.kept_at = k.kept_at`+t.String()+` ORDER BY `+number+limited(f.Limit), t.args...)
	return list, err
}
