package rest_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"
	"go.yaml.in/yaml/v3"

	"lidded/cmd/lidded/internal/openapi"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

var update = flag.Bool("update", false, "rewrite golden files")

const golden = "testdata/openapi.json"

// TestOpenAPIGolden keeps the interface as it is until somebody means to
// change it.
func TestOpenAPIGolden(t *testing.T) {
	doc, err := rest.OpenAPI("golden", exports()[:1])
	if err != nil {
		t.Fatal(err)
	}
	doc = append(doc, '\n')
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, doc, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(doc, want) {
		t.Errorf("the OpenAPI document differs from %s; if that is meant, run the test with -update and look at the difference", golden)
	}
}

var release = flag.Bool("release", false, "take the present interface as released")

const released = "testdata/released.json"

// TestNothingReleasedBreaks: a client of the interface as last released still finds
// all it knows, unless the first number of its version says that it may not.
func TestNothingReleasedBreaks(t *testing.T) {
	text, err := rest.OpenAPI("golden", exports()[:1])
	if err != nil {
		t.Fatal(err)
	}
	if *release {
		if err := os.WriteFile(released, append(text, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	old, err := os.ReadFile(released)
	if err != nil {
		t.Fatal(err)
	}
	was, err := openapi.Parse(old)
	if err != nil {
		t.Fatal(err)
	}
	is, err := openapi.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	if is.Info.Interface != rest.InterfaceVersion || was.Info.Interface == "" {
		t.Fatalf("the documents are of the versions %q and %q", was.Info.Interface, is.Info.Interface)
	}
	major := func(version string) string { first, _, _ := strings.Cut(version, "."); return first }
	if major(was.Info.Interface) != major(is.Info.Interface) {
		return
	}
	for _, b := range openapi.Breaks(was, is) {
		t.Errorf("%s: this breaks clients of version %s; mend it, or raise the first number of InterfaceVersion", b, was.Info.Interface)
	}
}

// TestDocsPage: the page for people is served, with every operation and schema, and
// without a script.
func TestDocsPage(t *testing.T) {
	g := serve(t, resttest.New())
	a := g.do(t, "GET", "/docs", "")
	if a.status != 200 || a.header.Get("Content-Type") != "text/html; charset=utf-8" || !strings.Contains(a.header.Get("Content-Security-Policy"), "default-src 'none'") {
		t.Fatalf("%d %v", a.status, a.header)
	}
	page := string(a.body)
	operations(g.doc, func(method, path string, op *huma.Operation) {
		if !strings.Contains(page, `<h3 id="`+op.OperationID+`">`) || !strings.Contains(page, "<code>"+path+"</code>") {
			t.Errorf("%s %s is not on the page", method, path)
		}
	})
	for name := range g.doc.Components.Schemas.Map() {
		if !strings.Contains(page, `<h3 id="schema-`+name+`">`) {
			t.Errorf("schema %s is not on the page", name)
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "style=") {
		t.Error("the page has a script or a style of its own")
	}
	if css := g.do(t, "GET", "/docs/page.css", ""); css.status != 200 || css.header.Get("Content-Type") != "text/css; charset=utf-8" {
		t.Errorf("the sheet: %d %v", css.status, css.header)
	}
}

func TestOpenAPIIsServed(t *testing.T) {
	g := serve(t, resttest.New())
	a := g.do(t, "GET", "/openapi.json", "")
	doc := a.object(t)
	if a.header.Get("Content-Type") != "application/openapi+json" || doc["openapi"] != "3.1.0" {
		t.Errorf("%v, version %v", a.header.Get("Content-Type"), doc["openapi"])
	}
	y := g.do(t, "GET", "/openapi.yaml", "")
	var same map[string]any
	if err := yaml.Unmarshal(y.body, &same); err != nil {
		t.Fatal(err)
	}
	if a, b := len(doc["paths"].(map[string]any)), len(same["paths"].(map[string]any)); a != b || a < 20 {
		t.Errorf("%d paths in JSON, %d in YAML", a, b)
	}
}

// TestNumbersCarryTheirUnit looks at every number of the document: it counts
// something, is an index or a bare ratio of the list here, or names its unit.
func TestNumbersCarryTheirUnit(t *testing.T) {
	doc, err := rest.OpenAPI("golden", nil)
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		Components struct {
			Schemas map[string]struct {
				Properties map[string]struct {
					Type any
				}
			}
		}
	}
	if err := json.Unmarshal(doc, &d); err != nil {
		t.Fatal(err)
	}
	units := []string{"_hz", "_db", "_dbm", "_dbi", "_s", "_m", "_v_per_m", "_w_per_m2", "_j_per_m2", "_db_per_decade"}
	bare := []string{"confidence", "ground_reflection", "false_alarm", "unseen_dip_risk", "misfit_ratio", "coverage", "coverage_factor", "degrees_of_freedom", "divisor", "share", "p_value", "p_value_at_most", "largest_score_p_value_at_most", "expected_by_chance", "en_score"}
	seen := 0
	for name, s := range d.Components.Schemas {
		for member, p := range s.Properties {
			kind, _ := json.Marshal(p.Type)
			if !strings.Contains(string(kind), `"number"`) {
				continue
			}
			seen++
			if !slices.Contains(bare, member) && !slices.ContainsFunc(units, func(u string) bool { return strings.HasSuffix(member, u) }) {
				t.Errorf("%s.%s is a number without a unit in its name", name, member)
			}
		}
	}
	if seen < 30 {
		t.Errorf("only %d numbers found: the test looks at the wrong thing", seen)
	}
}

// TestEveryOperationIsDescribed: each has an id, a title, a tag and an answer
// for errors.
func TestEveryOperationIsDescribed(t *testing.T) {
	o := resttest.New().Options()
	doc, err := rest.Document(o)
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for path, item := range doc.Paths {
		for method, op := range map[string]any{http.MethodGet: item.Get, http.MethodPost: item.Post} {
			b, _ := json.Marshal(op)
			var v struct {
				OperationID string `json:"operationId"`
				Summary     string
				Tags        []string
				Responses   map[string]any
			}
			if string(b) == "null" {
				continue
			}
			if err := json.Unmarshal(b, &v); err != nil {
				t.Fatal(err)
			}
			problems := 0
			for code := range v.Responses {
				if code == "default" || code >= "400" {
					problems++
				}
			}
			if v.OperationID == "" || ids[v.OperationID] || v.Summary == "" || len(v.Tags) != 1 || problems == 0 {
				t.Errorf("%s %s: id %q, title %q, tags %v, %d kinds of error", method, path, v.OperationID, v.Summary, v.Tags, problems)
			}
			ids[v.OperationID] = true
		}
	}
}
