package access_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/access"
)

// TestUses: what was used is written down once, beside what was known; a token
// of the same name made later was not used by it; what is gone is forgotten.
func TestUses(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	clock := now
	g := access.NewGate(access.GateOptions{Tokens: f, Clock: func() time.Time { return clock }})
	a, b := create(t, f, "a", access.Read, 0), create(t, f, "b", access.Read, 0)
	use := func(s access.Secret) {
		t.Helper()
		if _, err := g.Admit(request("127.0.0.1:1", "Authorization", "Bearer "+s.Reveal()), access.Read, false); err != nil {
			t.Fatal(err)
		}
	}
	used := func(name string, want time.Time) {
		t.Helper()
		if err := g.WriteUses(); err != nil {
			t.Fatal(err)
		}
		uses, err := f.Uses()
		if err != nil {
			t.Fatal(err)
		}
		tokens, err := f.Read()
		if err != nil {
			t.Fatal(err)
		}
		token, _ := tokens.Named(name)
		if at, ok := uses.Of(token); ok == want.IsZero() || !at.Equal(want) && ok {
			t.Errorf("%s was used at %v, %v; want %v", name, at, ok, want)
		}
	}
	used("a", time.Time{})
	if _, err := os.Stat(f.Path + ".used"); err == nil {
		t.Error("nothing to write, and written")
	}
	use(a)
	used("a", now)
	used("b", time.Time{})
	clock = clock.Add(time.Hour)
	use(b)
	used("b", clock)
	used("a", now)
	if info, err := os.Stat(f.Path + ".used"); err != nil || info.Mode() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}

	// Another daemon, later, knows what was written.
	g = access.NewGate(access.GateOptions{Tokens: f, Clock: func() time.Time { return clock }})
	use(b)
	used("a", now)

	if err := f.Revoke("a"); err != nil {
		t.Fatal(err)
	}
	clock = clock.Add(time.Minute)
	if _, _, err := f.Create("a", access.Read, 0, clock); err != nil {
		t.Fatal(err)
	}
	used("a", time.Time{})
	use(b)
	used("b", clock)
	if text, err := os.ReadFile(f.Path + ".used"); err != nil || strings.Contains(string(text), "a: ") {
		t.Errorf("an earlier token is remembered: %s, %v", text, err)
	}

	// It is only a help: rubbish is said, and written over.
	if err := os.WriteFile(f.Path+".used", []byte("rubbish"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Uses(); err == nil || !strings.Contains(err.Error(), "may be removed") {
		t.Errorf("rubbish: %v", err)
	}
	clock = clock.Add(time.Minute)
	use(b)
	used("b", clock)
}
