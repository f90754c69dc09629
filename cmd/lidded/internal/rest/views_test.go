package rest_test

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/store"
)

// got asks for something that must be there.
func got[T any](t *testing.T, g *rig, path string) T {
	t.Helper()
	a := g.do(t, "GET", path, "")
	if a.status != http.StatusOK {
		t.Fatalf("GET %s: %d %s", path, a.status, a.body)
	}
	var v T
	a.into(t, &v)
	return v
}

// pointOnWire is a point detail as a client reads it.
type pointOnWire struct {
	At       rest.Setting
	Point    rest.PlanPoint
	Strategy string
	Result   *rest.Result
	Budget   *rest.Budget
	Rungs    []rest.Rung
	Traces   []struct {
		Kind     string
		Capture  string
		SourceOn bool    `json:"source_on"`
		Start    float64 `json:"start_hz"`
		Stop     float64 `json:"stop_hz"`
		Points   int
		Values   []*float64 `json:"values_dbm"`
		Floor    *float64   `json:"floor_dbm"`
		Peak     *rest.TracePeak
	}
	Captures []struct {
		ID   string
		Kind string
	}
}

func TestPointDetail(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", `"locker-steel","locker-mesh"`)
	g.Finish("depot")
	p := got[pointOnWire](t, g, "/v1/runs/"+id+"/points/2?specimen=locker-mesh")
	if p.Point.Freq != 430e6 || p.Strategy != "adaptive" || p.At.Specimen != "locker-mesh" || p.At.Position == "" || p.At.Repeat != 1 {
		t.Errorf("point %+v at %+v by %s", p.Point, p.At, p.Strategy)
	}
	if p.Result == nil || p.Result.SE == nil || p.Result.At != p.At || len(p.Rungs) != 1 {
		t.Fatalf("result %+v, rungs %+v", p.Result, p.Rungs)
	}
	// The two entries add in squares: √(0.2² + 1.2²) dB, of which the larger is
	// 1.44/1.48 of the variance.
	b := p.Budget
	if b == nil || math.Abs(*b.Standard-math.Sqrt(1.48)) > 1e-9 || b.DoF != nil || len(b.Components) != 2 ||
		b.Components[0].Kind != "B" || b.Components[1].Kind != "A" || math.Abs(b.Components[0].Share-1.44/1.48) > 1e-9 || b.Components[0].Cancelled {
		t.Errorf("budget %+v", b)
	}
	kinds := map[string]bool{}
	for _, tr := range p.Traces {
		kinds[tr.Kind] = tr.SourceOn
		if len(tr.Values) != 101 || tr.Points != 101 || tr.Start >= tr.Stop || tr.Floor == nil || tr.Peak == nil || tr.Capture == "" {
			t.Errorf("trace %+v", tr)
		}
		if middle := (tr.Start + tr.Stop) / 2; tr.SourceOn && (tr.Peak.Level != -40 || math.Abs(tr.Peak.Freq-middle) > 1) {
			t.Errorf("the peak of %s is %+v, want -40 dBm in the middle", tr.Kind, tr.Peak)
		}
		if tr.Values[100] != nil {
			t.Errorf("a missing level of %s is %v", tr.Kind, *tr.Values[100])
		}
	}
	if fmt.Sprint(kinds) != "map[ambient:false closing:true enclosed:true off:false reference:true]" {
		t.Errorf("traces %v", kinds)
	}
	if len(p.Captures) != 4 {
		t.Errorf("captures %+v", p.Captures)
	}
}

// A point that was not captured yet has no claim and is no error; what does not
// exist names what does.
func TestPointDetailOfWhatIsNotThere(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", `"locker-steel","locker-mesh"`)
	p := got[pointOnWire](t, g, "/v1/runs/"+id+"/points/0?specimen=locker-mesh")
	if p.Result != nil || p.Budget != nil || len(p.Traces) != 0 || p.At.Position == "" {
		t.Errorf("of a point without captures: %+v", p)
	}
	for path, want := range map[string]struct {
		status     int
		kind, says string
	}{
		"/points/0":                                    {422, "invalid", "locker-steel"},
		"/points/0?specimen=bread-bin":                 {404, "not-found", "locker-mesh"},
		"/points/3?specimen=locker-mesh":               {404, "not-found", "the plan has 3"},
		"/points/0?specimen=locker-mesh&position=roof": {404, "not-found", "roof"},
		"/points/0?specimen=locker-mesh&repeat=2":      {404, "not-found", "the plan has 1"},
	} {
		a := g.do(t, "GET", "/v1/runs/"+id+path, "")
		if p := a.object(t); a.status != want.status || !strings.Contains(string(a.body), want.says) {
			t.Errorf("%s: %d %v, want %d with %q", path, a.status, p, want.status, want.says)
		}
	}
}

