package access

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
)

// Secret is what a bearer token says. However it is printed or written, it does
// not show itself: Reveal does.
type Secret struct{ text string }

const (
	secretMark  = "lidded_" // lets a search for leaked secrets find them
	secretBytes = 32        // 256 bit: nobody guesses one
	longestRead = 4096
)

// NewSecret makes a secret of 256 random bits from the system's generator.
func NewSecret() Secret {
	var b [secretBytes]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return Secret{secretMark + base64.RawURLEncoding.EncodeToString(b[:])}
}

// SecretOf takes a secret that somebody sent or keeps.
func SecretOf(text string) Secret { return Secret{text} }

// ReadSecret reads a secret from the first line of a file.
func ReadSecret(path string) (Secret, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Secret{}, fmt.Errorf("token file: %w: name a file that holds a token, made by 'lidded token create NAME --role ROLE --out FILE'", err)
	}
	text := strings.TrimSpace(string(data[:min(len(data), longestRead)]))
	if text == "" || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return Secret{}, fmt.Errorf("token file %s: does not hold a token, which is one line of printable letters: make one with 'lidded token create NAME --role ROLE --out FILE'", path)
	}
	return Secret{text}, nil
}

// Empty reports whether there is none.
func (s Secret) Empty() bool { return s.text == "" }

// Reveal gives the text itself, to send it or to show it once.
func (s Secret) Reveal() string { return s.text }

// String, GoString and MarshalText hide the text.
func (s Secret) String() string { return "[secret]" }

// GoString hides the text from %#v.
func (s Secret) GoString() string { return "access.Secret{}" }

// MarshalText hides the text from encoders.
func (s Secret) MarshalText() ([]byte, error) { return []byte("[secret]"), nil }

// Hash is what is kept of a secret: SHA-256. A slow, salted hash is for
// passwords that people choose; nobody searches 2^256 random secrets, whatever
// one trial costs, and each request is checked at once.
type Hash [sha256.Size]byte

// Hash of the secret.
func (s Secret) Hash() Hash { return sha256.Sum256([]byte(s.text)) }

// MarshalText writes hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h[:]), nil }

// UnmarshalText reads hexadecimal.
func (h *Hash) UnmarshalText(b []byte) error {
	if n, err := hex.DecodeString(string(b)); err != nil || len(n) != len(h) {
		return fmt.Errorf("not a SHA-256 in %d hexadecimal digits: revoke the token by hand (take its entry out) and make a new one", 2*len(h))
	}
	_, err := hex.Decode(h[:], b)
	return err
}
