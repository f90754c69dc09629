package rest_test

import (
	"cmp"
	"context"
	"encoding/json"
	"flag"
	"maps"
	"math"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	"pgregory.net/rapid"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep"
)

// served is the part of /openapi.json that requests are made from.
type served struct {
	Paths      map[string]map[string]operation
	Components struct{ Schemas map[string]*shape }
}

type operation struct {
	method, path string
	Parameters   []struct {
		Name, In string
		Required bool
		Schema   *shape
	}
	RequestBody *struct {
		Required bool
		Content  map[string]struct{ Schema *shape }
	}
	Responses map[string]any
	Security  []map[string][]string
}

type shape struct {
	Ref        string `json:"$ref"`
	Type       any
	Format     string
	Enum       []any
	Items      *shape
	Properties map[string]*shape
	Required   []string
	Minimum    *float64
	Maximum    *float64
	MaxLength  *int
	MaxItems   *int
}

func (d *served) of(s *shape) *shape {
	if name, ok := strings.CutPrefix(s.Ref, "#/components/schemas/"); ok {
		return d.Components.Schemas[name]
	}
	return s
}

func (s *shape) kind() string {
	if list, ok := s.Type.([]any); ok && len(list) > 0 {
		k, _ := list[0].(string)
		return k
	}
	k, _ := s.Type.(string)
	return k
}

// operations are in a fixed order, so that a failure can be drawn again.
func (d *served) operations() []operation {
	var out []operation
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for _, method := range slices.Sorted(maps.Keys(d.Paths[path])) {
			op := d.Paths[path][method]
			op.method, op.path = strings.ToUpper(method), path
			out = append(out, op)
		}
	}
	return out
}

