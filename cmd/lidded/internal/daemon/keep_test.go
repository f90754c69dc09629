package daemon_test

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"lidded/cmd/lidded/internal/daemon"
	"lidded/store"
	"lidded/sweep"
)

// TestEveryDay: once a day at a time on the wall, over a change of summer time
// and a clock that is set.
func TestEveryDay(t *testing.T) {
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 27, 12, 0, 0, 0, vienna)
	set := []struct {
		on string // when the clock shows this or more, it is set
		to time.Time
	}{
		{"2026-03-31T20:00", time.Date(2026, 3, 29, 20, 0, 0, 0, vienna)},
		{"2026-04-01T08:00", time.Date(2026, 6, 1, 8, 0, 0, 0, vienna)},
		{"2026-06-02T08:00", time.Date(2020, 1, 1, 3, 0, 0, 0, vienna)},
	}
	const shown = "2006-01-02T15:04"
	done := errors.New("done")
	var acted []string
	pause := func(_ context.Context, d time.Duration) error {
		if d <= 0 || d > time.Hour {
			t.Fatalf("pause of %v at %v", d, now)
		}
		now = now.Add(d)
		if len(set) > 0 && now.Format(shown) >= set[0].on {
			now, set = set[0].to, set[1:]
		}
		if len(set) == 0 && now.Format(shown) > "2020-01-02T12:00" {
			return done
		}
		return nil
	}
	act := func() {
		acted = append(acted, now.Format(shown))
		now = now.Add(90 * time.Second)
	}
	if err := daemon.EveryDay(t.Context(), 2*time.Hour+30*time.Minute, func() time.Time { return now }, pause, act); err != nil {
		t.Fatal(err)
	}
	want := []string{
		"2026-03-28T02:30", "2026-03-29T03:30", "2026-03-30T02:30", "2026-03-31T02:30", // 29 March has no 02:30
		"2026-03-30T02:30", "2026-03-31T02:30", "2026-04-01T02:30", // again, for the clock was set back
		"2026-06-01T08:00", // as soon as it is seen to be past
		"2026-06-02T02:30", "2020-01-02T02:30",
	}
	if !slices.Equal(acted, want) {
		t.Errorf("acted at\n%q, want\n%q", acted, want)
	}
}

// TestOtherRunsStandInTheOrderOfStoring, not in that of a clock that was set back.
func TestOtherRunsStandInTheOrderOfStoring(t *testing.T) {
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "lidded.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	at := time.Date(2031, 5, 17, 12, 0, 0, 0, time.UTC)
	var ids []sweep.RunID
	for _, specimens := range []string{"heron", "otter", "heron kingfisher", "kingfisher", "heron"} {
		at = at.Add(-24 * time.Hour)
		r := sweep.Run{ID: sweep.RunID(uuid.Must(uuid.NewV7()).String()), Created: at, State: sweep.Pending}
		for name := range strings.FieldsSeq(specimens) {
			r.Specimens = append(r.Specimens, sweep.Specimen{Name: name})
		}
		if err := s.Create(t.Context(), r); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, r.ID)
	}
	in, err := daemon.ReportOf(t.Context(), s, ids[2], func(context.Context, sweep.RunID) (sweep.Evaluation, error) { return sweep.Evaluation{}, nil })
	if err != nil {
		t.Fatal(err)
	}
	var got []sweep.RunID
	for _, o := range in.Others {
		got = append(got, o.Run.ID)
	}
	if want := []sweep.RunID{ids[0], ids[3], ids[4]}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
