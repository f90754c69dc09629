package driver

import (
	"fmt"
	"strings"
)

// Identity is an instrument's answer to *IDN? (IEEE 488.2 10.14: four fields
// separated by commas; an unknown serial number or firmware level is "0").
type Identity struct {
	Maker, Model, Serial, Firmware string

	// Raw is the whole answer without its line end and outer blanks.
	Raw string
}

// ParseIdentity reads an answer to *IDN?. Commas beyond the third belong to
// the firmware field; an answer with fewer fields fills what it has, as some
// handhelds answer with a bare model name, which goes into Model. Outer quotes
// and blanks are dropped and bytes are taken as Latin-1. An answer that is
// empty or is plainly another query's (a bare number) is an error.
func ParseIdentity(reply string) (Identity, error) {
	raw := strings.Trim(latin1(reply), " \t\r\n\x00\"")
	if raw == "" {
		return Identity{}, fmt.Errorf("identity is empty")
	}
	if strings.Trim(raw, "0123456789+-.eE ,") == "" {
		return Identity{}, fmt.Errorf("identity %s is a number, not a name: the answer to another query?", Shorten(raw))
	}
	for _, r := range raw {
		if r < ' ' || (r >= 0x7f && r < 0xa0) {
			return Identity{}, fmt.Errorf("identity %s holds control characters: wrong baud rate or a binary reply?", Shorten(raw))
		}
	}
	id := Identity{Raw: raw}
	f := strings.SplitN(raw, ",", 4)
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	if len(f) == 1 {
		id.Model = f[0]
		return id, nil
	}
	for i, p := range []*string{&id.Maker, &id.Model, &id.Serial, &id.Firmware} {
		if i < len(f) {
			*p = f[i]
		}
	}
	return id, nil
}

// String returns the identity in one line, for people.
func (id Identity) String() string {
	if id.Model == "" && id.Maker == "" {
		return id.Raw
	}
	s := strings.TrimSpace(id.Maker + " " + id.Model)
	if id.Serial != "" && id.Serial != "0" {
		s += ", serial " + id.Serial
	}
	if id.Firmware != "" && id.Firmware != "0" {
		s += ", firmware " + id.Firmware
	}
	return s
}

// SameUnit reports whether both answers come from the same instrument: maker,
// model and serial number agree. Firmware may differ.
func (id Identity) SameUnit(other Identity) bool {
	return id.Maker == other.Maker && id.Model == other.Model && id.Serial == other.Serial
}

// latin1 turns bytes outside ASCII into the characters they stand for in
// ISO 8859-1, unless the text is UTF-8 already.
func latin1(s string) string {
	if strings.ToValidUTF8(s, "") == s {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		b.WriteRune(rune(s[i]))
	}
	return b.String()
}
