package rest_test

import (
	"bufio"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// TestIdleConnections opens more connections than the server keeps, half of
// which never say a word: it closes the longest idle and goes on answering.
func TestIdleConnections(t *testing.T) {
	g := serve(t, resttest.New())
	const extra = 1000 - rest.MostIdle
	conns := make([]net.Conn, rest.MostIdle+extra)
	for i := range conns {
		c, err := net.Dial("tcp", strings.TrimPrefix(g.url, "http://"))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if i%2 == 1 {
			if _, err := c.Write([]byte("GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")); err != nil {
				t.Fatal(err)
			}
			res, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				t.Fatal(err)
			}
			res.Body.Close()
		}
		conns[i] = c
	}
	closed := func(c net.Conn) bool {
		if err := c.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
			return true
		}
		_, err := c.Read(make([]byte, 1))
		ne, ok := err.(net.Error)
		return err != nil && (!ok || !ne.Timeout())
	}
	eventually(t, "the longest idle is closed", func() bool { return closed(conns[0]) })
	eventually(t, "enough are closed", func() bool {
		n := 0
		for _, c := range conns {
			if closed(c) {
				n++
			}
		}
		return n >= extra
	})
	if closed(conns[len(conns)-1]) {
		t.Error("the newest connection was closed")
	}
	if a := g.do(t, "GET", "/healthz", ""); a.status != 200 {
		t.Errorf("%d %s", a.status, a.body)
	}
}

// TestIdleConnectionsOverTLS: those that never begin to speak TLS are closed like
// others, the longest idle first.
func TestIdleConnectionsOverTLS(t *testing.T) {
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = rest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}), nil, nil)
	srv.StartTLS()
	defer srv.Close()
	var conns []net.Conn
	for range rest.MostIdle + 20 {
		c, err := net.Dial("tcp", srv.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		conns = append(conns, c)
	}
	if err := conns[0].SetReadDeadline(time.Now().Add(rest.ReadHeadTime / 2)); err != nil {
		t.Fatal(err)
	}
	_, err := conns[0].Read(make([]byte, 1))
	if ne := net.Error(nil); err == nil || errors.As(err, &ne) && ne.Timeout() {
		t.Errorf("the longest idle is not closed: %v", err)
	}
	res, err := srv.Client().Get(srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
}

func TestServerHasLimits(t *testing.T) {
	s := rest.NewServer(http.NotFoundHandler(), nil, nil)
	if s.ReadHeaderTimeout <= 0 || s.ReadTimeout <= 0 || s.WriteTimeout <= 0 || s.IdleTimeout <= 0 || s.MaxHeaderBytes <= 0 {
		t.Errorf("a limit is missing: %+v", s)
	}
}

// TestLongHeaders: a head larger than the limit is refused, and the connection ends.
func TestLongHeaders(t *testing.T) {
	g := serve(t, resttest.New())
	c, err := net.Dial("tcp", strings.TrimPrefix(g.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	_, _ = c.Write([]byte("GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Long: " + strings.Repeat("x", 32<<10) + "\r\n\r\n"))
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("status %d", res.StatusCode)
	}
}
