package store

import (
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"lidded/sweep"
)

// Position is how far a journal was read by whoever copies it elsewhere. Events
// are the thread: every write of a run leaves one, in the same transaction. The
// ledger has its own numbers.
type Position struct {
	Event   int64   // number of the last event read
	EventID string  // its identifier, "" before the first
	Entry   int64   // number of the last entry of the ledger read
	Open    []int64 // of the entries read, those without an end, rising
}

// Batch is what a journal holds between two positions, row by row as it is kept,
// each with the identifiers that are unique everywhere in place of the journal's
// own row numbers. The columns of each kind are those of the names' list.
type Batch struct {
	Journal  string // identifier of the journal
	From, To Position

	Runs, Specimens, Captures, Looks, Events, Keyings, Ends [][]any

	States  []RunState // of the runs in it, as of To
	Ended   []string   // runs that reached a final state in it
	Records int        // events and ledger entries
	Bytes   int        // of traces
	Away    int        // captures whose traces could not be read from their archive
}

// RunState is the part of a run that changes.
type RunState struct {
	Run              string
	Started, Ended   sql.NullInt64 // ns
	Analyzer, Source sql.NullString
	State, Reason    string
	Step, Point      int
	Captures         int
}

// Columns of a Batch, in the order of its rows.
var (
	RunColumns = []string{"id", "n", "run_time", "bench", "plan", "key", "operator", "door_cycle", "triggered_by", "software", "hand_read", "snapshot", "created_ns",
		"started_ns", "ended_ns", "analyzer", "source", "state", "reason", "step", "point"}
	SpecimenColumns = []string{"run_id", "place", "specimen"}
	CaptureColumns  = []string{"id", "run_time", "run_id", "seq", "step", "kind", "specimen", "position", "polarization", "repeat", "point", "freq_hz", "rung",
		"source_freq_hz", "source_level_dbm", "settings", "hold_sweeps", "held_sweeps", "hand_level_dbm", "hand_noise_dbm", "overload", "void", "begun_ns", "took_ns", "nominal_ns"}
	LookColumns   = []string{"run_time", "run_id", "seq", "look", "source_on", "start_hz", "stop_hz", "points", "width", "levels_dbm", "begun_ns", "took_ns"}
	EventColumns  = []string{"id", "kept_at", "seq", "run_id", "time_ns", "kind", "state", "step", "point", "text", "who", "extra"}
	KeyingColumns = []string{"id", "kept_at", "entry", "run_id", "step", "point", "freq_hz", "level_dbm", "on_ns"}
	EndColumns    = []string{"id", "kept_at", "off_ns", "not_confirmed"}
)

// Limits of a batch: it ends after the event that reaches one of them.
type Limits struct {
	Events int // none: 1000
	Bytes  int // of traces; none: 4 MiB
}

// Filled gives limits to what has none.
func (l Limits) Filled() Limits {
	if l.Events <= 0 {
		l.Events = 1000
	}
	if l.Bytes <= 0 {
		l.Bytes = 4 << 20
	}
	return l
}

// Head is the end of the journal.
type Head struct {
	Journal string
	At      Position  // Open is not filled
	Waiting time.Time // when the first record after the position asked about was written; zero: none
}

// Head tells where the journal ends, and since when what follows a position waits.
func (s *Store) Head(ctx context.Context, after Position) (h Head, err error) {
	err = s.read(ctx, "read journal's end", func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, `SELECT (SELECT id FROM journal), coalesce((SELECT max(seq) FROM events), 0), coalesce((SELECT max(entry) FROM keyings), 0)`).
			Scan(&h.Journal, &h.At.Event, &h.At.Entry)
		if err != nil {
			return err
		}
		var first sql.NullString
		err = tx.QueryRowContext(ctx, `SELECT min(id) FROM (SELECT * FROM (SELECT id FROM events WHERE seq > ? ORDER BY seq LIMIT 1)
			UNION ALL SELECT * FROM (SELECT id FROM keyings WHERE entry > ? ORDER BY entry LIMIT 1))`, after.Event, after.Entry).Scan(&first)
		if first.Valid {
			h.Waiting = TimeOf(first.String)
		}
		return err
	})
	return h, err
}

