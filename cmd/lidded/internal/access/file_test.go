package access_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/access"
)

var now = time.Date(2026, 3, 14, 21, 30, 0, 0, time.UTC)

func create(t *testing.T, f access.File, name string, role access.Role, life time.Duration) access.Secret {
	t.Helper()
	_, s, err := f.Create(name, role, life, now)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestFile(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "bench.tokens")}
	if all, err := f.Read(); err != nil || len(all) != 0 {
		t.Fatalf("no file: %v, %v", all, err)
	}
	night := create(t, f, "night script", access.Operate, 90*24*time.Hour)
	graphs := create(t, f, "graphs", access.Scrape, 0)
	all, err := f.Read()
	if err != nil || len(all) != 2 {
		t.Fatalf("%v, %v", all, err)
	}
	for i, want := range []access.Token{
		{Name: "night script", Role: access.Operate, Hash: night.Hash(), Created: now},
		{Name: "graphs", Role: access.Scrape, Hash: graphs.Hash(), Created: now},
	} {
		got := all[i]
		if got.Name != want.Name || got.Role != want.Role || got.Hash != want.Hash || !got.Created.Equal(want.Created) {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
	end := now.Add(90 * 24 * time.Hour)
	if all[0].Expires == nil || !all[0].Expires.Equal(end) || all[1].Expires != nil {
		t.Errorf("expiry %v, %v", all[0].Expires, all[1].Expires)
	}
	if all[0].Expired(end.Add(-time.Second)) || !all[0].Expired(end) || all[1].Expired(end.AddDate(100, 0, 0)) {
		t.Error("expired at the wrong time")
	}
	info, err := os.Stat(f.Path)
	if err != nil || info.Mode() != 0o600 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	text, _ := os.ReadFile(f.Path)
	for _, s := range []access.Secret{night, graphs} {
		if strings.Contains(string(text), strings.TrimPrefix(s.Reveal(), "lidded_")) {
			t.Error("a secret is in the file")
		}
	}

	if _, _, err := f.Create("graphs", access.Read, 0, now); err == nil || !strings.Contains(err.Error(), "there is a token graphs already: revoke it first") {
		t.Errorf("twice: %v", err)
	}
	if _, _, err := f.Create("night script", access.Read, 0, end); err == nil || !strings.Contains(err.Error(), "(it has expired)") {
		t.Errorf("twice, expired: %v", err)
	}
	for _, bad := range []string{"", " x", "a\nb", "a\"b", strings.Repeat("x", 61)} {
		if _, _, err := f.Create(bad, access.Read, 0, now); err == nil {
			t.Errorf("name %q is taken", bad)
		}
	}
	for _, bad := range []access.Role{access.RoleUnknown, access.Anyone, access.Administer + 1} {
		if _, _, err := f.Create("x", bad, 0, now); err == nil {
			t.Errorf("role %v is taken", bad)
		}
	}
	if err := f.Revoke("nite"); err == nil || !strings.HasSuffix(err.Error(), "no token nite: known are night script, graphs") {
		t.Errorf("revoke none: %v", err)
	}
	if err := f.Revoke("night script"); err != nil {
		t.Fatal(err)
	}
	if all, err := f.Read(); err != nil || len(all) != 1 || all[0].Name != "graphs" {
		t.Errorf("after revoking: %v, %v", all, err)
	}
	left, _ := os.ReadDir(filepath.Dir(f.Path))
	if len(left) != 2 { // the file and its lock
		t.Errorf("left behind: %v", left)
	}
}

// TestBadFiles: what is not understood is an error with place and cure, and
// there are no tokens then.
func TestBadFiles(t *testing.T) {
	const good = `tokens:
  - name: night
    role: operate
    sha256: ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad
    created: 2026-03-14T21:30:00Z
`
	for _, c := range []struct{ name, old, new, want string }{
		{"unknown role", "role: operate", "role: admin", `t:3:11: tokens[0].role: unknown role "admin": known are scrape, read, operate, administer`},
		{"role for no token", "role: operate", "role: anyone", `t:3:11: tokens[0].role: unknown role "anyone"`},
		{"no role", "    role: operate\n", "", `t:2:5: tokens[0]: no role: write scrape, read, operate or administer`},
		{"unknown key", "role:", "rule:", `t:3:5: tokens[0].rule: unknown key "rule": did you mean "role"?`},
		{"short hash", "ba7816bf", "", `t:4:13: tokens[0].sha256: not a SHA-256 in 64 hexadecimal digits`},
		{"no hash", "    sha256: ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad\n", "", `t:2:5: tokens[0]: no sha256: take the entry out and make a new token`},
		{"no name", "name: night", "name: \"\"", `t:2:11: tokens[0].name: token name "": use letters`},
		{"no time", "    created: 2026-03-14T21:30:00Z\n", "", `t:2:5: tokens[0]: no time of creation`},
		{"not a time", "2026-03-14T21:30:00Z", "lately", `t:5:14: tokens[0].created: `},
		{"twice", "tokens:\n", "tokens:\n  - {name: night, role: read, sha256: aa7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad, created: 2026-03-14T21:30:00Z}\n", `t:3:11: tokens[1].name: the name "night" stands twice: take one entry out`},
		{"not a list", "tokens:\n  - name", "tokens:\n    name", `t:2:5: tokens: need a list, have a mapping`},
		{"not YAML", "tokens:", "tokens: [", `not YAML`},
		{"empty", good, "", `t: the file is empty`},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(good, c.old, c.new, 1)
			f := access.File{Path: filepath.Join(t.TempDir(), "t")}
			if err := os.WriteFile(f.Path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			all, err := f.Read()
			if err == nil || len(all) != 0 {
				t.Fatalf("%v, %v", all, err)
			}
			if got := strings.ReplaceAll(err.Error(), filepath.Dir(f.Path)+"/", ""); !strings.Contains(got, c.want) {
				t.Errorf("got\n%s, want\n%s", got, c.want)
			}
			if _, _, err := f.Create("more", access.Read, 0, now); err == nil {
				t.Error("a file that is not understood was written over")
			}
			if err := f.Revoke("night"); err == nil {
				t.Error("a file that is not understood was written over")
			}
		})
	}
}

