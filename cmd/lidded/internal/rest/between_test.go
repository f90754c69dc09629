package rest_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver/unit"
	"lidded/sweep"
)

func twoBenches(t *testing.T) (*rig, *resttest.Annexe) {
	d := resttest.New("depot", "annexe", "idle")
	a := &resttest.Annexe{Depot: d}
	return serve(t, d, func(o *rest.Options) { o.Judge = a }), a
}

// ran starts a run on a bench and lets it end.
func (g *rig) ran(t *testing.T, bench, plan string) string {
	t.Helper()
	id := g.started(t, bench, plan)
	g.Finish(bench)
	return id
}

func (g *rig) started(t *testing.T, bench, plan string) string {
	t.Helper()
	a := g.do(t, "POST", "/v1/runs", fmt.Sprintf(`{"bench":%q,"plan":%q,"specimens":["locker-mesh"],"door_cycle":4}`, bench, plan))
	if a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	return fmt.Sprint(a.object(t)["id"])
}

func TestBetweenBenches(t *testing.T) {
	g, a := twoBenches(t)
	const path = "/v1/specimens/locker-mesh/benches"
	if none := got[rest.BenchComparison](t, g, path); none.Against != "" || len(none.Benches) != 0 || len(none.Pairs) != 0 {
		t.Errorf("never measured: %+v", none)
	}
	old := g.ran(t, "depot", "locker")
	here := g.ran(t, "depot", "quick")
	if one := got[rest.BenchComparison](t, g, path); one.Against != "depot" || len(one.Benches) != 1 || one.Benches[0].Run != here || len(one.Pairs) != 0 {
		t.Errorf("one bench: %+v", one)
	}
	there := g.ran(t, "annexe", "quick")

	all := got[rest.BenchComparison](t, g, path)
	if all.Specimen != "locker-mesh" || all.Against != "annexe" || len(all.Benches) != 2 || all.Benches[0].Run != there || *all.Benches[1].DoorCycle != 4 || len(all.Pairs) != 1 || all.Method == "" || all.Independence == "" {
		t.Fatalf("%+v", all)
	}
	p := got[rest.BenchComparison](t, g, path+"?against=depot").Pairs[0]
	if p.Bench != "annexe" || p.Against != "depot" || len(p.Rows) != 3 || p.Counts != (rest.BenchCounts{Agree: 1, Differ: 2}) {
		t.Fatalf("%+v", p)
	}
	first, bound := p.Rows[0], p.Rows[1]
	// U is 2.4 dB on both: 6 dB is −6/(2.4·√2) = −1.768.
	if d := first.Difference; first.Verdict != "differs" || d.Relation != "=" || d.By != -6 || *d.En != -1.768 || *d.U != 3.394 || *first.Bench.U != 2.4 || first.Freq != 40e6 {
		t.Errorf("%+v %+v", first, d)
	}
	if d := bound.Difference; bound.Verdict != "differs" || d.Relation != ">=" || d.En != nil || d.U != nil || bound.Bench.SE.Relation != ">=" || bound.Bench.SE.High != nil || bound.Bench.U != nil || bound.Reason == "" {
		t.Errorf("%+v %+v", bound, d)
	}
	if r := first.Reference; r.By != -5 || *r.Equal != -5 || r.U != nil || *first.Bench.Source != 0 || *first.Bench.PathLoss != 45 || *first.Bench.Stated != 40 || *first.Against.PathLoss != 40 {
		t.Errorf("%+v %+v", r, first.Bench)
	}
	if !p.RefEqual || *p.RefMedian != -5 || p.RefMost.By != -5 || !strings.Contains(p.Reference, "5.0 dB lower") || p.Largest.Relation != ">=" || p.Largest.Freq != 160e6 {
		t.Errorf("%+v %+v %s", p.RefMost, p.Largest, p.Reference)
	}
	if p.Values.Of != 2 || p.Values.Differ != 1 || p.Values.Expected != 0.1 && p.Values.Expected < 0.0999 || p.Bounds.Of != 1 || !strings.Contains(p.Sentences[0], "annexe against depot: of 3 frequencies 1 agree, 2 differ") {
		t.Errorf("%+v %+v %s", p.Values, p.Bounds, p.Sentences)
	}
	if len(p.Shared) != 2 { // the depot's make-believe instruments are the same on every bench
		t.Errorf("shared %q", p.Shared)
	}

	if c := got[rest.BenchComparison](t, g, path+"?run="+old); c.Benches[1].Run != old || c.Benches[0].Run != there || len(c.Pairs[0].Rows) <= 3 {
		t.Errorf("a chosen run: %+v", c.Benches)
	}
	if c := got[rest.BenchComparison](t, g, path+"?plan=locker"); len(c.Benches) != 1 || c.Benches[0].Run != old {
		t.Errorf("of a plan: %+v", c.Benches)
	}
	if c := got[rest.BenchComparison](t, g, path+"?bench=depot"); len(c.Benches) != 1 || c.Benches[0].Bench != "depot" {
		t.Errorf("of one bench: %+v", c.Benches)
	}
	if c := got[rest.BenchComparison](t, g, path+"?bench=depot,annexe&freq_hz=40100000,5000000000&position=center&polarization=vertical"); len(c.Pairs[0].Rows) != 1 {
		t.Errorf("one frequency: %+v", c.Pairs[0].Rows)
	}
	if c := got[rest.BenchComparison](t, g, path+"?to="+all.Benches[0].Time.Format("2006-01-02T15:04:05Z")); len(c.Benches) != 1 {
		t.Errorf("before the annexe: %+v", c.Benches)
	}

	a.Torn = sweep.RunID(here)
	if c := got[rest.BenchComparison](t, g, path); len(c.Unreadable) != 1 || c.Unreadable[0].Run != here || c.Unreadable[0].Reason == "" || c.Benches[1].Run != old || len(c.Pairs) != 1 {
		t.Errorf("unreadable: %+v %+v", c.Unreadable, c.Benches)
	}

	g.do(t, "GET", "/v1/specimens/bread-bin/benches", "").problem(t, 404, "not-found")
	g.do(t, "GET", path+"?run=0195a000-0000-7000-8000-000000000099", "").problem(t, 404, "not-found")
	busy := g.started(t, "idle", "quick")
	for bad, cure := range map[string]string{
		"freq_hz=0": "give hertz above 0", "from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z": "swap or widen", "against=idle": "choose among annexe, depot",
		"position=roof": "choose among center", "polarization=oblique": "choose among vertical", "run=" + old + "," + here: "choose one",
		"run=" + busy: "choose one that was completed or stopped", "bench=annexe&run=" + here: "add it to bench",
	} {
		if said := fmt.Sprint(g.do(t, "GET", path+"?"+bad, "").problem(t, 422, "invalid")); !strings.Contains(said, cure) || !strings.Contains(said, "query.") {
			t.Errorf("%s: %s", bad, said)
		}
	}
	g.do(t, "GET", "/v1/specimens/locker-vent/benches?run="+here, "").problem(t, 422, "invalid")
	g.Fail("Runs", errors.New("the disk hums"))
	g.do(t, "GET", path, "").problem(t, 500, "internal")
}

