package drivertest

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
)

// Exchange is a run of bytes in one direction.
type Exchange struct {
	ToInstrument bool
	Data         []byte
}

// Transcript is what passed over a link, in order.
type Transcript struct {
	Notes     []string // what it is, one line each
	Exchanges []Exchange
}

// LoadTranscript reads a transcript file.
func LoadTranscript(file string) (Transcript, error) {
	f, err := os.Open(file)
	if err != nil {
		return Transcript{}, fmt.Errorf("open transcript: %w", err)
	}
	defer f.Close()
	return ReadTranscript(file, f)
}

// ReadTranscript reads the text form: "# note", "> \"to the instrument\"",
// "< \"from it\"", each a quoted Go string. name is used in errors.
func ReadTranscript(name string, r io.Reader) (Transcript, error) {
	var t Transcript
	in := bufio.NewScanner(r)
	in.Buffer(nil, 1<<24)
	for n := 1; in.Scan(); n++ {
		line := in.Text()
		switch {
		case line == "":
		case strings.HasPrefix(line, "# "):
			t.Notes = append(t.Notes, line[2:])
		case strings.HasPrefix(line, "> "), strings.HasPrefix(line, "< "):
			data, err := strconv.Unquote(line[2:])
			if err != nil {
				return t, fmt.Errorf("%s:%d: not a quoted string: %w", name, n, err)
			}
			t.add(line[0] == '>', []byte(data))
		default:
			return t, fmt.Errorf("%s:%d: a line begins with \"> \", \"< \" or \"# \"", name, n)
		}
	}
	return t, in.Err()
}

// add appends bytes, merged with what went the same way just before.
func (t *Transcript) add(toInstrument bool, data []byte) {
	if n := len(t.Exchanges); n > 0 && t.Exchanges[n-1].ToInstrument == toInstrument {
		t.Exchanges[n-1].Data = append(t.Exchanges[n-1].Data, data...)
		return
	}
	t.Exchanges = append(t.Exchanges, Exchange{toInstrument, bytes.Clone(data)})
}

// lineLength is about how many bytes stand on one line of a transcript.
const lineLength = 2000

// Text returns the form ReadTranscript reads, commands one to a line.
func (t Transcript) Text() []byte {
	var b bytes.Buffer
	for _, n := range t.Notes {
		fmt.Fprintf(&b, "# %s\n", n)
	}
	for _, e := range t.Exchanges {
		mark := '<'
		if e.ToInstrument {
			mark = '>'
		}
		for rest := e.Data; len(rest) > 0; {
			n := min(len(rest), lineLength)
			if i := bytes.IndexAny(rest[:n], "\r\n"); i >= 0 && e.ToInstrument {
				n = i + 1
			}
			fmt.Fprintf(&b, "%c %s\n", mark, strconv.QuoteToASCII(string(rest[:n])))
			rest = rest[n:]
		}
	}
	return b.Bytes()
}
