package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// all asks every daemon the same at once; those known to be away are not waited
// for. The answers come in the order of the config.
func (f *Fleet) all(r *http.Request, path string) []answer {
	out := make([]answer, len(f.daemons))
	head := carried(r)
	var wg sync.WaitGroup
	for i, d := range f.daemons {
		if err := d.awayNow(); err != nil {
			out[i] = answer{from: d, err: err}
			continue
		}
		wg.Go(func() { out[i] = d.ask(r.Context(), http.MethodGet, path, head, nil, lookTime) })
	}
	wg.Wait()
	return out
}

// seen is a bench and what is known of it.
type seen struct {
	name  string
	at    []*daemon       // that have it, or had it when they were last asked
	told  json.RawMessage // as its daemon tells; nil: it does not
	why   string          // it does not
	since *time.Time
	ships *time.Time
}

// miss is a daemon that gave no list.
type miss struct {
	rest.AwayDaemon
	refused bool // it answers, and does not let the caller
}

func wire(all []miss) []rest.AwayDaemon {
	return each(all, func(m miss) rest.AwayDaemon { return m.AwayDaemon })
}

// look asks for the benches as they are now.
func (f *Fleet) look(r *http.Request) (list []*seen, away []miss) {
	by := map[string]*seen{}
	add := func(name string) *seen {
		if by[name] == nil {
			by[name] = &seen{name: name}
			list = append(list, by[name])
		}
		return by[name]
	}
	for _, a := range f.all(r, "/v1/benches") {
		var got struct{ Benches []json.RawMessage }
		if a.err != nil || a.status != http.StatusOK || json.Unmarshal(a.body, &got) != nil {
			m := missed(a, r)
			away = append(away, m)
			for _, name := range a.from.standing().Benches {
				b := add(name)
				b.at, b.why, b.since = append(b.at, a.from), m.Reason, m.Since
			}
			continue
		}
		names := make([]string, 0, len(got.Benches))
		for _, raw := range got.Benches {
			var one struct{ Name string }
			if json.Unmarshal(raw, &one) != nil || one.Name == "" {
				continue
			}
			names = append(names, one.Name)
			b := add(one.Name)
			b.at, b.told = append(b.at, a.from), raw
		}
		a.from.has(names)
	}
	for _, known := range f.inLab(r.Context()) {
		b := add(known.Name)
		if at := known.Shipped; !at.IsZero() {
			b.ships = &at
		}
		if len(b.at) == 0 {
			b.why = "no daemon that lab.daemons names has it"
			if len(away) > 0 {
				b.why = "no daemon that answers has it; " + absent(away)
			}
		}
	}
	for _, b := range list {
		if len(b.at) > 1 {
			b.told, b.why, b.since = nil, claimed(b).Error(), nil
		}
	}
	return list, away
}

// missed says that a daemon gave no list.
func missed(a answer, r *http.Request) miss {
	out := miss{rest.AwayDaemon{Daemon: a.from.url, Reason: a.refusal()}, a.status == http.StatusUnauthorized || a.status == http.StatusForbidden}
	if out.refused && rest.CallerOf(r.Context()) == "" {
		out.Reason = noneToPassOn
	}
	if now := a.from.standing(); a.err != nil && !now.Up {
		out.Since = now.Since
	}
	return out
}

func absent(away []miss) string {
	parts := make([]string, len(away))
	for i, d := range away {
		parts[i] = d.Daemon + " (" + d.Reason + ")"
	}
	return "not to be asked: " + strings.Join(parts, ", ")
}

// notFound says why a thing that must be somewhere is at no daemon that could be
// asked.
func notFound(what string, away []miss) error {
	if slices.ContainsFunc(away, func(m miss) bool { return m.refused }) {
		return &access.Refusal{Kind: access.TooLow, Text: fmt.Sprintf("no daemon that lets the caller look has %s; %s", what, absent(away))}
	}
	return &rest.AwayError{Daemon: away[0].Daemon, Reason: away[0].Reason, Hint: fmt.Sprintf("No daemon that answers has %s; %s.", what, absent(away))}
}

// claimed is the error for a bench that several daemons have.
func claimed(b *seen) error {
	urls := make([]string, len(b.at))
	for i, d := range b.at {
		urls[i] = d.url
	}
	return fmt.Errorf("several daemons have a bench %q: %s; nothing is passed on to either: give one of the benches another name: %w", b.name, strings.Join(urls, ", "), sweep.ErrConflict)
}

// find is the daemon of a bench; an empty name is the only bench there is.
func (f *Fleet) find(r *http.Request, name, place string) (*daemon, error) {
	list, away := f.look(r)
	names := make([]string, 0, len(list))
	for _, b := range list {
		if len(b.at) > 0 {
			names = append(names, b.name)
		}
	}
	if name == "" && len(names) == 1 && len(away) == 0 {
		name = names[0]
	}
	if name == "" {
		return nil, sweep.Problem{Path: place, Message: fmt.Sprintf("there are several benches, so one must be named: %q", names)}
	}
	i := slices.IndexFunc(list, func(b *seen) bool { return b.name == name })
	switch {
	case i >= 0 && len(list[i].at) == 1:
		return list[i].at[0], nil
	case i >= 0 && len(list[i].at) > 1:
		return nil, claimed(list[i])
	case len(away) > 0:
		return nil, notFound(fmt.Sprintf("bench %q", name), away)
	case i >= 0:
		return nil, &rest.AwayError{Daemon: "bench " + name, Reason: list[i].why, Hint: "Name its daemon in lab.daemons of this server's config."}
	}
	return nil, &rest.NotFoundError{What: "bench", Name: name, Known: names}
}

// remembered is the daemon that had the bench when it was last asked, if that is
// one alone; for reading, not for orders.
func (f *Fleet) remembered(bench string) *daemon {
	var found []*daemon
	for _, d := range f.daemons {
		if slices.Contains(d.standing().Benches, bench) {
			found = append(found, d)
		}
	}
	if len(found) != 1 {
		return nil
	}
	return found[0]
}

// standing asks the lab for a run's bench, for as long as is worth waiting.
func (f *Fleet) standing(ctx context.Context, id string) (string, sweep.State, error) {
	ctx, cancel := context.WithTimeout(ctx, lookTime)
	defer cancel()
	return f.o.Lab.Standing(ctx, sweep.RunID(id))
}

// findRun is the daemon of a run: of its bench as the lab has it, or the one that
// knows the run, for the lab may lag behind or be away.
func (f *Fleet) findRun(r *http.Request, id string) (*daemon, error) {
	bench, _, err := f.standing(r.Context(), id)
	if err == nil {
		return f.find(r, bench, "path.id")
	}
	return f.whoRuns(r, id, err)
}

// whoRuns asks the daemons for a run that the lab did not give, and why it did
// not.
func (f *Fleet) whoRuns(r *http.Request, id string, err error) (*daemon, error) {
	answers := f.all(r, "/v1/runs/"+url.PathEscape(id))
	var away []miss
	for _, a := range answers {
		switch {
		case a.err == nil && a.status == http.StatusOK:
			return a.from, nil
		case a.err != nil || a.status != http.StatusNotFound:
			away = append(away, missed(a, r))
		}
	}
	switch {
	case !errors.Is(err, sweep.ErrNoRun):
		return nil, err
	case len(away) > 0:
		return nil, notFound("run "+id+", nor has the lab", away)
	}
	return nil, &rest.NotFoundError{What: "run", Name: id}
}
