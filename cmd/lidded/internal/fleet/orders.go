package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"sync"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// ofBench passes on what belongs to the bench in the path.
func (f *Fleet) ofBench(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	f.toBench(w, r, r.PathValue("name"), "path.name", nil)
}

// ofBenchAsked passes on what belongs to the bench in the query.
func (f *Fleet) ofBenchAsked(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	f.toBench(w, r, r.URL.Query().Get("bench"), "query.bench", nil)
}

// ofBenchInBody passes on what belongs to the bench that the body names.
func (f *Fleet) ofBenchInBody(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	body, err := bodyOf(r)
	var in struct{ Bench string }
	if err == nil {
		err = json.Unmarshal(body, &in)
	}
	if err != nil {
		rest.WriteProblem(w, http.StatusBadRequest, "the body does not say which bench is meant: "+err.Error())
		return
	}
	f.toBench(w, r, in.Bench, "body.bench", body)
}

func (f *Fleet) toBench(w http.ResponseWriter, r *http.Request, bench, place string, body []byte) {
	d, err := f.find(r, bench, place)
	if err != nil {
		f.fail(w, err)
		return
	}
	f.pass(w, r, d, body)
}

// steer passes an order to a run on.
func (f *Fleet) steer(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	body, err := bodyOf(r)
	if err != nil {
		rest.WriteProblem(w, http.StatusBadRequest, "the body cannot be read")
		return
	}
	d, err := f.findRun(r, r.PathValue("id"))
	if err != nil {
		f.fail(w, err)
		return
	}
	f.pass(w, r, d, body)
}

// sourceOff passes on that a source is to go off. Where several daemons have a
// bench of the name, each is told.
func (f *Fleet) sourceOff(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	body, err := bodyOf(r)
	if err != nil {
		rest.WriteProblem(w, http.StatusBadRequest, "the body cannot be read")
		return
	}
	name := r.PathValue("name")
	list, _ := f.look(r)
	i := slices.IndexFunc(list, func(b *seen) bool { return b.name == name })
	if i < 0 || len(list[i].at) < 2 {
		f.offAtOne(w, r, name, body)
		return
	}
	off, failed := f.offAt(r, list[i].at, body, func(a answer, off *[]rest.SourceOff) bool {
		var one rest.SourceOff
		ok := json.Unmarshal(a.body, &one) == nil && one.Bench != ""
		*off = append(*off, one)
		return ok
	})
	if len(failed.Where) > 0 {
		f.fail(w, failed)
		return
	}
	writeJSON(w, off[0])
}

func (f *Fleet) offAtOne(w http.ResponseWriter, r *http.Request, name string, body []byte) {
	d, err := f.find(r, name, "path.name")
	if err == nil {
		var resp *http.Response
		ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), orderTime)
		defer cancel()
		if resp, err = f.send(ctx, r, d, body); err == nil {
			f.give(w, r, d, resp)
			return
		}
	}
	if away := (*rest.AwayError)(nil); errors.As(err, &away) {
		err = &rest.SourcesError{Where: []string{name}, Why: []string{away.Error()}}
	}
	f.fail(w, err)
}

// allSourcesOff tells every daemon, also those thought to be away.
func (f *Fleet) allSourcesOff(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
	body, err := bodyOf(r)
	if err != nil {
		rest.WriteProblem(w, http.StatusBadRequest, "the body cannot be read")
		return
	}
	off, failed := f.offAt(r, f.daemons, body, func(a answer, off *[]rest.SourceOff) bool {
		var all rest.SourceOffList
		ok := json.Unmarshal(a.body, &all) == nil && all.Benches != nil
		*off = append(*off, all.Benches...)
		return ok
	})
	if len(failed.Where) > 0 {
		f.fail(w, failed)
		return
	}
	writeJSON(w, rest.SourceOffList{Benches: off})
}

// offAt passes the request on to daemons at once and waits for what each says,
// whether or not the client does.
func (f *Fleet) offAt(r *http.Request, to []*daemon, body []byte, take func(answer, *[]rest.SourceOff) bool) ([]rest.SourceOff, *rest.SourcesError) {
	answers := make([]answer, len(to))
	ctx, head := context.WithoutCancel(r.Context()), carried(r)
	var wg sync.WaitGroup
	for i, d := range to {
		wg.Go(func() { answers[i] = d.ask(ctx, http.MethodPost, r.URL.EscapedPath(), head, body, orderTime) })
	}
	wg.Wait()
	off, failed := []rest.SourceOff{}, &rest.SourcesError{}
	for _, a := range answers {
		if a.err == nil && a.status == http.StatusOK && take(a, &off) {
			continue
		}
		var p rest.Problem
		if a.err == nil && json.Unmarshal(a.body, &p) == nil && len(p.Errors) > 0 {
			for _, e := range p.Errors {
				failed.Where, failed.Why = append(failed.Where, e.Location), append(failed.Why, e.Message)
			}
			continue
		}
		failed.Where, failed.Why = append(failed.Where, "benches of "+a.from.url), append(failed.Why, a.refusal())
	}
	return off, failed
}

// run answers what is asked of a run. One that has ended is read from the lab; one
// that goes on, or that the lab does not have yet, from its daemon, as far as that
// lets the caller.
func (f *Fleet) run(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	id := r.PathValue("id")
	bench, state, err := f.standing(r.Context(), id)
	switch {
	case err != nil:
		d, _ := f.whoRuns(r, id, err)
		f.orHere(w, r, d, here)
	case state.Final():
		here(w, r)
	default:
		f.orHere(w, r, f.bestFor(r, bench), here)
	}
}

// bestFor is the daemon that is asked about a bench; nil: none.
func (f *Fleet) bestFor(r *http.Request, bench string) *daemon {
	if d := f.remembered(bench); d != nil {
		return d
	}
	d, _ := f.find(r, bench, "")
	return d
}

// made answers what depends on how a specimen is made, which stands in the config
// of the bench's daemon.
func (f *Fleet) made(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	bench, state, err := f.standing(r.Context(), r.PathValue("id"))
	if err != nil || state == sweep.StateUnknown {
		f.run(w, r, here)
		return
	}
	f.orHere(w, r, f.bestFor(r, bench), here)
}

// whoKnows gives the answer of the first daemon that knows the specimen.
func (f *Fleet) whoKnows(w http.ResponseWriter, r *http.Request, here http.HandlerFunc) {
	for _, a := range f.all(r, target(r)) {
		if a.err == nil && a.status == http.StatusOK {
			w.Header().Set("Content-Type", a.header.Get("Content-Type"))
			_, _ = w.Write(a.body)
			return
		}
	}
	here(w, r)
}

// orHere passes a question on, and answers here where the daemon is away or does
// not let the caller or does not know.
func (f *Fleet) orHere(w http.ResponseWriter, r *http.Request, d *daemon, here http.HandlerFunc) {
	if d == nil || d.awayNow() != nil {
		here(w, r)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), readTime)
	defer cancel()
	resp, err := f.send(ctx, r, d, nil)
	if err != nil {
		here(w, r)
		return
	}
	switch resp.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusNotFound, http.StatusTooManyRequests, http.StatusInternalServerError, http.StatusServiceUnavailable:
		resp.Body.Close()
		here(w, r)
		return
	}
	f.give(w, r, d, resp)
}
