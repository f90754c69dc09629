package daemon

import (
	"context"
	"net/http"
	"slices"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store"
	"lidded/sweep"
	"lidded/sweep/report/document"
)

// RecordsOptions of Records; all may be left out.
type RecordsOptions struct {
	Software string
	// Makings knows how specimens are made.
	Makings rest.Makings
	// Facts are stated after the runs, for their reports.
	Facts document.Facts
	Log   *zap.Logger
}

// Records serves what a store holds, without a daemon and without a bench: the
// same routes that a daemon has for what was kept, and nothing else. The caller
// calls done when it needs them no more; the store stays the caller's.
func Records(s *store.Store, o RecordsOptions) (h http.Handler, done func(), err error) {
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	j := newJudge(s, judgesKept)
	many := newBriefs(j, briefRowsKept, nil, o.Log)
	h, err = rest.New(rest.Options{
		Version: o.Software, Records: s, Judge: j, Specimens: stored{s}, Makings: o.Makings, Briefs: many,
		Exports: exports(s, j, o.Facts), Log: o.Log,
	})
	if err != nil {
		return nil, nil, err
	}
	ctx, end := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = many.serve(ctx)
	}()
	return h, func() { end(); <-ended }, nil
}

// stored are the specimens of a store: those that its runs have.
type stored struct{ *store.Store }

func (s stored) Specimens(ctx context.Context) ([]sweep.Specimen, error) {
	runs, err := s.Runs(ctx, sweep.RunFilter{})
	if err != nil {
		return nil, err
	}
	var names []string
	for _, r := range runs {
		names = append(names, r.Specimens...)
	}
	slices.Sort(names)
	return withNames(nil, slices.Compact(names)), nil
}

// withNames adds specimens of which nothing but the name is known.
func withNames(list []sweep.Specimen, names []string) []sweep.Specimen {
	list = slices.Clone(list)
	for _, name := range names {
		if !slices.ContainsFunc(list, func(s sweep.Specimen) bool { return s.Name == name }) {
			list = append(list, sweep.Specimen{Name: name})
		}
	}
	return list
}
