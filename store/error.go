package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"lidded/sweep"
)

// Kind says what is wrong with a store, in the terms in which an operator can
// mend it.
type Kind int

// The kinds.
const (
	KindUnknown     Kind = iota
	KindNotFound         // there is no such file or folder
	KindNotDatabase      // the file is something else
	KindNewer            // made by a newer version of the program
	KindOlder            // not migrated yet, and opened for reading only
	KindCorrupt          // the database is damaged
	KindReadOnly         // the file, folder or file system cannot be written
	KindFull             // no space left
	KindLocked           // another daemon has the store
	KindBusy             // another program keeps the database locked
	KindIO               // the disk reports an error
	KindClosed           // the store was closed
	KindAway             // the archive of a run cannot be read
	KindWentBack         // an older copy of the journal took its place
	KindKept             // an attempt to change what is kept for good
)

var kindNames = [...]string{
	KindUnknown: "unknown", KindNotFound: "not found", KindNotDatabase: "not a database",
	KindNewer: "newer version", KindOlder: "older version", KindCorrupt: "corrupt",
	KindReadOnly: "read-only", KindFull: "disk full", KindLocked: "in use", KindBusy: "busy",
	KindIO: "disk error", KindClosed: "closed", KindAway: "traces away", KindWentBack: "went back", KindKept: "kept for good",
}

// String returns the kind in words.
func (k Kind) String() string {
	if k < 0 || int(k) >= len(kindNames) {
		return kindNames[KindUnknown]
	}
	return kindNames[k]
}

// Error is what a store fails with, apart from the errors of the ports and of a
// context.
type Error struct {
	Op   string // what was being done
	Path string // the database file
	Kind Kind
	Hint string // what the operator can do about it
	Err  error  // the cause
}

// Error returns one line: file, operation, kind, cause and hint.
func (e *Error) Error() string {
	s := e.Path + ": " + e.Op
	if e.Kind != KindUnknown {
		s += ": " + e.Kind.String()
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// KindOf returns the kind of the outermost Error in err's chain.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return KindUnknown
}

// explain turns an error of the database or the file system into an Error.
// Errors of the ports pass, and errors of a context stay recognizable.
func explain(op, path string, err error) error {
	if err == nil {
		return nil
	}
	if e := new(Error); errors.As(err, &e) {
		return err
	}
	for _, port := range []error{sweep.ErrConflict, sweep.ErrNoRun, sweep.ErrNoCapture} {
		if errors.Is(err, port) {
			return err
		}
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("%s: %s: %w", path, op, err)
	}
	k := kindOf(err, path)
	return &Error{Op: op, Path: path, Kind: k, Hint: hint(k, path), Err: err}
}

// kindOf reads the result code (SQLite "Result and Error Codes"; the low byte
// is the primary code) or the system's error number.
func kindOf(err error, path string) Kind {
	var db *sqlite.Error
	if errors.As(err, &db) {
		switch db.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			return KindFull
		case sqlite3.SQLITE_READONLY:
			return KindReadOnly
		case sqlite3.SQLITE_CORRUPT:
			return KindCorrupt
		case sqlite3.SQLITE_NOTADB:
			return KindNotDatabase
		case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
			return KindBusy
		case sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH:
			return KindReadOnly
		case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR:
			// The shared-memory file beside the database is grown with other
			// codes than the database itself.
			switch {
			case !exists(filepath.Dir(path)):
				return KindNotFound
			case full(path):
				return KindFull
			}
			return KindIO
		case sqlite3.SQLITE_CONSTRAINT:
			if db.Code() == sqlite3.SQLITE_CONSTRAINT_TRIGGER {
				return KindKept
			}
		}
		return KindUnknown
	}
	var no syscall.Errno
	if errors.As(err, &no) {
		switch no {
		case syscall.ENOSPC, syscall.EDQUOT:
			return KindFull
		case syscall.EROFS, syscall.EACCES, syscall.EPERM:
			return KindReadOnly
		case syscall.EIO:
			return KindIO
		case syscall.ENOTDIR:
			return KindNotFound
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return KindNotFound
	}
	return KindUnknown
}

// full reports whether the file system of path has next to nothing left.
func full(path string) bool {
	var s syscall.Statfs_t
	if syscall.Statfs(filepath.Dir(path), &s) != nil {
		return false
	}
	return s.Bavail*uint64(s.Bsize) < 128<<10
}

func hint(k Kind, path string) string {
	dir := filepath.Dir(path)
	switch k {
	case KindNotFound:
		return "check the path, or make the folder: mkdir -p " + dir
	case KindNotDatabase:
		return "name another file, or move this one aside"
	case KindCorrupt:
		return fmt.Sprintf("stop the daemon and keep the file; move %s with its -wal and -shm files aside and put the newest backup in its place (lidded restore BACKUP --to %s), or save what can still be read (lidded doctor --salvage NEW.db)", path, path)
	case KindReadOnly:
		return fmt.Sprintf("make the folder %s and the file writable for this user, or mount its file system for writing", dir)
	case KindFull:
		return fmt.Sprintf("free space on the file system of %s; what was stored before is safe", dir)
	case KindBusy:
		return "end the other program that has the database open for writing"
	case KindIO:
		return fmt.Sprintf("check the disk and the file system of %s (system log), then check the store", dir)
	case KindKept:
		return "what was captured is never rewritten"
	}
	return ""
}

// unique reports whether a row was refused because another has its name.
func unique(err error) bool {
	var db *sqlite.Error
	return errors.As(err, &db) && (db.Code() == sqlite3.SQLITE_CONSTRAINT_UNIQUE || db.Code() == sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY)
}
