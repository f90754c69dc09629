package command

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/sweep"
	"lidded/sweep/trend"
)

// mostTrendRuns is how many runs are asked for, the newest: the most that is given.
const mostTrendRuns = 5000

// trend asks until all runs are worked out.
func (c *Client) trend(ctx context.Context, f sweep.RunFilter, when span, freqs []unit.Hz, alarm float64) (rest.Trends, error) {
	q := url.Values{"limit": {strconv.Itoa(mostTrendRuns)}, "false_alarm": {exactNumber(alarm)}}
	list := ""
	for i, hz := range freqs {
		if i > 0 {
			list += ","
		}
		list += exactNumber(float64(hz))
	}
	for key, value := range map[string]string{"bench": f.Bench, "plan": f.Plan, "freq_hz": list} {
		if value != "" {
			q.Set(key, value)
		}
	}
	for key, t := range map[string]time.Time{"from": when.from, "to": when.to} {
		if !t.IsZero() {
			q.Set(key, t.UTC().Format(time.RFC3339Nano))
		}
	}
	for {
		var found rest.Trends
		if err := c.Do(ctx, http.MethodGet, "/v1/specimens/"+url.PathEscape(f.Specimen)+"/trend?"+q.Encode(), nil, nil, &found); err != nil {
			return found, err
		}
		if found.Pending > 0 { // the daemon has waited for some of them
			continue
		}
		if found.Runs == 0 {
			return found, fmt.Errorf("no completed or stopped run of %s: 'lidded runs' lists the runs of a daemon", f.Specimen)
		}
		return found, nil
	}
}

// trendRows are trends as they came, for the tables.
func trendRows(found rest.Trends) []trend.Frequency {
	out := make([]trend.Frequency, len(found.Frequencies))
	for i, f := range found.Frequencies {
		out[i] = trend.Frequency{Freq: unit.Hz(f.Freq), SE: trend.Trend{Sentence: f.SE.Sentence}, Reference: trend.Trend{Sentence: f.Reference.Sentence}}
		for _, p := range f.Series {
			r := trend.Row{Run: sweep.RunInfo{ID: sweep.RunID(p.Run), Bench: p.Bench, Plan: p.Plan, DoorCycle: p.DoorCycle}, Time: p.Time, Reference: unit.Missing()}
			_ = r.Outcome.UnmarshalText([]byte(p.Outcome)) // a newer daemon's word is shown as unknown
			if p.Reference != nil {
				r.Reference = unit.DBm(*p.Reference)
			}
			if p.SE != nil && r.SE.Relation.UnmarshalText([]byte(p.SE.Relation)) == nil {
				number := func(v *float64) unit.DB {
					if v == nil {
						return unit.DB(p.SE.Value)
					}
					return unit.DB(*v)
				}
				r.SE.Value, r.SE.Low, r.SE.High = unit.DB(p.SE.Value), number(p.SE.Low), number(p.SE.High)
				if p.SE.U != nil {
					r.SE.U = unit.DB(*p.SE.U)
				}
			}
			out[i].Rows = append(out[i].Rows, r)
		}
	}
	return out
}
