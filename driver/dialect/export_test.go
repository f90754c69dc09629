package dialect

import (
	"reflect"
	"sort"
	"strings"
)

// Keys lists every key of the format.
func Keys() []string {
	seen := map[string]bool{}
	var walk func(reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(t.Elem())
		case reflect.Struct:
			for i := range t.NumField() {
				if name, _, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ","); name != "" {
					seen[name] = true
					walk(t.Field(i).Type)
				}
			}
		}
	}
	walk(reflect.TypeFor[file]())
	keys := make([]string, 0, len(seen))
	for k := range seen {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
