package config

import (
	"fmt"
	"net/url"
	"path/filepath"
	"strings"

	"lidded/store/lab"
)

// Lab is the store that benches share; without a DSN there is none.
type Lab struct {
	DSN     DSN         `yaml:"dsn"`     // postgres://user@host:5432/database; the password belongs into a passfile
	Daemons []LabDaemon `yaml:"daemons"` // whom 'lidded lab serve' asks for benches as they are now, and passes orders on to
}

// LabDaemon is a daemon of the lab.
type LabDaemon struct {
	URL string `yaml:"url"` // https://host:port; http on this computer alone
	CA  string `yaml:"ca"`  // file with the certificates (PEM) that may vouch for it, in place of the system's
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
	c.checkLabDaemons(fail)
	if c.Lab.DSN == "" {
		return
	}
	if _, err := lab.NewAdmin(string(c.Lab.DSN)); err != nil {
		fail("lab.dsn", "%v", err)
	}
}

func (c *Config) checkLabDaemons(fail func(path, format string, args ...any)) {
	seen := map[string]int{}
	for i := range c.Lab.Daemons {
		d, at := &c.Lab.Daemons[i], fmt.Sprintf("lab.daemons[%d]", i)
		u, err := url.Parse(d.URL)
		if d.URL == "" {
			fail(at, "no url: write the address of a bench's daemon, such as https://bench.depot.example:7460")
			continue
		}
		switch {
		case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
			fail(at+".url", "it is no address of a daemon: write https://host:port")
			continue
		case u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.Fragment != "":
			fail(at+".url", "write https://host:port and nothing else: whoever asks is let in with a token of his own")
			continue
		case u.Scheme == "http" && !isLoopback(u.Hostname()):
			fail(at+".url", "%q: tokens would go there in the clear: use https", d.URL)
		case u.Scheme == "http" && d.CA != "":
			fail(at+".ca", "http knows no certificates: use https, or take ca out")
		}
		d.URL = u.Scheme + "://" + u.Host
		if first, twice := seen[d.URL]; twice {
			fail(at+".url", "%s stands twice (first as lab.daemons[%d]): keep one", d.URL, first)
		}
		seen[d.URL] = i
		if d.CA != "" && !filepath.IsAbs(d.CA) {
			d.CA = filepath.Join(filepath.Dir(c.Path), d.CA)
		}
	}
}
