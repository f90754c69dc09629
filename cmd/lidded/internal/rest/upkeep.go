package rest

import (
	"context"
	"fmt"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"lidded/cmd/lidded/internal/access"
)

// ScheduleList lists schedules.
type ScheduleList struct {
	Schedules []Schedule   `json:"schedules"`
	Away      []AwayDaemon `json:"away,omitempty" doc:"On a lab server: daemons that did not answer"`
}

type scheduleQuery struct {
	Bench string `query:"bench" maxLength:"100" doc:"Only this bench"`
}

func (s *server) upkeepRoutes() {
	register(s, access.Read, huma.Operation{
		OperationID: "list-exchanges", Method: http.MethodGet, Path: "/v1/benches/{name}/exchanges", Tags: []string{"benches"},
		Summary:     "Show what was last said to and by a bench's instruments",
		Description: "With identities and the state of the links. Nothing is sent to an instrument for it.",
	}, func(ctx context.Context, in *BenchPath) (*body[Exchanges], error) {
		b, err := s.bench(ctx, in.Name)
		if err != nil {
			return nil, err
		}
		t, err := s.Benches.Exchanges(ctx, b.Bench.Name)
		if err != nil {
			return nil, err
		}
		return bodyOf(Exchanges{b.Bench.Name, talkOf(b.Analyzer, t.Analyzer), talkOf(b.Source, t.Source)}), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "list-schedules", Method: http.MethodGet, Path: "/v1/schedules", Tags: []string{"plans"},
		Summary: "List schedules, when they are next due, and what they missed",
	}, func(ctx context.Context, in *scheduleQuery) (*body[ScheduleList], error) {
		out := ScheduleList{Schedules: []Schedule{}}
		if s.Upkeep != nil {
			all, err := s.Upkeep.Schedules(ctx)
			if err != nil {
				return nil, fmt.Errorf("list schedules: %w", err)
			}
			for _, one := range all {
				if in.Bench == "" || in.Bench == one.Bench {
					out.Schedules = append(out.Schedules, scheduleOf(one))
				}
			}
		}
		return bodyOf(out), nil
	})
	register(s, access.Read, huma.Operation{
		OperationID: "get-daemon", Method: http.MethodGet, Path: "/v1/daemon", Tags: []string{"daemon"},
		Summary: "Show the daemon: version, disk, store, guardians",
	}, func(ctx context.Context, _ *struct{}) (*body[Daemon], error) {
		now := DaemonNow{DiskFree: -1, StoreBytes: -1}
		if s.Upkeep != nil {
			var err error
			if now, err = s.Upkeep.Daemon(ctx); err != nil {
				return nil, fmt.Errorf("look at the daemon: %w", err)
			}
		}
		return bodyOf(daemonOf(s.Version, now)), nil
	})
}
