package access

import (
	"fmt"

	"lidded/driver/word"
)

// Role is what a token may do. Each role may do what the ones before it may.
type Role uint8

// The roles. A route that needs RoleUnknown lets nobody in.
const (
	RoleUnknown Role = iota
	Anyone           // what a route needs that is open to all; no token has it
	Scrape           // read metrics, nothing else
	Read             // look at everything, and switch sources off
	Operate          // start, stop, abort, resume runs; release hold points
	Administer       // change who may do what, or the config
)

var roleNames = word.List{"unknown", "anyone", "scrape", "read", "operate", "administer"}

// String gives the word for the role.
func (r Role) String() string { return roleNames.Of(int(r)) }

// MarshalText writes the word.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads the role of a token.
func (r *Role) UnmarshalText(b []byte) error {
	i, err := roleNames.Find("role", string(b))
	if err != nil || Role(i) <= Anyone {
		return fmt.Errorf("unknown role %q: known are scrape, read, operate, administer", b)
	}
	*r = Role(i)
	return nil
}

// ParseNeed reads what a route needs: a role of a token, or "anyone".
func ParseNeed(s string) (Role, error) {
	i, err := roleNames.Find("role", s)
	return Role(i), err
}

// May reports whether a token of this role may do what needs that role.
func (r Role) May(need Role) bool { return need != RoleUnknown && r >= need }
