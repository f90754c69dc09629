package daemon

import (
	"context"
	"sync"

	"lidded/store"
	"lidded/sweep"
)

// judge evaluates runs from the store and remembers the last few, so that a
// page that asks every few seconds costs only what is new.
type judge struct {
	store *store.Store
	most  int

	mu    sync.Mutex
	known []*judged // the last used first
}

type judged struct {
	id  sweep.RunID
	run sweep.Run

	mu    sync.Mutex
	eval  *sweep.Evaluator
	seq   int // of the last capture added
	fresh int // seq that last stands for
	last  sweep.Evaluation
}

func newJudge(s *store.Store, most int) *judge { return &judge{store: s, most: most} }

// Evaluation says what a run captured so far means.
func (j *judge) Evaluation(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	k, err := j.of(ctx, id)
	if err != nil {
		return sweep.Evaluation{}, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	for c, err := range j.store.CapturesAfter(ctx, id, k.seq) {
		if err != nil {
			return asItStood(ctx, j.store, id, err)
		}
		k.eval.Add(c)
		k.seq = c.Seq
	}
	if k.fresh != k.seq || k.seq == 0 {
		k.last, k.fresh = k.eval.Evaluation(), k.seq
	}
	return k.last, nil
}

// of finds or makes the evaluator of a run.
func (j *judge) of(ctx context.Context, id sweep.RunID) (*judged, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for i, k := range j.known {
		if k.id == id {
			copy(j.known[1:i+1], j.known[:i])
			j.known[0] = k
			return k, nil
		}
	}
	run, err := j.store.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	k := &judged{id: id, run: run, eval: sweep.NewEvaluator(run)}
	j.known = append([]*judged{k}, j.known...)
	if len(j.known) > j.most {
		j.known = j.known[:j.most]
	}
	return k, nil
}
