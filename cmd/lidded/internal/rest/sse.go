package rest

import (
	"context"
	"net/http"
	"time"
)

// streamWrite is how long one write to a listener may take before it is given up.
const streamWrite = 5 * time.Second

// Events writes server-sent events to one client.
type Events struct {
	w  http.ResponseWriter
	rc *http.ResponseController
}

// OpenEvents begins a stream of events; false: the client is gone already.
func OpenEvents(w http.ResponseWriter) (*Events, bool) {
	e := &Events{w, http.NewResponseController(w)}
	// The stream outlives the limits that hold for ordinary requests.
	_ = e.rc.SetReadDeadline(time.Time{})
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	return e, e.Send([]byte("retry: 2000\n: live\n\n"))
}

// Send writes and flushes; false: the client is gone or too slow.
func (e *Events) Send(parts ...[]byte) bool {
	if err := e.rc.SetWriteDeadline(time.Now().Add(streamWrite)); err != nil {
		return false
	}
	for _, p := range parts {
		if _, err := e.w.Write(p); err != nil {
			return false
		}
	}
	return e.rc.Flush() == nil
}

// Beat keeps a quiet stream alive; false: the client is gone, or would not be let
// in any more.
func (e *Events) Beat(ctx context.Context) bool {
	return stillAdmitted(ctx) && e.Send([]byte(": alive\n\n"))
}
