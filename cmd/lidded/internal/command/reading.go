package command

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/daemon"
)

// reading is what a command reads from: a daemon or lab server, or a store with
// the same interface in this process.
type reading struct {
	connection
	path, file *string
	c          *cobra.Command
}

// readFlags adds the flags that name a store and those that name a daemon.
func readFlags(c *cobra.Command) reading {
	path, file := storeFlags(c)
	return reading{connection: connectFlags(c), path: path, file: file, c: c}
}

// asksDaemon says whether a daemon is read: it was named, or nothing names a store.
func (r reading) asksDaemon() bool {
	if r.c.Flags().Changed("url") {
		return true
	}
	if r.c.Flags().Changed("config") || r.c.Flags().Changed("store") {
		return false
	}
	_, err := os.Stat(*r.path)
	return errors.Is(err, fs.ErrNotExist)
}

// client is ready to read; done lets go of the store.
func (r reading) client(o daemon.RecordsOptions) (cl *Client, done func(), err error) {
	if r.asksDaemon() {
		cl, err = r.connection.client()
		if err != nil {
			return nil, nil, err
		}
		cl.orStore = true
		return cl, func() {}, nil
	}
	s, err := readStore(r.c, *r.path, *r.file)
	if err != nil {
		return nil, nil, err
	}
	o.Software = software()
	h, end, err := daemon.Records(s, o)
	if err != nil {
		return nil, nil, errors.Join(err, s.Close())
	}
	cl = &Client{Base: "http://localhost", from: "store " + s.Path(), HTTP: &http.Client{Transport: inProcess{h}}}
	return cl, func() { end(); _ = s.Close() }, nil // only read
}

// inProcess carries requests to a handler of this process.
type inProcess struct{ http.Handler }

// RoundTrip returns the handler's whole answer.
func (h inProcess) RoundTrip(r *http.Request) (*http.Response, error) {
	asked := r.Clone(r.Context())
	asked.Host, asked.RequestURI, asked.RemoteAddr = r.URL.Host, r.URL.RequestURI(), "127.0.0.1:0"
	if asked.Body == nil {
		asked.Body = http.NoBody
	}
	a := &answer{header: http.Header{}, status: http.StatusOK}
	cut := func() (cut bool) {
		defer func() {
			if v := recover(); v == http.ErrAbortHandler {
				cut = true
			} else if v != nil {
				panic(v)
			}
		}()
		h.ServeHTTP(a, asked)
		return false
	}()
	if err := r.Context().Err(); err != nil {
		return nil, err
	}
	if cut {
		return nil, io.ErrUnexpectedEOF
	}
	return &http.Response{
		Status: http.StatusText(a.status), StatusCode: a.status, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1,
		Header: a.header, Body: io.NopCloser(&a.body), ContentLength: int64(a.body.Len()), Request: r,
	}, nil
}

// answer keeps what a handler writes.
type answer struct {
	header  http.Header
	status  int
	written bool
	body    bytes.Buffer
}

func (a *answer) Header() http.Header { return a.header }

func (a *answer) WriteHeader(status int) {
	if !a.written {
		a.status, a.written = status, true
	}
}

// SetWriteDeadline is for handlers that give a slow listener so much time: this
// one is not slow.
func (a *answer) SetWriteDeadline(time.Time) error { return nil }

func (a *answer) Write(b []byte) (int, error) {
	a.written = true
	return a.body.Write(b)
}
