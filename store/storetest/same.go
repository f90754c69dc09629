package storetest

import (
	"fmt"
	"math"
	"reflect"
	"time"
)

// failer is a test, or a trial of a property.
type failer interface {
	Helper()
	Fatal(args ...any)
}

// same fails the test with the first place where got differs from want.
func same(t failer, what string, got, want any) {
	t.Helper()
	if d := Difference(what, got, want); d != "" {
		t.Fatal(d)
	}
}

// Difference names the first place where got differs from want, "" if none: two
// NaN are the same, times are compared by their instant and must be UTC, and an
// empty list is none.
func Difference(what string, got, want any) string {
	return difference(reflect.ValueOf(got), reflect.ValueOf(want), what)
}

// difference names the first place where two values of one type differ. Unlike
// reflect.DeepEqual it takes two NaN for the same, times by their instant and
// zone, and an empty list for none.
func difference(got, want reflect.Value, at string) string {
	if !got.IsValid() || !want.IsValid() {
		if got.IsValid() != want.IsValid() {
			return fmt.Sprintf("%s: got %v, want %v", at, got, want)
		}
		return ""
	}
	if got.Type() != want.Type() {
		return fmt.Sprintf("%s: got a %s, want a %s", at, got.Type(), want.Type())
	}
	if g, ok := got.Interface().(time.Time); ok {
		w := want.Interface().(time.Time)
		if !g.Equal(w) || g.Location() != time.UTC {
			return fmt.Sprintf("%s: got %s, want %s", at, g.Format(time.RFC3339Nano), w.Format(time.RFC3339Nano))
		}
		return ""
	}
	switch got.Kind() {
	case reflect.Float32, reflect.Float64:
		g, w := got.Float(), want.Float()
		if g != w && !(math.IsNaN(g) && math.IsNaN(w)) {
			return fmt.Sprintf("%s: got %v, want %v", at, g, w)
		}
		return ""
	case reflect.Pointer, reflect.Interface:
		if got.IsNil() || want.IsNil() {
			if got.IsNil() != want.IsNil() {
				return fmt.Sprintf("%s: got %v, want %v", at, got, want)
			}
			return ""
		}
		return difference(got.Elem(), want.Elem(), at)
	case reflect.Slice:
		if got.Len() != want.Len() {
			return fmt.Sprintf("%s: got %d, want %d of them: %+v, want %+v", at, got.Len(), want.Len(), got, want)
		}
		for i := range got.Len() {
			if d := difference(got.Index(i), want.Index(i), fmt.Sprintf("%s[%d]", at, i)); d != "" {
				return d
			}
		}
		return ""
	case reflect.Struct:
		for i := range got.NumField() {
			if d := difference(got.Field(i), want.Field(i), at+"."+got.Type().Field(i).Name); d != "" {
				return d
			}
		}
		return ""
	}
	if !reflect.DeepEqual(got.Interface(), want.Interface()) {
		return fmt.Sprintf("%s: got %#v, want %#v", at, got.Interface(), want.Interface())
	}
	return ""
}
