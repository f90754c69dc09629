package openapi_test

import (
	"fmt"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/openapi"
)

// lockers is a small interface of its own, with something of everything that can
// break.
const lockers = `{
  "info": {"title": "lockers", "version": "1.0.0"},
  "paths": {
    "/lockers": {
      "get": {
        "operationId": "list", "security": [{"token": ["read"]}],
        "parameters": [
          {"name": "state", "in": "query", "schema": {"type": "string", "enum": ["shut", "open"]}},
          {"name": "limit", "in": "query", "schema": {"type": "integer", "minimum": 1, "maximum": 500}},
          {"name": "word", "in": "query", "schema": {"type": "string", "maxLength": 100}}
        ],
        "responses": {
          "200": {"content": {"application/json": {"schema": {"type": "array", "items": {"$ref": "#/components/schemas/Locker"}}}}},
          "404": {"content": {"application/problem+json": {"schema": {"type": "object"}}}}
        }
      },
      "post": {
        "operationId": "add", "security": [{"token": ["operate"]}],
        "requestBody": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Order"}}}},
        "responses": {"201": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Locker"}}}}}
      }
    }
  },
  "components": {"schemas": {
    "Order": {"type": "object", "additionalProperties": false, "required": ["name"], "properties": {
      "name": {"type": "string"}, "about": {"type": ["string", "null"]}, "kind": {"type": "string", "enum": ["steel", "mesh"]}, "many": {"type": "number"},
      "tags": {"type": "array", "items": {"type": "string"}, "maxItems": 10}}},
    "Locker": {"type": "object", "required": ["name", "state"], "properties": {
      "name": {"type": "string"}, "state": {"type": "string", "enum": ["shut", "open"]}, "se_db": {"type": "number"}, "began": {"type": "string", "format": "date-time"},
      "levels": {"type": "object", "additionalProperties": {"type": "number"}},
      "inner": {"$ref": "#/components/schemas/Locker"}}}
  }}
}`

