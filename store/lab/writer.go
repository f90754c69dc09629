package lab

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

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
	silence time.Duration
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
	w := &Writer{conn: conn, conf: conf, journal: journal, months: map[time.Time]bool{}, silence: silence}
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
	err := w.notice(ctx)
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
//
// Rows are copied straight into their tables. Should one of them be there
// already, as a run is that was brought back from another bench's archive, the
// batch comes by way of staging tables, and only what is new goes on.
func (w *Writer) Apply(ctx context.Context, b store.Batch) (at store.Position, err error) {
	if b.Journal != w.journal {
		return at, fmt.Errorf("a batch of journal %s came to the writer of %s", b.Journal, w.journal)
	}
	if err := w.makeMonths(ctx, &b); err != nil {
		return at, explain("make partitions", w.conf, err)
	}
	at, err = w.apply(ctx, &b, direct)
	var pg *pgconn.PgError
	if errors.As(err, &pg) && pg.Code == "23505" { // unique violation
		at, err = w.apply(ctx, &b, staged)
	}
	return at, explain("take records in", w.conf, err)
}

// taker copies rows into a table.
type taker func(ctx context.Context, tx pgx.Tx, table string, columns []string, rows [][]any) error

func (w *Writer) apply(ctx context.Context, b *store.Batch, take taker) (at store.Position, err error) {
	err = w.within(ctx, func(tx pgx.Tx) error {
		if at, err = w.position(ctx, tx, "FOR UPDATE"); err != nil {
			return err
		}
		if !same(at, b.From) {
			return nil
		}
		for _, k := range kept {
			rows, columns := k.rows(b), k.from
			if len(rows) == 0 {
				continue
			}
			if numbered[k.table] {
				rows, columns = w.signed(rows), append(slices.Clip(columns), "journal")
			}
			if err := take(ctx, tx, k.table, columns, rows); err != nil {
				return fmt.Errorf("%s: %w", k.table, err)
			}
		}
		at = b.To
		return w.states(ctx, tx, b)
	})
	return at, err
}

// signed adds the journal's number to rows.
func (w *Writer) signed(rows [][]any) [][]any {
	out := make([][]any, len(rows))
	for i, r := range rows {
		out[i] = append(slices.Clip(r), w.n)
	}
	return out
}

func direct(ctx context.Context, tx pgx.Tx, table string, columns []string, rows [][]any) error {
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"lidded", table}, columns, pgx.CopyFromRows(rows))
	return err
}

func staged(ctx context.Context, tx pgx.Tx, table string, columns []string, rows [][]any) error {
	names := list(columns)
	_, err := tx.Exec(ctx, fmt.Sprintf(`CREATE TEMPORARY TABLE coming_%s ON COMMIT DROP AS SELECT %s FROM lidded.%s WITH NO DATA`, table, names, table))
	if err == nil {
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"coming_" + table}, columns, pgx.CopyFromRows(rows))
	}
	if err == nil {
		_, err = tx.Exec(ctx, fmt.Sprintf(`INSERT INTO lidded.%s (%s) SELECT %s FROM coming_%s ON CONFLICT DO NOTHING`, table, names, names, table))
	}
	return err
}

func same(a, b store.Position) bool {
	return a.Event == b.Event && a.EventID == b.EventID && a.Entry == b.Entry && slices.Equal(a.Open, b.Open)
}

// states sets what changed of the runs, if they are this journal's, and where
// the lab now stands.
func (w *Writer) states(ctx context.Context, tx pgx.Tx, b *store.Batch) error {
	var todo pgx.Batch
	for _, s := range b.States {
		todo.Queue(`UPDATE lidded.runs SET started_ns = $3, ended_ns = $4, analyzer = $5, source = $6, state = $7, reason = $8, step = $9, point = $10, captures = greatest(captures, $11)
			WHERE id = $1 AND journal = $2`, s.Run, w.n, s.Started, s.Ended, s.Analyzer, s.Source, s.State, s.Reason, s.Step, s.Point, s.Captures)
	}
	for run, specimens := range enclosed(b.Captures) {
		todo.Queue(`UPDATE lidded.run_specimens SET enclosed = true WHERE run_id = $1 AND specimen = ANY ($2) AND NOT enclosed`, run, specimens)
	}
	todo.Queue(`UPDATE lidded.journals SET event_seq = $2, event_id = nullif($3, '')::uuid, keying_entry = $4, open_entries = $5, shipped_at = now() WHERE n = $1`,
		w.n, b.To.Event, b.To.EventID, b.To.Entry, append([]int64{}, b.To.Open...))
	return tx.SendBatch(ctx, &todo).Close()
}

// enclosed lists, by run, the specimens that something was captured through.
func enclosed(captures [][]any) map[string][]string {
	run, kind, specimen := slices.Index(store.CaptureColumns, "run_id"), slices.Index(store.CaptureColumns, "kind"), slices.Index(store.CaptureColumns, "specimen")
	out := map[string][]string{}
	for _, c := range captures {
		id, name := c[run].(string), c[specimen].(string)
		if c[kind] == sweep.Enclosed.String() && !slices.Contains(out[id], name) {
			out[id] = append(out[id], name)
		}
	}
	return out
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

func list(names []string) string {
	out := ""
	for i, n := range names {
		if i > 0 {
			out += ", "
		}
		out += pgx.Identifier{n}.Sanitize()
	}
	return out
}
