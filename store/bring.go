package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"strings"

	"lidded/sweep"
)

// BringBack takes runs back from an archive file: the traces of a run that was
// pruned here, after comparing the file's digest with what was recorded, or a
// whole run that is not here. A run that has its traces is ErrConflict. All of
// the file comes or nothing.
func (s *Store) BringBack(ctx context.Context, path string) (ids []sweep.RunID, err error) {
	const op = "bring back"
	if s.w == nil {
		return nil, s.write(ctx, op, nil)
	}
	if path, err = resolve(path); err != nil {
		return nil, err
	}
	from, err := openToCopy(ctx, path)
	if err != nil {
		return nil, err
	}
	err = from.Check(ctx)
	infos, e2 := from.Runs(ctx, sweep.RunFilter{})
	if err := errors.Join(err, e2, from.Close()); err != nil {
		return nil, err
	}
	sum, _, err := digest(path)
	if err != nil {
		return nil, explain(op, path, err)
	}
	conn, err := s.w.Conn(ctx)
	if err != nil {
		return nil, explain(op, s.path, err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, `ATTACH ? AS arc`, "file:"+(&url.URL{Path: path}).EscapedPath()+"?mode=ro&immutable=1"); err != nil {
		return nil, explain(op, path, interrupted(ctx, err))
	}
	defer func() {
		_, derr := conn.ExecContext(context.WithoutCancel(ctx), `DETACH arc`)
		err = errors.Join(err, explain(op, path, derr))
	}()
	err = transaction(ctx, conn, func(tx *sql.Tx) error {
		for _, i := range infos {
			text := "the whole run came back from " + path
			n, _, err := rowOf(ctx, tx, i.ID)
			switch {
			case errors.Is(err, sweep.ErrNoRun):
				err = wholeBack(ctx, tx, i.ID)
			case err == nil:
				text = "its traces came back from " + path
				err = tracesBack(ctx, tx, n, i.ID, sum)
			}
			if err == nil {
				err = insertKeeping(ctx, tx, i.ID, sweep.Event{Time: s.now(), Kind: "archive", Text: text + ", SHA-256 " + sum, Extra: map[string]any{"run": i.ID, "back": true}})
			}
			if err != nil {
				return err
			}
			ids = append(ids, i.ID)
		}
		return nil
	})
	if err != nil {
		return nil, explain(op, s.path, err)
	}
	return ids, nil
}

// columns a row is copied by where its number is given anew.
const (
	looksCopied    = `look, source_on, start_hz, stop_hz, points, width, levels_dbm, begun_ns, took_ns`
	runsCopied     = `id, bench, plan, key, operator, door_cycle, triggered_by, software, hand_read, snapshot, created_ns, started_ns, ended_ns, analyzer, source, state, reason, step, point`
	capturesCopied = `id, seq, step, kind, specimen, position, polarization, repeat, point, freq_hz, rung, source_freq_hz, source_level_dbm, settings,
		hold_sweeps, held_sweeps, hand_level_dbm, hand_noise_dbm, overload, void, begun_ns, took_ns, nominal_ns`
	eventsCopied  = `id, time_ns, kind, state, step, point, text, who, extra`
	keyingsCopied = `id, step, point, freq_hz, level_dbm, on_ns`
)

// tracesBack puts the traces of a pruned run where they were.
func tracesBack(ctx context.Context, tx *sql.Tx, n int64, id sweep.RunID, sum string) error {
	p, pruned, err := prunedTo(ctx, tx, n)
	switch {
	case err != nil:
		return err
	case !pruned:
		return fmt.Errorf("run %s has its traces here: %w", id, sweep.ErrConflict)
	case p.Archive.SHA256 != sum:
		return fmt.Errorf("the file has the SHA-256 %s, recorded for run %s is %s: it is not the archive that was made, or it was changed: %w", sum, id, p.Archive.SHA256, sweep.ErrConflict)
	}
	if err := looksBack(ctx, tx, n); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM pruned WHERE run_n = ?`, n)
	return err
}

func looksBack(ctx context.Context, tx *sql.Tx, n int64) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO main.looks (capture_n, `+looksCopied+`)
		SELECT c.n, `+prefixed("l", looksCopied)+` FROM arc.looks l JOIN arc.captures a ON a.n = l.capture_n JOIN main.captures c ON c.id = a.id WHERE c.run_n = ?
		ORDER BY c.n, l.look`, n)
	return err
}

// wholeBack copies a run that is not here, with numbers of its own.
func wholeBack(ctx context.Context, tx *sql.Tx, id sweep.RunID) error {
	var n int64
	err := tx.QueryRowContext(ctx, `INSERT INTO main.runs (`+runsCopied+`) SELECT `+runsCopied+` FROM arc.runs WHERE id = ? RETURNING n`, string(id)).Scan(&n)
	if unique(err) {
		return fmt.Errorf("another run has the idempotency key of run %s on its bench: %w", id, sweep.ErrConflict)
	}
	if err != nil {
		return err
	}
	of := ` FROM arc.runs r JOIN arc.%s x ON x.run_n = r.n WHERE r.id = ? ORDER BY x.%s`
	for _, t := range []struct{ name, columns, order string }{
		{"run_specimens", "place, specimen", "place"}, {"captures", capturesCopied, "seq"}, {"events", eventsCopied, "seq"}, {"keyings", keyingsCopied, "entry"},
	} {
		_, err := tx.ExecContext(ctx, `INSERT INTO main.`+t.name+` (run_n, `+t.columns+`) SELECT ?, `+prefixed("x", t.columns)+fmt.Sprintf(of, t.name, t.order), n, string(id))
		if err != nil {
			return fmt.Errorf("copy %s: %w", t.name, err)
		}
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO main.keying_ends (entry, off_ns, not_confirmed)
		SELECT k.entry, e.off_ns, e.not_confirmed FROM arc.keying_ends e JOIN arc.keyings a ON a.entry = e.entry JOIN main.keyings k ON k.id = a.id WHERE k.run_n = ?`, n)
	if err != nil {
		return fmt.Errorf("copy keying_ends: %w", err)
	}
	return looksBack(ctx, tx, n)
}

// prefixed puts the name of a table before each of a list of columns.
func prefixed(table, columns string) string {
	names := strings.Split(columns, ",")
	for i, c := range names {
		names[i] = table + "." + strings.TrimSpace(c)
	}
	return strings.Join(names, ", ")
}
