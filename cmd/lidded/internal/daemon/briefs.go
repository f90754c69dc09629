package daemon

import (
	"context"
	"sync"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

var _ rest.Briefs = (*briefs)(nil)

// briefs remembers what ended runs found, in short, the last used first. One run
// at a time is worked out, by serve, whoever asks; the memory is bounded by the
// number of rows.
type briefs struct {
	judge *judge
	most  int // rows

	mu    sync.Mutex
	known map[sweep.RunID]*brief
	order []*brief // the longest unused first
	rows  int
	queue []*brief
	wake  chan struct{}
}

// brief is what is known of a run.
type brief struct {
	id    sweep.RunID
	done  chan struct{} // closed when the rest is filled in
	found map[string]*sweep.Brief
	rows  int
	err   error
}

func newBriefs(j *judge, mostRows int) *briefs {
	return &briefs{judge: j, most: mostRows, known: map[sweep.RunID]*brief{}, wake: make(chan struct{}, 1)}
}

// Of gives, for each run, what it found of the specimen; nil where that is not
// worked out by the time the context ends. A run that goes on is judged as it
// stands.
func (b *briefs) Of(ctx context.Context, specimen string, runs []sweep.RunInfo) ([]*sweep.Brief, error) {
	waiting := make([]*brief, len(runs))
	for i, r := range runs {
		if r.State.Final() {
			waiting[i] = b.ask(r.ID)
		}
	}
	out := make([]*sweep.Brief, len(runs))
	for i, r := range runs {
		if waiting[i] == nil {
			e, err := b.judge.Evaluation(ctx, r.ID)
			if err != nil {
				if ctx.Err() != nil {
					continue
				}
				return nil, err
			}
			out[i] = pick(briefsIn(e), specimen)
			continue
		}
		select {
		case <-waiting[i].done:
		default:
			select {
			case <-waiting[i].done:
			case <-ctx.Done():
				continue
			}
		}
		if err := waiting[i].err; err != nil {
			return nil, err
		}
		out[i] = pick(waiting[i].found, specimen)
	}
	return out, nil
}

// pick is what was found of a specimen; one that the run did not look at has no
// rows.
func pick(found map[string]*sweep.Brief, specimen string) *sweep.Brief {
	if f := found[specimen]; f != nil {
		return f
	}
	return &sweep.Brief{Specimen: specimen}
}

func briefsIn(e sweep.Evaluation) map[string]*sweep.Brief {
	found := map[string]*sweep.Brief{}
	for _, s := range e.Summaries {
		if f, ok := sweep.BriefOf(e, s.Specimen); ok {
			found[s.Specimen] = &f
		}
	}
	return found
}

// ask finds what is known of a run, or has it worked out.
func (b *briefs) ask(id sweep.RunID) *brief {
	b.mu.Lock()
	defer b.mu.Unlock()
	if k := b.known[id]; k != nil {
		b.useLocked(k)
		return k
	}
	k := &brief{id: id, done: make(chan struct{})}
	b.known[id] = k
	b.order = append(b.order, k)
	b.queue = append(b.queue, k)
	select {
	case b.wake <- struct{}{}:
	default:
	}
	return k
}

func (b *briefs) useLocked(k *brief) {
	for i, o := range b.order {
		if o == k {
			copy(b.order[i:], b.order[i+1:])
			b.order[len(b.order)-1] = k
			return
		}
	}
}

// serve works out what was asked for until the context ends.
func (b *briefs) serve(ctx context.Context) error {
	for {
		b.mu.Lock()
		var next *brief
		if len(b.queue) > 0 {
			next, b.queue = b.queue[0], b.queue[1:]
		}
		b.mu.Unlock()
		if next == nil {
			select {
			case <-ctx.Done():
				return nil
			case <-b.wake:
			}
			continue
		}
		e, err := b.judge.once(ctx, next.id)
		if ctx.Err() != nil {
			return nil
		}
		b.settle(next, e, err)
	}
}

// settle fills in what was found, and forgets the longest unused runs where there
// is too much to remember. An error is told to those who wait and not remembered.
func (b *briefs) settle(k *brief, e sweep.Evaluation, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	defer close(k.done)
	if k.err = err; err != nil {
		b.forgetLocked(k)
		return
	}
	k.found = briefsIn(e)
	for _, f := range k.found {
		k.rows += len(f.Rows)
	}
	b.rows += k.rows
	for b.rows > b.most && len(b.order) > 1 {
		oldest := b.order[0]
		if oldest == k || oldest.found == nil {
			break
		}
		b.forgetLocked(oldest)
	}
}

func (b *briefs) forgetLocked(k *brief) {
	delete(b.known, k.id)
	b.rows -= k.rows
	for i, o := range b.order {
		if o == k {
			b.order = append(b.order[:i], b.order[i+1:]...)
			return
		}
	}
}