func parse(t *testing.T, text string) *openapi.Document {
	t.Helper()
	d, err := openapi.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// TestBreaks: each way to break a client is found, where it is, and nothing else
// is.
func TestBreaks(t *testing.T) {
	for _, c := range []struct{ name, from, to, want string }{
		{"nothing", "", "", ""},
		{"a path removed", `"/lockers": {`, `"/boxes": {`, "GET /lockers: is gone|POST /lockers: is gone"},
		{"an operation removed", `"post": {`, `"put": {`, "POST /lockers: is gone"},
		{"another role", `["read"]`, `["operate"]`, `GET /lockers: needs the role "operate", and needed "read"`},
		{"a parameter removed", `"name": "state", "in": "query"`, `"name": "condition", "in": "query"`, "GET /lockers query state: is no longer taken"},
		{"a parameter required", `"name": "state", "in": "query",`, `"name": "state", "in": "query", "required": true,`, "GET /lockers query state: is newly required"},
		{"a new required parameter", `"parameters": [`, `"parameters": [{"name": "zone", "in": "query", "required": true, "schema": {"type": "string"}},`, "GET /lockers query zone: is new and required"},
		{"a word less to ask for", `"schema": {"type": "string", "enum": ["shut", "open"]}},`, `"schema": {"type": "string", "enum": ["shut"]}},`, `GET /lockers query state: has no "open" any more`},
		{"a range narrower", `"maximum": 500`, `"maximum": 50`, "GET /lockers query limit: has a narrower maximum, 50"},
		{"a range from higher up", `"minimum": 1`, `"minimum": 10`, "GET /lockers query limit: has a narrower minimum, 10"},
		{"a text shorter", `"maxLength": 100`, `"maxLength": 10`, "GET /lockers query word: has a narrower maxLength, 10"},
		{"a text bound", `"maxLength": 100`, `"maxLength": 100, "pattern": "^a"`, "GET /lockers query word: has another pattern, ^a"},
		{"a text bound to words", `"maxLength": 100`, `"maxLength": 100, "enum": ["a"]`, "GET /lockers query word: is newly bound to [a]"},
		{"a parameter's type narrower", `{"type": "integer", "minimum": 1`, `{"type": "boolean", "minimum": 1`, "GET /lockers query limit: is no longer taken as integer"},
		{"a body required", `"requestBody": {"content"`, `"requestBody": {"required": true, "content"`, "POST /lockers body: is newly required"},
		{"a body gone", `"requestBody": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Order"}}}},`, ``, "POST /lockers body: is no longer taken"},
		{"a body of another kind", `"requestBody": {"content": {"application/json"`, `"requestBody": {"content": {"text/csv"`, "POST /lockers body: is no longer application/json"},
		{"a member of a request removed", `"many": {"type": "number"},`, ``, "POST /lockers body.many: is no longer taken"},
		{"a new required member of a request", `"required": ["name"], "properties": {`, `"required": ["name", "zone"], "properties": {"zone": {"type": "string"},`, "POST /lockers body.zone: is new and required"},
		{"a member of a request required", `"required": ["name"]`, `"required": ["name", "about"]`, "POST /lockers body.about: is newly required"},
		{"a type of a request narrower", `"many": {"type": "number"}`, `"many": {"type": "integer"}`, "POST /lockers body.many: is no longer taken as number"},
		{"null no longer taken", `["string", "null"]`, `"string"`, "POST /lockers body.about: is no longer taken as null"},
		{"a word less in a request", `["steel", "mesh"]`, `["steel"]`, `POST /lockers body.kind: has no "mesh" any more`},
		{"fewer entries", `"maxItems": 10`, `"maxItems": 5`, "POST /lockers body.tags: has a narrower maxItems, 5"},
		{"no entry twice", `"maxItems": 10`, `"maxItems": 10, "uniqueItems": true`, "POST /lockers body.tags: no longer takes the same entry twice"},
		{"an answer gone", `"201": {`, `"202": {`, "POST /lockers answer 201: is gone"},
		{"an answer of another kind", `"201": {"content": {"application/json"`, `"201": {"content": {"text/csv"`, "POST /lockers answer 201: is no longer application/json"},
		{"a member of an answer removed", `"se_db": {"type": "number"},`, ``, "GET /lockers answer 200[].se_db: is gone"},
		{"a member of an answer optional", `"required": ["name", "state"]`, `"required": ["name"]`, "GET /lockers answer 200[].state: may now be left out"},
		{"a type of an answer wider", `"se_db": {"type": "number"}`, `"se_db": {"type": ["number", "null"]}`, "GET /lockers answer 200[].se_db: may now be null"},
		{"another type of an answer", `"se_db": {"type": "number"}`, `"se_db": {"type": "string"}`, "GET /lockers answer 200[].se_db: may now be string"},
		{"anything in an answer", `"se_db": {"type": "number"}`, `"se_db": {}`, "GET /lockers answer 200[].se_db: may now be anything"},
		{"a word less in an answer", `"state": {"type": "string", "enum": ["shut", "open"]}`, `"state": {"type": "string", "enum": ["shut"]}`, `GET /lockers answer 200[].state: has no "open" any more`},
		{"words no longer bound", `"state": {"type": "string", "enum": ["shut", "open"]}`, `"state": {"type": "string"}`, "GET /lockers answer 200[].state: is no longer bound to [shut open]"},
		{"another format of an answer", `"format": "date-time"`, `"format": "date"`, `GET /lockers answer 200[].began: has the format "date", and had "date-time"`},
		{"another type in a map", `"additionalProperties": {"type": "number"}`, `"additionalProperties": {"type": "string"}`, "GET /lockers answer 200[].levels{}: may now be string"},
		{"a reference that leads nowhere", `"Locker": {`, `"Box": {`, "GET /lockers answer 200[]: refers to a schema that is not there (#/components/schemas/Locker, #/components/schemas/Locker)"},

		// What is no break.
		{"a new path", `"paths": {`, `"paths": {"/boxes": {"get": {"responses": {}}},`, ""},
		{"a role less", `["operate"]`, `["read"]`, ""},
		{"a new optional parameter", `"parameters": [`, `"parameters": [{"name": "zone", "in": "query", "schema": {"type": "string"}},`, ""},
		{"a range wider", `"maximum": 500`, `"maximum": 5000`, ""},
		{"a new optional member of a request", `"many": {"type": "number"},`, `"many": {"type": "number"}, "zone": {"type": "string"},`, ""},
		{"a new member of an answer", `"se_db": {"type": "number"},`, `"se_db": {"type": "number"}, "zone": {"type": "string"},`, ""},
		{"a type of an answer narrower", `"se_db": {"type": "number"}`, `"se_db": {"type": "integer"}`, ""},
		{"a type of a request wider", `"many": {"type": "number"}`, `"many": {"type": ["number", "null"]}`, ""},
		{"a word more", `["steel", "mesh"]`, `["steel", "mesh", "foil"]`, ""},
		{"a word more in an answer", `"state": {"type": "string", "enum": ["shut", "open"]}`, `"state": {"type": "string", "enum": ["shut", "open", "ajar"]}`, ""},
		{"an error less", `"404": {"content": {"application/problem+json": {"schema": {"type": "object"}}}}`, `"410": {}`, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.from != "" && !strings.Contains(lockers, c.from) {
				t.Fatalf("the example has no %s", c.from)
			}
			var found []string
			for _, b := range openapi.Breaks(parse(t, lockers), parse(t, strings.Replace(lockers, c.from, c.to, 1))) {
				found = append(found, b.String())
			}
			if got := strings.Join(found, "|"); got != c.want {
				t.Errorf("found %s\nwant  %s", got, c.want)
			}
		})
	}
}

// What is not a document says so.
func TestParseRefuses(t *testing.T) {
	for text, want := range map[string]string{
		`{`:  "OpenAPI document: unexpected end of JSON input",
		`{}`: "OpenAPI document: it has no paths",
		`{"paths": {"/a": {"get": {"parameters": [{"schema": {"type": 3}}]}}}}`: "type:",
	} {
		if _, err := openapi.Parse([]byte(text)); err == nil || !strings.Contains(fmt.Sprint(err), want) {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
}
