package labtest

import (
	"bytes"
	"context"
	"crypto/md5"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"lidded/store"
	"lidded/store/lab"
	"lidded/store/storetest"
	"lidded/sweep"
)

// Equal returns the first place where what the lab gives back of a journal is
// not what the journal gives back: runs, captures with their traces, events and
// the ledger.
func Equal(ctx context.Context, all *lab.Reader, journal *store.Store) error {
	h, err := journal.Head(ctx, store.Position{})
	if err != nil {
		return err
	}
	there := all.Of(h.Journal)
	pair := func(what string, got, want any, errs ...error) error {
		err := errors.Join(errs...)
		if d := storetest.Difference(what, got, want); err == nil && d != "" {
			err = errors.New(d)
		}
		return err
	}
	gotR, e1 := there.Runs(ctx, sweep.RunFilter{})
	runs, e2 := journal.Runs(ctx, sweep.RunFilter{})
	err = pair("runs", gotR, runs, e1, e2)
	for _, i := range runs {
		gotR, e1 := there.Run(ctx, i.ID)
		wantR, e2 := journal.Run(ctx, i.ID)
		gotC, e3 := there.Captures(ctx, i.ID)
		wantC, e4 := journal.Captures(ctx, i.ID)
		err = errors.Join(err, pair("run", gotR, wantR, e1, e2), pair("captures", gotC, wantC, e3, e4))
	}
	gotE, e1 := there.Events(ctx, "", 0, 0)
	wantE, e2 := journal.Events(ctx, "", 0, 0)
	gotK, e3 := there.Keyings(ctx, sweep.KeyingFilter{})
	wantK, e4 := journal.Keyings(ctx, sweep.KeyingFilter{})
	gotL, e5 := there.LatestRuns(ctx, "", "")
	wantL, e6 := journal.LatestRuns(ctx, "", "")
	return errors.Join(err, pair("events", gotE, wantE, e1, e2), pair("ledger", gotK, wantK, e3, e4), pair("latest runs", gotL, wantL, e5, e6))
}

// Tally is how many records of each kind there are.
type Tally struct {
	Runs, Specimens, Captures, Traces, TraceBytes, Events, Keyings, Ends int
}

// Plus is the sum of two tallies.
func (t Tally) Plus(o Tally) Tally {
	return Tally{t.Runs + o.Runs, t.Specimens + o.Specimens, t.Captures + o.Captures, t.Traces + o.Traces, t.TraceBytes + o.TraceBytes,
		t.Events + o.Events, t.Keyings + o.Keyings, t.Ends + o.Ends}
}

