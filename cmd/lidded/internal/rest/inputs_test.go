package rest_test

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// texts are the free texts that a request may carry, and what becomes of each.
// None of them is ever a path, an address, a command of an instrument or part of
// one: names are looked up among what config and store know, the rest is kept as
// text. Whoever adds one states here what it is for.
var texts = map[string]string{
	"bench": "name, looked up in config and store", "against": "name, looked up among the runs' benches", "plan": "name, looked up in the config", "specimen": "name, looked up in the run", "specimens": "names, looked up in the config",
	"name": "of a bench, plan or specimen, looked up in the config", "position": "name, looked up in the run", "polarization": "name, looked up in the run",
	"from": "a time, parsed before use", "to": "a time, parsed before use",
	"id": "of a run or capture, looked up in the store", "run": "id, looked up in the store", "before": "id of a run, looked up in the store",
	"operator": "kept in the journal", "Idempotency-Key": "compared, and kept with the run",
}

// TestInputs walks every input of every operation: it is a number, a choice, yes
// or no, or one of the texts above, and a text has an end.
func TestInputs(t *testing.T) {
	doc, err := document()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	var check func(where, name string, s *huma.Schema)
	check = func(where, name string, s *huma.Schema) {
		if s.Ref != "" {
			s = doc.Components.Schemas.SchemaFromRef(s.Ref)
		}
		switch {
		case s.Type == huma.TypeBoolean, s.Type == huma.TypeInteger, s.Type == huma.TypeNumber, s.Type == huma.TypeString && len(s.Enum) > 0:
		case s.Type == huma.TypeString:
			seen[name] = true
			if texts[name] == "" {
				t.Errorf("%s takes any text as %s: state in this test what it is for, which must be nothing that leads to a file or an instrument", where, name)
			}
			if s.MaxLength == nil && !strings.HasSuffix(where, "[]") {
				t.Errorf("%s: %s has no longest length", where, name)
			}
		case s.Type == huma.TypeArray:
			if s.MaxItems == nil {
				t.Errorf("%s: %s has no end", where, name)
			}
			check(where+"[]", name, s.Items)
		case s.Type == huma.TypeObject:
			if s.AdditionalProperties != false {
				t.Errorf("%s: %s takes what it does not know", where, name)
			}
			for key, p := range s.Properties {
				check(where, key, p)
			}
		default:
			t.Errorf("%s: %s is of a type that is not looked at: %q", where, name, s.Type)
		}
	}
	operations(doc, func(method, path string, op *huma.Operation) {
		where := method + " " + path
		for _, p := range op.Parameters {
			check(where, p.Name, p.Schema)
		}
		if op.RequestBody == nil {
			return
		}
		for media, m := range op.RequestBody.Content {
			if media != "application/json" {
				t.Errorf("%s takes %s", where, media)
			}
			check(where, "body", m.Schema)
		}
	})
	for _, name := range []string{"name", "id", "bench", "plan", "specimens", "operator", "Idempotency-Key"} {
		if !seen[name] {
			t.Errorf("%s was not looked at: the test walks past it", name)
		}
	}
}

// TestContentPolicy: the policy lets a page use what the daemon serves, and
// nothing else: no inline script or style, no other place, no frame, no form.
func TestContentPolicy(t *testing.T) {
	k := newKeys(t)
	d := resttest.New()
	d.Fail("Plans", errors.New("broken"))
	g := serve(t, d, k.doors)
	run, _ := g.do(t, "POST", "/v1/runs", `{"plan":"quick","specimens":["locker-steel"]}`, bearer(k.secret[access.Operate])).object(t)["id"].(string)
	want := map[string][]string{
		"default-src": {"'none'"}, "script-src": {"'self'"}, "style-src": {"'self'"}, "img-src": {"'self'", "data:"}, "connect-src": {"'self'"},
		"font-src": {"'self'"}, "manifest-src": {"'self'"}, "base-uri": {"'none'"}, "form-action": {"'none'"}, "frame-ancestors": {"'none'"},
	}
	read := k.secret[access.Read]
	for _, path := range []string{"/", "/static/x.js", "/openapi.json", "/metrics", "/healthz", "/v1/runs", "/v1/runs/" + run + "/" + exports()[0].File, "/v1/plans", "/nowhere", "/problems/forbidden", "/v1/runs?limit=x"} {
		for name, options := range map[string][]option{"with a token": {bearer(read)}, "without": nil, "of another host": {with("Host", "rebind.example")}, "of another site": {with("Sec-Fetch-Site", "cross-site"), with("Sec-Fetch-Mode", "cors")}} {
			a := g.do(t, "GET", path, "", options...)
			all := a.header.Values("Content-Security-Policy")
			if len(all) != 1 {
				t.Errorf("%s %s: policies %q", path, name, all)
				continue
			}
			got := map[string][]string{}
			for part := range strings.SplitSeq(all[0], ";") {
				words := strings.Fields(part)
				got[words[0]] = words[1:]
			}
			for directive, sources := range got {
				if !slices.Equal(sources, want[directive]) {
					t.Errorf("%s %s: %s %v, want %v", path, name, directive, sources, want[directive])
				}
			}
			if len(got) != len(want) {
				b, _ := json.Marshal(got)
				t.Errorf("%s %s: %s", path, name, b)
			}
		}
	}
}
