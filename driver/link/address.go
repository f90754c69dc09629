package link

import (
	"fmt"
	"net"
	"net/url"
	"sort"
	"strconv"
	"strings"
)

// Scheme is the kind of link an address names.
type Scheme int

// The schemes.
const (
	SchemeUnknown Scheme = iota
	SchemeTCP
	SchemeSerial
)

// String returns the scheme as it is written in an address.
func (s Scheme) String() string {
	switch s {
	case SchemeTCP:
		return "tcp"
	case SchemeSerial:
		return "serial"
	}
	return "unknown"
}

// Address says where an instrument is. Make one with Parse.
type Address struct {
	Scheme Scheme
	Host   string // host:port, for SchemeTCP
	Path   string // of the device file, for SchemeSerial
	Baud   int    // bits per second
	Data   int    // data bits: 5 to 8
	Parity string // "none", "odd", "even", "mark" or "space"
	Stop   int    // stop bits: 1 or 2
}

// String returns the address in the form Parse reads.
func (a Address) String() string {
	switch a.Scheme {
	case SchemeTCP:
		return "tcp://" + a.Host
	case SchemeSerial:
		return fmt.Sprintf("serial://%s?baud=%d&data=%d&parity=%s&stop=%d", a.Path, a.Baud, a.Data, a.Parity, a.Stop)
	}
	return "unknown://"
}

const addressForms = "want tcp://host:port or serial:///dev/...?baud=115200"

// Parse reads an address: "tcp://host:port", or
// "serial:///dev/ttyUSB0?baud=115200&data=8&parity=none&stop=1", where baud is
// required and the rest has these defaults. Each mistake has its own error.
func Parse(address string) (Address, error) {
	scheme, rest, ok := strings.Cut(address, "://")
	if !ok {
		return Address{}, fmt.Errorf("address %q has no scheme: %s", address, addressForms)
	}
	switch strings.ToLower(scheme) {
	case "tcp":
		return parseTCP(address, rest)
	case "serial":
		return parseSerial(address, rest)
	}
	return Address{}, fmt.Errorf("address %q has the unknown scheme %q: %s", address, scheme, addressForms)
}

func parseTCP(address, rest string) (Address, error) {
	fail := func(format string, a ...any) (Address, error) {
		return Address{}, fmt.Errorf("address %q "+format, append([]any{address}, a...)...)
	}
	if i := strings.IndexAny(rest, "/?#@ "); i >= 0 {
		return fail("has %q after the host: want tcp://host:port and nothing else", rest[i:])
	}
	host, port, err := net.SplitHostPort(rest)
	switch {
	case err != nil && strings.Count(rest, ":") > 1 && !strings.Contains(rest, "["):
		return fail("has a bare IPv6 host: write it in brackets, as in tcp://[::1]:5025")
	case err != nil:
		return fail("has no port: write it behind the host, as in tcp://host:5025")
	case host == "":
		return fail("has no host: want tcp://host:port")
	}
	n, err := strconv.Atoi(port)
	if err != nil || n < 1 || n > 65535 {
		return fail("has the port %q: want a number from 1 to 65535", port)
	}
	return Address{Scheme: SchemeTCP, Host: net.JoinHostPort(host, strconv.Itoa(n))}, nil
}

func parseSerial(address, rest string) (Address, error) {
	fail := func(format string, a ...any) (Address, error) {
		return Address{}, fmt.Errorf("address %q "+format, append([]any{address}, a...)...)
	}
	path, query, _ := strings.Cut(rest, "?")
	if !strings.HasPrefix(path, "/") {
		return fail("names no device file: write its full path after three slashes, as in serial:///dev/ttyUSB0?baud=115200")
	}
	values, err := url.ParseQuery(query)
	if err != nil {
		return fail("has a malformed setting: %w", err)
	}
	a := Address{Scheme: SchemeSerial, Path: path, Data: 8, Parity: "none", Stop: 1}
	keys := make([]string, 0, len(values))
	for k := range values {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		v := values[k]
		if len(v) > 1 {
			return fail("gives %s more than once", k)
		}
		n, err := strconv.Atoi(v[0])
		number := err == nil
		switch k {
		case "baud":
			if !number || n < 50 || n > 4_000_000 {
				return fail("has baud=%q: want a number from 50 to 4000000", v[0])
			}
			a.Baud = n
		case "data":
			if !number || n < 5 || n > 8 {
				return fail("has data=%q: want 5, 6, 7 or 8", v[0])
			}
			a.Data = n
		case "stop":
			if !number || (n != 1 && n != 2) {
				return fail("has stop=%q: want 1 or 2", v[0])
			}
			a.Stop = n
		case "parity":
			p := strings.ToLower(v[0])
			if _, ok := parities[p]; !ok {
				return fail("has parity=%q: want none, odd, even, mark or space", v[0])
			}
			a.Parity = p
		default:
			return fail("has the unknown setting %q: want baud, data, parity or stop", k)
		}
	}
	if a.Baud == 0 {
		return fail("has no baud rate: add ?baud=115200 or what the instrument is set to")
	}
	return a, nil
}