// Rows compares the lab's rows of a journal with the journal's: none is missing,
// none is there twice, and the traces are the same bytes.
func Rows(ctx context.Context, c *pgx.Conn, journal *store.Store) (t Tally, err error) {
	want, digests, err := journalRows(ctx, journal)
	if err != nil {
		return t, err
	}
	h, err := journal.Head(ctx, store.Position{})
	if err != nil {
		return t, err
	}
	const ours = `(SELECT id FROM lidded.runs WHERE journal = j.n)`
	var got, distinct Tally
	err = c.QueryRow(ctx, `SELECT
		(SELECT count(*) FROM lidded.runs WHERE journal = j.n), (SELECT count(*) FROM lidded.run_specimens WHERE run_id IN `+ours+`),
		(SELECT count(*) FROM lidded.captures WHERE run_id IN `+ours+`), (SELECT count(DISTINCT id) FROM lidded.captures WHERE run_id IN `+ours+`),
		(SELECT count(*) FROM lidded.looks WHERE run_id IN `+ours+`), (SELECT coalesce(sum(length(levels_dbm)), 0) FROM lidded.looks WHERE run_id IN `+ours+`),
		(SELECT count(*) FROM lidded.events WHERE journal = j.n), (SELECT count(DISTINCT id) FROM lidded.events WHERE journal = j.n),
		(SELECT count(*) FROM lidded.keyings WHERE journal = j.n), (SELECT count(DISTINCT id) FROM lidded.keyings WHERE journal = j.n),
		(SELECT count(*) FROM lidded.keying_ends e JOIN lidded.keyings k ON k.id = e.id WHERE k.journal = j.n)
		FROM lidded.journals j WHERE j.id = $1`, h.Journal).
		Scan(&got.Runs, &got.Specimens, &got.Captures, &distinct.Captures, &got.Traces, &got.TraceBytes, &got.Events, &distinct.Events, &got.Keyings, &distinct.Keyings, &got.Ends)
	if err != nil {
		return got, err
	}
	if got != want {
		return got, fmt.Errorf("the lab has %+v, the journal %+v", got, want)
	}
	if distinct.Captures != got.Captures || distinct.Events != got.Events || distinct.Keyings != got.Keyings {
		return got, fmt.Errorf("of %+v only %+v are different", got, distinct)
	}
	rows, err := c.Query(ctx, `SELECT l.run_id::text, decode(md5(string_agg(l.levels_dbm, '' ORDER BY l.seq, l.look)), 'hex')
		FROM lidded.looks l JOIN lidded.runs r ON r.id = l.run_id JOIN lidded.journals j ON j.n = r.journal WHERE j.id = $1 GROUP BY 1`, h.Journal)
	if err != nil {
		return got, err
	}
	var run string
	var sum []byte
	_, err = pgx.ForEachRow(rows, []any{&run, &sum}, func() error {
		if !bytes.Equal(sum, digests[run]) {
			return fmt.Errorf("the traces of run %s are other bytes", run)
		}
		return nil
	})
	return got, err
}

// journalRows counts a journal's rows, and gives the digest of each run's traces.
func journalRows(ctx context.Context, journal *store.Store) (t Tally, digests map[string][]byte, err error) {
	run, levels := slices.Index(store.LookColumns, "run_id"), slices.Index(store.LookColumns, "levels_dbm")
	sums := map[string][]byte{}
	digests = map[string][]byte{}
	for at := (store.Position{}); ; {
		b, err := journal.After(ctx, at, store.Limits{})
		if err != nil || b.Records == 0 {
			for id, all := range sums {
				sum := md5.Sum(all)
				digests[id] = sum[:]
			}
			return t, digests, err
		}
		t = t.Plus(Tally{len(b.Runs), len(b.Specimens), len(b.Captures), len(b.Looks), b.Bytes, len(b.Events), len(b.Keyings), len(b.Ends)})
		for _, l := range b.Looks {
			id := l[run].(string)
			sums[id] = append(sums[id], l[levels].([]byte)...)
		}
		at = b.To
	}
}

// Judged compares the results that the lab holds of a run with what the run's
// captures mean: each point once, with the same claim.
func Judged(ctx context.Context, c *pgx.Conn, id sweep.RunID, e sweep.Evaluation) error {
	rows, err := c.Query(ctx, `SELECT concat_ws(' ', place, specimen, position, polarization, point, outcome, relation, se_db) FROM lidded.point_results WHERE run_id = $1 ORDER BY place`, id)
	if err != nil {
		return err
	}
	got, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	var want []string
	for i, r := range e.Results {
		line := fmt.Sprintf("%d %s %s %s %d %v", i, r.At.Specimen, r.At.Position, r.At.Polarization, r.Point, r.Outcome)
		switch r.SE.Relation {
		case sweep.Equal:
			line += fmt.Sprintf(" = %v", float64(r.SE.Value))
		case sweep.AtLeastRelation:
			line += fmt.Sprintf(" >= %v", float64(r.SE.Value))
		default:
			line += " ?"
		}
		want = append(want, line)
	}
	if !slices.Equal(got, want) {
		return fmt.Errorf("results of run %s: the lab has\n%s\nthe journal means\n%s", id, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	return nil
}
