package openapi

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Document is an OpenAPI document, as far as it is used here.
type Document struct {
	Info       Info                `json:"info"`
	Tags       []Tag               `json:"tags"`
	Paths      map[string]PathItem `json:"paths"`
	Components Components          `json:"components"`
}

// Info is what the document says of itself.
type Info struct {
	Title       string `json:"title"`
	Version     string `json:"version"`
	Interface   string `json:"x-interface-version"` // of the HTTP interface, by semver.org
	Description string `json:"description"`
}

// Tag names a group of operations.
type Tag struct {
	Name        string `json:"name"`
	Description string `json:"description"`
}

// PathItem has the operations of a path by method, in lower case.
type PathItem map[string]Operation

// Components are what others refer to.
type Components struct {
	Schemas map[string]*Schema `json:"schemas"`
}

// Operation is one thing to ask for.
type Operation struct {
	ID          string                `json:"operationId"`
	Summary     string                `json:"summary"`
	Description string                `json:"description"`
	Tags        []string              `json:"tags"`
	Parameters  []Parameter           `json:"parameters"`
	Body        *Body                 `json:"requestBody"`
	Responses   map[string]Response   `json:"responses"`
	Security    []map[string][]string `json:"security"`
}

// Parameter is a part of the path, the query or the head.
type Parameter struct {
	Name        string  `json:"name"`
	In          string  `json:"in"`
	Description string  `json:"description"`
	Required    bool    `json:"required"`
	Schema      *Schema `json:"schema"`
}

// Body is what is sent with a request.
type Body struct {
	Required bool             `json:"required"`
	Content  map[string]Media `json:"content"`
}

// Response is what comes back.
type Response struct {
	Description string           `json:"description"`
	Content     map[string]Media `json:"content"`
}

// Media is a body of some type.
type Media struct {
	Schema *Schema `json:"schema"`
}

// Schema says what a value may be.
type Schema struct {
	Ref         string             `json:"$ref"`
	Types       Types              `json:"type"`
	Format      string             `json:"format"`
	Description string             `json:"description"`
	Default     any                `json:"default"`
	Enum        []any              `json:"enum"`
	Items       *Schema            `json:"items"`
	Properties  map[string]*Schema `json:"properties"`
	Required    []string           `json:"required"`
	Additional  json.RawMessage    `json:"additionalProperties"`
	Pattern     string             `json:"pattern"`
	Minimum     *float64           `json:"minimum"`
	Maximum     *float64           `json:"maximum"`
	MinLength   *float64           `json:"minLength"`
	MaxLength   *float64           `json:"maxLength"`
	MinItems    *float64           `json:"minItems"`
	MaxItems    *float64           `json:"maxItems"`
	UniqueItems bool               `json:"uniqueItems"`
}

// Types are the types a value may have; none: any.
type Types []string

// UnmarshalJSON reads one type or a list of them.
func (t *Types) UnmarshalJSON(data []byte) error {
	var one string
	if json.Unmarshal(data, &one) == nil {
		*t = Types{one}
		return nil
	}
	var list []string
	if err := json.Unmarshal(data, &list); err != nil {
		return fmt.Errorf("type: %w", err)
	}
	*t = list
	return nil
}

// Parse reads a document in JSON.
func Parse(data []byte) (*Document, error) {
	d := &Document{}
	if err := json.Unmarshal(data, d); err != nil {
		return nil, fmt.Errorf("OpenAPI document: %w", err)
	}
	if len(d.Paths) == 0 {
		return nil, fmt.Errorf("OpenAPI document: it has no paths")
	}
	return d, nil
}

const schemaPrefix = "#/components/schemas/"

// name is what a schema refers to; "" for one that stands here.
func (s *Schema) name() string {
	if s == nil {
		return ""
	}
	return strings.TrimPrefix(s.Ref, schemaPrefix)
}

// resolve follows a reference; nil where it leads nowhere.
func (d *Document) resolve(s *Schema) *Schema {
	for range 10 {
		if s == nil || s.Ref == "" {
			return s
		}
		s = d.Components.Schemas[s.name()]
	}
	return nil
}

// closed reports whether members that the schema does not name are refused.
func (s *Schema) closed() bool { return string(s.Additional) == "false" }

// others is the schema of members that are not named, as in a map; nil: none is
// stated.
func (s *Schema) others() *Schema {
	var o Schema
	if len(s.Additional) == 0 || s.Additional[0] != '{' || json.Unmarshal(s.Additional, &o) != nil {
		return nil
	}
	return &o
}

// needs is the role that an operation asks for; "": none.
func (o Operation) needs() string {
	for _, s := range o.Security {
		for _, roles := range s {
			return strings.Join(roles, ", ")
		}
	}
	return ""
}

// methods in the order in which they are shown.
var methods = []string{"get", "post", "put", "patch", "delete", "head", "options"}

// route is an operation with where it is.
type route struct {
	Method, Path string
	Operation
}

// routes lists the operations, by path and method.
func (d *Document) routes() []route {
	var out []route
	for path, item := range d.Paths {
		for method, op := range item {
			out = append(out, route{strings.ToUpper(method), path, op})
		}
	}
	slices.SortFunc(out, func(a, b route) int {
		return cmp.Or(cmp.Compare(a.Path, b.Path), cmp.Compare(slices.Index(methods, strings.ToLower(a.Method)), slices.Index(methods, strings.ToLower(b.Method))))
	})
	return out
}
