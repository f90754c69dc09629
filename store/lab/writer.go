package lab

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/store"
	"lidded/sweep"
)

// Writer copies the batches of one journal into the lab over one connection. It
// is used by one goroutine; after an error it is closed and another is dialled.
type Writer struct {
	conn    *pgx.Conn
	conf    *pgx.ConnConfig
	journal string
	n       int // the journal's number in the lab
	months  map[time.Time]bool
}

// kept are the kinds of records of a batch with their tables.
var kept = []struct {
	table string
	from  []string
	rows  func(*store.Batch) [][]any
}{
	{"runs", store.RunColumns, func(b *store.Batch) [][]any { return b.Runs }},
	{"run_specimens", store.SpecimenColumns, func(b *store.Batch) [][]any { return b.Specimens }},
	{"captures", store.CaptureColumns, func(b *store.Batch) [][]any { return b.Captures }},
	{"looks", store.LookColumns, func(b *store.Batch) [][]any { return b.Looks }},
	{"keyings", store.KeyingColumns, func(b *store.Batch) [][]any { return b.Keyings }},
	{"keying_ends", store.EndColumns, func(b *store.Batch) [][]any { return b.Ends }},
	{"events", store.EventColumns, func(b *store.Batch) [][]any { return b.Events }},
}

// numbered are the tables whose rows name the journal.
var numbered = map[string]bool{"runs": true, "keyings": true, "events": true}

// Dial connects as a shipper of a journal and announces it to the lab.
func Dial(ctx context.Context, dsn, journal string) (*Writer, error) {
	conf, err := parse(dsn)
	if err != nil {
		return nil, err
	}
	conn, err := pgx.ConnectConfig(ctx, conf.Copy())
	if err != nil {
		return nil, explain("connect", conf, err)
	}
	w := &Writer{conn: conn, conf: conf, journal: journal, months: map[time.Time]bool{}}
	if err := w.prepare(ctx); err != nil {
		return nil, errors.Join(err, w.Close())
	}
	return w, nil
}

// Close ends the connection.
func (w *Writer) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	return w.conn.Close(ctx)
}

func (w *Writer) prepare(ctx context.Context) error {
	if err := checkVersion(ctx, w.conn, w.conf); err != nil {
		return err
	}
	for _, k := range kept {
		_, err := w.conn.Exec(ctx, fmt.Sprintf(`CREATE TEMPORARY TABLE coming_%s ON COMMIT DELETE ROWS AS SELECT %s FROM lidded.%s WITH NO DATA`, k.table, columns(k.from), k.table))
		if err != nil {
			return explain("make staging tables", w.conf, err)
		}
	}
	_, err := w.conn.Exec(ctx, `ALTER TABLE coming_looks ALTER COLUMN levels_dbm SET STORAGE EXTERNAL`)
	if err == nil {
		_, err = w.conn.Exec(ctx, `INSERT INTO lidded.journals (id) VALUES ($1) ON CONFLICT DO NOTHING`, w.journal)
	}
	if err == nil {
		err = w.conn.QueryRow(ctx, `SELECT n FROM lidded.journals WHERE id = $1`, w.journal).Scan(&w.n)
	}
	return explain("announce the journal", w.conf, err)
}

// Position is how far the lab has this journal.
func (w *Writer) Position(ctx context.Context) (store.Position, error) {
	p, err := w.position(ctx, w.conn, "")
	return p, explain("read position", w.conf, err)
}

func (w *Writer) position(ctx context.Context, q queryer, lock string) (p store.Position, err error) {
	err = q.QueryRow(ctx, `SELECT event_seq, coalesce(event_id::text, ''), keying_entry, open_entries FROM lidded.journals WHERE n = $1 `+lock, w.n).
		Scan(&p.Event, &p.EventID, &p.Entry, &p.Open)
	return p, err
}

