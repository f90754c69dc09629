// Package labtest starts PostgreSQL for tests: Debian's server in a folder of
// its own, on loopback and a socket, as an unprivileged user, gone with the
// test's process.
//
// It owns that server and the databases in it. It installs nothing: without the
// server's programs a test is skipped, unless LIDDED_PEERS=required.
package labtest

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/store/lab"
)

// Server is a PostgreSQL server that can be killed and started again.
type Server struct {
	bin, dir string
	network  string // name space of the network it listens in; "": the test's
	host     string
	port     int
	uid, gid int // 0: the user of the test
	settings []string

	mu   sync.Mutex
	proc *os.Process
	done chan struct{}
}

// quick are settings for tests: nothing of theirs outlives them.
var quick = []string{"fsync=off", "synchronous_commit=off", "full_page_writes=off", "shared_buffers=64MB"}

var shared = sync.OnceValues(func() (*Server, error) { return newServer("", "127.0.0.1", quick...) })

// Main runs the tests of a package and stops the server that they shared.
func Main(m *testing.M) {
	code := m.Run()
	if started.Load() {
		if s, err := shared(); err == nil {
			s.Remove()
		}
	}
	os.Exit(code)
}

var started atomic.Bool

// errNone says that the server's programs are not here.
var errNone = errors.New("PostgreSQL is not installed: apt-get install postgresql")

// Shared is the server that the tests of a package share; it needs Main.
func Shared(t testing.TB) *Server {
	t.Helper()
	started.Store(true)
	s, err := shared()
	Need(t, err)
	return s
}

// Own is a server of the test's own, to be killed; settings are "name=value".
func Own(t testing.TB, host string, settings ...string) *Server {
	t.Helper()
	return OwnIn(t, "", host, settings...)
}

// OwnIn is Own in another name space of the network, named by its file, such as
// /proc/1/ns/net. Tests reach it by its socket.
func OwnIn(t testing.TB, network, host string, settings ...string) *Server {
	t.Helper()
	s, err := newServer(network, host, settings...)
	Need(t, err)
	t.Cleanup(s.Remove)
	return s
}

