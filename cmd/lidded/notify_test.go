package main

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access/accesstest"
)

// serviceManager takes what a service sends.
func serviceManager(t *testing.T) <-chan string {
	dir, err := os.MkdirTemp("", "notify") // a socket's name must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	addr := &net.UnixAddr{Name: filepath.Join(dir, "s"), Net: "unixgram"}
	c, err := net.ListenUnixgram("unixgram", addr)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan string, 1000)
	done := make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 4096)
		for {
			n, err := c.Read(b)
			if err != nil {
				return
			}
			got <- string(b[:n])
		}
	}()
	t.Cleanup(func() { c.Close(); <-done })
	t.Setenv("NOTIFY_SOCKET", addr.Name)
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	t.Setenv("WATCHDOG_USEC", strconv.Itoa(int((60 * time.Millisecond).Microseconds())))
	return got
}

// next waits for a message.
func next(t *testing.T, got <-chan string) string {
	t.Helper()
	select {
	case m := <-got:
		return m
	case <-time.After(20 * time.Second):
		t.Fatal("no message within 20 s")
		return ""
	}
}

// skip waits for a message other than the one given.
func skip(t *testing.T, got <-chan string, other string) string {
	t.Helper()
	for {
		if m := next(t, got); m != other {
			return m
		}
	}
}

// TestNotify: ready once it answers, alive as long as it answers, silent when it
// does not, alive while it stops.
func TestNotify(t *testing.T) {
	got := serviceManager(t)
	var sick atomic.Bool
	asked := make(chan struct{}, 1000)
	sick.Store(true)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if sick.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		asked <- struct{}{}
	}))
	defer srv.Close()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	done := notifyService(ctx, srv.URL, zap.NewNop())
	for range 3 {
		<-asked
	}
	select {
	case m := <-got:
		t.Fatalf("%q before the daemon answers", m)
	default:
	}
	sick.Store(false)
	if m := next(t, got); m != "READY=1" {
		t.Fatalf("first %q", m)
	}
	for range 3 {
		if m := next(t, got); m != "WATCHDOG=1" {
			t.Fatalf("then %q", m)
		}
	}
	sick.Store(true)
	for len(asked) > 0 {
		<-asked
	}
	<-asked // this one may have been answered before
	<-asked
	for len(got) > 0 {
		<-got
	}
	<-asked
	<-asked
	select {
	case m := <-got:
		t.Errorf("%q from a daemon that does not answer", m)
	default:
	}
	stop()
	if m := skip(t, got, "WATCHDOG=1"); m != "STOPPING=1" {
		t.Errorf("at the end %q", m)
	}
	if m := next(t, got); m != "WATCHDOG=1" {
		t.Errorf("while stopping %q", m)
	}
	done()
}

// TestServeNotifies: the daemon itself does so, whatever it wants of those who
// ask it.
func TestServeNotifies(t *testing.T) {
	for name, keys := range map[string]string{
		"to anybody":                "",
		"with a token, over TLS":    ", auth: required, web_config: web.yaml",
		"to those with certificate": ", web_config: client.yaml",
	} {
		t.Run(name, func(t *testing.T) { notifies(t, keys) })
	}
}

func notifies(t *testing.T, keys string) {
	got := serviceManager(t)
	dir := t.TempDir()
	certs := accesstest.New(t, dir)
	newToken(t, filepath.Join(dir, "lidded.db.tokens"), "night", "read")
	web, err := os.ReadFile(certs.WebConfig)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "client.yaml"), append(web, "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: ca.pem\n"...), 0o600); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "lidded.yaml")
	text := strings.Replace(goodConfig[:strings.Index(goodConfig, "schedules:")], "benches:", "daemon: {listen: \"127.0.0.1:0\""+keys+"}\nbenches:", 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan int, 1)
	log := &strings.Builder{}
	go func() { ended <- run(ctx, []string{"serve", "-c", path}, log, log) }()
	if m := next(t, got); m != "READY=1" {
		t.Errorf("first %q", m)
	}
	if m := next(t, got); m != "WATCHDOG=1" {
		t.Errorf("then %q", m)
	}
	stop()
	if m := skip(t, got, "WATCHDOG=1"); m != "STOPPING=1" {
		t.Errorf("at the end %q", m)
	}
	select {
	case <-ended: // its sources cannot be reached: whether that is an error is not the matter here
	case <-time.After(2 * time.Minute):
		t.Fatal("does not end")
	}
}
