package store

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"
)

// The years that nanoseconds since 1970 can hold in 64 bits.
var (
	earliest = time.Unix(0, math.MinInt64)
	latest   = time.Unix(0, math.MaxInt64)
)

// nanos is a time as it is kept; the zero time is NULL.
func nanos(t time.Time) (sql.NullInt64, error) {
	if t.IsZero() {
		return sql.NullInt64{}, nil
	}
	if t.Before(earliest) || t.After(latest) {
		return sql.NullInt64{}, fmt.Errorf("time %s is out of range: check the clock", t.Format(time.RFC3339))
	}
	return sql.NullInt64{Int64: t.UnixNano(), Valid: true}, nil
}

func nanosOf(t *time.Time) (sql.NullInt64, error) {
	if t == nil {
		return sql.NullInt64{}, nil
	}
	return nanos(*t)
}

// moment is the time kept, in UTC.
func moment(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return time.Unix(0, n.Int64).UTC()
}

func momentOf(n sql.NullInt64) *time.Time {
	if !n.Valid {
		return nil
	}
	t := moment(n)
	return &t
}

// number is an optional quantity as it is kept: nil and NaN are NULL.
func number[T ~float64](p *T) sql.NullFloat64 {
	if p == nil || math.IsNaN(float64(*p)) {
		return sql.NullFloat64{}
	}
	return sql.NullFloat64{Float64: float64(*p), Valid: true}
}

func numberOf[T ~float64](n sql.NullFloat64) *T {
	if !n.Valid {
		return nil
	}
	v := T(n.Float64)
	return &v
}

// text is an optional text as it is kept: empty is NULL.
func text(s string) sql.NullString { return sql.NullString{String: s, Valid: s != ""} }

// document is a value as JSON; the zero value is NULL.
func document[T comparable](v T) (sql.NullString, error) {
	var zero T
	if v == zero {
		return sql.NullString{}, nil
	}
	b, err := json.Marshal(v)
	if err != nil {
		return sql.NullString{}, err
	}
	return sql.NullString{String: string(b), Valid: true}, nil
}

func undocument(s sql.NullString, into any) error {
	if !s.Valid {
		return nil
	}
	return json.Unmarshal([]byte(s.String), into)
}

// newID gives a UUID of version 7; within one process they rise even when the
// clock does not.
func newID() (string, error) {
	id, err := uuid.NewV7()
	return id.String(), err
}

// checkID refuses identifiers that would not be unique or not sort by time.
func checkID(what, id string) error {
	u, err := uuid.Parse(id)
	if err != nil || u.Version() != 7 || u.String() != id {
		return fmt.Errorf("%s identifier %q is not a UUID of version 7 in lower case", what, id)
	}
	return nil
}