// Need skips the test when PostgreSQL is not there, and fails it for anything
// else, or when peers are required.
func Need(t testing.TB, err error) {
	t.Helper()
	if errors.Is(err, errNone) && os.Getenv("LIDDED_PEERS") != "required" {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// newServer makes a server in a new folder that listens on the host's address in
// a network, and starts it.
func newServer(network, host string, settings ...string) (*Server, error) {
	bins, err := filepath.Glob("/usr/lib/postgresql/*/bin")
	if err != nil || len(bins) == 0 {
		return nil, errNone
	}
	slices.Sort(bins)
	s := &Server{bin: bins[len(bins)-1], network: network, host: host, settings: settings}
	if os.Getuid() == 0 {
		u, err := user.Lookup("postgres")
		if err != nil {
			return nil, errNone
		}
		s.uid, _ = strconv.Atoi(u.Uid)
		s.gid, _ = strconv.Atoi(u.Gid)
	}
	if s.dir, err = os.MkdirTemp("", "labtest"); err != nil {
		return nil, err
	}
	if err := s.make(); err != nil {
		return nil, errors.Join(err, os.RemoveAll(s.dir))
	}
	return s, nil
}

func (s *Server) make() error {
	if s.uid != 0 {
		if err := os.Chown(s.dir, s.uid, s.gid); err != nil {
			return err
		}
	}
	init := exec.Command(filepath.Join(s.bin, "initdb"), "-D", s.data(), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
	init.Dir, init.SysProcAttr = s.dir, s.attr()
	if out, err := init.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w: %s", err, out)
	}
	hba := "local all all trust\nhost all all 0.0.0.0/0 trust\n" // reached over test networks alone
	if err := os.WriteFile(filepath.Join(s.data(), "pg_hba.conf"), []byte(hba), 0o644); err != nil {
		return err
	}
	l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", "0"))
	if err != nil {
		return err
	}
	s.port = l.Addr().(*net.TCPAddr).Port
	if err := l.Close(); err != nil {
		return err
	}
	return s.Start()
}

func (s *Server) data() string { return filepath.Join(s.dir, "data") }

func (s *Server) attr() *syscall.SysProcAttr {
	a := &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}
	if s.uid != 0 {
		a.Credential = &syscall.Credential{Uid: uint32(s.uid), Gid: uint32(s.gid)}
	}
	return a
}

// Start starts the server, and returns when it answers.
func (s *Server) Start() error {
	args := []string{"-D", s.data(), "-p", strconv.Itoa(s.port), "-k", s.dir, "-c", "listen_addresses=" + s.host, "-c", "max_connections=200"}
	for _, set := range s.settings {
		args = append(args, "-c", set)
	}
	log, err := os.OpenFile(filepath.Join(s.dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer log.Close()
	cmd := exec.Command(filepath.Join(s.bin, "postgres"), args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr, cmd.SysProcAttr = s.dir, log, log, s.attr()
	begun, done := make(chan error), make(chan struct{})
	go func() { // the server ends with the thread that started it
		runtime.LockOSThread()
		defer close(done)
		if err := enter(s.network); err != nil {
			begun <- err
			return
		}
		begun <- cmd.Start()
		if cmd.Process != nil {
			_ = cmd.Wait()
		}
	}()
	if err := <-begun; err != nil {
		return err
	}
	s.mu.Lock()
	s.proc, s.done = cmd.Process, done
	s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for tick := time.NewTicker(20 * time.Millisecond); ; {
		c, err := pgx.Connect(ctx, s.Socket("postgres"))
		if err == nil {
			tick.Stop()
			return c.Close(ctx)
		}
		select {
		case <-done:
			text, _ := os.ReadFile(filepath.Join(s.dir, "log"))
			return fmt.Errorf("postgres ended: %s", text)
		case <-ctx.Done():
			return fmt.Errorf("postgres does not answer: %w", err)
		case <-tick.C:
		}
	}
}

// Kill ends the server and every process of it with SIGKILL: nothing is written
// any more, and the recovery is left to the next start.
func (s *Server) Kill() {
	s.end(func(p *os.Process) {
		_ = p.Signal(syscall.SIGSTOP) // it starts no further process
		all := children(p.Pid)
		for _, pid := range all {
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
		_ = p.Kill()
		<-s.done
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for slices.ContainsFunc(all, alive) { // else the next one finds its memory in use
			<-tick.C
		}
	})
}

// end ends the server in a way.
func (s *Server) end(how func(*os.Process)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.proc != nil {
		how(s.proc)
		<-s.done
		s.proc = nil
	}
}

// Remove ends the server and removes its folder.
func (s *Server) Remove() {
	s.end(func(p *os.Process) { _ = p.Signal(syscall.SIGQUIT) })
	_ = os.RemoveAll(s.dir)
}

// Size is how much disk the server takes, in bytes.
func (s *Server) Size() (n int64) {
	_ = filepath.WalkDir(s.data(), func(_ string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			if i, err := d.Info(); err == nil {
				n += i.Size()
			}
		}
		return nil
	})
	return n
}

// DSN is a database's data source name over TCP, as a user; in another network,
// for whoever is there.
func (s *Server) DSN(database, user string) string {
	return fmt.Sprintf("postgres://%s@%s/%s?sslmode=disable", user, net.JoinHostPort(s.host, strconv.Itoa(s.port)), database)
}

// Socket is the same over the socket, as the owner.
func (s *Server) Socket(database string) string { return s.socket(database, "postgres") }

func (s *Server) socket(database, user string) string {
	return fmt.Sprintf("host=%s port=%d dbname=%s user=%s sslmode=disable", s.dir, s.port, database, user)
}

// Database is one database of a server.
type Database struct {
	Server     *Server
	Name       string
	Owner      string // data source names
	Ship, Read string
}

var count atomic.Int64

// Migrated makes a database with the lab's schema and the roles' logins, dropped
// when the test ends.
func (s *Server) Migrated(t testing.TB) Database {
	t.Helper()
	d := Database{Server: s, Name: fmt.Sprintf("lab%d", count.Add(1))}
	d.Owner, d.Ship, d.Read = s.DSN(d.Name, "postgres"), s.DSN(d.Name, "shipper"), s.DSN(d.Name, "reader")
	if s.network != "" {
		d.Owner, d.Read = s.socket(d.Name, "postgres"), s.socket(d.Name, "reader")
	}
	ctx := context.Background()
	s.exec(t, "postgres", `CREATE DATABASE `+d.Name)
	t.Cleanup(func() { s.drop(d.Name) })
	a, err := lab.NewAdmin(d.Owner)
	if err == nil {
		_, err = a.Migrate(ctx)
	}
	if err != nil {
		t.Fatal(err)
	}
	for login, ship := range map[string]bool{"shipper": true, "reader": false} {
		s.exec(t, d.Name, fmt.Sprintf(`DO $$ BEGIN CREATE ROLE %s LOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$`, login))
		if err := a.Allow(ctx, login, ship); err != nil {
			t.Fatal(err)
		}
	}
	return d
}

// Copy makes a database of the same contents under another name, as a backup
// would keep it; nobody may be connected.
func (s *Server) Copy(t testing.TB, from, to string) {
	t.Helper()
	s.drop(to)
	s.exec(t, "postgres", `SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '`+from+`'`)
	s.exec(t, "postgres", fmt.Sprintf(`CREATE DATABASE %s TEMPLATE %s`, to, from))
}

func (s *Server) drop(name string) {
	c, err := pgx.Connect(context.Background(), s.Socket("postgres"))
	if err != nil {
		return // the server is gone, and the database with it
	}
	defer c.Close(context.Background())
	_, _ = c.Exec(context.Background(), `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
}

func (s *Server) exec(t testing.TB, database, query string) {
	t.Helper()
	c, err := pgx.Connect(context.Background(), s.Socket(database))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(context.Background())
	if _, err := c.Exec(context.Background(), query); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
}
