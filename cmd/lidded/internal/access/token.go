package access

import (
	"crypto/subtle"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Token is what is known of a bearer token; not its secret.
type Token struct {
	Name    string     `yaml:"name" json:"name"`
	Role    Role       `yaml:"role" json:"role"`
	Hash    Hash       `yaml:"sha256" json:"-"`
	Created time.Time  `yaml:"created" json:"created"`
	Expires *time.Time `yaml:"expires,omitempty" json:"expires,omitempty"`
}

// Expired reports whether its time is over.
func (t Token) Expired(now time.Time) bool { return t.Expires != nil && !now.Before(*t.Expires) }

// Tokens are those of one daemon.
type Tokens []Token

// Named finds a token by name.
func (ts Tokens) Named(name string) (Token, bool) {
	i := slices.IndexFunc(ts, func(t Token) bool { return t.Name == name })
	if i < 0 {
		return Token{}, false
	}
	return ts[i], true
}

// Find tells whose secret this is. It looks at every token, and compares hashes
// in constant time: how long it takes tells nothing.
func (ts Tokens) Find(s Secret) (Token, bool) {
	h := s.Hash()
	found := -1
	for i := range ts {
		if subtle.ConstantTimeCompare(ts[i].Hash[:], h[:]) == 1 {
			found = i
		}
	}
	if found < 0 || s.Empty() {
		return Token{}, false
	}
	return ts[found], true
}

const longestName = 60

var goodName = regexp.MustCompile(`^[\pL\pN][\pL\pN ._-]*$`)

// checkName refuses names that would not stand well in a log or a journal.
func checkName(name string) error {
	if !goodName.MatchString(name) || len(name) > longestName {
		return fmt.Errorf("token name %q: use letters, digits, space, dot, dash and underscore, at most %d bytes", name, longestName)
	}
	return nil
}

// ParseLife reads how long a token is good for: days or weeks ("90d", "12w"), or
// what Go writes for shorter times ("8h").
func ParseLife(s string) (time.Duration, error) {
	const day = 24 * time.Hour
	bad := fmt.Errorf("%q is not a time a token can live: write for example 90d, 12w or 8h", s)
	for suffix, unit := range map[string]time.Duration{"d": day, "w": 7 * day} {
		if n, ok := strings.CutSuffix(s, suffix); ok {
			v, err := strconv.Atoi(n)
			if err != nil || v <= 0 || v > int(100*365*day/unit) {
				return 0, bad
			}
			return time.Duration(v) * unit, nil
		}
	}
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 {
		return 0, bad
	}
	return d, nil
}
