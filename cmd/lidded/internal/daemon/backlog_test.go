package daemon_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/sweep"
)

// TestBacklogLosesNothing: many more runs end at once than anybody takes.
func TestBacklogLosesNothing(t *testing.T) {
	b := daemon.NewBacklog()
	var want, got []sweep.RunID
	for i := range 10000 {
		id := sweep.RunID(fmt.Sprint(i))
		want = append(want, id)
		daemon.Add(b, id)
		if i == 100 {
			got = append(got, daemon.Take(b, t.Context())...)
		}
	}
	got = append(got, daemon.Take(b, t.Context())...)
	if !slices.Equal(got, want) {
		t.Errorf("%d of %d came through", len(got), len(want))
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if got := daemon.Take(b, ended); len(got) > 0 {
		t.Errorf("took %v of nothing", got)
	}
}
