package lab

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"lidded/driver/word"
	"lidded/sweep"
)

// Error is what the lab's store fails with, apart from the errors of the ports
// and of a context. It never holds a password.
type Error struct {
	Op    string // what was being done
	Where string // user, host, port and database
	Hint  string // what the operator can do about it
	Err   error  // the cause
}

// Error returns one line: place, operation, cause and hint.
func (e *Error) Error() string {
	s := e.Where + ": " + e.Op
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// Kind says what can be done about an error.
type Kind uint8

// The kinds.
const (
	KindUnknown Kind = iota // a fault of the program, or of what is stored
	KindAway                // cannot be reached or refuses for now: it passes, or the operator mends it
	KindDropped             // not kept any more
)

var kindNames = word.List{"unknown", "away", "dropped"}

// String gives the kind in words.
func (k Kind) String() string { return kindNames.Of(int(k)) }

// KindOf is the kind of an error of this package.
func KindOf(err error) Kind {
	var ours *Error
	var pg *pgconn.PgError
	switch {
	case !errors.As(err, &ours):
		return KindUnknown
	case errors.Is(err, errDropped):
		return KindDropped
	case errors.Is(err, errVersion):
		return KindAway
	case errors.As(err, &pg):
		for _, class := range []string{"08", "28", "53", "57", "58", "3D", "3F", "42P01", "42501"} { // PostgreSQL documentation, appendix A
			if strings.HasPrefix(pg.Code, class) {
				return KindAway
			}
		}
		return KindUnknown
	case unreached(ours.Err):
		return KindAway
	}
	return KindUnknown
}

// unreached reports whether a connection was lost, or never came up.
func unreached(err error) bool {
	var dial *pgconn.ConnectError
	var op *net.OpError
	return errors.As(err, &dial) || errors.As(err, &op) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) ||
		errors.Is(err, context.DeadlineExceeded) || pgconn.SafeToRetry(err)
}

// errVersion is the cause where schema and program do not belong together.
var errVersion = errors.New("schema of another version")

// dialTime is how long a connection may take to come up.
const dialTime = 10 * time.Second

// parse reads a data source name. What it cannot read is told without it, for a
// password may stand in it.
func parse(dsn string) (*pgx.ConnConfig, error) {
	conf, err := pgx.ParseConfig(dsn)
	if err != nil {
		return nil, errNoDSN()
	}
	tame(conf)
	return conf, nil
}

func errNoDSN() error {
	return &Error{Op: "read the data source name", Where: "lab", Err: errors.New("it is not one"),
		Hint: "write postgres://USER@HOST:5432/DATABASE and keep the password in a file (passfile=/path in it, or ~/.pgpass)"}
}

// tame sets what every connection has.
func tame(conf *pgx.ConnConfig) {
	if conf.ConnectTimeout == 0 {
		conf.ConnectTimeout = dialTime
	}
	conf.DialFunc = dialer(conf.ConnectTimeout)
	if conf.RuntimeParams["application_name"] == "" {
		conf.RuntimeParams["application_name"] = "lidded"
	}
	conf.RuntimeParams["timezone"] = "UTC"
}

// Place tells what a data source name points at, without its password.
func Place(dsn string) string {
	conf, err := pgx.ParseConfig(dsn)
	if err != nil {
		return "lab"
	}
	return place(conf)
}

func place(c *pgx.ConnConfig) string {
	if strings.HasPrefix(c.Host, "/") {
		return fmt.Sprintf("postgres %s in %s as %s", c.Database, c.Host, c.User)
	}
	return fmt.Sprintf("postgres %s on %s as %s", c.Database, net.JoinHostPort(c.Host, fmt.Sprint(c.Port)), c.User)
}

// explain turns an error of the database into an Error. Errors of the ports
// pass, and errors of a context stay recognizable.
func explain(op string, conf *pgx.ConnConfig, err error) error {
	if err == nil {
		return nil
	}
	if e := new(Error); errors.As(err, &e) {
		return err
	}
	for _, port := range []error{sweep.ErrNoRun, sweep.ErrNoCapture} {
		if errors.Is(err, port) {
			return err
		}
	}
	if errors.Is(err, context.Canceled) {
		return fmt.Errorf("%s: %s: %w", place(conf), op, err)
	}
	return &Error{Op: op, Where: place(conf), Err: hidden{err}, Hint: hint(err)}
}

// hidden drops the parts of a connection's error that a reader cannot use, and
// that might quote the data source name.
type hidden struct{ error }

func (h hidden) Unwrap() error { return h.error }

func (h hidden) Error() string {
	var pg *pgconn.PgError
	if errors.As(h.error, &pg) {
		return pg.Message + " (" + pg.Code + ")"
	}
	var dial *pgconn.ConnectError
	if errors.As(h.error, &dial) {
		if in := errors.Unwrap(dial); in != nil {
			return in.Error()
		}
	}
	return h.error.Error()
}

// hint reads the code (PostgreSQL documentation, appendix A).
func hint(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		switch {
		case pg.Code == "42P01" || pg.Code == "3F000": // undefined table, invalid schema name
			return "make the schema as its owner: lidded lab migrate"
		case pg.Code == "42501": // insufficient privilege
			return "let the schema's owner put this login into its role: lidded lab allow"
		case strings.HasPrefix(pg.Code, "28"): // invalid authorization
			return "check user, password (passfile) and pg_hba.conf"
		case pg.Code == "3D000":
			return "make the database: createdb"
		case pg.Code == "53100":
			return "free space where PostgreSQL keeps its data; what was shipped is safe, the rest waits on the benches"
		case pg.Code == "53300":
			return "raise max_connections or put a connection pool before PostgreSQL"
		}
		return ""
	}
	if unreached(err) {
		return "start PostgreSQL or check the way to it; the benches keep everything until it is back"
	}
	return ""
}
