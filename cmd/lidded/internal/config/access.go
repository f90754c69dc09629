package config

import (
	"net"
	"strings"
)

// checkAccess refuses addresses that others could reach without TLS: whoever
// reaches the daemon can key the source. That there are tokens is looked at when
// the daemon opens.
func (d *Daemon) checkAccess(fail func(path, format string, args ...any)) {
	oneOf(d.Auth, []string{AuthAuto, AuthRequired}, func(m string) { fail("daemon.auth", "%s", m) })
	for _, h := range d.Hosts {
		if h == "" || strings.ContainsAny(h, "/: ") {
			fail("daemon.hosts", "%q: write a bare host name, such as bench.depot.example", h)
		}
	}
	host, port, err := net.SplitHostPort(d.Listen)
	switch {
	case err != nil || port == "":
		fail("daemon.listen", "%q is not host:port: write for example %s", d.Listen, DefaultListen)
	case !isLoopback(host) && d.WebConfig == "":
		fail("daemon.listen", "%q can be reached by others, and whoever reaches the daemon can key the source: set daemon.web_config to a file with certificate and key and make a token with 'lidded token create', or listen on %s", d.Listen, DefaultListen)
	}
}

// Reachable reports whether others than programs of this computer could reach
// the address.
func (d *Daemon) Reachable() bool {
	host, _, err := net.SplitHostPort(d.Listen)
	return err != nil || !isLoopback(host)
}

// TokenRequired reports whether nobody comes in without a token, whether or not
// there is one.
func (d *Daemon) TokenRequired() bool { return d.Auth == AuthRequired || d.Reachable() }

// URL is where the daemon is to be found from this computer.
func (d *Daemon) URL() string {
	scheme := "http"
	if d.WebConfig != "" {
		scheme = "https"
	}
	return scheme + "://" + LocalAddress(d.Listen)
}

// LocalAddress is how a listening address is reached from this computer: one
// that stands for all addresses by loopback.
func LocalAddress(listen string) string {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return listen
	}
	switch ip := net.ParseIP(host); {
	case host == "":
		host = "127.0.0.1"
	case ip != nil && ip.IsUnspecified() && ip.To4() != nil:
		host = "127.0.0.1"
	case ip != nil && ip.IsUnspecified():
		host = "::1"
	}
	return net.JoinHostPort(host, port)
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