// Within tells whether whoever stands at a position has all of a run.
func (s *Store) Within(ctx context.Context, id sweep.RunID, at Position) (there bool, err error) {
	err = s.read(ctx, "read run", func(tx *sql.Tx) error {
		n, _, err := rowOf(ctx, tx, id)
		if err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) <= ? FROM events WHERE run_n = ?`, at.Event, n).Scan(&there)
	})
	return there, err
}

// TimeOf is the time in an identifier (RFC 9562, 5.7), to the millisecond, UTC.
func TimeOf(id string) time.Time {
	u, err := uuid.Parse(id)
	if err != nil {
		return time.Time{}
	}
	ms := int64(u[0])<<40 | int64(u[1])<<32 | int64(u[2])<<24 | int64(u[3])<<16 | int64(u[4])<<8 | int64(u[5])
	return time.UnixMilli(ms).UTC()
}

// After reads what follows a position, from one unchanging picture of the
// journal. A position that this journal never had, because an older copy of it
// was put in its place, is an *Error of KindWentBack.
func (s *Store) After(ctx context.Context, from Position, l Limits) (b Batch, err error) {
	l = l.Filled()
	r := reading{Batch: &b, limits: l, runs: map[int64]*readRun{}}
	b.From, b.To = from, from
	err = s.read(ctx, "read for shipping", func(tx *sql.Tx) error {
		r.tx = tx
		if err := tx.QueryRowContext(ctx, `SELECT id FROM journal`).Scan(&b.Journal); err != nil {
			return err
		}
		if err := s.known(ctx, tx, from); err != nil {
			return err
		}
		return errors.Join(r.events(ctx), r.ledger(ctx), r.states(ctx))
	})
	if err == nil {
		err = r.traces(ctx, s)
	}
	b.Records = len(b.Events) + len(b.Keyings) + len(b.Ends)
	return b, err
}

// known refuses a position that is not this journal's.
func (s *Store) known(ctx context.Context, tx *sql.Tx, at Position) error {
	if at.Event == 0 {
		return nil
	}
	var id string
	err := tx.QueryRowContext(ctx, `SELECT id FROM events WHERE seq = ?`, at.Event).Scan(&id)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if id == at.EventID {
		return nil
	}
	return &Error{Op: "read for shipping", Path: s.path, Kind: KindWentBack,
		Err:  fmt.Errorf("event %d was shipped as %s and is not in this journal", at.Event, at.EventID),
		Hint: "an older copy of the journal was put in its place: put the newer one back, or let the bench begin a new journal under another store path"}
}

// reading fills a batch.
type reading struct {
	*Batch
	tx     *sql.Tx
	limits Limits
	runs   map[int64]*readRun
	order  []int64
	away   []awayLooks
	coming int // bytes that archives will give, about
}

// readRun is a run that the batch touches.
type readRun struct {
	id       string
	time     time.Time
	first    int // of the captures in the batch; 0: none
	captures int // the last of them
}

// awayLooks are captures whose traces lie in an archive.
type awayLooks struct {
	of      *readRun
	run     int64
	archive RunArchive
	first   int
	last    int
}

func (r *reading) run(n int64, id string) *readRun {
	x := r.runs[n]
	if x == nil {
		x = &readRun{id: id, time: TimeOf(id)}
		r.runs[n] = x
		r.order = append(r.order, n)
	}
	return x
}

// readEvent is an event as it is kept, and what it committed.
type readEvent struct {
	seq, n          int64 // n: row of the run, 0: of none
	id, run, state  string
	back            string // run whose traces came back from an archive
	row             []any
	first, captures int
}

// events takes events, with what each of them committed, until the batch is full.
func (r *reading) events(ctx context.Context) error {
	var list []readEvent
	err := each(ctx, r.tx, func(scan func(...any) error) error {
		e, err := scanShipped(scan)
		list = append(list, e)
		return err
	}, `SELECT e.seq, e.id, e.run_n, r.id, e.time_ns, e.kind, e.state, e.step, e.point, e.text, e.who, e.extra
		FROM events e LEFT JOIN runs r ON r.n = e.run_n WHERE e.seq > ? ORDER BY e.seq LIMIT ?`, r.From.Event, r.limits.Events)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.n != 0 {
			x := r.run(e.n, e.run)
			if e.captures > 0 {
				if err := r.captures(ctx, x, e.n, e.first, e.captures); err != nil {
					return err
				}
				if x.first == 0 {
					x.first = e.first
				}
				x.captures = e.first + e.captures - 1
			}
			var st sweep.State
			if e.state != "" && st.UnmarshalText([]byte(e.state)) == nil && st.Final() {
				r.Ended = append(r.Ended, e.run)
			}
		}
		if e.back != "" {
			if err := r.again(ctx, e.back); err != nil {
				return err
			}
		}
		r.Events = append(r.Events, e.row)
		r.To.Event, r.To.EventID = e.seq, e.id
		if r.Bytes+r.coming >= r.limits.Bytes {
			break
		}
	}
	return nil
}

func scanShipped(scan func(...any) error) (e readEvent, err error) {
	var (
		kind, text, who   string
		step, point       int
		n, at             sql.NullInt64
		run, state, extra sql.NullString
	)
	if err := scan(&e.seq, &e.id, &n, &run, &at, &kind, &state, &step, &point, &text, &who, &extra); err != nil {
		return e, err
	}
	e.n, e.run, e.state = n.Int64, run.String, state.String
	kept := TimeOf(e.id)
	if n.Valid {
		kept = TimeOf(e.run)
	}
	if kind == "point" && n.Valid && extra.Valid {
		var c struct {
			First    int `json:"first_seq"`
			Captures int `json:"captures"`
		}
		if json.Unmarshal([]byte(extra.String), &c) == nil && c.First > 0 && c.Captures > 0 { // a note of that kind commits nothing
			e.first, e.captures = c.First, c.Captures
		}
	}
	if kind == "archive" && !n.Valid && extra.Valid {
		var b struct {
			Run  string
			Back bool
		}
		if json.Unmarshal([]byte(extra.String), &b) == nil && b.Back {
			e.back = b.Run
		}
	}
	e.row = []any{e.id, kept, e.seq, optional(run), whole(at), clean(kind), optional(state), step, point, clean(text), clean(who), cleanOptional(extra)}
	return e, nil
}

func (r *reading) captures(ctx context.Context, x *readRun, n int64, first, count int) error {
	last := first + count - 1
	err := each(ctx, r.tx, func(scan func(...any) error) error {
		var c captureCells
		var run string
		cells := c.cells()
		cells[1] = &run
		if err := scan(cells...); err != nil {
			return err
		}
		r.Captures = append(r.Captures, []any{c.c.ID, x.time, x.id, c.c.Seq, c.c.Step, c.kind, clean(c.c.At.Specimen), clean(c.c.At.Position), string(c.c.At.Polarization), c.c.At.Repeat,
			c.c.Point, float64(c.c.Freq), c.c.Rung, float64(c.c.SourceFreq), real(c.sourceLevel), clean(c.settings), c.c.HoldSweeps, c.c.HeldSweeps, real(c.hand), real(c.noise),
			c.c.Overload, clean(c.c.Void), whole(c.begun), int64(c.c.Took), int64(c.c.Nominal)})
		return nil
	}, `SELECT `+captureColumns+` FROM captures c JOIN runs r ON r.n = c.run_n WHERE c.run_n = ? AND c.seq BETWEEN ? AND ? ORDER BY c.seq`, n, first, last)
	if err != nil {
		return err
	}
	return r.traced(ctx, x, n, first, last)
}

// traced takes the traces of captures, or notes where they lie.
func (r *reading) traced(ctx context.Context, x *readRun, n int64, first, last int) error {
	p, pruned, err := prunedTo(ctx, r.tx, n)
	if err != nil {
		return err
	}
	if pruned {
		var all int64
		if err := r.tx.QueryRowContext(ctx, `SELECT count(*) FROM captures WHERE run_n = ?`, n).Scan(&all); err != nil {
			return err
		}
		r.coming += int(p.Archive.Bytes * int64(last-first+1) / max(1, all))
		p.Archive.Run = ""
		r.away = append(r.away, awayLooks{x, n, p.Archive, first, last})
		return nil
	}
	return r.looks(ctx, r.tx, x, n, first, last)
}

// again takes the traces of a run once more, which may have been away when its
// captures were shipped; whoever has them already leaves them out.
func (r *reading) again(ctx context.Context, id string) error {
	var n int64
	var last int
	err := r.tx.QueryRowContext(ctx, `SELECT n, coalesce((SELECT max(seq) FROM captures WHERE run_n = runs.n), 0) FROM runs WHERE id = ?`, id).Scan(&n, &last)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	if x := r.runs[n]; x != nil && x.first > 0 {
		last = x.first - 1 // the others come in this batch
	}
	if last == 0 {
		return nil
	}
	return r.traced(ctx, &readRun{id: id, time: TimeOf(id)}, n, 1, last)
}

func (r *reading) looks(ctx context.Context, tx *sql.Tx, x *readRun, n int64, first, last int) error {
	return each(ctx, tx, func(scan func(...any) error) error {
		var (
			seq, look, points, width int
			on                       bool
			start, stop              float64
			levels                   []byte
			begun                    sql.NullInt64
			took                     int64
		)
		if err := scan(&seq, &look, &on, &start, &stop, &points, &width, &levels, &begun, &took); err != nil {
			return err
		}
		if levels == nil {
			levels = []byte{}
		}
		r.Bytes += len(levels)
		r.Looks = append(r.Looks, []any{x.time, x.id, seq, look, on, start, stop, points, width, levels, whole(begun), took})
		return nil
	}, `SELECT c.seq, l.look, l.source_on, l.start_hz, l.stop_hz, l.points, l.width, l.levels_dbm, l.begun_ns, l.took_ns
		FROM captures c JOIN looks l ON l.capture_n = c.n WHERE c.run_n = ? AND c.seq BETWEEN ? AND ? ORDER BY c.seq, l.look`, n, first, last)
}

// traces reads those that lie in archives. One that is not to be had does not
// hold up the rest of the bench: it is counted.
func (r *reading) traces(ctx context.Context, s *Store) error {
	for _, a := range r.away {
		err := s.readArchive(ctx, a.archive, func(tx *sql.Tx) error { return r.looks(ctx, tx, a.of, a.run, a.first, a.last) })
		if KindOf(err) == KindAway {
			r.Away += a.last - a.first + 1
		} else if err != nil {
			return err
		}
	}
	return nil
}

// ledger takes entries whose run is known by the end of the batch, and ends.
func (r *reading) ledger(ctx context.Context) error {
	open := map[int64]bool{}
	for _, e := range r.From.Open {
		open[e] = true
	}
	r.To.Open = nil
	errWait := errors.New("its run is still to come")
	take := func(scan func(...any) error) error {
		var (
			entry, on   int64
			id          string
			run         sql.NullString
			step, point int
			freq, level float64
			off, began  sql.NullInt64
			not         sql.NullString
		)
		if err := scan(&entry, &id, &run, &step, &point, &freq, &level, &on, &off, &not, &began); err != nil {
			return err
		}
		if began.Int64 > r.To.Event {
			return errWait
		}
		kept := TimeOf(id)
		if !open[entry] {
			r.Keyings = append(r.Keyings, []any{id, kept, entry, optional(run), step, point, freq, level, on})
			r.To.Entry = entry
		}
		if off.Valid {
			r.Ends = append(r.Ends, []any{id, kept, off.Int64, clean(not.String)})
		} else {
			r.To.Open = append(r.To.Open, entry)
		}
		return nil
	}
	const rows = `SELECT k.entry, k.id, r.id, k.step, k.point, k.freq_hz, k.level_dbm, k.on_ns, e.off_ns, e.not_confirmed,
		(SELECT min(seq) FROM events v WHERE v.run_n = k.run_n)
		FROM keyings k LEFT JOIN keying_ends e ON e.entry = k.entry LEFT JOIN runs r ON r.n = k.run_n `
	for _, entry := range r.From.Open {
		if err := each(ctx, r.tx, take, rows+`WHERE k.entry = ?`, entry); err != nil {
			return err
		}
	}
	err := each(ctx, r.tx, take, rows+`WHERE k.entry > ? ORDER BY k.entry LIMIT ?`, r.From.Entry, r.limits.Events)
	if errors.Is(err, errWait) {
		return nil
	}
	return err
}

// states gives every run of the batch as it stood after its last event: the row
// as it is, if no later event changed it, and else what the events tell.
func (r *reading) states(ctx context.Context) error {
	for _, n := range r.order {
		x := r.runs[n]
		var (
			row                   = RunState{Run: x.id}
			bench, plan, operator string
			trigger, software     string
			snapshot              string
			key                   sql.NullString
			hand                  bool
			created, cycle        sql.NullInt64
			first, last           int64
		)
		err := r.tx.QueryRowContext(ctx, `SELECT bench, plan, key, operator, door_cycle, triggered_by, software, hand_read, snapshot, created_ns, started_ns, ended_ns, analyzer, source,
			state, reason, step, point, (SELECT min(seq) FROM events WHERE run_n = r.n), (SELECT max(seq) FROM events WHERE run_n = r.n) FROM runs r WHERE n = ?`, n).
			Scan(&bench, &plan, &key, &operator, &cycle, &trigger, &software, &hand, &snapshot, &created, &row.Started, &row.Ended, &row.Analyzer, &row.Source,
				&row.State, &row.Reason, &row.Step, &row.Point, &first, &last)
		if err != nil {
			return err
		}
		if last > r.To.Event {
			if err := r.back(ctx, n, &row); err != nil {
				return err
			}
		}
		row.Captures = x.captures
		row.Reason = clean(row.Reason)
		row.Analyzer.String, row.Source.String = clean(row.Analyzer.String), clean(row.Source.String)
		r.States = append(r.States, row)
		if first <= r.From.Event {
			continue
		}
		r.Runs = append(r.Runs, []any{x.id, n, x.time, clean(bench), clean(plan), cleanOptional(key), clean(operator), whole(cycle), clean(trigger), clean(software), hand, clean(snapshot), whole(created),
			whole(row.Started), whole(row.Ended), optional(row.Analyzer), optional(row.Source), row.State, row.Reason, row.Step, row.Point})
		err = each(ctx, r.tx, func(scan func(...any) error) error {
			var place int
			var name string
			err := scan(&place, &name)
			r.Specimens = append(r.Specimens, []any{x.id, place, clean(name)})
			return err
		}, `SELECT place, specimen FROM run_specimens WHERE run_n = ? ORDER BY place`, n)
		if err != nil {
			return err
		}
	}
	return nil
}

// back takes a run's row back to how it stood after the last event of the batch.
func (r *reading) back(ctx context.Context, n int64, row *RunState) error {
	row.Ended = sql.NullInt64{}
	var begun bool
	err := r.tx.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM events WHERE run_n = ? AND seq <= ? AND kind = 'begin')`, n, r.To.Event).Scan(&begun)
	if err != nil {
		return err
	}
	if !begun {
		row.Started, row.Analyzer, row.Source = sql.NullInt64{}, sql.NullString{}, sql.NullString{}
	}
	var first bool
	err = r.tx.QueryRowContext(ctx, `SELECT state, text, step, point, seq = (SELECT min(seq) FROM events WHERE run_n = ?1) FROM events
		WHERE run_n = ?1 AND seq <= ?2 AND kind = 'state' AND state IS NOT NULL ORDER BY seq DESC LIMIT 1`, n, r.To.Event).Scan(&row.State, &row.Reason, &row.Step, &row.Point, &first)
	if errors.Is(err, sql.ErrNoRows) {
		row.State, row.Reason = "unknown", ""
		err = nil
	}
	if first {
		row.Reason = "" // the event of a new run tells its trigger
	}
	if err != nil {
		return err
	}
	var extra sql.NullString
	err = r.tx.QueryRowContext(ctx, `SELECT extra FROM events WHERE run_n = ? AND seq <= ? AND kind IN ('point', 'step') AND extra IS NOT NULL ORDER BY seq DESC LIMIT 1`, n, r.To.Event).Scan(&extra)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	var said struct {
		Next *struct{ Step, Point int } `json:"next"`
	}
	if err == nil && json.Unmarshal([]byte(extra.String), &said) == nil && said.Next != nil {
		row.Step, row.Point = said.Next.Step, said.Next.Point
	}
	return err
}

