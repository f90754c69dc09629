package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
)

// Check reads the whole database and reports damage: pages, indexes, references
// between tables. An error of KindCorrupt says what was found.
func (s *Store) Check(ctx context.Context) error {
	if err := s.open("check"); err != nil {
		return err
	}
	return check(ctx, s.r, s.path, "integrity_check", "foreign_key_check")
}

// shownProblems is how many of the database's findings a message holds.
const shownProblems = 5

func check(ctx context.Context, db *sql.DB, path string, pragmas ...string) error {
	var found []string
	for _, p := range pragmas {
		more, err := findings(ctx, db, p)
		if err != nil {
			return explain("check", path, err)
		}
		found = append(found, more...)
	}
	if len(found) == 0 {
		return nil
	}
	shown := found[:min(len(found), shownProblems)]
	text := strings.Join(shown, ", ")
	if n := len(found) - len(shown); n > 0 {
		text += fmt.Sprintf(" and %d more", n)
	}
	return &Error{Op: "check", Path: path, Kind: KindCorrupt, Err: errors.New(text), Hint: hint(KindCorrupt, path)}
}

// findings runs a checking pragma; each row that is not "ok" is a finding.
func findings(ctx context.Context, db *sql.DB, pragma string) ([]string, error) {
	rows, err := db.QueryContext(ctx, "PRAGMA "+pragma)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	cols, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	var found []string
	for rows.Next() {
		cells := make([]sql.NullString, len(cols))
		into := make([]any, len(cols))
		for i := range cells {
			into[i] = &cells[i]
		}
		if err := rows.Scan(into...); err != nil {
			return nil, err
		}
		if len(cells) == 1 && cells[0].String == "ok" {
			continue
		}
		var words []string
		for _, c := range cells {
			words = append(words, strings.ReplaceAll(c.String, "\n", " "))
		}
		found = append(found, strings.Join(words, " "))
	}
	return found, rows.Err()
}
