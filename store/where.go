package store

import (
	"slices"
	"strings"
)

// where collects the conditions of a query and their arguments.
type where struct {
	terms []string
	args  []any
}

func (w *where) and(term string, args ...any) {
	w.terms = append(w.terms, term)
	w.args = append(w.args, args...)
}

// equal asks for a value unless it is empty.
func (w *where) equal(column, value string) {
	if value != "" {
		w.and(column+" = ?", value)
	}
}

// String is the clause, empty without conditions.
func (w *where) String() string {
	if len(w.terms) == 0 {
		return ""
	}
	return "WHERE " + strings.Join(w.terms, " AND ")
}

// with gives the arguments, followed by those of what stands behind the clause.
func (w *where) with(more ...any) []any { return append(slices.Clip(w.args), more...) }
