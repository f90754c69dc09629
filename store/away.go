package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"lidded/sweep"
)

// Pruned says what is known of a run whose traces lie in its archive alone.
type Pruned struct {
	Archive    RunArchive
	Rule       string          // by which the traces went
	Who        string          // who let them go
	Software   string          // that judged
	At         time.Time       // UTC
	Evaluation json.RawMessage // the results as they stood
}

// Pruned tells whether a run's traces lie in its archive alone, and where.
func (s *Store) Pruned(ctx context.Context, id sweep.RunID) (p Pruned, pruned bool, err error) {
	err = s.read(ctx, "read run", func(tx *sql.Tx) error {
		n, _, err := rowOf(ctx, tx, id)
		if err == nil {
			p, pruned, err = prunedTo(ctx, tx, n)
		}
		return err
	})
	p.Archive.Run = id
	return p, pruned, err
}

func prunedTo(ctx context.Context, tx *sql.Tx, n int64) (p Pruned, pruned bool, err error) {
	var at sql.NullInt64
	var evaluation string
	p.Archive, err = scanArchive(tx.QueryRowContext(ctx, `SELECT p.rule, p.who, p.software, p.pruned_ns, p.evaluation, `+archiveColumns+`
		FROM pruned p JOIN archives a ON a.n = p.archive_n WHERE p.run_n = ?`, n).Scan, "", &p.Rule, &p.Who, &p.Software, &at, &evaluation)
	if errors.Is(err, sql.ErrNoRows) {
		return p, false, nil
	}
	p.At, p.Evaluation = moment(at), json.RawMessage(evaluation)
	return p, err == nil, err
}

// places are where an archive's file may be: where it was made, beside the
// store, or in the folder of archives.
func (s *Store) places(a RunArchive) []string {
	name := filepath.Base(a.Path)
	list := []string{a.Path, filepath.Join(filepath.Dir(s.path), name)}
	if s.archives != "" {
		list = append(list, filepath.Join(s.archives, name))
	}
	return list
}

// Away lists the runs whose traces lie in archives alone and whose files are not
// to be found, or do not have the length that they were made with, and how many
// such runs there are altogether. The files are not read.
func (s *Store) Away(ctx context.Context) (away []RunArchive, all int, err error) {
	err = s.read(ctx, "list archives", func(tx *sql.Tx) error {
		return each(ctx, tx, func(scan func(...any) error) error {
			var id string
			a, err := scanArchive(scan, "", &id)
			a.Run = sweep.RunID(id)
			all++
			there := slices.ContainsFunc(s.places(a), func(p string) bool {
				st, err := os.Stat(p)
				return err == nil && st.Size() == a.Bytes
			})
			if !there {
				away = append(away, a)
			}
			return err
		}, `SELECT r.id, `+archiveColumns+` FROM pruned p JOIN archives a ON a.n = p.archive_n JOIN runs r ON r.n = p.run_n ORDER BY p.run_n`)
	})
	return away, all, err
}

// locate finds an archive's file. It is read whole once, and its digest compared.
func (s *Store) locate(ctx context.Context, a RunArchive) (string, error) {
	var errs []error
	for _, p := range s.places(a) {
		if !exists(p) {
			continue
		}
		if _, known := s.sound.Load(p + a.SHA256); known {
			return p, nil
		}
		sum, bytes, err := digest(p)
		if err == nil && sum != a.SHA256 {
			err = fmt.Errorf("%s has %d bytes and the SHA-256 %s, recorded are %d and %s", p, bytes, sum, a.Bytes, a.SHA256)
		}
		if err == nil {
			s.sound.Store(p+a.SHA256, true)
			return p, nil
		}
		errs = append(errs, err)
	}
	if ctx.Err() != nil {
		return "", ctx.Err()
	}
	if len(errs) == 0 {
		errs = append(errs, errors.New("the file is not there"))
	}
	return "", &Error{Op: "read the archive of run " + string(a.Run), Path: a.Path, Kind: KindAway, Err: errors.Join(errs...),
		Hint: "put the file back there, or beside the store; its results are kept here as they stood when it was made"}
}

// readArchive runs f over the archive of a run whose traces are not here.
func (s *Store) readArchive(ctx context.Context, a RunArchive, f func(*sql.Tx) error) error {
	path, err := s.locate(ctx, a)
	if err != nil {
		return err
	}
	db, err := connect(path, true, true)
	if err == nil {
		err = errors.Join(transaction(ctx, db, f), db.Close())
	}
	return explain("read archive", path, err)
}

// readTraces runs f where the traces of a run are: here, or in its archive.
func (s *Store) readTraces(ctx context.Context, op string, find func(*sql.Tx) (n int64, err error), f func(tx *sql.Tx, n int64) error) error {
	var away *Pruned
	var at int64
	err := s.read(ctx, op, func(tx *sql.Tx) error {
		n, err := find(tx)
		if err != nil {
			return err
		}
		p, pruned, err := prunedTo(ctx, tx, n)
		if err != nil {
			return err
		}
		if pruned {
			at, away = n, &p
			return nil
		}
		return f(tx, n)
	})
	if err != nil || away == nil {
		return err
	}
	return s.readArchive(ctx, away.Archive, func(tx *sql.Tx) error { return f(tx, at) })
}
