package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Keep bounds how much the store grows: which traces may leave it, to archive
// files, results staying. Without traces and largest nothing ever leaves.
type Keep struct {
	Traces  Age    `yaml:"traces"`  // of runs that ended longer ago than this
	Largest Bytes  `yaml:"largest"` // of the oldest runs while the store holds more than this
	Archive string `yaml:"archive"` // folder of the archive files; needed with either
	At      string `yaml:"at"`      // time of day, local, when the daemon looks; default 04:00
}

// Asked reports whether anything may leave the store.
func (k Keep) Asked() bool { return k.Traces > 0 || k.Largest > 0 }

// Clock gives the time of day of At as a duration since midnight.
func (k Keep) Clock() (time.Duration, error) {
	at, err := time.Parse("15:04", orElse(k.At, DefaultKeepAt))
	if err != nil {
		return 0, fmt.Errorf("%q is no time of day: write hours and minutes, such as %q", k.At, DefaultKeepAt)
	}
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute, nil
}

// Age is a length of time in days or longer, written "400 days" or "5 years".
type Age time.Duration

const day = 24 * time.Hour

// ages are the units of an Age. A year is that of the Gregorian calendar, 365.2425
// days, a month a twelfth.
var ages = []struct {
	names string
	is    time.Duration
}{
	{"year years", 31556952 * time.Second}, {"month months", 31556952 * time.Second / 12}, {"week weeks", 7 * day}, {"day days d", day},
}

// UnmarshalText reads a number and a unit.
func (a *Age) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*a = 0
		return nil
	}
	n, unit, err := quantity(string(text))
	for _, u := range ages {
		if err == nil && hasWord(u.names, unit) {
			*a = Age(n * float64(u.is))
			if *a < Age(day) {
				return fmt.Errorf("%q is less than a day: keep a day at least", text)
			}
			return nil
		}
	}
	return fmt.Errorf("%q is no length of time: write a number and days, weeks, months or years, such as 400 days", text)
}

// String writes the age in days.
func (a Age) String() string {
	n := strconv.FormatFloat(time.Duration(a).Hours()/24, 'f', -1, 64)
	if n == "1" {
		return n + " day"
	}
	return n + " days"
}

// Bytes is an amount of data, written "20 GB" or "500 MiB".
type Bytes int64

var byteUnits = []struct {
	name string
	is   float64
}{{"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}}

// least is what an empty store and a short run take.
const least = 1e6

// UnmarshalText reads a number and a unit.
func (b *Bytes) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*b = 0
		return nil
	}
	n, unit, err := quantity(string(text))
	for _, u := range byteUnits {
		if err == nil && u.name == unit {
			if n *= u.is; n < least {
				return fmt.Errorf("%q is less than a store needs: allow 1 MB at least", text)
			}
			*b = Bytes(n)
			return nil
		}
	}
	return fmt.Errorf("%q is no amount of data: write a number and MB, GB or TB (MiB, GiB, TiB), such as 20 GB", text)
}

// String writes the amount in megabytes.
func (b Bytes) String() string { return strconv.FormatFloat(float64(b)/1e6, 'f', -1, 64) + " MB" }

// quantity takes "400 days" apart. Neither infinity nor what is too large to
// count comes through.
func quantity(text string) (n float64, unit string, err error) {
	text = strings.TrimSpace(text)
	i := strings.IndexFunc(text, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
	if i < 0 {
		return 0, "", fmt.Errorf("%q has no unit", text)
	}
	n, err = strconv.ParseFloat(text[:i], 64)
	if err == nil && !(n > 0 && n < 1e5) {
		err = fmt.Errorf("%q: need more than 0 and less than 100000", text[:i])
	}
	return n, strings.TrimSpace(text[i:]), err
}

func hasWord(words, word string) bool {
	for w := range strings.FieldsSeq(words) {
		if w == word {
			return true
		}
	}
	return false
}

func (c *Config) checkKeep(fail func(path, format string, args ...any)) {
	k := c.Daemon.Keep
	if _, err := k.Clock(); err != nil {
		fail("daemon.keep.at", "%v", err)
	}
	if k.Asked() && k.Archive == "" {
		fail("daemon.keep", "no archive: traces leave the store only for archive files; name their folder, best on another disk, as archive: /srv/lidded-archive")
	}
}
