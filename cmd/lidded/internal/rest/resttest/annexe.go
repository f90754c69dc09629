package resttest

import (
	"context"
	"errors"

	"lidded/sweep"
)

// Annexe judges as the depot does, but for its bench of that name: the open path lost
// 5 dB, and what it says of a box is 6 dB lower at the first point and a bound far
// above at the second. One run, Torn, cannot be read.
type Annexe struct {
	*Depot
	Torn sweep.RunID
}

// Evaluation is the depot's, changed.
func (a *Annexe) Evaluation(ctx context.Context, id sweep.RunID) (sweep.Evaluation, error) {
	if id == a.Torn {
		return sweep.Evaluation{}, errors.New("a page of the store is torn")
	}
	e, err := a.Depot.Evaluation(ctx, id)
	if err != nil {
		return e, err
	}
	r, err := a.Run(ctx, id)
	if err != nil || r.Bench.Name != "annexe" {
		return e, err
	}
	for i := range e.Results {
		q := &e.Results[i]
		q.Reference = q.Reference.Add(-5)
		switch q.Point {
		case 0:
			q.SE.Value -= 6
		case 1:
			q.Outcome, q.SE = sweep.AtLeast, sweep.SE{Relation: sweep.AtLeastRelation, Value: 200, Low: 200}
		}
	}
	return e, nil
}