// A run that cannot be read is listed, and the trend of the rest is answered.
func TestTrendWithoutARun(t *testing.T) {
	briefs := torn{}
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Briefs = briefs })
	var ids []string
	for range 3 {
		ids = append(ids, g.ran(t, "depot", "quick"))
	}
	briefs[sweep.RunID(ids[1])] = true
	all := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend")
	if all.Runs != 2 || len(all.Unreadable) != 1 || all.Unreadable[0].Run != ids[1] || all.Unreadable[0].Reason == "" || all.Pending != 0 || len(all.Frequencies[0].Series) != 2 {
		t.Errorf("%+v", all)
	}
}

// torn gives briefs of runs, some of which cannot be read.
type torn map[sweep.RunID]bool

func (x torn) Of(_ context.Context, specimen string, runs []sweep.RunInfo) []rest.BriefOrWhy {
	out := make([]rest.BriefOrWhy, len(runs))
	for i, r := range runs {
		if x[r.ID] {
			out[i].Err = errors.New("a page of the store is torn")
			continue
		}
		out[i].Brief = &sweep.Brief{Specimen: specimen, Rows: []sweep.BriefRow{
			{Freq: 100e6, Outcome: sweep.Measured, Reference: unit.DBm(-30), SE: sweep.SE{Relation: sweep.Equal, Value: 70, Low: 68, High: 72, U: 2}},
		}}
	}
	return out
}
