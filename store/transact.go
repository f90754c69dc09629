package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"lidded/sweep"
)

// write runs f in one transaction, durable when it returns nil.
func (s *Store) write(ctx context.Context, op string, f func(*sql.Tx) error) error {
	if s.w == nil {
		return &Error{Op: op, Path: s.path, Kind: KindReadOnly, Err: errors.New("the store was opened for reading only"), Hint: "ask the daemon that runs on it"}
	}
	return s.transact(ctx, op, s.w, f)
}

// read runs f over one unchanging picture of the database.
func (s *Store) read(ctx context.Context, op string, f func(*sql.Tx) error) error {
	return s.transact(ctx, op, s.r, f)
}

// open is an error when the store was closed.
func (s *Store) open(op string) error {
	if s.closed.Load() {
		return &Error{Op: op, Path: s.path, Kind: KindClosed}
	}
	return nil
}

func (s *Store) transact(ctx context.Context, op string, db *sql.DB, f func(*sql.Tx) error) error {
	if err := s.open(op); err != nil {
		return err
	}
	return explain(op, s.path, transaction(ctx, db, f))
}

// beginner is a database or one connection to it.
type beginner interface {
	BeginTx(context.Context, *sql.TxOptions) (*sql.Tx, error)
}

// transaction runs f in one transaction of a database.
func transaction(ctx context.Context, db beginner, f func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // after a commit it does nothing
	if err := f(tx); err != nil {
		return interrupted(ctx, err)
	}
	return interrupted(ctx, tx.Commit())
}

// interrupted names the context's end as the cause where the database only
// says that it was stopped.
func interrupted(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil && !errors.Is(err, ctx.Err()) {
		return fmt.Errorf("%w: %w", ctx.Err(), err)
	}
	return err
}

// rowOf finds a run's row and state.
func rowOf(ctx context.Context, tx *sql.Tx, id sweep.RunID) (n int64, state sweep.State, err error) {
	var name string
	err = tx.QueryRowContext(ctx, `SELECT n, state FROM runs WHERE id = ?`, string(id)).Scan(&n, &name)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, 0, fmt.Errorf("run %s: %w", id, sweep.ErrNoRun)
	}
	if err == nil {
		err = state.UnmarshalText([]byte(name))
	}
	return n, state, err
}

// openRow is rowOf for a run that must not have ended.
func openRow(ctx context.Context, tx *sql.Tx, id sweep.RunID) (int64, error) {
	n, state, err := rowOf(ctx, tx, id)
	if err == nil && state.Final() {
		err = fmt.Errorf("run %s has ended (%s): %w", id, state, sweep.ErrConflict)
	}
	return n, err
}

// optionalRow is rowOf for what may belong to no run.
func optionalRow(ctx context.Context, tx *sql.Tx, id sweep.RunID) (sql.NullInt64, error) {
	if id == "" {
		return sql.NullInt64{}, nil
	}
	n, _, err := rowOf(ctx, tx, id)
	return sql.NullInt64{Int64: n, Valid: err == nil}, err
}

// limit is a LIMIT: none or negative means all.
func limit(n int) int {
	if n <= 0 {
		return -1
	}
	return n
}
