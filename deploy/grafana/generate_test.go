package main

import (
	"bytes"
	"os"
	"testing"
)

// TestWritten: the files are what the generator writes.
func TestWritten(t *testing.T) {
	for file, board := range boards {
		want, err := generate(board())
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is not what the generator writes: run 'go generate ./deploy/grafana'", file)
		}
	}
}
