package access_test

import (
	"net/http"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/access"
)

// FuzzTokens: whatever stands in a token file, it is refused whole, or every
// token of it has a name, a role that tokens have, and a hash.
func FuzzTokens(f *testing.F) {
	f.Add([]byte("tokens:\n  - {name: night, role: operate, sha256: ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad, created: 2026-03-14T21:30:00Z}\n"))
	f.Add([]byte("tokens: []\n"))
	f.Add([]byte("tokens: [&a {name: x}, *a]\n"))
	f.Add([]byte("tokens: {name: x}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		all, err := access.Parse("t", data)
		if err != nil && len(all) > 0 {
			t.Errorf("%d tokens beside %v", len(all), err)
		}
		for _, token := range all {
			if token.Name == "" || token.Role <= access.Anyone || token.Role > access.Administer || token.Hash == (access.Hash{}) || token.Created.IsZero() {
				t.Errorf("token %+v", token)
			}
		}
	})
}

// FuzzAuthorization: no header lets anybody in but the one with the token.
func FuzzAuthorization(f *testing.F) {
	secret := access.NewSecret()
	tokens := access.Tokens{{Name: "night", Role: access.Operate, Hash: secret.Hash(), Created: now}}
	for _, s := range []string{"", "Bearer", "Bearer ", "bearer x", "Basic eDp5", "Bearer a b", "Bearer\tx"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, header string) {
		if token, refusal := access.Identify(http.Header{"Authorization": {header}}, tokens, now.Add(time.Hour)); refusal == nil {
			t.Errorf("%q lets in as %s", header, token.Name)
		}
	})
}

// FuzzLife: a time to live is positive, or refused.
func FuzzLife(f *testing.F) {
	for _, s := range []string{"90d", "12w", "8h", "-1d", "9223372036854775807d"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, err := access.ParseLife(s); err == nil && d <= 0 {
			t.Errorf("%q is %v", s, d)
		}
	})
}
