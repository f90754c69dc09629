package rest

import (
	"encoding/json"
	"fmt"
	"net/http"
	"sync"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/openapi"
)

// InterfaceVersion is the version of the HTTP interface, by semver.org: another
// first number for what breaks a client of it, another second one for what is new.
// testdata/released.json is the document as last released, and a test compares.
const InterfaceVersion = "1.0.0"

const styleOfDocs = "/docs/page.css"

// documentRoutes serves the OpenAPI document, and a page of it for people. All routes are known by now; it
// is written out when it is first asked for.
func (s *server) documentRoutes() {
	doc := s.api.OpenAPI()
	s.letAnswersGrow()
	serve := func(path, media string, write func() ([]byte, error)) {
		once := sync.OnceValues(write)
		s.handle("GET "+path, access.Anyone, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			data, err := once()
			if err != nil {
				writeProblem(w, problemOf(fmt.Errorf("write OpenAPI document: %w", err), s.Log))
				return
			}
			w.Header().Set("Content-Type", media)
			_, _ = w.Write(data)
		}))
	}
	serve("/openapi.json", "application/openapi+json", func() ([]byte, error) { return json.Marshal(doc) })
	serve("/openapi.yaml", "application/openapi+yaml", doc.YAML)
	serve("/docs", "text/html; charset=utf-8", func() ([]byte, error) {
		data, err := json.Marshal(doc)
		if err != nil {
			return nil, err
		}
		d, err := openapi.Parse(data)
		if err != nil {
			return nil, err
		}
		return openapi.Page(d, styleOfDocs)
	})
	serve(styleOfDocs, "text/css; charset=utf-8", func() ([]byte, error) { return openapi.Style, nil })
}

// letAnswersGrow takes the ban on unknown members off what is answered: a
// client must bear a new one. What is asked stays strict.
func (s *server) letAnswersGrow() {
	for name, schema := range s.api.OpenAPI().Components.Schemas.Map() {
		if name != "StartBody" && name != "Order" {
			schema.AdditionalProperties = nil
		}
	}
}
