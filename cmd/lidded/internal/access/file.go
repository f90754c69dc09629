package access

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"go.yaml.in/yaml/v3"
	"golang.org/x/sys/unix"

	"lidded/driver/strict"
)

// File is the file that keeps the tokens of a daemon. It may be read and written
// by several processes at once: a change replaces it whole.
type File struct{ Path string }

// document is the file as written.
type document struct {
	Tokens Tokens `yaml:"tokens"`
}

const (
	fileMode = 0o600
	fileHead = "# Tokens of a lidded daemon, written by 'lidded token'. It holds hashes: nobody can get in with them.\n"
)

// Read returns the tokens; none where there is no file. A file that others may
// read or write, or that has anything in it that is not understood, is an error
// that says what to do.
func (f File) Read() (Tokens, error) {
	in, err := os.Open(f.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w: they belong to the user that runs the daemon", err)
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("read tokens: %s is not a file: name another with daemon.tokens", f.Path)
	}
	if open := info.Mode().Perm() &^ fileMode; open != 0 {
		return nil, fmt.Errorf("read tokens: others may get at %s (mode %04o): chmod 600 %s", f.Path, info.Mode().Perm(), f.Path)
	}
	var data bytes.Buffer
	if _, err := data.ReadFrom(in); err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	return parse(f.Path, data.Bytes())
}

// parse reads tokens strictly.
func parse(path string, data []byte) (Tokens, error) {
	var d document
	doc, err := strict.Read(path, data, &d)
	if err != nil {
		return nil, fmt.Errorf("read tokens: %w", err)
	}
	var errs []error
	seen := map[string]bool{}
	for i, t := range d.Tokens {
		at := fmt.Sprintf("tokens[%d]", i)
		fail := func(key, format string, args ...any) { errs = append(errs, doc.Errorf(at+key, format, args...)) }
		if err := checkName(t.Name); err != nil {
			fail(".name", "%v", err)
		}
		if seen[t.Name] {
			fail(".name", "the name %q stands twice: take one entry out", t.Name)
		}
		seen[t.Name] = true
		if t.Role == RoleUnknown {
			fail("", "no role: write scrape, read, operate or administer")
		}
		if t.Hash == (Hash{}) {
			fail("", "no sha256: take the entry out and make a new token")
		}
		if t.Created.IsZero() {
			fail("", "no time of creation: write created: %s", time.Now().UTC().Format(time.RFC3339))
		}
	}
	if len(errs) > 0 {
		return nil, fmt.Errorf("read tokens: %w", errors.Join(errs...))
	}
	return d.Tokens, nil
}

// Create makes a token and returns it with its secret, which is not kept. life
// 0: it does not expire.
func (f File) Create(name string, role Role, life time.Duration, now time.Time) (Token, Secret, error) {
	if err := checkName(name); err != nil {
		return Token{}, Secret{}, err
	}
	if role <= Anyone || role > Administer {
		return Token{}, Secret{}, fmt.Errorf("token %s: no role: give scrape, read, operate or administer", name)
	}
	s := NewSecret()
	t := Token{Name: name, Role: role, Hash: s.Hash(), Created: now.UTC().Truncate(time.Second)}
	if life > 0 {
		end := now.UTC().Add(life).Truncate(time.Second)
		t.Expires = &end
	}
	err := f.change(func(all Tokens) (Tokens, error) {
		if old, have := all.Named(name); have {
			was := ""
			if old.Expired(now) {
				was = " (it has expired)"
			}
			return nil, fmt.Errorf("there is a token %s already%s: revoke it first, or take another name", name, was)
		}
		return append(all, t), nil
	})
	if err != nil {
		return Token{}, Secret{}, err
	}
	return t, s, nil
}

// Revoke takes a token out.
func (f File) Revoke(name string) error {
	return f.change(func(all Tokens) (Tokens, error) {
		if _, have := all.Named(name); !have {
			var known []string
			for _, t := range all {
				known = append(known, t.Name)
			}
			if len(known) == 0 {
				return nil, fmt.Errorf("no token %s: there is none at all in %s", name, f.Path)
			}
			return nil, fmt.Errorf("no token %s: known are %s", name, strings.Join(known, ", "))
		}
		return slices.DeleteFunc(all, func(t Token) bool { return t.Name == name }), nil
	})
}

// change reads, changes and replaces the file, one process at a time. Whoever
// reads it meanwhile sees all of the old or all of the new.
func (f File) change(do func(Tokens) (Tokens, error)) (err error) {
	lock, err := os.OpenFile(f.Path+".lock", os.O_CREATE|os.O_RDWR|unix.O_NOFOLLOW, fileMode)
	if err != nil {
		return fmt.Errorf("change tokens: %w: do it as the user that runs the daemon, or as root", err)
	}
	defer lock.Close() // and with it goes the lock
	if err := f.give(lock); err != nil {
		return err
	}
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX); err != nil {
		return fmt.Errorf("change tokens: lock %s: %w", lock.Name(), err)
	}
	all, err := f.Read()
	if err != nil {
		return err
	}
	if all, err = do(slices.Clone(all)); err != nil {
		return err
	}
	data, err := yaml.Marshal(document{all})
	if err != nil {
		return fmt.Errorf("write tokens: %w", err)
	}
	return f.replace(f.Path, append([]byte(fileHead), data...))
}

// replace writes a file beside its place and moves it there when it is safe on
// the disk.
func (f File) replace(path string, data []byte) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write tokens: %w", err)
		}
	}()
	folder := filepath.Dir(path)
	part, err := os.CreateTemp(folder, filepath.Base(path)+".*.part") // mode 0600
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.Remove(part.Name())
		}
	}()
	if err := errors.Join(f.give(part), write(part, data), part.Close()); err != nil {
		return err
	}
	if err := os.Rename(part.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func write(to *os.File, data []byte) error {
	_, err := to.Write(data)
	return errors.Join(err, to.Sync())
}

// give lets the daemon read what root wrote: the file goes to the owner of the
// one before, else to the owner of the folder.
func (f File) give(to *os.File) error {
	if os.Geteuid() != 0 {
		return nil
	}
	for _, like := range []string{f.Path, filepath.Dir(f.Path)} {
		info, err := os.Stat(like)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if st, ok := info.Sys().(*syscall.Stat_t); ok {
			return to.Chown(int(st.Uid), int(st.Gid))
		}
	}
	return nil
}
