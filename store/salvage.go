package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"

	"lidded/sweep"
)

// Salvaged counts the rows of one table that could be saved.
type Salvaged struct {
	Table string
	Saved int64
	Lost  int64 // rows, or stretches of numbers without one, that could not be read
}

// salvageTables are the tables in the order in which they can be filled, with
// the number that a row is found by.
var salvageTables = []struct{ name, key string }{
	{"runs", "n"}, {"run_specimens", "run_n"}, {"captures", "n"}, {"archives", "n"}, {"pruned", "run_n"}, {"looks", "n"},
	{"events", "seq"}, {"keyings", "entry"}, {"keying_ends", "entry"},
}

// Salvage saves what can still be read of a damaged store into a new one, which
// is whole in itself: a row is saved as it is or not at all, and only with what
// it belongs to. The damaged file is not changed. A file whose first page is
// gone cannot be read at all.
func Salvage(ctx context.Context, damaged, to string, o Options) (counts []Salvaged, err error) {
	const op = "salvage"
	if damaged, err = resolve(damaged); err != nil {
		return nil, err
	}
	if to, err = resolve(to); err != nil {
		return nil, err
	}
	if err := peek(damaged); err != nil {
		return nil, err
	}
	err = newFile(op, to, func(part string) (err error) {
		w, err := connect(part, false, false)
		if err != nil {
			return err
		}
		w.SetMaxOpenConns(1)
		defer func() { err = errors.Join(err, w.Close()) }()
		if err := migrate(ctx, w, part, o.clock()()); err != nil {
			return err
		}
		from, done, err := fullLength(damaged, part+".src")
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, done()) }()
		if _, err := w.ExecContext(ctx, `ATTACH ? AS src`, "file:"+(&url.URL{Path: from}).EscapedPath()+"?mode=ro"); err != nil {
			return err
		}
		if counts, err = salvage(ctx, w); err != nil {
			return err
		}
		for _, q := range []string{`DETACH src`, `PRAGMA journal_mode = delete`} {
			if _, err := w.ExecContext(ctx, q); err != nil {
				return err
			}
		}
		return check(ctx, w, part, "integrity_check", "foreign_key_check")
	})
	if err != nil {
		return counts, err
	}
	s, err := Open(ctx, to, o)
	if err != nil {
		return counts, err
	}
	var lost []string
	for _, c := range counts {
		if c.Lost > 0 {
			lost = append(lost, fmt.Sprintf("%d of %s", c.Lost, c.Table))
		}
	}
	text := "salvaged from " + damaged + ", everything could be read"
	if len(lost) > 0 {
		text = "salvaged from " + damaged + ", not read: " + strings.Join(lost, ", ")
	}
	return counts, errors.Join(s.Note(ctx, sweep.Event{Time: s.now(), Kind: "salvage", Text: text}), s.Close())
}

