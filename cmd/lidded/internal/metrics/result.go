package metrics

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/requirement"
)

// Result is what a run found out about its specimens.
type Result struct {
	Bench     string
	Plan      string
	Ended     time.Time // of the run; of two results for a specimen the later counts
	Summaries []sweep.Summary
}

// Load takes results in: those of the store at the start, that of a run at its
// end. For each bench, plan and specimen the newest is shown.
func (m *Metrics) Load(all ...Result) {
	r := m.results
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, one := range all {
		for _, s := range one.Summaries {
			k := boxKey{one.Bench, one.Plan, s.Specimen}
			if old, ok := r.boxes[k]; ok && old.ended.After(one.Ended) {
				continue
			}
			r.boxes[k] = box{boxKey: k, ended: one.Ended, summary: s}
		}
	}
}

type boxKey struct{ bench, plan, specimen string }

type box struct {
	boxKey
	ended   time.Time
	summary sweep.Summary
}

// results shows the newest result of each specimen. Per-frequency series are
// given to the newest results first, whole specimens at a time, up to a limit.
type results struct {
	limit int

	mu    sync.Mutex
	boxes map[boxKey]box

	se, bound, margin, span, headroom                        *prometheus.Desc // per frequency
	worstSE, worstBound, worstFreq, worstHeadroom, worstSpan *prometheus.Desc // per specimen
	points, verdict, at                                      *prometheus.Desc
	most, leftOut                                            *prometheus.Desc
}

var outcomes = []string{"measured", "at_least", "ambient", "void", "missing"}

var verdicts = []sweep.Verdict{requirement.Meets, requirement.FallsShort, requirement.Undecided}

func newResults(limit int) *results {
	specimen := []string{"bench", "plan", "specimen"}
	point := append(slices.Clone(specimen), "point", "freq_hertz")
	return &results{
		limit: limit, boxes: map[boxKey]box{},
		se:            desc("se_db", "Shielding effectiveness at a frequency, lowest over positions and polarizations; a lower bound where lidded_se_is_bound is 1.", point...),
		bound:         desc("se_is_bound", "1 where lidded_se_db is a lower bound, 0 where it is a value.", point...),
		margin:        desc("noise_floor_margin_db", "Reading through the shield over the noise floor.", point...),
		span:          desc("dynamic_range_db", "Reference over the noise floor: no more than this can be shown.", point...),
		headroom:      desc("requirement_headroom_db", "What is shown (lower end of the interval) over the requirement; negative: not shown to meet it.", point...),
		worstSE:       desc("worst_se_db", "Lowest shielding effectiveness over the plan; a lower bound where lidded_worst_se_is_bound is 1.", specimen...),
		worstBound:    desc("worst_se_is_bound", "1 where lidded_worst_se_db is a lower bound, 0 where it is a value.", specimen...),
		worstFreq:     desc("worst_se_frequency_hertz", "Where the lowest shielding effectiveness was found.", specimen...),
		worstHeadroom: desc("worst_requirement_headroom_db", "Lowest headroom to the requirement over the plan.", specimen...),
		worstSpan:     desc("worst_dynamic_range_db", "Lowest dynamic range over the plan.", specimen...),
		points:        desc("result_points", "Points of the plan by what may be claimed there.", append(slices.Clone(specimen), "outcome")...),
		verdict:       desc("requirement_verdict", "1 for the verdict of the specimen against the requirement, 0 for the others.", append(slices.Clone(specimen), "verdict")...),
		at:            desc("result_timestamp_seconds", "When the run ended that the result is of.", specimen...),
		most:          desc("frequency_series_limit", "How many points may have series of their own."),
		leftOut:       desc("frequency_series_left_out", "How many points have no series of their own because of the limit."),
	}
}

// Describe sends what Collect may send.
func (r *results) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		r.se, r.bound, r.margin, r.span, r.headroom, r.worstSE, r.worstBound, r.worstFreq, r.worstHeadroom, r.worstSpan,
		r.points, r.verdict, r.at, r.most, r.leftOut,
	} {
		out <- d
	}
}