// Apply takes a batch in, whole or not at all, and returns where the lab then
// stands. A batch that does not begin where the lab stands, because it came
// already or the lab went back, changes nothing.
func (w *Writer) Apply(ctx context.Context, b store.Batch) (at store.Position, err error) {
	if b.Journal != w.journal {
		return at, fmt.Errorf("a batch of journal %s came to the writer of %s", b.Journal, w.journal)
	}
	if err := w.makeMonths(ctx, &b); err != nil {
		return at, explain("make partitions", w.conf, err)
	}
	err = pgx.BeginFunc(ctx, w.conn, func(tx pgx.Tx) error {
		if at, err = w.position(ctx, tx, "FOR UPDATE"); err != nil {
			return err
		}
		if !same(at, b.From) {
			return nil
		}
		for _, k := range kept {
			if err := w.take(ctx, tx, k.table, k.from, k.rows(&b)); err != nil {
				return fmt.Errorf("%s: %w", k.table, err)
			}
		}
		if err := w.states(ctx, tx, &b); err != nil {
			return fmt.Errorf("states: %w", err)
		}
		at = b.To
		_, err := tx.Exec(ctx, `UPDATE lidded.journals SET event_seq = $2, event_id = nullif($3, '')::uuid, keying_entry = $4, open_entries = $5, shipped_at = now() WHERE n = $1`,
			w.n, at.Event, at.EventID, at.Entry, append([]int64{}, at.Open...))
		return err
	})
	return at, explain("take records in", w.conf, err)
}

func same(a, b store.Position) bool {
	return a.Event == b.Event && a.EventID == b.EventID && a.Entry == b.Entry && slices.Equal(a.Open, b.Open)
}

// arrivalsLock orders the numbers that the lab gives by the commits that make
// them seen, so that a reader who asks for what came after a number misses none.
const arrivalsLock = 0x6c6964646564

// take copies rows into the staging table and from there what is new.
func (w *Writer) take(ctx context.Context, tx pgx.Tx, table string, from []string, rows [][]any) error {
	if len(rows) == 0 {
		return nil
	}
	if _, err := tx.CopyFrom(ctx, pgx.Identifier{"coming_" + table}, from, pgx.CopyFromRows(rows)); err != nil {
		return err
	}
	into, what := columns(from), columns(from)
	if numbered[table] {
		into, what = into+", journal", fmt.Sprintf("%s, %d", what, w.n)
	}
	order := ""
	switch table {
	case "keyings":
		order = " ORDER BY entry"
	case "events":
		order = " ORDER BY seq"
	}
	if order != "" {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, int64(arrivalsLock)); err != nil {
			return err
		}
	}
	_, err := tx.Exec(ctx, fmt.Sprintf(`INSERT INTO lidded.%s (%s) SELECT %s FROM coming_%s%s ON CONFLICT DO NOTHING`, table, into, what, table, order))
	return err
}

// states sets what changed of the runs, if they are this journal's.
func (w *Writer) states(ctx context.Context, tx pgx.Tx, b *store.Batch) error {
	var todo pgx.Batch
	for _, s := range b.States {
		todo.Queue(`UPDATE lidded.runs SET started_ns = $3, ended_ns = $4, analyzer = $5, source = $6, state = $7, reason = $8, step = $9, point = $10, captures = greatest(captures, $11)
			WHERE id = $1 AND journal = $2`, s.Run, w.n, s.Started, s.Ended, s.Analyzer, s.Source, s.State, s.Reason, s.Step, s.Point, s.Captures)
	}
	if len(b.Captures) > 0 {
		todo.Queue(`UPDATE lidded.run_specimens s SET enclosed = true FROM coming_captures c
			WHERE c.kind = '` + sweep.Enclosed.String() + `' AND s.run_id = c.run_id AND s.specimen = c.specimen AND NOT s.enclosed`)
	}
	if todo.Len() == 0 {
		return nil
	}
	return tx.SendBatch(ctx, &todo).Close()
}

// makeMonths sees to it that the months of a batch have partitions. It is a
// transaction of its own: the tables stay even if the batch does not.
func (w *Writer) makeMonths(ctx context.Context, b *store.Batch) error {
	for _, rows := range [][][]any{b.Events, b.Keyings, b.Ends} {
		for _, r := range rows { // kept_at stands second in all of them
			at := r[1].(time.Time)
			if err := w.makeMonth(ctx, at); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w *Writer) makeMonth(ctx context.Context, at time.Time) error {
	month := time.Date(at.Year(), at.Month(), 1, 0, 0, 0, 0, time.UTC)
	if w.months[month] {
		return nil
	}
	_, err := w.conn.Exec(ctx, `SELECT lidded.make_month($1)`, month)
	w.months[month] = err == nil
	return err
}

func columns(names []string) string {
	out := ""
	for i, n := range names {
		if i > 0 {
			out += ", "
		}
		out += pgx.Identifier{n}.Sanitize()
	}
	return out
}
