package lab

import (
	"context"
	"fmt"
	"math"
	"strings"

	"github.com/jackc/pgx/v5"

	"lidded/store"
	"lidded/sweep"
)

// Due lists, oldest first, the ended runs of the journal that nobody has judged
// for the lab yet, at most so many.
func (w *Writer) Due(ctx context.Context, most int) ([]sweep.RunID, error) {
	rows, err := w.conn.Query(ctx, `SELECT id::text FROM lidded.runs WHERE journal = $1 AND NOT evaluated AND state IN ('completed', 'stopped', 'aborted', 'failed') ORDER BY n LIMIT $2`, w.n, most)
	if err != nil {
		return nil, explain("list runs to judge", w.conf, err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[sweep.RunID])
	return ids, explain("list runs to judge", w.conf, err)
}

// Judged keeps what a run's captures mean, as a version of the software judged
// them. What that version said already stays; what another version said stays
// beside it, and the newest counts.
func (w *Writer) Judged(ctx context.Context, id sweep.RunID, software string, e sweep.Evaluation) error {
	if err := w.makeMonth(ctx, store.TimeOf(string(id))); err != nil {
		return explain("make partitions", w.conf, err)
	}
	return explain("keep results", w.conf, w.within(ctx, func(tx pgx.Tx) error {
		var bench, plan string
		if err := tx.QueryRow(ctx, `SELECT bench, plan FROM lidded.runs WHERE id = $1 FOR UPDATE`, id).Scan(&bench, &plan); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE lidded.runs SET evaluated = true WHERE id = $1 AND NOT evaluated`, id); err != nil {
			return err
		}
		var version int16
		err := tx.QueryRow(ctx, `INSERT INTO lidded.evaluations (run_id, version, software, notes)
			SELECT $1, coalesce(max(version), 0) + 1, $2, $3 FROM lidded.evaluations WHERE run_id = $1 ON CONFLICT (run_id, software) DO NOTHING RETURNING version`,
			id, clipped(software), clipped(strings.Join(e.Notes, "\n"))).Scan(&version)
		if err == pgx.ErrNoRows {
			return nil // this version has judged it
		}
		if err != nil {
			return err
		}
		at := store.TimeOf(string(id))
		points := make([][]any, len(e.Results))
		for i, r := range e.Results {
			points[i] = []any{at, string(id), version, i, bench, clipped(r.At.Specimen), clipped(r.At.Position), string(r.At.Polarization), r.At.Repeat, r.Point, float64(r.Freq),
				r.Outcome.String(), relation(r.SE), claimed(r.SE, r.SE.Value), claimed(r.SE, r.SE.Low), upper(r.SE), claimed(r.SE, r.SE.U), r.Confidence,
				finite(r.Reference), finite(r.Enclosed), finite(r.NoiseFloor), finite(r.DynamicRange), present(r.Required), present(r.Headroom), r.Verdict.String(), clipped(r.Reason), clipped(r.Method)}
		}
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{"lidded", "point_results"}, pointColumns, pgx.CopyFromRows(points)); err != nil {
			return fmt.Errorf("point results: %w", err)
		}
		var boxes [][]any
		for _, s := range e.Summaries {
			row := []any{clipped(s.Specimen), at, string(id), version, bench, plan, s.Verdict.String(), clipped(s.Sentence), "?", nil, nil, headroom(s)}
			if s.Lowest != nil {
				row[8], row[9], row[10] = relation(s.Lowest.SE), claimed(s.Lowest.SE, s.Lowest.SE.Value), float64(s.Lowest.Freq)
			}
			boxes = append(boxes, append(row, s.Counts.Measured, s.Counts.AtLeast, s.Counts.Ambient, s.Counts.Void, s.Counts.Missing))
		}
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"lidded", "specimen_results"}, boxColumns, pgx.CopyFromRows(boxes))
		return err
	}))
}

var (
	pointColumns = []string{"run_time", "run_id", "version", "place", "bench", "specimen", "position", "polarization", "repeat", "point", "freq_hz", "outcome", "relation",
		"se_db", "se_low_db", "se_high_db", "expanded_u_db", "confidence", "reference_dbm", "enclosed_dbm", "noise_floor_dbm", "dynamic_range_db", "required_db", "headroom_db", "verdict", "reason", "method"}
	boxColumns = []string{"specimen", "run_time", "run_id", "version", "bench", "plan", "verdict", "sentence", "lowest_relation", "lowest_se_db", "lowest_freq_hz", "worst_headroom_db",
		"measured", "at_least", "ambient", "void", "missing"}
)

func clipped(s string) string { return store.Shipped(s) }

// relation is a claim's as views show it: = a value, >= a bound, ? none.
func relation(s sweep.SE) string {
	switch s.Relation {
	case sweep.Equal:
		return "="
	case sweep.AtLeastRelation:
		return ">="
	}
	return "?"
}

// claimed is a number of a claim, nothing without one.
func claimed[T ~float64](s sweep.SE, v T) any {
	if s.Relation == sweep.RelationUnknown {
		return nil
	}
	return finite(v)
}

// upper is the upper end of an interval; a bound has none.
func upper(s sweep.SE) any {
	if s.Relation != sweep.Equal {
		return nil
	}
	return finite(s.High)
}

func finite[T ~float64](v T) any {
	if f := float64(v); !math.IsNaN(f) && !math.IsInf(f, 0) {
		return f
	}
	return nil
}

func present[T ~float64](v *T) any {
	if v == nil {
		return nil
	}
	return finite(*v)
}

// headroom is the lowest of a specimen's points; nothing if none has one.
func headroom(s sweep.Summary) any {
	var low any
	for _, w := range s.Worst {
		if w.Headroom == nil {
			continue
		}
		if f, ok := finite(*w.Headroom).(float64); ok && (low == nil || f < low.(float64)) {
			low = f
		}
	}
	return low
}
