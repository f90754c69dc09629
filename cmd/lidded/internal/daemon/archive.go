package daemon

import (
	"context"
	"iter"

	"lidded/store"
	"lidded/store/lab"
	"lidded/sweep"
)

// Archive is what runs are judged and written out from: the daemon's own store,
// or a lab.
type Archive interface {
	sweep.Archive
	// CapturesAfter is EachCapture from the first capture with a higher Seq on.
	CapturesAfter(ctx context.Context, id sweep.RunID, seq int) iter.Seq2[sweep.Capture, error]
}

var (
	_ Archive = (*store.Store)(nil)
	_ Archive = (*lab.Reader)(nil)
	_ kept    = (*store.Store)(nil)
)

// kept is an archive that keeps results of runs whose traces left it.
type kept interface {
	Pruned(ctx context.Context, id sweep.RunID) (store.Pruned, bool, error)
}
