package daemon

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"

	"go.uber.org/zap"

	"lidded/driver/link"
)

// claims say to other daemons on this computer, of whatever user and on whatever
// store, that this one drives its instruments. Each is a socket in the abstract
// name space (unix(7)), which has no file and is gone with its process, however
// that ends.
type claims []net.Listener

// ClaimedError means that another process drives an instrument.
type ClaimedError struct {
	Bench, Role, Address string
	PID                  int // 0: cannot be told
}

func (e *ClaimedError) Error() string {
	who := "another process"
	if e.PID > 0 {
		who = fmt.Sprintf("process %d", e.PID)
	}
	return fmt.Sprintf("bench %s: %s runs the %s %s: stop it first, or take the bench out of one of the two configs: an instrument has one daemon", e.Bench, who, e.Role, e.Address)
}

// claim claims the instruments of the benches, all or none. Where there are no
// such sockets, or a sandbox refuses them, the guardian's lock of each source
// remains.
func claim(benches []*Bench, log *zap.Logger) (held claims, err error) {
	if runtime.GOOS != "linux" {
		return nil, nil
	}
	defer func() {
		if err != nil {
			held, err = nil, errors.Join(err, held.Close())
		}
	}()
	ours := map[string]bool{}
	for _, b := range benches {
		for _, in := range []struct{ role, address string }{{"source", b.Config.Source.Address}, {"analyzer", b.Config.Analyzer.Address}} {
			name := claimName(in.address)
			if ours[name] {
				continue
			}
			ours[name] = true
			l, err := net.Listen("unix", name)
			if errors.Is(err, syscall.EADDRINUSE) {
				return held, &ClaimedError{b.Facts.Name, in.role, in.address, peerOf(name)}
			}
			if err != nil {
				log.Warn("another daemon could take this instrument unnoticed", zap.String("bench", b.Facts.Name), zap.String("role", in.role), zap.Error(err))
				continue
			}
			held = append(held, l)
		}
	}
	return held, nil
}

// Close gives the claims up.
func (c claims) Close() error {
	var errs []error
	for _, l := range c {
		errs = append(errs, l.Close())
	}
	return errors.Join(errs...)
}

// claimName is one name for one instrument, as far as its address tells: in lower
// case, a device by the file that its links lead to, whatever its baud rate.
func claimName(address string) string {
	a, err := link.Parse(address)
	what := strings.ToLower(address)
	switch {
	case err != nil:
	case a.Scheme == link.SchemeTCP:
		host, port, _ := net.SplitHostPort(strings.ToLower(a.Host))
		if host == "localhost" {
			host = "127.0.0.1"
		}
		what = "tcp " + net.JoinHostPort(host, port)
	case a.Scheme == link.SchemeSerial:
		what = a.Path
		if real, err := filepath.EvalSymlinks(a.Path); err == nil {
			what = real
		}
	}
	h := sha256.New()
	io.WriteString(h, what)
	return fmt.Sprintf("@lidded-instrument-%x", h.Sum(nil)[:16])
}
