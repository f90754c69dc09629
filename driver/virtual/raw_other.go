//go:build !linux

package virtual

import (
	"errors"
	"os"
)

func makeRaw(*os.File) error {
	return errors.New("a virtual serial line is made on Linux only: use TCP")
}

func flush(_, _ *os.File) {}

type gate struct {
	*os.File
	srv *server
}

func pollable(f *os.File) (*os.File, error) { return f, nil }