// need is the role that the document says is needed.
func (op operation) need(t *rapid.T) access.Role {
	if len(op.Security) != 1 {
		t.Fatalf("%s %s states no role", op.method, op.path)
	}
	words := op.Security[0]["token"]
	if len(words) == 0 {
		return access.Anyone
	}
	r, err := access.ParseNeed(words[0])
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// odd are texts that no name is, and that break what takes them for one.
var odd = []string{
	"", " ", ".", "..", "../../etc/passwd", "a/b", "a%2fb", "%", "\x00", "\r\nX: y", "\xff\xfe", "\u202e\u0430dmin", "🦦🦦🦦", "𝕃", "e\u0301\u0301\u0301", "\ufeff", "null", "NaN", "-0", "1e999",
	"*RST", ":OUTP ON", "'; DROP TABLE run; --", "<script>", "${jndi:x}", "{{7*7}}", strings.Repeat("x", 101), strings.Repeat("é", 5000),
}

var numbers = []float64{0, 1, -1, 2, 3, 10, 500, 501, 1e6, 30e6, 1e9, 1e300, -1e300, math.MaxInt32 + 1, math.MaxInt64, 0.5, math.SmallestNonzeroFloat64}

// maker draws the parts of requests. known are names and ids that exist, by the
// parameter that takes them; good is a request without anything odd.
type maker struct {
	*served
	known map[string][]string
	good  bool
}

// name draws something that exists, mostly of the kind that is asked for.
func (m maker) name(t *rapid.T, parameter string) string {
	list := m.known[parameter]
	if len(list) == 0 || !m.good && rapid.IntRange(0, 5).Draw(t, "another kind") == 0 {
		list = slices.Concat(slices.Collect(maps.Values(m.known))...)
		slices.Sort(list)
	}
	return rapid.SampledFrom(list).Draw(t, parameter)
}

// text draws a value for a place that takes text: mostly one that fits.
func (m maker) text(t *rapid.T, parameter string, s *shape) string {
	s = m.of(s)
	n := 9
	if !m.good {
		n = rapid.IntRange(0, 9).Draw(t, "how")
	}
	switch {
	case n == 0:
		return rapid.SampledFrom(odd).Draw(t, "odd")
	case n == 1:
		return rapid.String().Draw(t, "any")
	case n == 2:
		return strconv.FormatFloat(rapid.SampledFrom(numbers).Draw(t, "number"), 'g', -1, 64)
	case len(s.Enum) > 0:
		v, _ := rapid.SampledFrom(s.Enum).Draw(t, "choice").(string)
		return v
	}
	switch s.kind() {
	case "integer":
		lo, hi := 0, 40
		if s.Minimum != nil {
			lo = int(*s.Minimum)
		}
		if s.Maximum != nil {
			hi = int(*s.Maximum)
		}
		return strconv.Itoa(rapid.OneOf(rapid.Just(lo), rapid.IntRange(lo, min(hi, lo+3)), rapid.IntRange(lo, hi)).Draw(t, "integer"))
	case "number":
		reals := []float64{30e6, 100e6, 433e6}
		if s.Minimum != nil && s.Maximum != nil {
			reals = []float64{*s.Minimum, (*s.Minimum + *s.Maximum) / 2, *s.Maximum}
		}
		return strconv.FormatFloat(rapid.SampledFrom(reals).Draw(t, "real"), 'g', -1, 64)
	case "boolean":
		return strconv.FormatBool(rapid.Bool().Draw(t, "yes"))
	case "array":
		var list []string
		for range rapid.IntRange(1, 3).Draw(t, "names") {
			if m.of(s.Items).kind() == "string" {
				list = append(list, m.name(t, parameter))
			} else {
				list = append(list, m.text(t, parameter, s.Items))
			}
		}
		return strings.Join(list, ",")
	}
	if s.Format == "date-time" {
		return rapid.SampledFrom([]string{"2020-02-29T12:00:00Z", "2100-01-01T00:00:00+14:00"}).Draw(t, "time")
	}
	return m.name(t, parameter)
}

// value draws a value of a body.
func (m maker) value(t *rapid.T, parameter string, s *shape) any {
	s = m.of(s)
	if !m.good && rapid.IntRange(0, 11).Draw(t, "wrong type") == 0 {
		return rapid.SampledFrom([]any{nil, true, 1.5, -7, "text", []any{}, []any{nil}, map[string]any{}, map[string]any{"a": []any{1}}, json.RawMessage("1e999"), json.RawMessage(`"\ud800"`)}).Draw(t, "wrong")
	}
	switch s.kind() {
	case "object":
		out := map[string]any{}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			if rapid.IntRange(0, 2).Draw(t, "left out") > 0 {
				out[name] = m.value(t, name, s.Properties[name])
			}
		}
		if !m.good && rapid.IntRange(0, 7).Draw(t, "unknown field") == 0 {
			out[rapid.SampledFrom([]string{"Plan", "plan ", "level", "scpi", "$schema", "__proto__", ""}).Draw(t, "field")] = "x"
		}
		return out
	case "array":
		n := 1
		if !m.good {
			n = rapid.SampledFrom([]int{0, 1, 1, 2, 3, 101}).Draw(t, "items")
		}
		list := make([]any, n)
		for i := range list {
			list[i] = m.value(t, parameter, s.Items)
		}
		return list
	case "integer", "number":
		return rapid.SampledFrom(numbers).Draw(t, "number")
	case "boolean":
		return rapid.Bool().Draw(t, "yes")
	}
	return m.text(t, parameter, s)
}

// body draws a body and its content type.
func (m maker) body(t *rapid.T, op operation) (text, media string) {
	media = "application/json"
	n := 14
	if !m.good {
		n = rapid.IntRange(0, 14).Draw(t, "body")
	}
	switch n {
	case 0:
		return "", media
	case 1:
		return rapid.SampledFrom([]string{"{", "null", "[]", `"x"`, "{}{}", "{\"plan\":", "\x00", "\xff", `{"plan":"quick","plan":"locker"}`, strings.Repeat("[", 20000), strings.Repeat(`{"a":`, 5000), "{\"operator\":\"\xff\xfe\"}"}).Draw(t, "rubbish"), media
	case 2:
		return `{"operator":"` + strings.Repeat("y", 70<<10) + `"}`, media
	case 3:
		return rapid.String().Draw(t, "text"), rapid.SampledFrom([]string{"text/plain", "application/xml", "application/x-www-form-urlencoded", "multipart/form-data", "application/json; charset=latin1", "application/cbor", ";"}).Draw(t, "media")
	}
	data, err := json.Marshal(m.value(t, "", op.RequestBody.Content["application/json"].Schema))
	if err != nil {
		return "{}", media // a raw number that Go does not write
	}
	return string(data), media
}

