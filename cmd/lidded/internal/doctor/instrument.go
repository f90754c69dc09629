package doctor

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/link"
)

const dialTime = 3 * time.Second

func (e *examination) bench(ctx context.Context, b config.Bench) {
	if e.keptOut {
		// The daemon holds the links, and some instruments bear one alone.
		e.note("bench "+b.Name, "see above", "not looked at: the daemon has its links, and does not tell")
		return
	}
	now, served := e.benches[b.Name]
	e.instrument(ctx, b.Name+"/analyzer", b.Analyzer.Address, served, now.Analyzer)
	e.instrument(ctx, b.Name+"/source", b.Source.Address, served, now.Source)
	if !served {
		return
	}
	switch {
	case now.SourceOn == nil:
		e.fault("bench "+b.Name, "look at the source itself, and switch it off there", "whether the source is on is not known")
	case *now.SourceOn && now.Run == "":
		e.fault("bench "+b.Name, "switch it off: "+e.command("off"), "the source is on without a run")
	default:
		e.well("bench "+b.Name, "%s, source %s", now.State, map[bool]string{true: "on", false: "off"}[*now.SourceOn])
	}
}

func (e *examination) instrument(ctx context.Context, name, address string, served bool, now rest.Instrument) {
	if served && now.Up {
		who := "answers"
		if now.Identity != nil {
			who = strings.TrimSpace(now.Identity.Maker + " " + now.Identity.Model + ", serial " + now.Identity.Serial)
		}
		e.well(name, "%s, by the daemon's link %s", who, address)
		return
	}
	if served {
		e.fault(name, "see below, and the last exchanges on the page's bench view", "the daemon has no link: %s", now.Fault)
	}
	a, err := link.Parse(address)
	if err != nil {
		e.fault(name, "write the address anew in "+e.Path, "%v", err)
		return
	}
	if a.Scheme == link.SchemeSerial {
		e.serial(name, a)
		return
	}
	e.tcp(ctx, name, a)
}

func (e *examination) tcp(ctx context.Context, name string, a link.Address) {
	held := connected(a.Host)
	if len(held) > 0 {
		e.note(name, "end that program: many instruments take one client alone", "%s is connected to %s", strings.Join(held, ", "), a.Host)
	}
	d := net.Dialer{Timeout: dialTime}
	c, err := d.DialContext(ctx, "tcp", a.Host)
	var dns *net.DNSError
	switch {
	case err == nil:
		c.Close()
		e.well(name, "%s takes connections; try every command with: %s", a.Host, e.command("check"))
	case errors.As(err, &dns):
		e.fault(name, "write its numeric address, or mend the name service", "the name in %s is not known", a.Host)
	case errors.Is(err, syscall.ECONNREFUSED):
		e.fault(name, "switch its remote socket on, or mend the port in "+e.Path+"; an instrument that takes one client may be held by another computer", "%s refuses connections", a.Host)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		e.fault(name, "check cable, address and subnet: ip route get "+hostOf(a.Host), "there is no way to %s", a.Host)
	default:
		e.fault(name, "is it on, and on this network? Try: ping "+hostOf(a.Host), "%s does not answer within %v: %v", a.Host, dialTime, err)
	}
}

func hostOf(hostPort string) string {
	host, _, err := net.SplitHostPort(hostPort)
	if err != nil {
		return hostPort
	}
	return host
}

func (e *examination) serial(name string, a link.Address) {
	st, err := os.Stat(a.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.fault(name, "plug the adapter in, and look for its name in /dev/serial/by-id", "device %s is not there", a.Path)
		return
	case err != nil:
		e.fault(name, "look at it: ls -l "+a.Path, "%v", err)
		return
	case st.Mode()&fs.ModeCharDevice == 0:
		e.fault(name, "write the device's own name in "+e.Path, "%s is no serial device", a.Path)
		return
	}
	if err := unix.Access(a.Path, unix.R_OK|unix.W_OK); err != nil {
		e.fault(name, "add the user to the device's group ("+groupOf(st)+") and log in again; the service's own user is set up by the package", "%s may not be used by this user (%s)", a.Path, st.Mode().Perm())
	}
	if who := openedBy(a.Path); len(who) > 0 {
		e.note(name, "end that program: a serial line takes one alone", "%s has %s open", strings.Join(who, ", "), a.Path)
		return
	}
	e.well(name, "%s is there; try every command with: %s", a.Path, e.command("check"))
}

func groupOf(st fs.FileInfo) string {
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return "unknown"
	}
	gid := strconv.FormatUint(uint64(sys.Gid), 10)
	if g, err := user.LookupGroupId(gid); err == nil {
		return g.Name
	}
	return gid
}