// TestOpenFile: a file that others may read or write is refused.
func TestOpenFile(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	create(t, f, "night", access.Read, 0)
	for _, mode := range []os.FileMode{0o640, 0o604, 0o620, 0o602, 0o610, 0o644, 0o777} {
		if err := os.Chmod(f.Path, mode); err != nil {
			t.Fatal(err)
		}
		if _, err := f.Read(); err == nil || !strings.Contains(err.Error(), "chmod 600 "+f.Path) {
			t.Errorf("mode %v: %v", mode, err)
		}
	}
	if err := os.Chmod(f.Path, 0o400); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Read(); err != nil {
		t.Errorf("read-only: %v", err)
	}
	if _, err := (access.File{Path: filepath.Dir(f.Path)}).Read(); err == nil || !strings.Contains(err.Error(), "is not a file") {
		t.Errorf("a folder: %v", err)
	}
	if err := (access.File{Path: filepath.Join(t.TempDir(), "none", "t")}).Revoke("x"); err == nil {
		t.Error("revoked in no folder")
	}
}

// TestManyAtOnce: changes by several at once are all made, and whoever reads
// meanwhile sees whole files.
func TestManyAtOnce(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	k := access.NewKeeper(f)
	const n = 20
	var wg sync.WaitGroup
	errs := make(chan error, 3*n)
	for i := range n {
		wg.Go(func() {
			_, _, err := f.Create(fmt.Sprintf("t%d", i), access.Read, 0, now)
			errs <- err
		})
		wg.Go(func() {
			_, err := f.Read()
			errs <- err
			_, err = k.Tokens()
			errs <- err
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		if err != nil {
			t.Error(err)
		}
	}
	if all, err := f.Read(); err != nil || len(all) != n {
		t.Errorf("%d tokens, %v", len(all), err)
	}
}

// TestOwner: what root writes belongs to whom the folder belongs to, or the file
// that was there, so that a daemon of another user can read it.
func TestOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give files away")
	}
	folder := t.TempDir()
	const daemon, other = 12345, 23456
	if err := os.Chown(folder, daemon, daemon); err != nil {
		t.Fatal(err)
	}
	f := access.File{Path: filepath.Join(folder, "t")}
	owner := func(path string) uint32 {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		return info.Sys().(*syscall.Stat_t).Uid
	}
	create(t, f, "one", access.Read, 0)
	if got := owner(f.Path); got != daemon {
		t.Errorf("a new file belongs to %d", got)
	}
	if got := owner(f.Path + ".lock"); got != daemon {
		t.Errorf("the lock belongs to %d", got)
	}
	if err := os.Chown(f.Path, other, other); err != nil {
		t.Fatal(err)
	}
	create(t, f, "two", access.Read, 0)
	if got := owner(f.Path); got != other {
		t.Errorf("a changed file belongs to %d", got)
	}
}

// TestKeeper: every change of the file is seen at once; a file that cannot be
// read gives nobody.
func TestKeeper(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	k := access.NewKeeper(f)
	count := func(want int) {
		t.Helper()
		if all, err := k.Tokens(); err != nil || len(all) != want {
			t.Errorf("%d tokens, %v; want %d", len(all), err, want)
		}
	}
	count(0)
	create(t, f, "one", access.Read, 0)
	count(1)
	create(t, f, "two", access.Read, 0)
	count(2)
	if err := f.Revoke("one"); err != nil {
		t.Fatal(err)
	}
	count(1)
	if err := os.Chmod(f.Path, 0o644); err != nil {
		t.Fatal(err)
	}
	if all, err := k.Tokens(); err == nil || len(all) != 0 {
		t.Errorf("open to others: %v, %v", all, err)
	}
	if err := os.Chmod(f.Path, 0o600); err != nil {
		t.Fatal(err)
	}
	count(1)
	if err := os.WriteFile(f.Path, []byte("rubbish"), 0o600); err != nil {
		t.Fatal(err)
	}
	if all, err := k.Tokens(); err == nil || len(all) != 0 {
		t.Errorf("rubbish: %v, %v", all, err)
	}
	if err := os.Remove(f.Path); err != nil {
		t.Fatal(err)
	}
	count(0)
}

func TestReadSecret(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	if _, err := access.ReadSecret(path); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "lidded token create") {
		t.Errorf("no file: %v", err)
	}
	for text, want := range map[string]string{"lidded_abc\n": "lidded_abc", "  x y": "", "": "", "a\nb": "", "\x00": ""} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := access.ReadSecret(path)
		if s.Reveal() != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v", text, s.Reveal(), err)
		}
	}
}
