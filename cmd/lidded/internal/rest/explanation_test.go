package rest_test

import (
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep/wall"
)

// makings knows how one locker is made.
type makings struct {
	name  string
	model *wall.Model
}

func (m makings) Model(specimen string) *wall.Model {
	if specimen == m.name {
		return m.model
	}
	return nil
}

// vented is the depot's vented locker: 0.49 m square, so that its first mode is
// at 432.6 MHz, with a gasket of 74 dB.
func vented(t *testing.T) func(*rest.Options) {
	t.Helper()
	materials, err := wall.BuiltinMaterials()
	if err != nil {
		t.Fatal(err)
	}
	m, err := wall.NewModel(wall.Specimen{
		Name: "locker-vent", Title: "steel, vented", Cavity: wall.Cavity{Width: 0.49, Height: 0.49, Depth: 0.3},
		Wall: wall.Construction{Layers: []wall.SheetSpec{{Material: "steel", Thickness: 1e-3}}},
		Lid:  wall.Lid{Joint: wall.Gasket, Edge: 0.49, SE: 74},
	}, materials)
	if err != nil {
		t.Fatal(err)
	}
	return func(o *rest.Options) { o.Makings = makings{"locker-vent", m} }
}

func finished(t *testing.T, g *rig) string {
	t.Helper()
	id := g.begin(t, "locker", `"locker-steel","locker-vent"`)
	g.Finish("depot")
	return id
}

func TestExplanation(t *testing.T) {
	g := serve(t, resttest.New(), vented(t))
	id := finished(t, g)
	a := g.do(t, "GET", "/v1/runs/"+id+"/explanation?specimen=locker-vent&at_hz=120000000&pulse=true", "")
	if a.status != http.StatusOK {
		t.Fatalf("%d %s", a.status, a.body)
	}
	g.fits(t, "GET", "/v1/runs/{id}/explanation", a)
	var x rest.Explanation
	a.into(t, &x)
	dip := slices.IndexFunc(x.Findings, func(f rest.Finding) bool { return f.Agreement == "dip" })
	if dip < 0 || len(x.Findings[dip].Hypotheses) == 0 {
		t.Fatalf("no dip is found: %s", a.body)
	}
	h := x.Findings[dip].Hypotheses[0]
	if h.Cause != "cavity resonance" || h.Mode == nil || math.Abs(h.Mode.Freq-432.6e6) > 0.2e6 || len(h.Evidence) == 0 || h.Next == "" {
		t.Errorf("%+v", h)
	}
	if x.Expected == nil || len(x.Expected.Curves) != 1 || x.Expected.Validity.To <= 0 {
		t.Errorf("no expectation: %s", a.body)
	}
	if !strings.HasPrefix(x.Code.Code, "EMxxx") || len(x.Code.Code) != 9 || x.Code.Code == "EMxxxxxxx" {
		t.Errorf("code %q", x.Code.Code)
	}
	if !slices.ContainsFunc(x.Inferences, func(i rest.Inference) bool { return i.Freq == 120e6 && i.Low != nil }) {
		t.Errorf("nothing is inferred where it was asked: %+v", x.Inferences)
	}
	if p := x.Pulse; p == nil || p.Bound == nil || *p.Bound <= 0 || p.Below == nil || p.BoundPoints != 0 || p.ValuePoints < 30 || p.Best != nil {
		t.Errorf("pulse %+v", x.Pulse)
	}
	var r rest.Results
	g.do(t, "GET", "/v1/runs/"+id+"/results?specimen=locker-vent", "").into(t, &r)
	if len(r.Summaries) != 1 || r.Summaries[0].Code != x.Code.Code {
		t.Errorf("the results have another code: %+v", r.Summaries)
	}
}

func TestExplanationWithoutADescription(t *testing.T) {
	g := serve(t, resttest.New())
	id := finished(t, g)
	var x rest.Explanation
	a := g.do(t, "GET", "/v1/runs/"+id+"/explanation?specimen=locker-steel", "")
	g.fits(t, "GET", "/v1/runs/{id}/explanation", a)
	a.into(t, &x)
	if x.Expected != nil || len(x.Findings) > 0 || len(x.Notes) == 0 || !strings.Contains(x.Notes[0], "made_of") || len(x.Inferences) == 0 {
		t.Errorf("%s", a.body)
	}
}

func TestExplanationErrors(t *testing.T) {
	g := serve(t, resttest.New(), vented(t))
	id := finished(t, g)
	g.do(t, "GET", "/v1/runs/none/explanation", "").problem(t, http.StatusNotFound, "not-found")
	g.do(t, "GET", "/v1/runs/"+id+"/explanation?specimen=otter", "").problem(t, http.StatusNotFound, "not-found")
	g.do(t, "GET", "/v1/runs/"+id+"/explanation", "").problem(t, http.StatusUnprocessableEntity, "invalid")
	g.do(t, "GET", "/v1/specimens/otter/expectation", "").problem(t, http.StatusNotFound, "not-found")
	p := g.do(t, "GET", "/v1/specimens/locker-steel/expectation", "").problem(t, http.StatusUnprocessableEntity, "invalid")
	if d, _ := p["detail"].(string); !strings.Contains(d, "give made_of") {
		t.Errorf("detail %q", d)
	}
	g.do(t, "GET", "/v1/specimens/locker-vent/expectation?from_hz=1000000&to_hz=1000", "").problem(t, http.StatusUnprocessableEntity, "invalid")
}

func TestExpectation(t *testing.T) {
	g := serve(t, resttest.New(), vented(t))
	a := g.do(t, "GET", "/v1/specimens/locker-vent/expectation?field=plane%20wave&from_hz=1000000&to_hz=1000000000&per_decade=5&pulse=true", "")
	g.fits(t, "GET", "/v1/specimens/{name}/expectation", a)
	var x rest.Expectation
	a.into(t, &x)
	if len(x.Curves) != 1 || len(x.Curves[0].Points) != 16 || x.Pulse == nil || x.Pulse.Bound == nil {
		t.Fatalf("%s", a.body)
	}
	for _, p := range x.Curves[0].Points {
		if p.Valid != (p.Freq <= x.Validity.To) || p.Low == nil || p.High == nil || *p.Low > *p.High {
			t.Errorf("%+v", p)
		}
	}
}