// Collect sends the newest results.
func (r *results) Collect(out chan<- prometheus.Metric) {
	r.mu.Lock()
	all := make([]box, 0, len(r.boxes))
	for _, b := range r.boxes {
		all = append(all, b)
	}
	r.mu.Unlock()
	slices.SortFunc(all, func(a, b box) int {
		return cmp.Or(b.ended.Compare(a.ended), strings.Compare(a.bench, b.bench), strings.Compare(a.plan, b.plan), strings.Compare(a.specimen, b.specimen))
	})
	room, leftOut := r.limit, 0
	for _, b := range all {
		r.collectBox(out, b)
		if n := len(b.summary.Worst); n > room {
			leftOut += n
			continue
		}
		room -= len(b.summary.Worst)
		for _, w := range b.summary.Worst {
			r.collectPoint(out, b, w)
		}
	}
	gauge(out, r.most, float64(r.limit))
	gauge(out, r.leftOut, float64(leftOut))
}

func (r *results) collectPoint(out chan<- prometheus.Metric, b box, w sweep.Worst) {
	labels := []string{b.bench, b.plan, b.specimen, strconv.Itoa(w.Point), strconv.FormatFloat(float64(w.Freq), 'f', -1, 64)}
	if claims(w.SE) {
		gauge(out, r.se, float64(w.SE.Value), labels...)
		gauge(out, r.bound, flag(w.SE.Relation == sweep.AtLeastRelation), labels...)
		finite(out, r.headroom, w.Headroom, labels...)
	}
	finite(out, r.margin, &w.Margin, labels...)
	finite(out, r.span, &w.Range, labels...)
}

func (r *results) collectBox(out chan<- prometheus.Metric, b box) {
	labels := []string{b.bench, b.plan, b.specimen}
	with := func(more string) []string { return append(slices.Clone(labels), more) }
	s := b.summary
	if w := s.Lowest; w != nil && claims(w.SE) {
		gauge(out, r.worstSE, float64(w.SE.Value), labels...)
		gauge(out, r.worstBound, flag(w.SE.Relation == sweep.AtLeastRelation), labels...)
		gauge(out, r.worstFreq, float64(w.Freq), labels...)
	}
	var headroom, span *unit.DB
	for _, w := range s.Worst {
		if claims(w.SE) {
			headroom = lower(headroom, w.Headroom)
		}
		span = lower(span, &w.Range)
	}
	finite(out, r.worstHeadroom, headroom, labels...)
	finite(out, r.worstSpan, span, labels...)
	counts := []int{s.Counts.Measured, s.Counts.AtLeast, s.Counts.Ambient, s.Counts.Void, s.Counts.Missing}
	for i, name := range outcomes {
		gauge(out, r.points, float64(counts[i]), with(name)...)
	}
	for _, v := range verdicts {
		gauge(out, r.verdict, flag(v == s.Verdict), with(strings.ReplaceAll(v.String(), " ", "_"))...)
	}
	gauge(out, r.at, stamp(b.ended), labels...)
}

// claims reports whether there is a number at all.
func claims(se sweep.SE) bool {
	return se.Relation != sweep.RelationUnknown && isFinite(se.Value)
}

func isFinite(v unit.DB) bool { return !math.IsNaN(float64(v)) && !math.IsInf(float64(v), 0) }

func finite(out chan<- prometheus.Metric, d *prometheus.Desc, v *unit.DB, labels ...string) {
	if v != nil && isFinite(*v) {
		gauge(out, d, float64(*v), labels...)
	}
}

// lower returns the smaller of two values, either of which may be missing.
func lower(a, b *unit.DB) *unit.DB {
	switch {
	case b == nil || !isFinite(*b):
		return a
	case a == nil || *b < *a:
		v := *b
		return &v
	}
	return a
}
