package store

import (
	"lidded/driver/unit"
	"lidded/sweep"
)

// Scan reads one row into cells, as Scan of a row does.
type Scan = func(...any) error

// The rows of a journal read the same wherever they are kept: these give what a
// row of the columns named holds.

// RunRow are the columns that ScanRun reads.
const RunRow = runColumns

// ScanRun reads a run.
func ScanRun(scan Scan) (sweep.Run, error) { return scanRun(scan) }

// ScanInfo reads a line of a list of runs: id, bench, plan, operator,
// door_cycle, triggered_by, key, software, hand_read, created_ns, started_ns, ended_ns,
// state, reason, step, point, number of captures, JSON list of specimens;
// columns before them go to more.
func ScanInfo(scan Scan, more ...any) (sweep.RunInfo, error) { return scanInfo(scan, more...) }

// ScanCapture reads a capture without its looks, from its columns in the order of
// the journal's own list, the run's identifier second; columns after them go to more.
func ScanCapture(scan Scan, more ...any) (sweep.Capture, error) {
	var x captureCells
	if err := scan(append(x.cells(), more...)...); err != nil {
		return sweep.Capture{}, err
	}
	return x.capture()
}

// ScanEvent reads an event: number, run, time_ns, kind, state, step, point,
// text, who, extra.
func ScanEvent(scan Scan) (sweep.Event, error) { return scanEvent(scan) }

// ScanKeying reads a ledger entry: number, run, step, point, freq_hz, level_dbm,
// on_ns, off_ns, not_confirmed.
func ScanKeying(scan Scan) (sweep.Keying, error) { return scanKeying(scan) }

// Unpack reads the levels of a trace as they are kept: little-endian, width
// bytes each.
func Unpack(levels []byte, width, points int) ([]unit.DBm, error) {
	return unpack(levels, width, points)
}
