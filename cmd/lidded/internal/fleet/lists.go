package fleet

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"

	"lidded/cmd/lidded/internal/rest"
)

func (f *Fleet) listBenches(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	list, away := f.look(r)
	f.give200(w, "benches", each(list, (*seen).wire), away)
}

func (f *Fleet) showBench(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	list, _ := f.look(r)
	name := r.PathValue("name")
	for _, b := range list {
		if b.name == name {
			writeJSON(w, b.wire())
			return
		}
	}
	f.fail(w, &rest.NotFoundError{What: "bench", Name: name, Known: each(list, func(b *seen) string { return b.name })})
}

// wire is the bench as its daemon tells, with the daemon's address, or that it does
// not tell.
func (b *seen) wire() json.RawMessage {
	at := ""
	if len(b.at) == 1 {
		at = b.at[0].url
	}
	if b.told != nil {
		return with(b.told, "daemon", at)
	}
	return mustJSON(rest.AwayBench(b.name, at, rest.Away{Reason: b.why, Since: b.since, Shipped: b.ships}))
}

func (f *Fleet) listPlans(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	f.listed(w, r, here, "/v1/plans", "plans", nil)
}

func (f *Fleet) listSpecimens(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	f.listed(w, r, here, "/v1/specimens", "specimens", func() []json.RawMessage {
		names, err := f.o.Lab.Specimens(r.Context())
		if err != nil {
			return nil // the daemons' own are listed all the same
		}
		return each(names, func(name string) json.RawMessage { return mustJSON(rest.Specimen{Name: name}) })
	})
}

// listed merges what the daemons list of their configs. What several list alike
// stands once, with all their benches; what the lab knows more comes last.
func (f *Fleet) listed(w http.ResponseWriter, r *http.Request, here http.HandlerFunc, path, key string, more func() []json.RawMessage) {
	if r.URL.Query().Get("bench") != "" {
		f.ofBenchAsked(w, r, here)
		return
	}
	f.look(r) // says which benches each has
	var list []json.RawMessage
	on := map[string][]string{}
	var away []miss
	named := map[string]bool{}
	for _, a := range f.all(r, path) {
		items, ok := a.items(key)
		if !ok {
			away = append(away, missed(a, r))
			continue
		}
		benches := a.from.standing().Benches
		for _, raw := range items {
			if _, have := on[string(raw)]; !have {
				list = append(list, raw)
			}
			on[string(raw)] = append(on[string(raw)], benches...)
			named[nameIn(raw)] = true
		}
	}
	for i, raw := range list {
		list[i] = with(raw, "benches", on[string(raw)])
	}
	if more != nil {
		for _, raw := range more() {
			if !named[nameIn(raw)] {
				list = append(list, raw)
			}
		}
	}
	f.give200(w, key, list, away)
}

func (f *Fleet) listSchedules(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	if r.URL.Query().Get("bench") != "" {
		f.ofBenchAsked(w, r, here)
		return
	}
	var list []json.RawMessage
	var away []miss
	for _, a := range f.all(r, "/v1/schedules") {
		items, ok := a.items("schedules")
		if !ok {
			away = append(away, missed(a, r))
			continue
		}
		list = append(list, items...)
	}
	f.give200(w, "schedules", list, away)
}

// items are the members of a list that was asked for.
func (a answer) items(key string) ([]json.RawMessage, bool) {
	var got map[string]json.RawMessage
	var items []json.RawMessage
	if a.err != nil || a.status != http.StatusOK || json.Unmarshal(a.body, &got) != nil || json.Unmarshal(got[key], &items) != nil {
		return nil, false
	}
	return items, true
}

func (f *Fleet) give200(w http.ResponseWriter, key string, list []json.RawMessage, away []miss) {
	if list == nil {
		list = []json.RawMessage{}
	}
	out := map[string]any{key: list}
	if len(away) > 0 {
		out["away"] = wire(away)
	}
	writeJSON(w, out)
}

func writeJSON(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

// with adds a member to a JSON object.
func with(object json.RawMessage, key string, value any) json.RawMessage {
	end := len(object) - 1
	if end < 1 || object[0] != '{' || object[end] != '}' {
		return object
	}
	out := slices.Clone(object[:end])
	if end > 1 {
		out = append(out, ',')
	}
	return append(append(append(out, mustJSON(key)...), ':'), append(mustJSON(value), '}')...)
}

func nameIn(object json.RawMessage) string {
	var one struct{ Name string }
	_ = json.Unmarshal(object, &one)
	return one.Name
}

// mustJSON encodes what always can be.
func mustJSON(v any) json.RawMessage {
	data, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("encode %T: %v", v, err))
	}
	return data
}

func each[A, B any](in []A, f func(A) B) []B {
	out := make([]B, len(in))
	for i, v := range in {
		out[i] = f(v)
	}
	return out
}
