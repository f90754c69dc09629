package daemon

import (
	"context"
	"sync"

	"lidded/sweep"
)

// backlog holds runs that ended until their results are handed on. Adding never
// waits and loses nothing.
type backlog struct {
	mu   sync.Mutex
	list []sweep.RunID
	more chan struct{} // full while something was added since the last take
}

func newBacklog() *backlog { return &backlog{more: make(chan struct{}, 1)} }

func (b *backlog) add(id sweep.RunID) {
	b.mu.Lock()
	b.list = append(b.list, id)
	b.mu.Unlock()
	select {
	case b.more <- struct{}{}:
	default:
	}
}

// take waits for runs and gives all there are, in the order in which they were
// added; none once the context has ended.
func (b *backlog) take(ctx context.Context) []sweep.RunID {
	select {
	case <-ctx.Done():
		return nil
	case <-b.more:
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.list
	b.list = nil
	return list
}