// escape begins, in a text made for PostgreSQL, what such a text cannot hold.
const escape = '\u241b' // the symbol for escape

// clean makes a text one that PostgreSQL takes: valid UTF-8 without NUL. What an
// instrument garbled stands in it as the symbol for escape and two hexadecimal
// digits for each byte; Restored takes it back.
func clean(s string) string {
	if utf8.ValidString(s) && !strings.ContainsAny(s, "\x00"+string(escape)) {
		return s
	}
	var b strings.Builder
	for len(s) > 0 {
		c, n := utf8.DecodeRuneInString(s)
		if c == 0 || c == escape || c == utf8.RuneError && n == 1 {
			for _, x := range []byte(s[:n]) {
				fmt.Fprintf(&b, "%c%02x", escape, x)
			}
		} else {
			b.WriteString(s[:n])
		}
		s = s[n:]
	}
	return b.String()
}

// Shipped is a text as it stands in a Batch.
func Shipped(s string) string { return clean(s) }

// Restored is the text that was shipped.
func Restored(s string) string {
	if !strings.ContainsRune(s, escape) {
		return s
	}
	parts := strings.Split(s, string(escape))
	out := []byte(parts[0])
	for _, p := range parts[1:] {
		x, err := hex.DecodeString(p[:min(2, len(p))])
		if err != nil || len(x) == 0 {
			out = append(out, string(escape)+p...) // not ours
			continue
		}
		out = append(append(out, x[0]), p[2:]...)
	}
	return string(out)
}

func cleanOptional(s sql.NullString) any {
	return optional(sql.NullString{String: clean(s.String), Valid: s.Valid})
}

func optional(s sql.NullString) any {
	if !s.Valid {
		return nil
	}
	return s.String
}

func whole(n sql.NullInt64) any {
	if !n.Valid {
		return nil
	}
	return n.Int64
}

func real(n sql.NullFloat64) any {
	if !n.Valid {
		return nil
	}
	return n.Float64
}
