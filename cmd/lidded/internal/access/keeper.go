package access

import (
	"errors"
	"io/fs"
	"os"
	"sync"
	"time"
)

// Keeper knows the tokens of a file as they are now: it reads the file again
// when it was changed.
type Keeper struct {
	file File

	mu     sync.Mutex
	read   bool
	state  fileState
	tokens Tokens
	err    error
}

// fileState tells one version of the file from another.
type fileState struct {
	info fs.FileInfo // nil: no file
	mod  time.Time
	size int64
	mode fs.FileMode
}

func (a fileState) same(b fileState) bool {
	if a.info == nil || b.info == nil {
		return a.info == nil && b.info == nil
	}
	return os.SameFile(a.info, b.info) && a.mod.Equal(b.mod) && a.size == b.size && a.mode == b.mode
}

// NewKeeper returns a keeper of the file; it is read when it is first needed.
func NewKeeper(f File) *Keeper { return &Keeper{file: f} }

// Tokens returns the tokens as the file has them now. When it cannot be read
// there are none, and an error: whoever asks lets nobody in.
func (k *Keeper) Tokens() (Tokens, error) {
	now, err := k.look()
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case err != nil:
		k.read = false
		return nil, err
	case k.read && k.state.same(now):
		return k.tokens, k.err
	}
	k.tokens, k.err = k.file.Read()
	k.state, k.read = now, true
	return k.tokens, k.err
}

func (k *Keeper) look() (fileState, error) {
	info, err := os.Stat(k.file.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return fileState{}, nil
	}
	if err != nil {
		return fileState{}, err
	}
	return fileState{info, info.ModTime(), info.Size(), info.Mode()}, nil
}