func TestExchanges(t *testing.T) {
	g := serve(t, resttest.New())
	x := got[rest.Exchanges](t, g, "/v1/benches/depot/exchanges")
	if x.Bench != "depot" || !x.Analyzer.Up || x.Analyzer.Identity.Serial != "A-17" || x.Analyzer.LastError != "" {
		t.Errorf("%+v", x.Analyzer)
	}
	if len(x.Analyzer.Said) != 5 { // a question, its answer; a command; a question, its block
		t.Fatalf("said %+v", x.Analyzer.Said)
	}
	answer, order, block := x.Analyzer.Said[1], x.Analyzer.Said[2], x.Analyzer.Said[4]
	if answer.Direction != "received" || *answer.Took != 0.003 || !answer.Time.Equal(resttest.Begin.Add(3*time.Millisecond)) || *answer.Bytes != 25 {
		t.Errorf("answer %+v", answer)
	}
	if order.Direction != "sent" || order.Text != "FREQ:CENT 4.3E8" || order.Took != nil {
		t.Errorf("order %+v", order)
	}
	if block.Text != "" || *block.Bytes != 40004 {
		t.Errorf("block %+v", block)
	}
	said := x.Source.Said
	if n := len([]rune(said[1].Text)); n != 200 {
		t.Errorf("a long answer is shown with %d characters", n)
	}
	if last := said[len(said)-1]; last.Error != "no reply within 10s" || x.Source.LastError != last.Error {
		t.Errorf("%+v, last error %q", last, x.Source.LastError)
	}
	g.do(t, "GET", "/v1/benches/shed/exchanges", "").problem(t, 404, "not-found")
}

func TestSchedulesAndDaemon(t *testing.T) {
	g := serve(t, resttest.New("depot", "boathouse"))
	s := got[struct{ Schedules []rest.Schedule }](t, g, "/v1/schedules").Schedules
	if len(s) != 2 || !s[0].Next.Equal(resttest.Begin.Add(24*time.Hour)) || !s[0].Missed.Equal(resttest.Begin.Add(-24*time.Hour)) || s[0].MissedWhy == "" || s[0].Last.State != "completed" || s[1].Missed != nil || s[1].Last != nil {
		t.Errorf("schedules %+v", s)
	}
	d := got[rest.Daemon](t, g, "/v1/daemon")
	if d.Version != "0.0.0-test" || *d.DiskFree != 12<<30 || *d.Store != 34<<20 || !d.Started.Equal(resttest.Begin) {
		t.Errorf("daemon %+v", d)
	}
	if fmt.Sprint(d.Guardians) != "[{depot standing by} {boathouse away}]" {
		t.Errorf("guardians %v", d.Guardians)
	}
	g.Fail("Disk", errors.New("no file system"))
	if d := got[rest.Daemon](t, g, "/v1/daemon"); d.DiskFree != nil || d.Store == nil {
		t.Errorf("a disk that is not known: %+v", d)
	}
}

// A preview says what a start would do and keys nothing; what a start would
// refuse is in it with place and cure.
func TestPreview(t *testing.T) {
	g := serve(t, resttest.New())
	ask := func(body string) rest.Preview {
		t.Helper()
		a := g.do(t, "POST", "/v1/previews", body)
		if a.status != http.StatusOK {
			t.Fatalf("%s: %d %s", body, a.status, a.body)
		}
		var p rest.Preview
		a.into(t, &p)
		return p
	}
	p := ask(`{"plan":"locker","specimens":["locker-steel","locker-mesh"],"operator":"Ada"}`)
	if !p.Accepted || len(p.Refusals) != 0 || len(p.Plan.Points) != 41 || len(p.Bands) != 1 {
		t.Fatalf("%+v", p)
	}
	sum, steps := 0.0, 0
	for _, part := range p.Parts {
		sum += part.Time
		steps += part.Steps
	}
	if math.Abs(sum-p.Time) > 1e-3 || steps+p.Holds != len(p.Steps) || p.Holds == 0 {
		t.Errorf("parts %+v of %g s, %d steps", p.Parts, p.Time, len(p.Steps))
	}
	b, least, far := p.Bands[0], math.Inf(1), 0.0
	for i, f := range p.Forecast {
		least, far = math.Min(least, *f.Range), math.Max(far, *p.Exposure.Points[i].Distance)
	}
	if b.From != 30e6 || math.Abs(b.To-1e9) > 1 || b.Points != 41 || *b.Range != least || *b.Distance != far || b.Provable.Relation != ">=" || *b.Required != 60 {
		t.Errorf("band %+v, want a range of %g dB and %g m", b, least, far)
	}
	if len(g.Orders()) != 0 || len(got[struct{ Runs []any }](t, g, "/v1/runs").Runs) != 0 {
		t.Error("a preview did something")
	}

	p = ask(`{"plan":"too-hot"}`)
	if p.Accepted || len(p.Refusals) == 0 {
		t.Fatalf("too hot: %+v", p.Refusals)
	}
	for _, r := range p.Refusals {
		if r.Path == "" || r.Cure == "" || !strings.HasSuffix(r.Message, r.Cure) {
			t.Errorf("refusal %+v", r)
		}
	}
	g.Link("depot", false, true)
	g.begin(t, "quick", `"locker-steel"`)
	p = ask(`{"plan":"quick"}`)
	if all := fmt.Sprint(p.Refusals); p.Accepted || !strings.Contains(all, "busy with run") || !strings.Contains(all, "the analyzer of bench depot is away") {
		t.Errorf("a busy bench whose analyzer is away: %s", all)
	}
	g.do(t, "POST", "/v1/previews", `{"plan":"nightly"}`).problem(t, 404, "not-found")
	g.do(t, "POST", "/v1/previews", `{"plann":"quick"}`).problem(t, 422, "invalid")
}

