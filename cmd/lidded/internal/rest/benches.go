package rest

import (
	"context"
	"fmt"
	"net/http"
	"sync"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
)

// BenchPath is the bench in a path; it is exported so that the framework can fill it.
type BenchPath struct {
	Name string `path:"name" maxLength:"100" doc:"Name of the bench"`
}

// BenchList lists benches.
type BenchList struct {
	Benches []Bench      `json:"benches"`
	Away    []AwayDaemon `json:"away,omitempty" doc:"On a lab server: daemons that did not answer"`
}

// order is what may come with an order.
type order struct {
	Operator string `json:"operator,omitempty" maxLength:"100" doc:"Who gives the order, for the journal"`
}

func (o *order) who(ctx context.Context) string {
	if o == nil {
		return who(ctx, "")
	}
	return who(ctx, o.Operator)
}

// SourceOff is what became of a source that was told to go off.
type SourceOff struct {
	Bench    string `json:"bench"`
	SourceOn bool   `json:"source_on" doc:"As read back"`
}

// SourceOffList lists sources that went off.
type SourceOffList struct {
	Benches []SourceOff `json:"benches"`
}

func (s *server) benchRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-benches", Method: http.MethodGet, Path: "/v1/benches", Tags: []string{"benches"},
		Summary: "List benches",
	}, func(ctx context.Context, _ *struct{}) (*body[BenchList], error) {
		all, err := s.benches(ctx)
		if err != nil {
			return nil, err
		}
		return bodyOf(BenchList{Benches: each(all, benchOf)}), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "get-bench", Method: http.MethodGet, Path: "/v1/benches/{name}", Tags: []string{"benches"},
		Summary: "Show a bench",
	}, func(ctx context.Context, in *BenchPath) (*body[Bench], error) {
		b, err := s.bench(ctx, in.Name)
		if err != nil {
			return nil, err
		}
		return bodyOf(benchOf(b)), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "source-off", Method: http.MethodPost, Path: "/v1/benches/{name}/source-off", Tags: []string{"benches"},
		Summary:     "Source off, now",
		Description: "Puts the bench's source into its safe state and answers when it reads back as off. A run in progress ends.",
	}, func(ctx context.Context, in *struct {
		BenchPath
		Body *order
	}) (*body[SourceOff], error) {
		b, err := s.bench(ctx, in.Name)
		if err != nil {
			return nil, err
		}
		if err := s.sourceOff(ctx, b.Bench.Name, in.Body.who(ctx)); err != nil {
			return nil, err
		}
		return bodyOf(SourceOff{b.Bench.Name, false}), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "all-sources-off", Method: http.MethodPost, Path: "/v1/source-off", Tags: []string{"benches"},
		Summary:     "All sources off, now",
		Description: "Does the same on every bench at once. One that cannot be confirmed off makes the whole answer an error that names it.",
	}, func(ctx context.Context, in *struct{ Body *order }) (*body[SourceOffList], error) {
		return s.allSourceOffList(ctx, in.Body.who(ctx))
	})
}

// benches lists the benches.
func (s *server) benches(ctx context.Context) ([]BenchNow, error) {
	all, err := s.Benches.All(ctx)
	if err != nil {
		return nil, fmt.Errorf("list benches: %w", err)
	}
	return all, nil
}

func (s *server) bench(ctx context.Context, name string) (BenchNow, error) {
	all, err := s.benches(ctx)
	if err != nil {
		return BenchNow{}, err
	}
	var known []string
	for _, b := range all {
		if b.Bench.Name == name {
			return b, nil
		}
		known = append(known, b.Bench.Name)
	}
	return BenchNow{}, &NotFoundError{What: "bench", Name: name, Known: known}
}

// sourceOff is carried through whether or not the client waits for it.
func (s *server) sourceOff(ctx context.Context, bench, who string) error {
	ctx, cancel := s.ordered(ctx)
	defer cancel()
	if err := s.Benches.SourceOff(ctx, bench, who); err != nil {
		p := kindSourceOn.of(fmt.Sprintf("the source of bench %s is not confirmed off: %s", bench, problemOf(err, s.Log).Error()))
		return p
	}
	return nil
}

func (s *server) allSourceOffList(ctx context.Context, who string) (*body[SourceOffList], error) {
	all, err := s.benches(ctx)
	if err != nil {
		return nil, err
	}
	errs := make([]error, len(all))
	var wg sync.WaitGroup
	for i, b := range all {
		wg.Go(func() { errs[i] = s.sourceOff(ctx, b.Bench.Name, who) })
	}
	wg.Wait()
	out := SourceOffList{[]SourceOff{}}
	var failed SourcesError
	for i, b := range all {
		if errs[i] != nil {
			failed.Where, failed.Why = append(failed.Where, b.Bench.Name), append(failed.Why, errs[i].Error())
			continue
		}
		out.Benches = append(out.Benches, SourceOff{b.Bench.Name, false})
	}
	if len(failed.Where) > 0 {
		return nil, &failed
	}
	return bodyOf(out), nil
}
