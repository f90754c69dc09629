package rest_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep"
)

const steel = `"locker-steel"`

// exports are two files, one of which breaks in the middle.
func exports() []rest.Export {
	return []rest.Export{
		{File: "export.csv", Type: "text/csv", Summary: "Results as tidy CSV", Write: func(_ context.Context, id sweep.RunID, w io.Writer) error {
			_, err := io.WriteString(w, "freq_hz,relation,se_db\n30000000,>=,78\n")
			return err
		}},
		{File: "page.html", Type: "text/html; charset=utf-8", Summary: "Results as a page", Write: func(_ context.Context, id sweep.RunID, w io.Writer) error {
			_, err := io.WriteString(w, "<!doctype html><title>results</title>")
			return err
		}},
		{File: "broken.csv", Type: "text/csv", Summary: "Breaks in the middle", Write: func(_ context.Context, id sweep.RunID, w io.Writer) error {
			_, _ = io.WriteString(w, strings.Repeat("x", 1<<16))
			return io.ErrUnexpectedEOF
		}},
		{File: "none.csv", Type: "text/csv", Summary: "Breaks before it begins", Write: func(context.Context, sweep.RunID, io.Writer) error {
			return &rest.NotFoundError{What: "export", Name: "none.csv"}
		}},
	}
}

// TestEveryRouteFitsTheDocument asks each path once and checks the answer
// against the OpenAPI document that is served.
func TestEveryRouteFitsTheDocument(t *testing.T) {
	g := serve(t, resttest.New())
	first := g.begin(t, "quick", `"locker-steel","locker-mesh"`)
	g.Finish("depot")
	second := g.begin(t, "locker", `"locker-steel","locker-mesh","locker-vent"`)

	get := func(pattern, path string) answer {
		t.Helper()
		a := g.do(t, "GET", path, "")
		if a.status != http.StatusOK {
			t.Fatalf("GET %s: %d %s", path, a.status, a.body)
		}
		g.fits(t, "GET", pattern, a)
		return a
	}
	get("/v1/benches", "/v1/benches")
	get("/v1/benches/{name}", "/v1/benches/depot")
	get("/v1/plans", "/v1/plans")
	get("/v1/plans/{name}", "/v1/plans/locker?bench=depot&specimens=locker-steel,locker-mesh")
	get("/v1/plans/{name}", "/v1/plans/too-hot")
	get("/v1/specimens", "/v1/specimens")
	get("/v1/runs", "/v1/runs")
	get("/v1/runs/{id}", "/v1/runs/"+second)
	get("/v1/runs/{id}/captures", "/v1/runs/"+first+"/captures?kind=enclosed&specimen=locker-steel")
	var captures struct {
		Captures []struct{ ID string }
	}
	get("/v1/runs/{id}/captures", "/v1/runs/"+first+"/captures").into(t, &captures)
	if len(captures.Captures) != 15 {
		t.Fatalf("%d captures, want 3 points × (ambient, reference, 2 × enclosed, closing)", len(captures.Captures))
	}
	get("/v1/captures/{id}", "/v1/captures/"+captures.Captures[0].ID)
	get("/v1/runs/{id}/results", "/v1/runs/"+first+"/results")
	get("/v1/runs/{id}/results", "/v1/runs/"+second+"/results")
	get("/v1/runs/{id}/events", "/v1/runs/"+first+"/events?after=1&limit=3")
	get("/v1/runs/{id}/keyings", "/v1/runs/"+first+"/keyings")
	get("/v1/runs/{id}/export.csv", "/v1/runs/"+first+"/export.csv")
	get("/v1/runs/{id}/points/{point}", "/v1/runs/"+first+"/points/1?specimen=locker-steel")
	get("/v1/runs/{id}/points/{point}", "/v1/runs/"+second+"/points/0?specimen=locker-vent")
	get("/v1/runs/{id}/expectation", "/v1/runs/"+first+"/expectation?specimen=locker-steel")
	get("/v1/specimens/{name}/results", "/v1/specimens/locker-steel/results")
	get("/v1/specimens/{name}/trend", "/v1/specimens/locker-steel/trend")
	get("/v1/benches/{name}/exchanges", "/v1/benches/depot/exchanges")
	get("/v1/schedules", "/v1/schedules")
	get("/v1/daemon", "/v1/daemon")
	get("/healthz", "/healthz")
	get("/readyz", "/readyz")

	post := func(pattern, path, body string, status int) answer {
		t.Helper()
		a := g.do(t, "POST", path, body)
		if a.status != status {
			t.Fatalf("POST %s: %d %s", path, a.status, a.body)
		}
		g.fits(t, "POST", pattern, a)
		return a
	}
	post("/v1/previews", "/v1/previews", `{"plan":"locker"}`, 200)
	post("/v1/previews", "/v1/previews", `{"plan":"too-hot","specimens":["locker-steel"]}`, 200)
	post("/v1/runs/{id}/holds/{step}/release", "/v1/runs/"+second+"/holds/0/release", `{"operator":"Ada"}`, 202)
	post("/v1/runs/{id}/stop", "/v1/runs/"+second+"/stop", "", 202)
	third := g.begin(t, "quick", steel)
	post("/v1/runs/{id}/abort", "/v1/runs/"+third+"/abort", "", 202)
	fourth := g.begin(t, "quick", steel)
	if err := g.Interrupt(sweep.RunID(fourth)); err != nil {
		t.Fatal(err)
	}
	post("/v1/runs/{id}/resume", "/v1/runs/"+fourth+"/resume", "", 202)
	post("/v1/benches/{name}/source-off", "/v1/benches/depot/source-off", `{"operator":"Ada"}`, 200)
	g.begin(t, "quick", steel)
	post("/v1/source-off", "/v1/source-off", "", 200)

	want := []string{
		"release-0 " + second + " Ada", "stop " + second + " rest", "abort " + third + " rest", "shutdown " + fourth + " ", "resume " + fourth + " rest",
		"source-off depot Ada", "source-off depot rest",
	}
	if got := g.Orders(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("orders\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestStartIsOneCall(t *testing.T) {
	g := serve(t, resttest.New())
	a := g.do(t, "POST", "/v1/runs", `{"plan":"locker","specimens":["locker-steel"],"operator":"Ada"}`)
	if a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	g.fits(t, "POST", "/v1/runs", a)
	r := a.object(t)
	if want := "/v1/runs/" + r["id"].(string); a.header.Get("Location") != want {
		t.Errorf("location %q, want %q", a.header.Get("Location"), want)
	}
	if r["bench"] != "depot" || r["trigger"] != "rest" || r["operator"] != "Ada" || r["state"] != "holding" {
		t.Errorf("run %v", r)
	}
	hold, _ := r["hold"].(map[string]any)
	if hold["release"] != "/v1/runs/"+r["id"].(string)+"/holds/0/release" || hold["instruction"] == "" {
		t.Errorf("a run that holds does not say how to release it: %v", hold)
	}
}

// TestStartWithoutChoice: where the config leaves nothing to choose, a start
// needs to say nothing.
func TestStartWithoutChoice(t *testing.T) {
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Plans = onePlan{o.Plans} })
	a := g.do(t, "POST", "/v1/runs", `{}`, with("Idempotency-Key", "once"))
	if a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	var r struct {
		Plan      string
		Specimens []string
	}
	a.into(t, &r)
	if r.Plan != "locker" || len(r.Specimens) != 3 {
		t.Errorf("run %+v", r)
	}
	if again := g.do(t, "POST", "/v1/runs", `{}`, with("Idempotency-Key", "once")); again.status != http.StatusOK {
		t.Errorf("%d %s", again.status, again.body)
	}
}

