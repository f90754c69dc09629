package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/google/uuid"
	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID stands in the header of every store: "LIDD".
const applicationID = 0x4c494444

func newProvider(db *sql.DB) (*goose.Provider, error) {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	return goose.NewProvider(goose.DialectSQLite3, db, dir, goose.WithDisableGlobalRegistry(true))
}

// versions gives the schema version of the database, 0 when it is empty, and
// the program's own. A database of another program is an error.
func versions(ctx context.Context, db *sql.DB, path string) (have, ours int64, err error) {
	p, err := newProvider(db)
	if err != nil {
		return 0, 0, explain("read migrations", path, err)
	}
	sources := p.ListSources()
	ours = sources[len(sources)-1].Version

	var tables, id int64
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master`).Scan(&tables); err != nil {
		return 0, ours, explain("open", path, err)
	}
	if tables == 0 {
		return 0, ours, nil
	}
	var goosed int64
	err = errors.Join(
		db.QueryRowContext(ctx, `PRAGMA application_id`).Scan(&id),
		db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'goose_db_version'`).Scan(&goosed))
	if err != nil {
		return 0, ours, explain("open", path, err)
	}
	if goosed == 1 {
		err := db.QueryRowContext(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&have)
		if err != nil {
			return 0, ours, explain("read version", path, err)
		}
	}
	// A first start that died before its first migration leaves version 0.
	if id != applicationID && (goosed == 0 || have > 0) {
		return 0, ours, &Error{Op: "open", Path: path, Kind: KindNotDatabase,
			Err: errors.New("the database belongs to another program"), Hint: hint(KindNotDatabase, path)}
	}
	if have > ours {
		return have, ours, &Error{Op: "open", Path: path, Kind: KindNewer,
			Err:  fmt.Errorf("the database has version %d, this program knows versions up to %d", have, ours),
			Hint: "use the newer program that made it, or put the backup from before the update in its place"}
	}
	return have, ours, nil
}

// migrate brings the database to the program's version.
func migrate(ctx context.Context, db *sql.DB, path string, now time.Time) error {
	p, err := newProvider(db)
	if err != nil {
		return explain("read migrations", path, err)
	}
	if _, err := p.Up(ctx); err != nil {
		return explain("migrate", path, err)
	}
	id, err := uuid.NewV7()
	if err != nil {
		return explain("make an identifier", path, err)
	}
	_, err = db.ExecContext(ctx, `INSERT INTO journal (one, id, created_ns) VALUES (1, ?, ?) ON CONFLICT DO NOTHING`, id.String(), now.UnixNano())
	return explain("migrate", path, err)
}
