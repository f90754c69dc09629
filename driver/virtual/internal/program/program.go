// Package program reads SCPI program messages for the virtual bench: it splits
// a message into units, resolves headers against a tree of patterns by the path
// rules of SCPI-99 volume 1 section 6.2.4, and converts parameters.
//
// It owns the grammar alone. It knows no command, keeps no state between
// messages and does no I/O. It shares no code with driver/scpi, so that a
// mistake in one side's grammar shows as a disagreement between the two.
package program

import (
	"strings"
)

// Error is a SCPI error of the standard list (SCPI-99 volume 2 section 21.8).
type Error struct {
	Code int
	Info string // device-dependent text, may be empty
}

var texts = map[int]string{
	0:    "No error",
	-100: "Command error",
	-101: "Invalid character",
	-102: "Syntax error",
	-104: "Data type error",
	-108: "Parameter not allowed",
	-109: "Missing parameter",
	-112: "Program mnemonic too long",
	-113: "Undefined header",
	-114: "Header suffix out of range",
	-120: "Numeric data error",
	-128: "Numeric data not allowed",
	-131: "Invalid suffix",
	-138: "Suffix not allowed",
	-151: "Invalid string data",
	-200: "Execution error",
	-213: "Init ignored",
	-221: "Settings conflict",
	-222: "Data out of range",
	-224: "Illegal parameter value",
	-230: "Data corrupt or stale",
	-240: "Hardware error",
	-310: "System error",
	-350: "Queue overflow",
	-363: "Input buffer overrun",
	-365: "Time out error",
	-410: "Query INTERRUPTED",
	-420: "Query UNTERMINATED",
	-440: "Query UNTERMINATED after indefinite response",
	-500: "Power on",
}

// Text returns the standard's wording for a code.
func Text(code int) string {
	if t, ok := texts[code]; ok {
		return t
	}
	return "Device-specific error"
}

// Error renders the text as the error queue shows it, without the number.
func (e *Error) Error() string {
	if e.Info == "" {
		return Text(e.Code)
	}
	return Text(e.Code) + ";" + e.Info
}

// Fail returns the error with the code and the device-dependent text.
func Fail(code int, info string) *Error { return &Error{Code: code, Info: info} }

// Unit is one program message unit: a header with its parameters.
type Unit struct {
	Header string   // as sent, without leading white space, with "?" if a query
	Args   []string // trimmed, quotes kept
}

// Query reports whether the unit asks for an answer.
func (u Unit) Query() bool { return strings.HasSuffix(u.Header, "?") }

// Split cuts a message at its semicolons and each unit at its commas, leaving
// quoted strings whole. Empty units are dropped, as IEEE 488.2 section 7.3.3
// allows. An unterminated string gives -151.
func Split(message string) ([]Unit, *Error) {
	var units []Unit
	for len(message) > 0 {
		end, err := scan(message, ';')
		if err != nil {
			return units, err
		}
		text := strings.TrimSpace(message[:end])
		if end < len(message) {
			end++
		}
		message = message[end:]
		if text == "" {
			continue
		}
		u, err := unit(text)
		if err != nil {
			return units, err
		}
		units = append(units, u)
	}
	return units, nil
}

func unit(text string) (Unit, *Error) {
	cut := strings.IndexAny(text, " \t")
	if cut < 0 {
		return Unit{Header: text}, nil
	}
	u := Unit{Header: text[:cut]}
	rest := strings.TrimSpace(text[cut:])
	for {
		end, err := scan(rest, ',')
		if err != nil {
			return u, err
		}
		u.Args = append(u.Args, strings.TrimSpace(rest[:end]))
		if end == len(rest) {
			return u, nil
		}
		rest = rest[end+1:]
	}
}

// scan returns the index of the first separator outside quotes, or the length.
func scan(s string, sep byte) (int, *Error) {
	if strings.IndexByte(s, '"') < 0 && strings.IndexByte(s, '\'') < 0 {
		if i := strings.IndexByte(s, sep); i >= 0 {
			return i, nil
		}
		return len(s), nil
	}
	var quote byte
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == sep:
			return i, nil
		}
	}
	if quote != 0 {
		return 0, Fail(-151, "unterminated string")
	}
	return len(s), nil
}
