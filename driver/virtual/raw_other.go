//go:build !linux

package virtual

import (
	"errors"
	"os"
)

func makeRaw(*os.File) error {
	return errors.New("a virtual serial line is made on Linux only: use TCP")
}