// fullLength gives a path to read a damaged file by. One that is shorter than
// its head says is refused whole by the database; of such a one it makes a copy
// that zeros make as long as it was, which done removes.
func fullLength(damaged, copyTo string) (path string, done func() error, err error) {
	none := func() error { return nil }
	data, err := os.Open(damaged)
	if err != nil {
		return "", none, err
	}
	defer data.Close()
	st, err := data.Stat()
	if err != nil {
		return "", none, err
	}
	// SQLite "Database File Format" 1.3: the page size at 16, the size in pages at 28.
	head := make([]byte, 32)
	if _, err := io.ReadFull(data, head); err != nil {
		return "", none, err
	}
	page := int64(binary.BigEndian.Uint16(head[16:]))
	if page == 1 {
		page = 65536
	}
	want := page * int64(binary.BigEndian.Uint32(head[28:]))
	if st.Size() >= want || want > 1<<44 {
		return damaged, none, nil
	}
	done = func() error { return discard(copyTo) }
	if err := copyFile(damaged, copyTo); err != nil {
		return "", none, errors.Join(err, done())
	}
	if err := os.Truncate(copyTo, want); err != nil {
		return "", none, errors.Join(err, done())
	}
	if exists(damaged + "-wal") {
		err = copyFile(damaged+"-wal", copyTo+"-wal")
	}
	return copyTo, done, err
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

func salvage(ctx context.Context, w *sql.DB) (counts []Salvaged, err error) {
	var tables int
	if err := w.QueryRowContext(ctx, `SELECT count(*) FROM src.sqlite_master WHERE name IN ('runs', 'captures', 'looks')`).Scan(&tables); err != nil {
		return nil, err
	}
	if tables != 3 {
		return nil, &Error{Op: "salvage", Kind: KindNotDatabase, Err: errors.New("it has no runs, captures or looks"), Hint: "name the damaged store itself"}
	}
	// Best effort: which journal it was. A new identifier stands there already.
	_, err = w.ExecContext(ctx, `UPDATE journal SET (id, created_ns) = (SELECT id, created_ns FROM src.journal) WHERE EXISTS (SELECT 1 FROM src.journal)`)
	if err != nil && ctx.Err() != nil {
		return nil, err
	}
	// The record of what was pruned comes as it was; its conditions held then.
	rules, err := dropTriggers(ctx, w, "pruned_may", "pruned_copied", "captures_of_pruned")
	if err != nil {
		return nil, err
	}
	for _, t := range salvageTables {
		c := Salvaged{Table: t.name}
		if err := salvageTable(ctx, w, t.name, t.key, &c); err != nil {
			return counts, fmt.Errorf("salvage %s: %w", t.name, err)
		}
		counts = append(counts, c)
	}
	for _, text := range rules {
		if _, err := w.ExecContext(ctx, text); err != nil {
			return counts, err
		}
	}
	return counts, nil
}

// dropTriggers takes triggers off and gives the text that puts them back.
func dropTriggers(ctx context.Context, w *sql.DB, names ...string) (text []string, err error) {
	for _, name := range names {
		var one string
		if err := w.QueryRowContext(ctx, `SELECT sql FROM main.sqlite_master WHERE type = 'trigger' AND name = ?`, name).Scan(&one); err != nil {
			return nil, err
		}
		if _, err := w.ExecContext(ctx, `DROP TRIGGER main.`+name); err != nil {
			return nil, err
		}
		text = append(text, one)
	}
	return text, nil
}

// salvageTable copies a table in stretches of numbers; one that cannot be read
// is halved until what cannot is a single number.
func salvageTable(ctx context.Context, w *sql.DB, table, key string, c *Salvaged) error {
	columns, err := commonColumns(ctx, w, table)
	if err != nil || columns == "" {
		return err // a table of a later version than the store's
	}
	last, err := lastNumber(ctx, w, table, key)
	if err != nil {
		return err
	}
	copyRange := func(from, to int64) (int64, error) {
		r, err := w.ExecContext(ctx, `INSERT INTO main.`+table+` (`+columns+`) SELECT `+columns+` FROM src.`+table+` WHERE `+key+` BETWEEN ? AND ? ORDER BY `+key, from, to)
		if err != nil {
			return 0, err
		}
		return r.RowsAffected()
	}
	var stretch func(from, to int64) error
	stretch = func(from, to int64) error {
		n, err := copyRange(from, to)
		switch {
		case err == nil:
			c.Saved += n
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case from == to:
			c.Lost++
			return nil
		}
		middle := from + (to-from)/2
		if err := stretch(from, middle); err != nil {
			return err
		}
		return stretch(middle+1, to)
	}
	if last < 1 {
		return nil
	}
	return stretch(1, last)
}

// lastNumber is the highest number of a table's rows, as far as it can be told:
// by its index, by what was given out, or by reading from its end.
func lastNumber(ctx context.Context, w *sql.DB, table, key string) (last int64, err error) {
	for _, q := range []string{
		`SELECT coalesce(max(` + key + `), 0) FROM src.` + table,
		`SELECT coalesce(max(seq), 0) FROM src.sqlite_sequence WHERE name = '` + table + `'`,
	} {
		var n int64
		if err := w.QueryRowContext(ctx, q).Scan(&n); err == nil {
			last = max(last, n)
		} else if ctx.Err() != nil {
			return 0, ctx.Err()
		}
	}
	if last == 0 && table == "looks" {
		// Not numbered by AUTOINCREMENT; a capture has hardly more looks than this.
		err := w.QueryRowContext(ctx, `SELECT coalesce(max(n), 0) * 64 FROM main.captures`).Scan(&last)
		if err != nil {
			return 0, err
		}
	}
	return last, nil
}

// commonColumns lists the columns that a table has both here and there; none if
// it is not there.
func commonColumns(ctx context.Context, w *sql.DB, table string) (string, error) {
	rows, err := w.QueryContext(ctx, `SELECT name FROM pragma_table_info(?, 'main') WHERE name IN (SELECT name FROM pragma_table_info(?, 'src')) ORDER BY cid`, table, table)
	if err != nil {
		return "", err
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return "", err
		}
		names = append(names, name)
	}
	return strings.Join(names, ", "), rows.Err()
}
