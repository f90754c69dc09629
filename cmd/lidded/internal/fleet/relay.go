package fleet

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"strings"
	"sync"
	"time"

	"lidded/cmd/lidded/internal/rest"
)

// largestEvent bounds one event of a daemon's stream.
const largestEvent = 4 << 20

// relay passes the live events of all daemons on, with the caller's own token. The
// stream ends when one of theirs does or a daemon comes back, so that whoever
// listens opens it anew and looks at everything afresh, as after any gap.
func (f *Fleet) relay(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	select {
	case f.streams <- struct{}{}:
		defer func() { <-f.streams }()
	default:
		f.fail(w, &rest.UnavailableError{Message: "too many listen to live events already", Retry: 5 * time.Second})
		return
	}
	ctx, cancel := context.WithCancel(r.Context())
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	back := f.comesUp()
	open, refused := f.listen(ctx, r)
	if len(open) == 0 && refused != nil {
		f.give(w, r, refused.from, refused.resp)
		return
	}
	if refused != nil {
		refused.resp.Body.Close()
	}
	events, over := make(chan []byte), make(chan struct{}, len(open))
	for _, s := range open {
		wg.Go(func() {
			defer s.resp.Body.Close()
			defer context.AfterFunc(ctx, func() { s.resp.Body.Close() })()
			read(ctx, s.resp.Body, events)
			over <- struct{}{}
		})
	}
	out, ok := rest.OpenEvents(w)
	if !ok {
		return
	}
	beat := time.NewTicker(f.o.Beat)
	defer beat.Stop()
	for ok {
		select {
		case e := <-events:
			ok = out.Send(e)
		case <-beat.C:
			ok = out.Beat(r.Context())
		case <-over:
			ok = false
		case <-back:
			ok = false
		case <-ctx.Done():
			ok = false
		case <-f.ended.Done():
			ok = false
		}
	}
}

// stream is a daemon's answer to whoever wants its live events.
type stream struct {
	from *daemon
	resp *http.Response
}

// listen opens the streams of all daemons that are there; refused is what one of
// those said that give none.
func (f *Fleet) listen(ctx context.Context, r *http.Request) (open []stream, refused *stream) {
	got := make([]stream, len(f.daemons))
	var wg sync.WaitGroup
	for i, d := range f.daemons {
		if d.awayNow() != nil {
			continue
		}
		wg.Go(func() {
			// The time is for the answer to begin; the stream has no end.
			ctx, cancel := context.WithCancel(ctx)
			late := time.AfterFunc(lookTime, cancel)
			resp, err := f.send(ctx, r, d, nil)
			if !late.Stop() || err != nil {
				cancel()
				if err == nil {
					resp.Body.Close()
				}
				return
			}
			got[i] = stream{d, resp}
		})
	}
	wg.Wait()
	for _, s := range got {
		switch {
		case s.resp == nil:
		case s.resp.StatusCode == http.StatusOK && strings.HasPrefix(s.resp.Header.Get("Content-Type"), "text/event-stream"):
			open = append(open, s)
		case refused == nil:
			refused = &s
		default:
			s.resp.Body.Close()
		}
	}
	return open, refused
}

// read gives the events of a stream, each whole, until it ends. What only keeps
// the stream alive stays here.
func read(ctx context.Context, from io.Reader, events chan<- []byte) {
	lines := bufio.NewScanner(from)
	lines.Buffer(nil, largestEvent)
	var event bytes.Buffer
	named := false
	for lines.Scan() {
		line := lines.Bytes()
		if len(line) > 0 {
			if line[0] != ':' && event.Len() < largestEvent {
				event.Write(line)
				event.WriteByte('\n')
				named = named || bytes.HasPrefix(line, []byte("data:"))
			}
			continue
		}
		if named {
			event.WriteByte('\n')
			select {
			case events <- bytes.Clone(event.Bytes()):
			case <-ctx.Done():
				return
			}
		}
		event.Reset()
		named = false
	}
}