func TestRunExpectation(t *testing.T) {
	g := serve(t, resttest.New(), vented(t))
	id := finished(t, g)
	x := got[rest.RunExpectation](t, g, "/v1/runs/"+id+"/expectation?specimen=locker-vent")
	if !x.Known || x.Made != "steel, vented" || len(x.Points) != 41 || x.Validity == nil {
		t.Fatalf("%+v", x)
	}
	for i, p := range x.Points {
		if p.Point != i || p.Field != "plane wave" || *p.Low > *p.High {
			t.Errorf("point %+v", p)
		}
		if inside := p.Freq <= x.Validity.To || p.Freq >= x.Validity.ManyModes; p.Valid != inside {
			t.Errorf("at %g Hz valid is %v", p.Freq, p.Valid)
		}
	}
	x = got[rest.RunExpectation](t, g, "/v1/runs/"+id+"/expectation?specimen=locker-steel")
	if x.Known || len(x.Points) != 0 || !strings.Contains(x.Why, "made_of") {
		t.Errorf("of a locker nobody described: %+v", x)
	}
	g.do(t, "GET", "/v1/runs/"+id+"/expectation", "").problem(t, 422, "invalid")
}

func TestSpecimenResults(t *testing.T) {
	g := serve(t, resttest.New())
	var ids []string
	for range 3 {
		ids = append(ids, g.begin(t, "locker", `"locker-steel","locker-mesh"`))
		g.Finish("depot")
	}
	all := got[rest.RunBriefs](t, g, "/v1/specimens/locker-mesh/results?limit=2")
	if len(all.Runs) != 2 || all.Runs[0].Run != ids[2] || all.Next != ids[1] || all.Pending != 0 {
		t.Fatalf("%d runs, next %q", len(all.Runs), all.Next)
	}
	rest2 := got[rest.RunBriefs](t, g, "/v1/specimens/locker-mesh/results?limit=2&before="+all.Next)
	if len(rest2.Runs) != 1 || rest2.Runs[0].Run != ids[0] || rest2.Next != "" {
		t.Errorf("second page %+v", rest2)
	}
	// Each column says the same as the long form.
	long := got[struct{ Summaries []rest.Summary }](t, g, "/v1/runs/"+ids[2]+"/results?specimen=locker-mesh").Summaries[0]
	b := all.Runs[0]
	seen := map[string]int{}
	for i, w := range long.Worst {
		relation := ""
		if w.SE != nil {
			relation = w.SE.Relation
			if math.Abs(b.SE[i]-w.SE.Value) > 0.0006 {
				t.Errorf("row %d: %g dB, want %+v", i, b.SE[i], w.SE)
			}
		}
		seen[relation]++
		if b.Point[i] != w.Point || b.Freq[i] != w.Freq || b.Outcome[i] != w.Outcome || b.Relation[i] != relation || b.Verdicts[i] != w.Verdict || b.Reference[i] != -40 {
			t.Errorf("row %d: %g Hz, %s, %q, %s; want %+v", i, b.Freq[i], b.Outcome[i], b.Relation[i], b.Verdicts[i], w)
		}
	}
	if seen["="] == 0 || seen[""] == 0 {
		t.Errorf("the example shows %v", seen)
	}
	if one := got[rest.RunBriefs](t, g, "/v1/specimens/locker-vent/results"); len(one.Runs) != 0 {
		t.Errorf("of a locker never measured: %+v", one)
	}
	g.Fail("Evaluation", &store.Error{Kind: store.KindCorrupt, Err: errors.New("a page is damaged")})
	if bad := got[rest.RunBriefs](t, g, "/v1/specimens/locker-mesh/results"); len(bad.Runs) != 0 || len(bad.Unreadable) != 3 || bad.Unreadable[0].Run != ids[2] || bad.Unreadable[0].Reason == "" {
		t.Errorf("runs that cannot be read: %+v", bad)
	}
	g.do(t, "GET", "/v1/specimens/bread-bin/results", "").problem(t, 404, "not-found")
}
