package daemon

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// judge evaluates runs of an archive and remembers the last few, so that a
// page that asks every few seconds costs only what is new.
type judge struct {
	from Archive
	most int

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

func newJudge(s Archive, most int) *judge { return &judge{from: s, most: most} }

// Evaluation says what a run captured so far means.
func (j *judge) Evaluation(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	k, err := j.of(ctx, id)
	if err != nil {
		return sweep.Evaluation{}, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := k.catchUp(ctx, j.from); err != nil {
		return asItStood(ctx, j.from, id, err)
	}
	if k.fresh != k.seq || k.seq == 0 {
		k.last, k.fresh = k.eval.Evaluation(), k.seq
	}
	return k.last, nil
}

// Evidence says what the result of a point at a setting of the run stands on. Where
// the traces are away there is the result that was kept and nothing beside it.
func (j *judge) Evidence(ctx context.Context, id sweep.RunID, at sweep.Setting, point int) (sweep.Evidence, error) {
	k, err := j.of(ctx, id)
	if err != nil {
		return sweep.Evidence{}, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	away := k.catchUp(ctx, j.from)
	e, ok := k.eval.Evidence(at, point)
	if !ok {
		return e, &rest.NotFoundError{What: "point", Name: fmt.Sprintf("%d at %v", point, at)}
	}
	if away == nil {
		return e, nil
	}
	kept, err := asItStood(ctx, j.from, id, away)
	if err != nil {
		return e, err
	}
	e = sweep.Evidence{Point: e.Point}
	if i := slices.IndexFunc(kept.Results, func(r sweep.Result) bool { return r.At == at && r.Point == point }); i >= 0 {
		e.Result = &kept.Results[i]
	}
	return e, nil
}

// catchUp adds the captures that are new.
func (k *judged) catchUp(ctx context.Context, s Archive) error {
	for c, err := range s.CapturesAfter(ctx, k.id, k.seq) {
		if err != nil {
			return err
		}
		k.eval.Add(c)
		k.seq = c.Seq
	}
	return nil
}

// once is Evaluation of a run that is looked at once among many: what is known of
// it is used, but nothing is kept, so that the runs in hand stay known.
func (j *judge) once(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	j.mu.Lock()
	known := slices.ContainsFunc(j.known, func(k *judged) bool { return k.id == id })
	j.mu.Unlock()
	if known {
		return j.Evaluation(ctx, id)
	}
	run, err := j.from.Run(ctx, id)
	if err != nil {
		return sweep.Evaluation{}, err
	}
	return evaluate(ctx, j.from, run)
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
	run, err := j.from.Run(ctx, id)
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
