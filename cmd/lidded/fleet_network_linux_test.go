package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"lidded/store/lab/labtest"
)

// place is where the processes of a bench run: a thread of its own, in a network
// of its own or in the test's. Its processes end with it.
type place struct {
	calls   chan func()
	thread  int
	network string // file of the name space; "": the test's network
}

// newPlace makes a place, in a network of its own where that is wanted.
func newPlace(t testing.TB, apart bool) *place {
	t.Helper()
	p := &place{calls: make(chan func())}
	begun, ended := make(chan error), make(chan struct{})
	go func() {
		defer close(ended)
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		var err error
		if apart {
			err = unix.Unshare(unix.CLONE_NEWNET)
		}
		p.thread = unix.Gettid()
		begun <- err
		for f := range p.calls {
			f()
		}
	}()
	t.Cleanup(func() { close(p.calls); <-ended })
	if err := <-begun; err != nil {
		t.Fatalf("a network of its own: %v", err)
	}
	if apart {
		p.network = fmt.Sprintf("/proc/%d/task/%d/ns/net", os.Getpid(), p.thread)
	}
	return p
}

// in does something in a place.
func in[T any](p *place, f func() (T, error)) (v T, err error) {
	done := make(chan struct{})
	p.calls <- func() { v, err = f(); close(done) }
	<-done
	return v, err
}

// start starts the program there.
func (p *place) start(cmd *exec.Cmd) error {
	cmd.Env = append(os.Environ(), asProgram+"=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	_, err := in(p, func() (struct{}, error) { return struct{}{}, cmd.Start() })
	return err
}

// client speaks HTTP with what listens on loopback there.
func (p *place) client() *http.Client {
	var d net.Dialer
	return &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
		return in(p, func() (net.Conn, error) { return d.DialContext(ctx, network, address) })
	}}}
}

// ip runs commands of ip(8) there.
func (p *place) ip(t testing.TB, commands ...string) {
	t.Helper()
	cmd := exec.Command("ip", "-batch", "-")
	cmd.Stdin = strings.NewReader(strings.Join(commands, "\n"))
	if out, err := in(p, cmd.CombinedOutput); err != nil {
		t.Fatalf("ip %s: %v: %s", strings.Join(commands, "; "), err, out)
	}
}

// network connects benches with PostgreSQL, and can be cut for each of them such
// that what is sent is lost without a word.
type network interface {
	join(t testing.TB) (at *place, dsn string) // of one bench more
	cut(t testing.TB, bench int)
	mend(t testing.TB, bench int)
}

// newNetwork makes a network and the server in it: one of cables and a switch
// where name spaces can be made, else one of proxies.
func newNetwork(t testing.TB, settings ...string) (network, *labtest.Server, labtest.Database) {
	t.Helper()
	why := ""
	if os.Geteuid() != 0 {
		why = "only root may make networks"
	} else if _, err := exec.LookPath("ip"); err != nil {
		why = "iproute2 is not installed"
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatal(why)
		}
	}
	if why != "" {
		t.Logf("%s: the network is one of proxies that stop", why)
		server := labtest.Own(t, "127.0.0.1", settings...)
		db := server.Migrated(t)
		return &proxies{dsn: db.Ship}, server, db
	}
	c := &cables{hub: newPlace(t, true)}
	c.hub.ip(t, "link set lo up", "link add hub type bridge", "link set hub address "+hubMAC, "address add "+hubAddress+"/16 dev hub", "link set hub up")
	server := labtest.OwnIn(t, c.hub.network, hubAddress, settings...)
	db := server.Migrated(t)
	c.dsn = db.Ship
	return c, server, db
}

const hubAddress, hubMAC = "10.77.0.1", "02:00:00:00:00:01"

// cables are networks of one bench each, with a cable to a switch where the
// server is.
type cables struct {
	hub *place
	dsn string
	n   int
}

func (c *cables) join(t testing.TB) (*place, string) {
	t.Helper()
	p := newPlace(t, true)
	c.hub.ip(t, fmt.Sprintf("link add port%d type veth peer name eth0 netns %d", c.n, p.thread), fmt.Sprintf("link set port%d master hub up", c.n))
	p.ip(t, "link set lo up", fmt.Sprintf("address add 10.77.1.%d/16 dev eth0", c.n+1), "link set eth0 up",
		"neighbour replace "+hubAddress+" lladdr "+hubMAC+" dev eth0 nud permanent") // else a lost cable is noticed within seconds
	c.n++
	return p, c.dsn
}

// cut takes the cable's end out of the switch; the link stays up, so nobody is told.
func (c *cables) cut(t testing.TB, bench int) {
	t.Helper()
	c.hub.ip(t, fmt.Sprintf("link set port%d nomaster", bench))
}

func (c *cables) mend(t testing.TB, bench int) {
	t.Helper()
	c.hub.ip(t, fmt.Sprintf("link set port%d master hub", bench))
}

// proxies stand between benches and server in a network that cannot be cut.
type proxies struct {
	dsn string
	all []*labtest.Proxy
}

func (p *proxies) join(t testing.TB) (*place, string) {
	t.Helper()
	u, err := url.Parse(p.dsn)
	if err != nil {
		t.Fatal(err)
	}
	x := labtest.NewProxy(t, u.Host)
	p.all = append(p.all, x)
	u.Host = x.Addr()
	return newPlace(t, false), u.String()
}

func (p *proxies) cut(_ testing.TB, bench int)  { p.all[bench].Stop() }
func (p *proxies) mend(_ testing.TB, bench int) { p.all[bench].GoOn() }
