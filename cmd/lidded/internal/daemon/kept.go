package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"lidded/store"
	"lidded/sweep"
)

// evaluate judges a run from its captures. Where its traces left the store and
// their archive cannot be read, the results are those kept from before, with a
// note that says so.
func evaluate(ctx context.Context, s Archive, run sweep.Run) (sweep.Evaluation, error) {
	e := sweep.NewEvaluator(run)
	for c, err := range s.EachCapture(ctx, run.ID) {
		if err != nil {
			return asItStood(ctx, s, run.ID, err)
		}
		e.Add(c)
	}
	return e.Evaluation(), nil
}

// asItStood gives the results kept of a run whose traces are away; any other
// cause is given back.
func asItStood(ctx context.Context, s Archive, id sweep.RunID, cause error) (e sweep.Evaluation, err error) {
	k, keeps := s.(kept)
	if !keeps || store.KindOf(cause) != store.KindAway {
		return e, cause
	}
	p, pruned, err := k.Pruned(ctx, id)
	if err != nil || !pruned {
		return e, errors.Join(cause, err)
	}
	if err := json.Unmarshal(p.Evaluation, &e); err != nil {
		return e, errors.Join(cause, fmt.Errorf("results kept of run %s: %w", id, err))
	}
	e.Notes = append(e.Notes, fmt.Sprintf("as judged by lidded %s before %s: the archive with the traces is not to be read now", p.Software, p.At.Format("2006-01-02")))
	return e, nil
}

// frozen writes the results of a run such that reading them gives the same again.
func frozen(e sweep.Evaluation) (json.RawMessage, error) {
	text, err := json.Marshal(e)
	if err != nil {
		return nil, err
	}
	var back sweep.Evaluation
	if err := json.Unmarshal(text, &back); err != nil {
		return nil, err
	}
	again, err := json.Marshal(back)
	if err == nil && !bytes.Equal(text, again) {
		err = errors.New("the results read back differently")
	}
	return text, err
}
