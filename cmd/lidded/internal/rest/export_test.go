package rest

import "github.com/danielgtaylor/huma/v2"

// Document gives the tests the API description that answers must fit.
func Document(o Options) (*huma.OpenAPI, error) { return build(o, true).api.OpenAPI(), nil }

// SubscriberBuffer is how far a listener may be behind.
const SubscriberBuffer = subscriberBuffer

// Limits of connections, for the test that exceeds them.
const (
	MostIdle     = mostIdle
	ReadHeadTime = readHeadTime
)

// Subscribe gives a listener that does not go through HTTP; its channel is
// closed when it is dropped.
func Subscribe(h *Hub) <-chan *message {
	s, _ := h.subscribe("", "", true, 1000)
	return s.ch
}

// SubscribeTraces gives a listener that reads nothing; take empties what waits
// for it and says how many traces that was.
func SubscribeTraces(h *Hub) (take func() int) {
	s, _ := h.subscribe("", "", true, 1000)
	return func() int { return len(s.traces.take()) }
}
