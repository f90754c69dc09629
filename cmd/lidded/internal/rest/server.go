package rest

import (
	"container/list"
	"crypto/tls"
	"log"
	"net"
	"net/http"
	"sync"
	"time"

	"go.uber.org/zap"
)

// Limits of the HTTP server. A client that wants nothing costs little: idle
// connections beyond the number below are closed, the longest idle first, so
// that they can never use up the descriptors that links and the store need.
const (
	readHeadTime  = 5 * time.Second
	readTime      = 15 * time.Second
	writeTime     = 60 * time.Second
	idleTime      = 90 * time.Second
	largestHeader = 16 << 10
	mostIdle      = 256
	mostActive    = 512
)

// NewServer returns an HTTP server with sane limits for a handler of New. When
// it shuts down it ends the live streams of hub, which would never end by
// themselves.
func NewServer(h http.Handler, hub *Hub, log *zap.Logger) *http.Server {
	c := newConns(mostIdle, mostActive)
	srv := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: readHeadTime,
		ReadTimeout:       readTime,
		WriteTimeout:      writeTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    largestHeader,
		ConnState:         c.note,
		ErrorLog:          quiet(log),
	}
	if hub != nil {
		srv.RegisterOnShutdown(hub.Close)
	}
	return srv
}

// quiet lets the server's own messages through at debug level: they are about
// clients that went away or sent rubbish.
func quiet(l *zap.Logger) *log.Logger {
	if l == nil {
		l = zap.NewNop()
	}
	std, err := zap.NewStdLogAt(l.Named("http"), zap.DebugLevel)
	if err != nil {
		return nil
	}
	return std
}

// conns keeps the number of connections within bounds. Those that have not
// sent anything yet, or not since their last answer, are idle.
type conns struct {
	mostIdle, mostActive int

	mu     sync.Mutex
	idle   *list.List // of net.Conn, the longest idle first
	where  map[net.Conn]*list.Element
	active map[net.Conn]struct{}
}

func newConns(mostIdle, mostActive int) *conns {
	return &conns{mostIdle: mostIdle, mostActive: mostActive, idle: list.New(), where: map[net.Conn]*list.Element{}, active: map[net.Conn]struct{}{}}
}

// note follows a connection through its states.
func (c *conns) note(conn net.Conn, state http.ConnState) {
	if victim := c.move(conn, state); victim != nil {
		cut(victim)
	}
}

// cut closes a connection without a farewell: that of TLS would wait for a peer
// that does not read, and hold up whoever wants to come in meanwhile.
func cut(conn net.Conn) {
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	_ = conn.Close()
}

// move returns a connection to close, or nil.
func (c *conns) move(conn net.Conn, state http.ConnState) net.Conn {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.where[conn]; ok {
		c.idle.Remove(e)
		delete(c.where, conn)
	}
	delete(c.active, conn)
	switch state {
	case http.StateNew, http.StateIdle:
		c.where[conn] = c.idle.PushBack(conn)
		if c.idle.Len() > c.mostIdle {
			longest := c.idle.Front()
			c.idle.Remove(longest)
			victim, _ := longest.Value.(net.Conn)
			delete(c.where, victim)
			return victim
		}
	case http.StateActive:
		c.active[conn] = struct{}{}
		if len(c.active) > c.mostActive {
			return conn
		}
	}
	return nil
}
