package rest

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/between"
	"lidded/sweep/trend"
)

const (
	benchRunsPage  = 500 // runs read at a time in search of the newest of each bench
	benchRunsPages = 20
	benchTries     = 3 // newest runs of a bench that are asked for a result of the specimen
)

type betweenQuery struct {
	Name         string    `path:"name" maxLength:"100" doc:"Name of the specimen"`
	Bench        []string  `query:"bench" maxItems:"20" doc:"Only these benches, separated by commas"`
	Against      string    `query:"against" maxLength:"100" doc:"The bench that the others are held against; left out: the first by name"`
	Run          []string  `query:"run" maxItems:"20" doc:"Runs, separated by commas, each in place of the newest of its bench"`
	Plan         string    `query:"plan" maxLength:"100" doc:"Only runs of this plan"`
	From         time.Time `query:"from" maxLength:"40" doc:"Only runs created at or after this time"`
	To           time.Time `query:"to" maxLength:"40" doc:"Only runs created before this time"`
	Position     string    `query:"position" maxLength:"100" doc:"Only this position"`
	Polarization string    `query:"polarization" maxLength:"100" doc:"Only this polarization"`
	Freq         []float64 `query:"freq_hz" maxItems:"20" doc:"Only these frequencies, separated by commas, within 0.5 %"`
}

func (s *server) betweenRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "compare-benches", Method: http.MethodGet, Path: "/v1/specimens/{name}/benches", Tags: []string{"records"},
		Summary: "Compare a specimen between benches",
		Description: "The newest completed or stopped run of each bench that measured it, held against that of one bench: per setting and frequency both claims, their difference with the En score, and what they come to; " +
			"bounds count as bounds. Beside it the open reference levels, so that a bench whose path lost something is seen. A run that cannot be read is listed and the rest is answered.",
	}, s.between)
}

func (s *server) between(ctx context.Context, in *betweenQuery) (*body[BenchComparison], error) {
	freqs, err := frequencies(in.Freq)
	if err != nil {
		return nil, err
	}
	if err := checkSpan(in.From, in.To); err != nil {
		return nil, err
	}
	chosen, err := s.chosenRuns(ctx, in)
	if err != nil {
		return nil, err
	}
	newest, measured, err := s.newestRuns(ctx, in)
	if err != nil {
		return nil, err
	}
	if !measured && len(chosen) == 0 {
		if err := s.knownSpecimen(ctx, in.Name); err != nil {
			return nil, err
		}
	}
	for bench, run := range chosen {
		newest[bench] = []sweep.RunInfo{run}
	}
	var nights []between.Night
	unread := []UnreadRun{}
	for _, bench := range sorted(newest) {
		n, failed := s.firstNight(ctx, in.Name, newest[bench])
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		unread = append(unread, failed...)
		if n != nil {
			nights = append(nights, *n)
		}
	}
	if err := knownSetting(in, nights); err != nil {
		return nil, err
	}
	only := between.Choice{Position: in.Position, Polarization: sweep.Polarization(in.Polarization), Freqs: freqs}
	c, err := between.Specimen(in.Name, nights, in.Against, only)
	if err != nil {
		return nil, sweep.Problem{Path: "query.against", Message: err.Error()}
	}
	return bodyOf(benchComparisonOf(c, nights, unread)), nil
}

// chosenRuns are those asked for by id, by bench.
func (s *server) chosenRuns(ctx context.Context, in *betweenQuery) (map[string]sweep.RunInfo, error) {
	out := map[string]sweep.RunInfo{}
	for i, id := range in.Run {
		r, err := s.run(ctx, id)
		if err != nil {
			return nil, err
		}
		wrong := func(format string, args ...any) error {
			return sweep.Problem{Path: fmt.Sprintf("query.run[%d]", i), Message: fmt.Sprintf(format, args...)}
		}
		bench := r.Bench.Name
		switch {
		case !slices.ContainsFunc(r.Specimens, func(q sweep.Specimen) bool { return q.Name == in.Name }):
			return nil, wrong("run %s did not look at %s: choose one that did", id, in.Name)
		case !trend.Counts(sweep.RunInfo{State: r.State}):
			return nil, wrong("run %s is %v: choose one that was completed or stopped", id, r.State)
		case out[bench].ID != "":
			return nil, wrong("runs %s and %s are both of bench %s: choose one", out[bench].ID, id, bench)
		case len(in.Bench) > 0 && !slices.Contains(in.Bench, bench):
			return nil, wrong("run %s is of bench %s, which is not among those asked for: add it to bench", id, bench)
		}
		out[bench] = sweep.RunInfo{ID: r.ID, Bench: bench}
	}
	return out, nil
}

