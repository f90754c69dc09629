// Package word gives enumerated values their names in text: files, JSON, CSV,
// the store. A list's first word stands for "unknown", "none" or the like.
//
// It knows no enumeration itself.
package word

import "fmt"

// List holds the names of an enumeration, index by value.
type List []string

// Of returns the name of value i.
func (l List) Of(i int) string {
	if i >= 0 && i < len(l) {
		return l[i]
	}
	return fmt.Sprintf("%s(%d)", l[0], i)
}

// Find returns the value with this name. The error names what was looked for,
// what was found and what is known.
func (l List) Find(what, text string) (int, error) {
	for i, n := range l {
		if n == text {
			return i, nil
		}
	}
	return 0, fmt.Errorf("unknown %s %q: known are %q", what, text, []string(l[1:]))
}
