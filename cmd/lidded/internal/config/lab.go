package config

import "lidded/store/lab"

// Lab is the store that benches share; without a DSN there is none.
type Lab struct {
	DSN DSN `yaml:"dsn"` // postgres://user@host:5432/database; the password belongs into a passfile
}

// DSN is a data source name. It may hold a password, so it prints without it.
type DSN string

// String tells what it points at, without the password.
func (d DSN) String() string {
	if d == "" {
		return ""
	}
	return lab.Place(string(d))
}

// GoString is String: no format shows the password.
func (d DSN) GoString() string { return d.String() }

// MarshalText is String: no encoder shows the password.
func (d DSN) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

func (c *Config) checkLab(fail func(path, format string, args ...any)) {
	if c.Lab.DSN == "" {
		return
	}
	if _, err := lab.NewAdmin(string(c.Lab.DSN)); err != nil {
		fail("lab.dsn", "%v", err)
	}
}
