package daemon

import (
	"context"
	"sync"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store/recall"
	"lidded/sweep"
)

var _ rest.Briefs = (*briefs)(nil)

// briefs remembers what ended runs found, in short, the last used first. One run
// at a time is worked out, by serve, whoever asks; the memory is bounded by the
// number of rows. What ended for good is kept in a file beside it, where there is
// one, and read from there when it is asked for again.
type briefs struct {
	judge *judge
	most  int          // rows
	file  *recall.File // nil: none
	log   *zap.Logger

	mu    sync.Mutex
	known map[sweep.RunID]*brief
	order []*brief // the longest unused first
	rows  int
	queue []*brief
	wake  chan struct{}
}

// brief is what is known of a run.
type brief struct {
	id       sweep.RunID
	ended    bool // for good
	captures int  // of one that may go on: how many it is about
	done     chan struct{}
	found    map[string]*sweep.Brief // once done is closed
	rows     int
	err      error
}

func newBriefs(j *judge, mostRows int, file *recall.File, log *zap.Logger) *briefs {
	return &briefs{judge: j, most: mostRows, file: file, log: log, known: map[sweep.RunID]*brief{}, wake: make(chan struct{}, 1)}
}

// Of gives, for each run, what it found of the specimen; neither that nor an error
// where it is not worked out by the time the context ends. A run that goes on is
// judged as it stands.
func (b *briefs) Of(ctx context.Context, specimen string, runs []sweep.RunInfo) []rest.BriefOrWhy {
	waiting := make([]*brief, len(runs))
	for i, r := range runs {
		if !r.State.Busy() {
			waiting[i] = b.ask(r)
		}
	}
	out := make([]rest.BriefOrWhy, len(runs))
	for i, r := range runs {
		if k := waiting[i]; k != nil {
			out[i] = k.wait(ctx, specimen)
			continue
		}
		switch e, err := b.judge.Evaluation(ctx, r.ID); {
		case err == nil:
			out[i].Brief = pick(briefsIn(e), specimen)
		case ctx.Err() == nil:
			out[i].Err = err
		}
	}
	return out
}

// wait waits for what was found, or the end of the context.
func (k *brief) wait(ctx context.Context, specimen string) (out rest.BriefOrWhy) {
	select {
	case <-k.done:
	default:
		select {
		case <-k.done:
		case <-ctx.Done():
			return out
		}
	}
	if k.err != nil {
		return rest.BriefOrWhy{Err: k.err}
	}
	return rest.BriefOrWhy{Brief: pick(k.found, specimen)}
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
func (b *briefs) ask(r sweep.RunInfo) *brief {
	b.mu.Lock()
	defer b.mu.Unlock()
	if k := b.known[r.ID]; k != nil {
		if k.ended || k.captures == r.Captures && !r.State.Final() {
			b.useLocked(k)
			return k
		}
		b.forgetLocked(k) // it went on meanwhile
	}
	k := b.addLocked(r.ID)
	k.ended, k.captures = r.State.Final(), r.Captures
	b.queue = append(b.queue, k)
	select {
	case b.wake <- struct{}{}:
	default:
	}
	return k
}

// tell takes in what a run that ended found.
func (b *briefs) tell(id sweep.RunID, e sweep.Evaluation) {
	b.mu.Lock()
	if old := b.known[id]; old != nil {
		b.forgetLocked(old)
	}
	k := b.addLocked(id)
	k.ended = true
	b.mu.Unlock()
	found := briefsIn(e)
	b.keep(context.Background(), id, found)
	b.settle(k, found, nil)
}

// workOut finds what a run found in the file, or has it judged.
func (b *briefs) workOut(ctx context.Context, k *brief) (map[string]*sweep.Brief, error) {
	if k.ended {
		found, known, err := b.file.Find(ctx, k.id)
		if known {
			return found, nil
		}
		if err != nil && ctx.Err() == nil {
			b.log.Warn("what runs found cannot be read back; it is worked out again", zap.Error(err))
		}
	}
	e, err := b.judge.once(ctx, k.id)
	if err != nil {
		return nil, err
	}
	found := briefsIn(e)
	if k.ended {
		b.keep(ctx, k.id, found)
	}
	return found, nil
}

// keep puts into the file what a run found. What stands on results kept from
// before, because the traces are away, stays out: they may come back.
func (b *briefs) keep(ctx context.Context, id sweep.RunID, found map[string]*sweep.Brief) {
	if b.file == nil {
		return
	}
	if k, keeps := b.judge.from.(kept); keeps {
		if _, pruned, err := k.Pruned(ctx, id); err != nil || pruned {
			return
		}
	}
	if err := b.file.Keep(ctx, id, found); err != nil && ctx.Err() == nil {
		b.log.Warn("what a run found cannot be kept; it is worked out again when it is asked for", zap.String("run", string(id)), zap.Error(err))
	}
}

func (b *briefs) addLocked(id sweep.RunID) *brief {
	k := &brief{id: id, done: make(chan struct{})}
	b.known[id] = k
	b.order = append(b.order, k)
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
		found, err := b.workOut(ctx, next)
		if ctx.Err() != nil {
			return nil
		}
		b.settle(next, found, err)
	}
}

// settle fills in what was found, and forgets the longest unused runs where there
// is too much to remember. An error is told to those who wait and not remembered.
func (b *briefs) settle(k *brief, found map[string]*sweep.Brief, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	defer close(k.done)
	if k.err = err; err != nil {
		b.forgetLocked(k)
		return
	}
	k.found = found
	if b.known[k.id] != k {
		return // a newer one took its place
	}
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
	if b.known[k.id] == k {
		delete(b.known, k.id)
	}
	b.rows -= k.rows
	k.rows = 0
	for i, o := range b.order {
		if o == k {
			b.order = append(b.order[:i], b.order[i+1:]...)
			return
		}
	}
}
