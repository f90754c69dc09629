package rest

import (
	"encoding/json"
	"fmt"
	"net/http"
)

// documentRoutes serves the OpenAPI document. It is made once: all routes are
// known by now.
func (s *server) documentRoutes() error {
	doc := s.api.OpenAPI()
	s.letAnswersGrow()
	asJSON, err := json.Marshal(doc)
	if err != nil {
		return fmt.Errorf("write OpenAPI document: %w", err)
	}
	asYAML, err := doc.YAML()
	if err != nil {
		return fmt.Errorf("write OpenAPI document: %w", err)
	}
	serve := func(path, media string, data []byte) {
		s.mux.HandleFunc("GET "+path, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", media)
			_, _ = w.Write(data)
		})
	}
	serve("/openapi.json", "application/openapi+json", asJSON)
	serve("/openapi.yaml", "application/openapi+yaml", asYAML)
	return nil
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
