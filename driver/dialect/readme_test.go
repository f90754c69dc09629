package dialect_test

import (
	"io/fs"
	"strings"
	"testing"

	"lidded/configs"
	"lidded/driver/dialect"
)

func readme(t *testing.T) string {
	t.Helper()
	data, err := fs.ReadFile(configs.FS, "dialects/README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// The worked examples load as they stand.
func TestReadmeExamples(t *testing.T) {
	n := 0
	for _, part := range strings.Split(readme(t), "```yaml\n")[1:] {
		text, _, ok := strings.Cut(part, "```")
		if !ok {
			t.Fatal("an example has no end")
		}
		n++
		if _, err := dialect.Load("example", []byte(text)); err != nil {
			t.Errorf("example %d: %v", n, err)
		}
	}
	if n != 3 {
		t.Errorf("%d examples, want an analyzer, a source and a handheld", n)
	}
}

// Every dialect that ships is listed, and nothing else.
func TestReadmeListsWhatShips(t *testing.T) {
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(readme(t), "## What ships")
	for _, name := range lib.Names() {
		if !strings.Contains(table, "| `"+name+"` |") {
			t.Errorf("%s is not listed", name)
		}
	}
	if rows := strings.Count(table, "\n| `"); rows != len(lib.Names()) {
		t.Errorf("%d rows for %d dialects", rows, len(lib.Names()))
	}
}

// Every key of the format is described.
func TestReadmeNamesEveryKey(t *testing.T) {
	text := readme(t)
	for _, key := range dialect.Keys() {
		if !strings.Contains(text, "`"+key+"`") && !strings.Contains(text, key+":") {
			t.Errorf("key %s is not described", key)
		}
	}
}
