package store_test

import (
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestMigrationsAreNeverEdited compares the migrations with their sums. A new
// migration adds a line (-update); a line that changes breaks every database
// out there.
func TestMigrationsAreNeverEdited(t *testing.T) {
	files, err := filepath.Glob("migrations/*.sql")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	var b strings.Builder
	for i, name := range files { // sorted
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(filepath.Base(name), fmt.Sprintf("%05d_", i+1)) {
			t.Errorf("%s: want number %05d", name, i+1)
		}
		if strings.Contains(string(text), "+goose Down") {
			t.Errorf("%s: there is no way down: it would lose data", name)
		}
		sum := sha256.Sum256(text)
		fmt.Fprintf(&b, "%s  %s\n", hex.EncodeToString(sum[:]), filepath.Base(name))
	}
	const golden = "testdata/migrations.sha256"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("migrations:\n%swant:\n%s", b.String(), want)
	}
}