// request draws a request for an operation.
func (m maker) request(t *rapid.T, op operation) (path, body string, options []option) {
	path = op.path
	for _, of := range []struct{ under, names string }{{"/v1/benches/", "bench"}, {"/v1/plans/", "plan"}, {"/v1/specimens/", "specimen"}} {
		if strings.HasPrefix(path, of.under) {
			m.known = maps.Clone(m.known)
			m.known["name"] = m.known[of.names]
		}
	}
	if strings.HasPrefix(path, "/v1/captures/") {
		m.known = maps.Clone(m.known)
		m.known["id"] = m.known["capture"]
	}
	query := url.Values{}
	for _, p := range op.Parameters {
		if p.In != "path" && rapid.IntRange(0, 2).Draw(t, "leave out "+p.Name) == 0 {
			continue
		}
		v := m.text(t, p.Name, p.Schema)
		switch p.In {
		case "path":
			if strings.Trim(v, ".") == "" {
				v = "..." // fewer dots, or nothing, make another path, which clients and servers clean
			}
			path = strings.Replace(path, "{"+p.Name+"}", url.PathEscape(v), 1)
		case "query":
			query.Add(p.Name, v)
			if !m.good && rapid.IntRange(0, 15).Draw(t, "twice") == 0 {
				query.Add(p.Name, m.text(t, p.Name, p.Schema))
			}
		case "header":
			options = append(options, with(p.Name, strings.Map(func(r rune) rune {
				if r < ' ' || r == 0x7f {
					return '_'
				}
				return r
			}, v)))
		}
	}
	if !m.good && rapid.IntRange(0, 15).Draw(t, "unknown parameter") == 0 {
		query.Add(rapid.SampledFrom([]string{"x", "Limit", "access_token", "scpi"}).Draw(t, "parameter"), "1")
	}
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	if op.RequestBody != nil {
		text, media := m.body(t, op)
		body = text
		options = append(options, with("Content-Type", media))
	}
	if !m.good && rapid.IntRange(0, 9).Draw(t, "accept") == 0 {
		options = append(options, with("Accept", rapid.SampledFrom([]string{"text/html", "application/json", "application/cbor", "*/*;q=0", ";;"}).Draw(t, "accepted")))
	}
	return path, body, options
}

// counted counts what may lead to a keyed source.
type counted struct {
	rest.Runs
	n *atomic.Int64
}

func (c counted) Start(ctx context.Context, r rest.StartRequest) (sweep.Run, bool, error) {
	c.n.Add(1)
	return c.Runs.Start(ctx, r)
}

func (c counted) Resume(ctx context.Context, id sweep.RunID, who string) error {
	c.n.Add(1)
	return c.Runs.Resume(ctx, id, who)
}

func (c counted) Release(ctx context.Context, id sweep.RunID, step int, who string) error {
	c.n.Add(1)
	return c.Runs.Release(ctx, id, step, who)
}

// drawMany makes rapid draw as often as the environment variable says, or 40
// times.
func drawMany(t *testing.T, variable string) {
	t.Helper()
	n := cmp.Or(os.Getenv(variable), "40")
	f := flag.Lookup("rapid.checks")
	was := f.Value.String()
	if err := f.Value.Set(n); err != nil {
		t.Fatalf("%s=%q: need a number such as 10000", variable, n)
	}
	t.Cleanup(func() { _ = f.Value.Set(was) })
}

