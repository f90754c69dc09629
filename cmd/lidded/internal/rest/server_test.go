package rest_test

import (
	"bufio"
	"net"
	"net/http"
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
	const extra = 60
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
