package access

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"sync"
	"time"

	"go.yaml.in/yaml/v3"

	"lidded/driver/strict"
)

// Uses tells when each token was last used, by its name.
type Uses map[string]time.Time

// Of is when a token was last used; not what was done with an earlier one of its
// name.
func (u Uses) Of(t Token) (time.Time, bool) {
	at, ok := u[t.Name]
	return at, ok && !at.Before(t.Created)
}

// usesDocument is the file of uses as written.
type usesDocument struct {
	Used Uses `yaml:"used"`
}

const usesHead = "# When the tokens beside this were last used; written by the daemon, once a minute.\n"

func (f File) usesPath() string { return f.Path + ".used" }

// Uses reads when the tokens were last used; nothing where nobody wrote it down.
func (f File) Uses() (Uses, error) {
	data, err := os.ReadFile(f.usesPath())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var d usesDocument
	if err == nil {
		err = strict.Decode(f.usesPath(), data, &d)
	}
	if err != nil {
		return nil, fmt.Errorf("when tokens were used: %w: the file may be removed", err)
	}
	return d.Used, nil
}

// useLog remembers uses until they are written down.
type useLog struct {
	mu    sync.Mutex
	uses  Uses
	fresh bool // something is not written yet
}

func (l *useLog) note(name string, at time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.uses == nil {
		l.uses = Uses{}
	}
	if at = at.UTC().Truncate(time.Second); at.After(l.uses[name]) {
		l.uses[name], l.fresh = at, true
	}
}

// take gives what is known if some of it is new.
func (l *useLog) take() (Uses, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	fresh := l.fresh
	l.fresh = false
	return maps.Clone(l.uses), fresh
}

func (l *useLog) again() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fresh = true
}

// WriteUses writes down when tokens were last used, if that has changed. What is
// known of tokens that are gone goes too.
func (g *Gate) WriteUses() (err error) {
	now, fresh := g.uses.take()
	if !fresh {
		return nil
	}
	defer func() {
		if err != nil {
			g.uses.again()
		}
	}()
	f := g.keeper.file
	tokens, err := g.keeper.Tokens()
	if err != nil {
		return err
	}
	all, err := f.Uses()
	if err != nil {
		all = nil // it is only a help, and is written anew
	}
	d := usesDocument{Uses{}}
	for _, t := range tokens {
		for _, u := range []Uses{all, now} {
			if at, ok := u.Of(t); ok && at.After(d.Used[t.Name]) {
				d.Used[t.Name] = at
			}
		}
	}
	data, err := yaml.Marshal(d)
	if err != nil {
		return fmt.Errorf("write when tokens were used: %w", err)
	}
	return f.replace(f.usesPath(), append([]byte(usesHead), data...))
}
