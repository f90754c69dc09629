package access

import (
	"container/list"
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Limit is how often something may happen: so many at once, then so many a
// second.
type Limit struct {
	PerSecond float64
	Burst     int
}

// The limits of a gate that are used unless others are given. A page with its
// live stream asks a few times a second, a script that polls hard some dozens.
var (
	LimitFailures = Limit{PerSecond: 1.0 / 6, Burst: 10} // refused tokens of one address
	LimitRequests = Limit{PerSecond: 50, Burst: 200}     // requests of one token, or of one address without a token
)

// mostKept bounds how many addresses and tokens are remembered; those not heard
// of for longest are forgotten first.
const mostKept = 4096

// limiter keeps one allowance per key.
type limiter struct {
	limit Limit

	mu    sync.Mutex
	order *list.List // of *allowance, the last used first
	keys  map[string]*list.Element
}

type allowance struct {
	key string
	*rate.Limiter
}

func newLimiter(l Limit) *limiter {
	return &limiter{limit: l, order: list.New(), keys: map[string]*list.Element{}}
}

// take uses one of the key's allowance; where none is left it returns how long
// to wait.
func (l *limiter) take(key string, now time.Time) (wait time.Duration) {
	r := l.of(key).ReserveN(now, 1)
	if wait = r.DelayFrom(now); wait > 0 {
		r.CancelAt(now)
	}
	return wait
}

func (l *limiter) of(key string) *rate.Limiter {
	l.mu.Lock()
	defer l.mu.Unlock()
	if e, ok := l.keys[key]; ok {
		l.order.MoveToFront(e)
		return e.Value.(*allowance).Limiter
	}
	a := &allowance{key, rate.NewLimiter(rate.Limit(l.limit.PerSecond), l.limit.Burst)}
	l.keys[key] = l.order.PushFront(a)
	if l.order.Len() > mostKept {
		last := l.order.Back()
		l.order.Remove(last)
		delete(l.keys, last.Value.(*allowance).key)
	}
	return a.Limiter
}

// clientOf is the address that a connection comes from. Of IPv6 it is the
// network of 64 bits, since a host has as many addresses there as it likes.
func clientOf(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return remote
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		if p, err := a.Prefix(64); err == nil {
			return p.String()
		}
	}
	return a.String()
}
