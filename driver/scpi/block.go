package scpi

import (
	"errors"
	"fmt"
)

// Form says how a block tells its length.
type Form int

// The forms of a block header.
const (
	FormUnknown    Form = iota
	FormDefinite        // #<n><n digits>: IEEE 488.2 8.7.9
	FormIndefinite      // #0: ends with the message, IEEE 488.2 8.7.10
	FormParen           // #(<length>): for a length of more than nine digits
	FormA               // #A<two bytes, big end first>: older than IEEE 488.2
)

var formNames = [...]string{"unknown", "definite", "indefinite", "parenthesised", "#A"}

// String returns the name of the form.
func (f Form) String() string {
	if f < 0 || int(f) >= len(formNames) {
		return formNames[FormUnknown]
	}
	return formNames[f]
}

// Header is what stands before the bytes of a block.
type Header struct {
	Form Form
	Size int // bytes of the header itself
	Len  int // bytes of the payload; -1 when the header does not tell
}

// ErrShort is returned while a header is not complete: read more and try again.
var ErrShort = errors.New("block header is not complete")

// MaxBlock is the largest payload accepted when the caller sets no limit.
const MaxBlock = 64 << 20

// maxParenDigits bounds the digits read before a closing parenthesis.
const maxParenDigits = 18

// ParseHeader reads the block header b begins with. limit is the largest
// payload length to believe, 0 for MaxBlock. ErrShort asks for more bytes; any
// other error means that this is no block.
func ParseHeader(b []byte, limit int) (Header, error) {
	if limit <= 0 {
		limit = MaxBlock
	}
	if len(b) == 0 {
		return Header{}, ErrShort
	}
	if b[0] != '#' {
		return Header{}, fmt.Errorf("%s does not begin with '#': not a block", show(b))
	}
	if len(b) < 2 {
		return Header{}, ErrShort
	}
	var h Header
	switch c := b[1]; {
	case c == '0':
		return Header{Form: FormIndefinite, Size: 2, Len: -1}, nil
	case c >= '1' && c <= '9':
		h = Header{Form: FormDefinite, Size: 2 + int(c-'0')}
		digits := b[2:min(len(b), h.Size)]
		n, bad := decimal(digits)
		if bad >= 0 {
			return Header{}, fmt.Errorf("block header %s has %s where a digit belongs", show(b[:2+bad+1]), show(digits[bad:bad+1]))
		}
		if len(b) < h.Size {
			return Header{}, ErrShort
		}
		h.Len = n
	case c == '(':
		digits := b[2:]
		n, bad := decimal(digits[:min(len(digits), maxParenDigits+1)])
		switch {
		case bad < 0 && len(digits) > maxParenDigits:
			return Header{}, fmt.Errorf("block header %s has no closing parenthesis after %d digits", show(b[:2+maxParenDigits]), maxParenDigits)
		case bad < 0:
			return Header{}, ErrShort
		case bad == 0 || digits[bad] != ')':
			return Header{}, fmt.Errorf("block header %s has %s where a digit belongs", show(b[:2+bad+1]), show(digits[bad:bad+1]))
		}
		h = Header{Form: FormParen, Size: 2 + bad + 1, Len: n}
	case c == 'A' || c == 'a':
		if len(b) < 4 {
			return Header{}, ErrShort
		}
		h = Header{Form: FormA, Size: 4, Len: int(b[2])<<8 | int(b[3])}
	default:
		return Header{}, fmt.Errorf("block header %s is of no known form", show(b[:2]))
	}
	if h.Len > limit {
		return Header{}, fmt.Errorf("block header %s declares %d bytes, more than the %d that can be", show(b[:h.Size]), h.Len, limit)
	}
	return h, nil
}

// AppendHeader appends the definite header of a payload of n bytes.
func AppendHeader(dst []byte, n int) []byte {
	digits := fmt.Sprint(n)
	if len(digits) > 9 {
		return fmt.Appendf(dst, "#(%s)", digits)
	}
	return fmt.Appendf(dst, "#%d%s", len(digits), digits)
}

// decimal reads digits and returns their value and the index of the first
// byte that is none, or -1.
func decimal(b []byte) (n, bad int) {
	for i, c := range b {
		if c-'0' > 9 {
			return n, i
		}
		n = n*10 + int(c-'0')
	}
	return n, -1
}
