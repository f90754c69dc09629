package rest_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// rig is a served depot and its document.
type rig struct {
	*resttest.Depot
	url string
	doc *huma.OpenAPI
}

func serve(t *testing.T, d *resttest.Depot, change ...func(*rest.Options)) *rig {
	t.Helper()
	o := d.Options()
	o.Exports = exports()
	for _, c := range change {
		c(&o)
	}
	h, err := rest.New(o)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := document()
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = rest.NewServer(h, d.Hub, nil)
	srv.Start()
	t.Cleanup(func() {
		d.Hub.Close()
		srv.Close()
	})
	return &rig{Depot: d, url: srv.URL, doc: doc}
}

// document is the same for every depot.
var document = sync.OnceValues(func() (*huma.OpenAPI, error) {
	o := resttest.New().Options()
	o.Exports = exports()
	return rest.Document(o)
})

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   []byte
}

func (a answer) into(t tester, v any) {
	t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		t.Fatalf("%v in %s", err, a.body)
	}
}

func (a answer) object(t tester) map[string]any {
	t.Helper()
	var v map[string]any
	a.into(t, &v)
	return v
}

// tester is a test, or one draw of a property.
type tester interface {
	Helper()
	Context() context.Context
	Errorf(format string, args ...any)
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

type option func(*http.Request)

func with(name, value string) option {
	return func(r *http.Request) {
		if name == "Host" {
			r.Host = value
			return
		}
		r.Header.Set(name, value)
	}
}

// do sends a request; a body that is not empty is JSON unless a header says otherwise.
func (g *rig) do(t tester, method, path, body string, options ...option) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, g.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for _, o := range options {
		o(req)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{res.StatusCode, res.Header, data}
}

// fits checks an answer against what the document promises of the operation.
func (g *rig) fits(t tester, method, pattern string, a answer) {
	t.Helper()
	item := g.doc.Paths[pattern]
	if item == nil {
		t.Fatalf("the document has no path %s", pattern)
	}
	op := map[string]*huma.Operation{http.MethodGet: item.Get, http.MethodPost: item.Post}[method]
	if op == nil {
		t.Fatalf("the document has no %s %s", method, pattern)
	}
	res := op.Responses[itoa(a.status)]
	if res == nil {
		res = op.Responses["default"]
	}
	if res == nil {
		t.Fatalf("the document has no answer %d for %s %s", a.status, method, pattern)
	}
	kind, _, _ := strings.Cut(a.header.Get("Content-Type"), ";")
	media := res.Content[kind]
	if media == nil {
		t.Fatalf("%s %s answered with %s, which the document does not name", method, pattern, kind)
	}
	if media.Schema == nil {
		return
	}
	var v any
	dec := json.NewDecoder(bytes.NewReader(a.body))
	if err := dec.Decode(&v); err != nil {
		t.Fatalf("%v in %s", err, a.body)
	}
	found := &huma.ValidateResult{}
	huma.Validate(g.doc.Components.Schemas, media.Schema, huma.NewPathBuffer(nil, 0), huma.ModeReadFromServer, v, found)
	for _, e := range found.Errors {
		t.Errorf("%s %s: %v", method, pattern, e)
	}
}

func itoa(n int) string {
	b, _ := json.Marshal(n)
	return string(b)
}

// problem checks that an answer is a problem of a kind, and returns it.
func (a answer) problem(t *testing.T, status int, kind string) map[string]any {
	t.Helper()
	if a.status != status {
		t.Fatalf("status %d, want %d: %s", a.status, status, a.body)
	}
	if ct := a.header.Get("Content-Type"); ct != "application/problem+json" {
		t.Errorf("content type %q", ct)
	}
	p := a.object(t)
	if p["type"] != "/problems/"+kind {
		t.Errorf("type %v, want /problems/%s: %s", p["type"], kind, a.body)
	}
	if p["status"] != float64(status) {
		t.Errorf("status member %v", p["status"])
	}
	if s, _ := p["title"].(string); s == "" {
		t.Errorf("no title: %s", a.body)
	}
	return p
}

// begin starts a run and returns its id.
func (g *rig) begin(t tester, plan string, specimens string, options ...option) string {
	t.Helper()
	a := g.do(t, "POST", "/v1/runs", `{"plan":"`+plan+`","specimens":[`+specimens+`]}`, options...)
	if a.status != http.StatusCreated {
		t.Fatalf("start: %d %s", a.status, a.body)
	}
	id, _ := a.object(t)["id"].(string)
	return id
}
