package link

import (
	"io"
	"net"
	"os"
	"syscall"
	"time"
)

// NewChunkConn returns a Conn whose input is the chunks given, one for each
// read. After them every read times out, or ends if eof is set.
func NewChunkConn(chunks [][]byte, eof bool, opts Options) *Conn {
	c, err := newConn(Address{Scheme: SchemeTCP, Host: "chunks"}, opts.withDefaults(), &chunkTransport{chunks: chunks, eof: eof})
	if err != nil {
		panic(err)
	}
	return c
}

type chunkTransport struct {
	chunks [][]byte
	eof    bool
}

func (t *chunkTransport) Read(p []byte) (int, error) {
	if len(p) == 0 {
		panic("read into an empty buffer")
	}
	for len(t.chunks) > 0 && len(t.chunks[0]) == 0 {
		t.chunks = t.chunks[1:]
	}
	if len(t.chunks) == 0 {
		if t.eof {
			return 0, io.EOF
		}
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(p, t.chunks[0])
	t.chunks[0] = t.chunks[0][n:]
	return n, nil
}

func (t *chunkTransport) Write(p []byte) (int, error)           { return len(p), nil }
func (t *chunkTransport) Close() error                          { return nil }
func (t *chunkTransport) SetReadDeadline(time.Time) error       { return nil }
func (t *chunkTransport) SetWriteDeadline(time.Time) error      { return nil }
func (t *chunkTransport) SyscallConn() (syscall.RawConn, error) { return nil, nil }
func (t *chunkTransport) flushInput() error                     { return nil }
func (t *chunkTransport) abandon() error                        { return net.ErrClosed }