// newestRuns lists the newest runs that count of each bench, newest first, and
// whether there is any run of the specimen at all.
func (s *server) newestRuns(ctx context.Context, in *betweenQuery) (map[string][]sweep.RunInfo, bool, error) {
	out, measured := map[string][]sweep.RunInfo{}, false
	f := sweep.RunFilter{Specimen: in.Name, Plan: in.Plan, Limit: benchRunsPage}
	if len(in.Bench) == 1 {
		f.Bench = in.Bench[0]
	}
	for range benchRunsPages {
		all, err := s.Records.Runs(ctx, f)
		if err != nil {
			return nil, false, fmt.Errorf("list runs: %w", err)
		}
		for _, r := range all {
			measured = true
			if trend.Counts(r) && within(r.Created, in.From, in.To) && (len(in.Bench) == 0 || slices.Contains(in.Bench, r.Bench)) && len(out[r.Bench]) < benchTries {
				out[r.Bench] = append(out[r.Bench], r)
			}
		}
		if len(all) < f.Limit || all[len(all)-1].Created.Before(in.From) {
			break
		}
		f.Before = all[len(all)-1].ID
	}
	return out, measured, nil
}

// firstNight reads the first of the runs that says something of the specimen; those
// that cannot be read are told, and passed over.
func (s *server) firstNight(ctx context.Context, specimen string, runs []sweep.RunInfo) (*between.Night, []UnreadRun) {
	var unread []UnreadRun
	for _, r := range runs {
		n, err := s.night(ctx, r.ID)
		switch {
		case err != nil:
			unread = append(unread, UnreadRun{string(r.ID), problemOf(err, s.Log).Error()})
		case slices.ContainsFunc(n.Evaluation.Results, func(q sweep.Result) bool { return q.At.Specimen == specimen }):
			return &n, unread
		}
	}
	return nil, unread
}

func (s *server) night(ctx context.Context, id sweep.RunID) (n between.Night, err error) {
	if n.Run, err = s.Records.Run(ctx, id); err != nil {
		return n, err
	}
	if n.Evaluation, err = s.Judge.Evaluation(ctx, id); err != nil {
		return n, err
	}
	n.References, err = s.Records.CaptureList(ctx, id, sweep.CaptureFilter{Kind: sweep.Reference})
	return n, err
}

// knownSetting refuses a position or polarization that no run has.
func knownSetting(in *betweenQuery, nights []between.Night) error {
	var positions, polarizations []string
	for _, n := range nights {
		positions = append(positions, n.Run.Plan.Positions...)
		polarizations = append(polarizations, each(n.Run.Plan.Polarizations, func(p sweep.Polarization) string { return string(p) })...)
	}
	for _, q := range []struct {
		key, asked string
		known      []string
	}{{"position", in.Position, positions}, {"polarization", in.Polarization, polarizations}} {
		if q.asked != "" && len(nights) > 0 && !slices.Contains(q.known, q.asked) {
			slices.Sort(q.known)
			return sweep.Problem{Path: "query." + q.key, Message: fmt.Sprintf("no run has the %s %q: choose among %s", q.key, q.asked, strings.Join(slices.Compact(q.known), ", "))}
		}
	}
	return nil
}

// frequencies checks those of a query.
func frequencies(asked []float64) ([]unit.Hz, error) {
	for i, f := range asked {
		if !(f > 0) {
			return nil, sweep.Problem{Path: fmt.Sprintf("query.freq_hz[%d]", i), Message: fmt.Sprintf("%g is no frequency: give hertz above 0", f)}
		}
	}
	return each(asked, func(f float64) unit.Hz { return unit.Hz(f) }), nil
}

// checkSpan refuses a stretch of time that ends before it begins.
func checkSpan(from, to time.Time) error {
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return sweep.Problem{Path: "query.to", Message: "it is not after from: swap or widen them"}
	}
	return nil
}

func within(t, from, to time.Time) bool {
	return !t.Before(from) && (to.IsZero() || t.Before(to))
}

func sorted[K cmp.Ordered, V any](m map[K]V) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
