package access_test

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"go.yaml.in/yaml/v3"

	"lidded/cmd/lidded/internal/access"
)

func TestRoles(t *testing.T) {
	all := []access.Role{access.Anyone, access.Scrape, access.Read, access.Operate, access.Administer}
	for i, has := range all {
		for j, need := range all {
			if got := has.May(need); got != (i >= j) {
				t.Errorf("%v may do what needs %v: %v", has, need, got)
			}
		}
		if has.May(access.RoleUnknown) {
			t.Errorf("%v may do what nobody has declared", has)
		}
		var back access.Role
		if err := back.UnmarshalText([]byte(has.String())); (err == nil) != (has != access.Anyone) || err == nil && back != has {
			t.Errorf("%v reads back as %v, %v", has, back, err)
		}
		if need, err := access.ParseNeed(has.String()); err != nil || need != has {
			t.Errorf("%v reads back as need %v, %v", has, need, err)
		}
	}
	var r access.Role
	for _, bad := range []string{"", "admin", "anyone", "unknown", "Read"} {
		if err := r.UnmarshalText([]byte(bad)); err == nil {
			t.Errorf("%q is a role", bad)
		}
	}
}

// TestSecret: 256 random bits, never twice, and nothing that prints or encodes
// shows them.
func TestSecret(t *testing.T) {
	seen := map[string]bool{}
	for range 1000 {
		s := access.NewSecret()
		text := s.Reveal()
		random, ok := strings.CutPrefix(text, "lidded_")
		if b, err := base64.RawURLEncoding.DecodeString(random); !ok || err != nil || len(b) != 32 || seen[text] {
			t.Fatalf("secret %q", text)
		}
		seen[text] = true
		core, logged := observer.New(zap.DebugLevel)
		zap.New(core).Info("x", zap.Any("s", s), zap.Stringer("t", s), zap.Reflect("r", s))
		asJSON, _ := json.Marshal(map[string]any{"s": s, "p": &s})
		asYAML, _ := yaml.Marshal(map[string]any{"s": s})
		for _, out := range []string{fmt.Sprint(s), fmt.Sprintf("%v %+v %#v %s %q", s, s, s, s, s), fmt.Sprintf("%v", []access.Secret{s}), fmt.Sprintf("%+v", struct{ S access.Secret }{s}), string(asJSON), string(asYAML), fmt.Sprint(logged.All()[0].ContextMap())} {
			if strings.Contains(out, random) {
				t.Fatalf("%q shows the secret", out)
			}
		}
	}
}

// TestHash compares with the value of the standard: SHA-256 of "abc" (FIPS
// 180-4, as its example file gives it).
func TestHash(t *testing.T) {
	h, err := access.SecretOf("abc").Hash().MarshalText()
	if want := "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"; err != nil || string(h) != want {
		t.Errorf("%s, want %s", h, want)
	}
}

func TestFind(t *testing.T) {
	var all access.Tokens
	var secrets []access.Secret
	for i := range 5 {
		s := access.NewSecret()
		secrets = append(secrets, s)
		all = append(all, access.Token{Name: fmt.Sprint(i), Role: access.Read, Hash: s.Hash()})
	}
	for i, s := range secrets {
		if got, ok := all.Find(s); !ok || got.Name != fmt.Sprint(i) {
			t.Errorf("token %d: %v, %v", i, got, ok)
		}
		for _, near := range []string{s.Reveal() + "x", s.Reveal()[1:], strings.ToUpper(s.Reveal()), ""} {
			if got, ok := all.Find(access.SecretOf(near)); ok {
				t.Errorf("%q finds %v", near, got)
			}
		}
	}
	if _, ok := access.Tokens(nil).Find(secrets[0]); ok {
		t.Error("found among none")
	}
	empty := access.Tokens{{Name: "empty", Role: access.Read, Hash: access.Secret{}.Hash()}}
	if _, ok := empty.Find(access.Secret{}); ok {
		t.Error("no secret at all finds a token")
	}
}

func TestParseLife(t *testing.T) {
	const day = 24 * time.Hour
	for text, want := range map[string]time.Duration{"90d": 90 * day, "12w": 84 * day, "8h": 8 * time.Hour, "90m": 90 * time.Minute, "36500d": 36500 * day} {
		if got, err := access.ParseLife(text); err != nil || got != want {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, bad := range []string{"", "90", "d", "-1d", "0d", "1.5d", "36501d", "99999999999999999999d", "0s", "-8h", "next week"} {
		if got, err := access.ParseLife(bad); err == nil {
			t.Errorf("%q is %v", bad, got)
		}
	}
}
