package doctor

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"lidded/store"
	"lidded/sweep"
)

// Least free disk: below the first a night may not fit, below the second
// nothing can be relied on (common practice, no source).
const (
	lowDisk  = 2 << 30
	leastOne = 200 << 20
)

func (e *examination) store(ctx context.Context) {
	path := e.Config.Daemon.Store
	folder := filepath.Dir(path)
	if err := unix.Access(folder, unix.W_OK); err != nil {
		e.fault("store", "make the folder, or give this user the right to write there: "+folder, "folder %s cannot be written: %v", folder, err)
	}
	e.disk(folder)
	e.lock(path)
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true, Archives: e.Config.Daemon.Keep.Archive})
	switch {
	case store.KindOf(err) == store.KindNotFound && wasThere(path):
		e.fault("store", "put it back, or bring the newest backup back: lidded restore BACKUP --to "+path+"; to begin anew, remove "+path+".lock", "%s is gone: its lock file tells that it was there", path)
		return
	case store.KindOf(err) == store.KindNotFound:
		e.note("store", "nothing: the daemon makes it when it starts", "%s is not there yet", path)
		return
	case err != nil:
		e.fault("store", cure(err), "%v", err)
		return
	}
	defer s.Close()
	if err := s.Check(ctx); err != nil {
		e.fault("store", cure(err), "%v", err)
		return
	}
	size, err := s.Size()
	if err != nil {
		e.fault("store", "see the disk's health", "size: %v", err)
		return
	}
	e.well("store", "%s is sound, %s", path, bytesText(uint64(size)))
	e.keep(ctx, s)
	e.leftOver(ctx, s)
}

// wasThere reports whether a store was at a path: the lock file stays.
func wasThere(path string) bool {
	_, err := os.Stat(path + ".lock")
	return err == nil
}

// cure is what a store's error says to do.
func cure(err error) string {
	var se *store.Error
	if errors.As(err, &se) && se.Hint != "" {
		return se.Hint
	}
	return "see above"
}

// keep looks at the rule by which traces leave, and at where they lie.
func (e *examination) keep(ctx context.Context, s *store.Store) {
	rule := e.Config.Daemon.Keep
	away, all, err := s.Away(ctx)
	switch {
	case err != nil:
		e.fault("archives", "see the store", "%v", err)
	case len(away) > 0:
		e.note("archives", "put the files back there, or beside the store", "the traces of %d of %d runs are not to be found, first of run %s: %s", len(away), all, away[0].Run, away[0].Path)
	case all > 0:
		e.well("archives", "the traces of %d runs lie in archive files, all there", all)
	}
	if !rule.Asked() {
		return
	}
	if err := unix.Access(rule.Archive, unix.W_OK|unix.X_OK); err != nil {
		e.fault("archives", "make the folder, mount its disk, or give this user the right to write there: "+rule.Archive, "nothing can leave the store: folder %s cannot be written: %v", rule.Archive, err)
	}
	used, err := s.Used(ctx)
	if err == nil && rule.Largest > 0 && used > int64(rule.Largest) {
		e.note("store", "the daemon lets traces go once a day; what still stays then is the newest of each specimen and plan, or has not ended: allow more, or abort what is left over", "it holds %s, keep.largest is %v", bytesText(uint64(used)), rule.Largest)
	}
}

func (e *examination) disk(folder string) {
	var fs unix.Statfs_t
	if err := unix.Statfs(folder, &fs); err != nil {
		e.note("disk", "look at it by hand: df -h "+folder, "free space of %s cannot be told: %v", folder, err)
		return
	}
	free := fs.Bavail * uint64(fs.Bsize)
	do := "make room, or move the store: daemon.store in " + e.Path
	switch {
	case free < leastOne:
		e.fault("disk", do, "%s free at %s", bytesText(free), folder)
	case free < lowDisk:
		e.note("disk", do, "%s free at %s", bytesText(free), folder)
	default:
		e.well("disk", "%s free at %s", bytesText(free), folder)
	}
}

// lock says who writes the store.
func (e *examination) lock(path string) {
	f, err := os.Open(path + ".lock")
	if err != nil {
		return // nobody ever did
	}
	defer f.Close()
	if err := unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB); err == nil {
		return // nobody does
	}
	text := make([]byte, 20)
	n, _ := f.Read(text)
	pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n])))
	who := "a process that does not say which"
	if err == nil {
		who = processText(pid)
	}
	if e.alive {
		e.well("store lock", "held by %s", who)
		return
	}
	e.fault("store lock", "if it is a daemon that hangs, end it (its source goes off): kill "+strconv.Itoa(pid)+"; then start the daemon", "held by %s, but no daemon answers at %s", who, e.Config.Daemon.Listen)
}

// leftOver looks for runs and keyings without an end.
func (e *examination) leftOver(ctx context.Context, s *store.Store) {
	runs, err := s.Runs(ctx, sweep.RunFilter{Limit: 200})
	if err != nil {
		e.fault("runs", "see the store", "%v", err)
		return
	}
	n := 0
	for _, r := range runs {
		id := string(r.ID)
		switch {
		case r.State == sweep.Interrupted:
			e.note("run "+id, "go on with it: lidded resume "+id+"; or give it up: lidded abort "+id, "was interrupted: %s", r.Reason)
		case r.State == sweep.Holding && e.alive:
			e.note("run "+id, "do what the page or 'lidded runs' says, then: lidded release "+id+" "+strconv.Itoa(r.Checkpoint.Step), "waits at a hold point: %s", r.Reason)
		case r.State == sweep.Suspended && e.alive:
			e.note("run "+id, "mend what it waits for; it goes on by itself", "is suspended: %s", r.Reason)
		case r.State.Busy() && !e.alive:
			e.note("run "+id, "start the daemon: it marks the run as interrupted, then: lidded resume "+id, "was %v when its daemon went away", r.State)
		default:
			continue
		}
		n++
	}
	if n == 0 {
		e.well("runs", "none is left over")
	}
	open, err := s.Keyings(ctx, sweep.KeyingFilter{Open: true})
	if err != nil {
		e.fault("ledger", "see the store", "%v", err)
		return
	}
	if len(open) == 0 {
		return
	}
	last := open[len(open)-1]
	if e.alive {
		e.well("ledger", "%d keyings without an end, the last of %s", len(open), last.On.UTC().Format(time.RFC3339))
		return
	}
	e.fault("ledger", "make sure every source is off: "+e.command("off"), "the last keying, of %s at %v, has no end: a source may still be on", last.On.UTC().Format(time.RFC3339), last.Freq)
}

func bytesText(n uint64) string {
	const unitStep = 1024
	v, i := float64(n), 0
	for v >= unitStep && i < 4 {
		v, i = v/unitStep, i+1
	}
	return strconv.FormatFloat(v, 'f', 1, 64) + " " + []string{"B", "KiB", "MiB", "GiB", "TiB"}[i]
}