// TestRequestsDrawnFromTheDocument makes requests from the OpenAPI document as it
// is served, good ones and bad: none is an internal fault, every error is a
// problem with a status that the document has for the operation, every answer
// fits its schema, and nothing that may key the source is reached by whoever has
// not the right to.
func TestRequestsDrawnFromTheDocument(t *testing.T) {
	drawMany(t, "LIDDED_REQUESTS")
	k, d, orders := newKeys(t), resttest.New(), &atomic.Int64{}
	g := serve(t, d, k.doors, vented(t), func(o *rest.Options) {
		o.Runs, o.Exports = counted{o.Runs, orders}, o.Exports[:1] // the others break
	})
	var doc served
	g.do(t, "GET", "/openapi.json", "").into(t, &doc)
	m := maker{served: &doc, known: map[string][]string{
		"bench": {"depot"}, "plan": {"quick", "locker", "too-hot"}, "specimen": {"locker-steel", "locker-vent"}, "specimens": {"locker-steel", "locker-mesh", "locker-vent"},
		"position": {"center"}, "polarization": {"vertical"}, "operator": {"Ada"}, "Idempotency-Key": {"night", `"night 2"`}, "": {"nobody", "enclosed"},
	}}
	operator := bearer(k.secret[access.Operate])
	for range 2 {
		m.known["id"] = append(m.known["id"], g.begin(t, "quick", steel, operator))
		g.Finish("depot")
	}
	var captures struct{ Captures []struct{ ID string } }
	g.do(t, "GET", "/v1/runs/"+m.known["id"][0]+"/captures", "", operator).into(t, &captures)
	m.known["capture"] = []string{captures.Captures[0].ID}
	ops := doc.operations()
	if len(ops) < 25 {
		t.Fatalf("the document has %d operations", len(ops))
	}
	seen := map[string]int{}
	callers := append([]access.Role{access.RoleUnknown}, roles...)
	for _, op := range ops { // one that is surely refused, for those that take nothing
		if len(op.Parameters) == 0 && op.method == http.MethodGet {
			a := g.do(t, op.method, op.path+"?nobody=1", "", bearer(k.secret[access.Administer]))
			seen[op.method+" "+op.path+" "+strconv.Itoa(a.status/100)]++
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		now := m
		switch rapid.IntRange(0, 5).Draw(t, "before") {
		case 0:
			g.Finish("depot")
		case 1, 2, 3:
			g.Finish("depot")
			id := g.begin(t, "quick", steel, operator)
			if rapid.Bool().Draw(t, "interrupted") {
				if err := g.Interrupt(sweep.RunID(id)); err != nil {
					t.Fatal(err)
				}
			}
			now.known = maps.Clone(m.known)
			now.known["id"] = append([]string{id, id}, m.known["id"]...)
		}
		order := make([]int, len(ops)) // each of them once, so that none is left out
		for i := range order {
			order[i] = i
		}
		for _, i := range rapid.Permutation(order).Draw(t, "order") {
			op := ops[i]
			now.good = rapid.Bool().Draw(t, "good")
			if op.path == "/v1/events" {
				continue // a stream does not end: events_test.go
			}
			path, body, options := now.request(t, op)
			caller := rapid.SampledFrom(callers).Draw(t, "caller")
			if rapid.IntRange(0, 1).Draw(t, "trusted") == 0 {
				caller = access.Administer
			}
			if caller != access.RoleUnknown {
				options = append(options, bearer(k.secret[caller]))
			}
			before := orders.Load()
			a := g.do(t, op.method, path, body, options...)
			seen[op.method+" "+op.path+" "+strconv.Itoa(a.status/100)]++
			what := op.method + " " + path
			may := op.need(t) == access.Anyone || caller.May(op.need(t))
			switch {
			case a.status >= 500:
				t.Fatalf("%d by %v, %s: %s; sent %q", a.status, caller, what, a.body, body)
			case !may && (a.status < 400 || orders.Load() != before):
				t.Fatalf("%s by %v, who may not: %d", what, caller, a.status)
			case (op.method == http.MethodGet || caller < access.Operate) && orders.Load() != before:
				t.Fatalf("%s by %v leads to the source", what, caller)
			case a.status == http.StatusRequestHeaderFieldsTooLarge && len(path) > 10000:
				continue // the HTTP server itself says so, before any handler: TestLongHeaders
			}
			g.fits(t, op.method, op.path, a)
			if a.status < 400 {
				continue
			}
			var p rest.Problem
			if err := json.Unmarshal(a.body, &p); err != nil || p.Status != a.status || p.Title == "" || a.header.Get("Content-Type") != "application/problem+json" {
				t.Fatalf("%s: %d with %s is no problem document: %s", what, a.status, a.header.Get("Content-Type"), a.body)
			}
		}
	})
	for _, op := range ops {
		name := op.method + " " + op.path
		steers := strings.HasPrefix(name, "POST /v1/runs/") // wants a run in the right state, which is seldom there
		if op.path != "/v1/events" && (seen[name+" 2"] == 0 && !steers || seen[name+" 4"] == 0) {
			t.Errorf("%s: %d answers, %d refusals: the requests are all alike", name, seen[name+" 2"], seen[name+" 4"])
		}
	}
}
