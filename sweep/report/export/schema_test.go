package export_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lidded/sweep/report/export"
)

// TestDescriptionFollowsSchema checks the description against the published
// schema, and that the schema refuses what it should.
func TestDescriptionFollowsSchema(t *testing.T) {
	good := written(t, depot())[export.DescriptionFile].Bytes()
	if problems := validate(t, good); len(problems) > 0 {
		t.Errorf("problems: %s", strings.Join(problems, "\n"))
	}
	for _, c := range []struct{ name, old, new, want string }{
		{"wrong profile", "profiles/2.0/datapackage.json", "profiles/1.0/datapackage.json", "/$schema"},
		{"wrong identifier", `"id": "0196f0c2-7d10-7b6e`, `"id": "0196f0c2-7d10-4b6e`, "/id"},
		{"unknown property", `"bench":`, `"bank": "", "bench":`, "/run: unknown property bank"},
		{"missing property", `"bench":`, `"plan":`, "/run: bench is missing"},
		{"wrong type", `"hand_read": false`, `"hand_read": "no"`, "/run/hand_read"},
		{"wrong word", `"capture": "linked"`, `"capture": "loose"`, "/run/capture"},
		{"local time", `"started": "2031-05-17T21:30:01.25Z"`, `"started": "2031-05-17T21:30:01.25+02:00"`, "/run/started"},
		{"unit of a column", `"unit": "Hz"`, `"unit": "MHz"`, "/unit"},
	} {
		bad := strings.Replace(string(good), c.old, c.new, 1)
		if bad == string(good) {
			t.Fatalf("%s: nothing to spoil", c.name)
		}
		if problems := strings.Join(validate(t, []byte(bad)), "\n"); !strings.Contains(problems, c.want) {
			t.Errorf("%s: got %q, want it to name %q", c.name, problems, c.want)
		}
	}
}

// validate checks a document against the published schema. It knows the
// keywords that the schema uses and fails on any other, so that none goes
// unchecked.
func validate(t *testing.T, document []byte) []string {
	t.Helper()
	var schema map[string]any
	var doc any
	for text, into := range map[*[]byte]any{&export.Schema: &schema, &document: &doc} {
		if err := json.Unmarshal(*text, into); err != nil {
			t.Fatal(err)
		}
	}
	v := validator{t: t, root: schema}
	v.value("", schema, doc)
	return v.problems
}

type validator struct {
	t        *testing.T
	root     map[string]any
	problems []string
}

func (v *validator) fail(at, format string, args ...any) {
	v.problems = append(v.problems, at+": "+fmt.Sprintf(format, args...))
}

func (v *validator) value(at string, schema map[string]any, x any) {
	object, isObject := x.(map[string]any)
	list, isList := x.([]any)
	text, isText := x.(string)
	for _, key := range slices.Sorted(maps.Keys(schema)) {
		arg := schema[key]
		switch key {
		case "$schema", "$id", "$defs", "title", "description", "properties":
		case "$ref":
			name := strings.TrimPrefix(arg.(string), "#/$defs/")
			v.value(at, v.root["$defs"].(map[string]any)[name].(map[string]any), x)
		case "type":
			kinds, many := arg.([]any)
			if !many {
				kinds = []any{arg}
			}
			if !slices.ContainsFunc(kinds, func(k any) bool { return isA(k.(string), x) }) {
				v.fail(at, "%v is not of type %v", x, arg)
			}
		case "const":
			if !reflect.DeepEqual(arg, x) {
				v.fail(at, "%v is not %v", x, arg)
			}
		case "enum":
			if !slices.ContainsFunc(arg.([]any), func(e any) bool { return reflect.DeepEqual(e, x) }) {
				v.fail(at, "%v is none of %v", x, arg)
			}
		case "pattern":
			if isText && !regexp.MustCompile(arg.(string)).MatchString(text) {
				v.fail(at, "%q does not match %s", text, arg)
			}
		case "required":
			for _, name := range arg.([]any) {
				if _, ok := object[name.(string)]; isObject && !ok {
					v.fail(at, "%s is missing", name)
				}
			}
		case "minItems":
			if isList && float64(len(list)) < arg.(float64) {
				v.fail(at, "%d items, need %v", len(list), arg)
			}
		case "items":
			for i, item := range list {
				v.value(fmt.Sprintf("%s/%d", at, i), arg.(map[string]any), item)
			}
		case "additionalProperties":
			if arg != false {
				v.t.Fatalf("schema%s: additionalProperties can only be false here", at)
			}
		default:
			v.t.Fatalf("schema%s: keyword %s is not checked here", at, key)
		}
	}
	properties, _ := schema["properties"].(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(object)) {
		if sub, ok := properties[name].(map[string]any); ok {
			v.value(at+"/"+name, sub, object[name])
		} else if schema["additionalProperties"] == false {
			v.fail(at, "unknown property %s", name)
		}
	}
}

func isA(kind string, x any) bool {
	switch y := x.(type) {
	case nil:
		return kind == "null"
	case bool:
		return kind == "boolean"
	case string:
		return kind == "string"
	case []any:
		return kind == "array"
	case map[string]any:
		return kind == "object"
	case float64:
		return kind == "number" || kind == "integer" && y == float64(int64(y))
	}
	return false
}