type onePlan struct{ rest.Plans }

func (p onePlan) All(ctx context.Context) ([]rest.PlanEntry, error) {
	all, err := p.Plans.All(ctx)
	return all[:1], err
}

// TestHoldOfAStoredRun: after a restart there is no live picture; the hold
// point that waits is found in the run itself.
func TestHoldOfAStoredRun(t *testing.T) {
	d := resttest.New()
	g := serve(t, d)
	id := g.begin(t, "quick", steel)
	o := d.Options()
	o.Live = rest.NewHub()
	bare := serve(t, d, func(o *rest.Options) { o.Live = rest.NewHub() })
	r := bare.do(t, "GET", "/v1/runs/"+id, "").object(t)
	hold, _ := r["hold"].(map[string]any)
	if r["progress"] != nil || hold["index"] != float64(0) {
		t.Errorf("hold %v, progress %v", hold, r["progress"])
	}
}

func TestIdempotencyKey(t *testing.T) {
	g := serve(t, resttest.New())
	const body = `{"plan":"quick","specimens":["locker-steel"]}`
	first := g.do(t, "POST", "/v1/runs", body, with("Idempotency-Key", `"night-1"`))
	if first.status != 201 {
		t.Fatalf("%d %s", first.status, first.body)
	}
	id := first.object(t)["id"].(string)
	for name, key := range map[string]string{"the same": `"night-1"`, "without quotes": "night-1"} {
		again := g.do(t, "POST", "/v1/runs", body, with("Idempotency-Key", key))
		if again.status != 200 || again.object(t)["id"] != id || again.header.Get("Location") != "/v1/runs/"+id {
			t.Errorf("%s: %d %s", name, again.status, again.body)
		}
	}
	other := g.do(t, "POST", "/v1/runs", `{"plan":"locker","specimens":["locker-steel"]}`, with("Idempotency-Key", `"night-1"`))
	if p := other.problem(t, 422, "idempotency-key-reused"); p["run"] != id {
		t.Errorf("problem does not name the run: %v", p)
	}
	busy := g.do(t, "POST", "/v1/runs", body, with("Idempotency-Key", `"night-2"`))
	busy.problem(t, 409, "bench-busy")
	for _, key := range []string{`"open`, `""`, `"a"b"`, "caf\u00e9", `"a\b"`} {
		g.do(t, "POST", "/v1/runs", body, with("Idempotency-Key", key)).problem(t, 400, "bad-request")
	}
	escaped := g.do(t, "POST", "/v1/benches/depot/source-off", "")
	if escaped.status != 200 {
		t.Fatal(string(escaped.body))
	}
	e := g.do(t, "POST", "/v1/runs", body, with("Idempotency-Key", `"a \"b\" \\"`))
	if e.status != 201 {
		t.Fatalf("%d %s", e.status, e.body)
	}
	if key := g.KeyOf(e.object(t)["id"].(string)); key != `a "b" \` {
		t.Errorf("key kept as %q", key)
	}
}

func TestPagesOfRuns(t *testing.T) {
	g := serve(t, resttest.New())
	var ids []string
	for range 5 {
		ids = append(ids, g.begin(t, "quick", steel))
		g.Finish("depot")
	}
	var seen []string
	path := "/v1/runs?limit=2&plan=quick&state=completed&specimen=locker-steel&bench=depot"
	for pages := 0; path != ""; pages++ {
		if pages > 3 {
			t.Fatal("pages do not end")
		}
		a := g.do(t, "GET", path, "")
		var list struct {
			Runs []struct{ ID string }
			Next string
		}
		a.into(t, &list)
		for _, r := range list.Runs {
			seen = append(seen, r.ID)
		}
		link := a.header.Get("Link")
		path = ""
		if link != "" {
			if !strings.HasSuffix(link, `>; rel="next"`) {
				t.Fatalf("link %q", link)
			}
			path = strings.TrimSuffix(strings.TrimPrefix(link, "<"), `>; rel="next"`)
			if !strings.Contains(path, "before="+list.Next) {
				t.Errorf("link %q and next %q disagree", link, list.Next)
			}
		}
	}
	if len(seen) != 5 {
		t.Fatalf("%d runs over all pages, want 5", len(seen))
	}
	for i, id := range seen {
		if id != ids[4-i] {
			t.Errorf("place %d: %s, want %s", i, id, ids[4-i])
		}
	}
	for query, want := range map[string]int{"plan=locker": 0, "state=failed": 0, "specimen=locker-mesh": 0, "bench=depot": 5} {
		var list struct{ Runs []any }
		g.do(t, "GET", "/v1/runs?"+query, "").into(t, &list)
		if len(list.Runs) != want {
			t.Errorf("%s: %d runs, want %d", query, len(list.Runs), want)
		}
	}
}

func TestPagesOfCapturesAndEvents(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", steel)
	g.Finish("depot")
	for _, what := range []string{"captures", "events"} {
		path, total := "/v1/runs/"+id+"/"+what+"?limit=5", 0
		for after := ""; ; {
			var list map[string]any
			g.do(t, "GET", path+after, "").into(t, &list)
			total += len(list[what].([]any))
			next, more := list["next"].(float64)
			if !more {
				break
			}
			after = "&after=" + itoa(int(next))
		}
		want := map[string]int{"captures": 12}[what]
		if want == 0 {
			all, err := g.Events(t.Context(), sweep.RunID(id), 0, 0)
			if err != nil {
				t.Fatal(err)
			}
			want = len(all)
		}
		if total != want {
			t.Errorf("%s: %d over all pages, want %d", what, total, want)
		}
	}
}

// TestABoundIsNeverABareNumber looks at every number of results and traces:
// SE and headroom stand beside their relation, and there is no NaN.
func TestABoundIsNeverABareNumber(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "locker", `"locker-steel","locker-mesh","locker-vent"`)
	g.Finish("depot")
	a := g.do(t, "GET", "/v1/runs/"+id+"/results", "")
	relations := map[any]int{}
	var walk func(path string, v any)
	walk = func(path string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for _, name := range []string{"se_db", "headroom_db", "level_dbm"} {
				if _, has := v[name]; !has {
					continue
				}
				rel, _ := v["relation"].(string)
				if rel == "" {
					t.Errorf("%s.%s has no relation", path, name)
				}
				relations[rel]++
				if name == "se_db" && rel == ">=" && (v["se_high_db"] != nil || v["expanded_uncertainty_db"] != nil) {
					t.Errorf("%s: a bound has an upper end: %v", path, v)
				}
			}
			for k, w := range v {
				walk(path+"."+k, w)
			}
		case []any:
			for _, w := range v {
				walk(path+"[]", w)
			}
		}
	}
	walk("", a.object(t))
	for _, rel := range []any{"=", ">=", "<="} {
		if relations[rel] == 0 {
			t.Errorf("no number with relation %s among the results: the test shows nothing", rel)
		}
	}
	var results struct {
		Results []struct {
			Outcome string
			SE      any
			Reason  string
		}
	}
	a.into(t, &results)
	for _, r := range results.Results {
		claim := r.Outcome == "measured" || r.Outcome == "at least"
		if claim != (r.SE != nil) || claim == (r.Reason != "") {
			t.Errorf("%s with SE %v and reason %q", r.Outcome, r.SE, r.Reason)
		}
	}
}

func TestTraces(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", steel)
	g.Finish("depot")
	var list struct {
		Captures []struct {
			ID    string
			Kind  string
			Looks any
		}
	}
	g.do(t, "GET", "/v1/runs/"+id+"/captures?kind=reference", "").into(t, &list)
	if len(list.Captures) != 3 || list.Captures[0].Looks != nil {
		t.Fatalf("list %+v", list)
	}
	var c struct {
		Looks []struct {
			On    bool `json:"source_on"`
			Trace struct {
				Start, Stop float64
				Levels      []*float64 `json:"levels_dbm"`
			}
		}
	}
	g.do(t, "GET", "/v1/captures/"+list.Captures[0].ID, "").into(t, &c)
	if len(c.Looks) != 2 || !c.Looks[0].On || c.Looks[1].On {
		t.Fatalf("looks %+v", c.Looks)
	}
	levels := c.Looks[0].Trace.Levels
	if len(levels) != 101 || levels[50] == nil || *levels[50] != -40 {
		t.Errorf("trace of %d levels, carrier %v", len(levels), levels[50])
	}
	if levels[100] != nil {
		t.Errorf("a missing level came as %v", *levels[100])
	}
}

func TestExports(t *testing.T) {
	g := serve(t, resttest.New())
	id := g.begin(t, "quick", steel)
	a := g.do(t, "GET", "/v1/runs/"+id+"/export.csv", "")
	if a.status != 200 || a.header.Get("Content-Type") != "text/csv" || !strings.HasPrefix(string(a.body), "freq_hz,") {
		t.Errorf("%d %v %s", a.status, a.header, a.body)
	}
	if cd := a.header.Get("Content-Disposition"); cd != `attachment; filename="`+id+`-export.csv"` {
		t.Errorf("disposition %q", cd)
	}
	if a := g.do(t, "GET", "/v1/runs/"+id+"/page.html", ""); a.header.Get("Content-Disposition") != `inline; filename="`+id+`-page.html"` {
		t.Errorf("a page is not to be looked at: %v", a.header)
	} else if csp := a.header.Values("Content-Security-Policy"); len(csp) != 1 || !strings.HasSuffix(csp[0], "; sandbox") || strings.Contains(csp[0], "script-src") {
		t.Errorf("a page may do too much: %q", csp)
	}
	g.do(t, "GET", "/v1/runs/nobody/export.csv", "").problem(t, 404, "not-found")
	g.do(t, "GET", "/v1/runs/"+id+"/none.csv", "").problem(t, 404, "not-found")
	res, err := http.Get(g.url + "/v1/runs/" + id + "/broken.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if _, err := io.ReadAll(res.Body); err == nil {
		t.Error("a torso of an export was read as if it were whole")
	}
}

func TestReadiness(t *testing.T) {
	checks := []rest.Check{{Name: "store"}, {Name: "bench depot", Reason: "analyzer down: no reply"}}
	g := serve(t, resttest.New(), func(o *rest.Options) { o.Ready = func(context.Context) []rest.Check { return checks } })
	p := g.do(t, "GET", "/readyz", "").problem(t, 503, "not-ready")
	errs, _ := p["errors"].([]any)
	if len(errs) != 1 || errs[0].(map[string]any)["message"] != "analyzer down: no reply" {
		t.Errorf("reasons %v", errs)
	}
	checks[1].Reason = ""
	if a := g.do(t, "GET", "/readyz", ""); a.status != 200 || a.object(t)["ready"] != true {
		t.Errorf("%d %s", a.status, a.body)
	}
}

func TestNewWantsItsPorts(t *testing.T) {
	if _, err := rest.New(rest.Options{}); err == nil {
		t.Error("an interface without anything behind it was made")
	}
}
