package lab

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var migrations embed.FS

// versionTable is where goose keeps what it has done.
const versionTable = "lidded.goose_db_version"

// Admin is the owner of the lab's schema: it makes and updates it, makes
// partitions ahead and drops old ones.
type Admin struct {
	dsn  string
	conf *pgx.ConnConfig
}

// NewAdmin reads a data source name; it dials nobody.
func NewAdmin(dsn string) (*Admin, error) {
	conf, err := parse(dsn)
	if err != nil {
		return nil, err
	}
	return &Admin{dsn: dsn, conf: conf}, nil
}

// Migrate brings the schema to this program's version, and returns it.
func (a *Admin) Migrate(ctx context.Context) (version int64, err error) {
	// The table of versions lies in the schema that the first migration makes.
	if err := a.do(ctx, "make schema", func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, `CREATE SCHEMA IF NOT EXISTS lidded`)
		return err
	}); err != nil {
		return 0, err
	}
	db := stdlib.OpenDB(*a.conf)
	defer db.Close()
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return 0, err
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db, dir, goose.WithDisableGlobalRegistry(true), goose.WithTableName(versionTable))
	if err != nil {
		return 0, explain("read migrations", a.conf, err)
	}
	if _, err := p.Up(ctx); err != nil {
		return 0, explain("migrate", a.conf, err)
	}
	err = a.do(ctx, "migrate", func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, `GRANT SELECT ON `+versionTable+` TO lidded_ship, lidded_read`)
		return err
	})
	return ourVersion(), err
}

// Partitions makes those of this month and of so many after it, and returns how
// many tables were new.
func (a *Admin) Partitions(ctx context.Context, monthsAhead int) (made int, err error) {
	err = a.do(ctx, "make partitions", func(c *pgx.Conn) error {
		return c.QueryRow(ctx, `SELECT lidded.make_partitions($1)`, monthsAhead).Scan(&made)
	})
	return made, err
}

// Retention says for how long records stay: months that lie wholly before now
// less so many are dropped. Zero keeps for good.
type Retention struct {
	Months       int // captures, traces, events and results of points
	LedgerMonths int // the transmission ledger
}

// Drop drops the partitions whose time is over and returns their names.
func (a *Admin) Drop(ctx context.Context, r Retention) (dropped []string, err error) {
	if r.Months < 0 || r.LedgerMonths < 0 {
		return nil, fmt.Errorf("retention of %d and %d months: write 0 (for good) or more", r.Months, r.LedgerMonths)
	}
	kept := func(m int) any {
		if m == 0 {
			return nil
		}
		return m
	}
	err = a.do(ctx, "drop partitions", func(c *pgx.Conn) error {
		rows, err := c.Query(ctx, `SELECT lidded.drop_partitions($1, $2)`, kept(r.Months), kept(r.LedgerMonths))
		if err != nil {
			return err
		}
		dropped, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	return dropped, err
}

// Allow puts a login role into the role that ships, or the one that reads.
func (a *Admin) Allow(ctx context.Context, login string, ship bool) error {
	role := "lidded_read"
	if ship {
		role = "lidded_ship"
	}
	return a.do(ctx, "grant "+role, func(c *pgx.Conn) error {
		_, err := c.Exec(ctx, `GRANT `+role+` TO `+pgx.Identifier{login}.Sanitize())
		return err
	})
}

func (a *Admin) do(ctx context.Context, op string, f func(*pgx.Conn) error) error {
	c, err := pgx.ConnectConfig(ctx, a.conf.Copy())
	if err != nil {
		return explain("connect", a.conf, err)
	}
	return explain(op, a.conf, errors.Join(f(c), c.Close(context.WithoutCancel(ctx))))
}

// ourVersion is the version of this program's schema.
func ourVersion() int64 {
	list, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return 0
	}
	return int64(len(list)) // numbered from 1, without gaps
}

// checkVersion refuses a schema that is older or newer than the program's.
func checkVersion(ctx context.Context, q queryer, conf *pgx.ConnConfig) error {
	var have int64
	err := q.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM `+versionTable+` WHERE is_applied`).Scan(&have)
	if err != nil {
		return explain("read version", conf, err)
	}
	ours := ourVersion()
	switch {
	case have < ours:
		return &Error{Op: "open", Where: place(conf), Err: fmt.Errorf("%w: it has %d, this program needs %d", errVersion, have, ours), Hint: "bring it up to date as its owner: lidded lab migrate"}
	case have > ours:
		return &Error{Op: "open", Where: place(conf), Err: fmt.Errorf("%w: it has %d, this program knows them up to %d", errVersion, have, ours), Hint: "use the newer program"}
	}
	return nil
}

// queryer is a connection, a pool or a transaction.
type queryer interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}
