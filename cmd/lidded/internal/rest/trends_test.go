package rest_test

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/driver/unit"
	"lidded/sweep"
)

// worn gives briefs of a locker: at 100 MHz it loses 6 dB after six runs, at 400 MHz
// only bounds are known, at 900 MHz nothing is claimed.
type worn struct{ working sweep.RunID }

func (w worn) Of(_ context.Context, specimen string, runs []sweep.RunInfo) []rest.BriefOrWhy {
	out := make([]rest.BriefOrWhy, len(runs))
	for i, r := range runs {
		if r.ID == w.working {
			continue
		}
		var n int
		if _, err := fmt.Sscanf(string(r.ID)[24:], "%d", &n); err != nil {
			out[i].Err = err
			continue
		}
		se := 70 + 0.2*math.Sin(float64(5*n))
		if n > 6 {
			se -= 6
		}
		out[i].Brief = &sweep.Brief{Specimen: specimen, Rows: []sweep.BriefRow{
			{Freq: 100e6, Outcome: sweep.Measured, Reference: unit.DBm(-30 + 0.1*math.Cos(float64(3*n))), SE: sweep.SE{Relation: sweep.Equal, Value: unit.DB(se), Low: unit.DB(se - 1.5), High: unit.DB(se + 1.5), U: 1.8}},
			{Freq: 400e6, Outcome: sweep.AtLeast, Reference: -32, SE: sweep.SE{Relation: sweep.AtLeastRelation, Value: 92, Low: 92, High: unit.DB(math.Inf(1))}},
			{Freq: 900e6, Outcome: sweep.AmbientHeard, Reference: unit.Missing()},
		}}
	}
	return out
}

func TestTrend(t *testing.T) {
	var briefs worn
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Briefs = &briefs })
	var ids []string
	for n := range 10 {
		a := g.do(t, "POST", "/v1/runs", fmt.Sprintf(`{"bench":"depot","plan":"quick","specimens":["locker-mesh"],"door_cycle":%d}`, 100*n))
		if a.status != http.StatusCreated {
			t.Fatalf("%d %s", a.status, a.body)
		}
		ids = append(ids, fmt.Sprint(a.object(t)["id"]))
		g.Finish("depot")
	}
	if one := got[rest.RunInfo](t, g, "/v1/runs/"+ids[3]); one.DoorCycle == nil || *one.DoorCycle != 300 {
		t.Errorf("door cycle %v", one.DoorCycle)
	}
	all := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend?freq_hz=100200000,400000000,900000000,5000000000")
	if len(all.Frequencies) != 3 || all.Runs != 10 || all.Pending != 0 || all.Specimen != "locker-mesh" {
		t.Fatalf("%+v", all)
	}
	f := all.Frequencies[0]
	if f.Freq != 100e6 || len(f.Series) != 10 || f.Series[0].Run != ids[0] || *f.Series[9].DoorCycle != 900 || f.Series[4].SE.Relation != "=" {
		t.Errorf("series %+v", f.Series)
	}
	c := f.SE.Change
	if c == nil || c.Kind != "fell" || c.Run != ids[6] || c.Relation != "=" || math.Abs(c.By-6) > 0.4 || *c.Low > 6 || *c.High < 6 || *f.SE.P > 0.05 || f.SE.FalseAlarm != 0.05 {
		t.Errorf("change %+v", c)
	}
	if p := f.SE.Proof; p == nil || p.Relation != ">=" || p.By < 2.5 || p.By > 3.3 {
		t.Errorf("proof %+v", p)
	}
	if f.SE.PerCycle == nil || *f.SE.PerCycle.High > 0 || !strings.HasPrefix(f.SE.Sentence, "fell by") {
		t.Errorf("per cycle %+v, %s", f.SE.PerCycle, f.SE.Sentence)
	}
	if f.Reference.Change != nil || f.Reference.Median.Level == nil || f.SE.Median.SE == nil || f.SE.Median.Level != nil {
		t.Errorf("reference %+v", f.Reference)
	}
	if b := all.Frequencies[1]; b.SE.Bounds != 10 || b.SE.Change != nil || b.SE.Median.Relation != ">=" || b.Series[0].SE.Relation != ">=" || b.Series[0].SE.High != nil || b.SE.Tested {
		t.Errorf("bounds %+v", b.SE)
	}
	if n := all.Frequencies[2]; n.SE.Values+n.SE.Bounds != 0 || n.Series[2].SE != nil || n.Series[2].Reference != nil || n.Series[2].Outcome != "ambient" || n.SE.Median != nil {
		t.Errorf("no claim %+v", n)
	}

	if usual := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend"); len(usual.Frequencies) != 2 || usual.Frequencies[0].Freq != 100e6 {
		t.Errorf("unasked %+v", usual.Frequencies)
	}
	if five := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend?limit=5&freq_hz=100000000"); five.Runs != 5 || five.Frequencies[0].Series[0].Run != ids[5] {
		t.Errorf("the newest five: %+v", five)
	}
	from, to := f.Series[2].Time.UTC().Format("2006-01-02T15:04:05Z"), f.Series[5].Time.UTC().Format("2006-01-02T15:04:05Z")
	if some := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend?freq_hz=100000000&from="+from+"&to="+to); len(some.Frequencies[0].Series) != 3 {
		t.Errorf("from %s to %s: %+v", from, to, some.Frequencies[0].Series)
	}
	briefs.working = sweep.RunID(ids[9])
	if some := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend"); some.Pending != 1 || some.Runs != 9 {
		t.Errorf("pending %d", some.Pending)
	}
	if none := got[rest.Trends](t, g, "/v1/specimens/locker-vent/trend"); len(none.Frequencies) != 0 || none.Runs != 0 {
		t.Errorf("of a locker never measured: %+v", none)
	}
	g.do(t, "GET", "/v1/specimens/bread-bin/trend", "").problem(t, 404, "not-found")
	for _, bad := range []string{"freq_hz=0", "freq_hz=x", "from=yesterday", "from=" + to + "&to=" + from, "false_alarm=0.9"} {
		g.do(t, "GET", "/v1/specimens/locker-mesh/trend?"+bad, "").problem(t, 422, "invalid")
	}
}

// Nights that were aborted or failed are no part of a trend, a stopped one is.
func TestTrendTakesRunsThatCount(t *testing.T) {
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Briefs = worn{} })
	for _, order := range []string{"stop", "abort"} {
		id := g.begin(t, "quick", `"locker-mesh"`)
		if a := g.do(t, "POST", "/v1/runs/"+id+"/"+order, ""); a.status != http.StatusAccepted {
			t.Fatalf("%d %s", a.status, a.body)
		}
		g.Finish("depot")
	}
	if all := got[rest.Trends](t, g, "/v1/specimens/locker-mesh/trend"); all.Runs != 1 {
		t.Errorf("%d runs count", all.Runs)
	}
}
