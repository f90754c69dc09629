package rest

import (
	"context"
	"fmt"
	"mime"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access"
	"lidded/sweep"
)

// paperPolicy is for an export that is looked at as a page: it brings its style
// along, and can do nothing.
const paperPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox"

// exportWrite is how long one write of an export may take.
const exportWrite = 30 * time.Second

func (s *server) exportRoutes() {
	for _, e := range s.Exports {
		register(s, access.Read, huma.Operation{
			OperationID: "export-" + e.File, Method: http.MethodGet, Path: "/v1/runs/{id}/" + e.File, Tags: []string{"records"},
			Summary: e.Summary,
			Responses: map[string]*huma.Response{"200": {
				Description: "The file", Content: map[string]*huma.MediaType{e.Type: {}},
			}},
		}, func(ctx context.Context, in *RunPath) (*huma.StreamResponse, error) {
			r, err := s.run(ctx, in.ID)
			if err != nil {
				return nil, err
			}
			return &huma.StreamResponse{Body: func(hc huma.Context) {
				req, w := humago.Unwrap(hc)
				s.export(req.Context(), w, e, r.ID)
			}}, nil
		})
	}
}

// export streams a file. An error before the first byte is a problem; a later
// one cuts the connection, so that the client sees that something is missing.
func (s *server) export(ctx context.Context, w http.ResponseWriter, e Export, id sweep.RunID) {
	out := &exportWriter{w: w, rc: http.NewResponseController(w), head: func(h http.Header) {
		h.Set("Content-Type", e.Type)
		how := "attachment"
		switch media, _, _ := mime.ParseMediaType(e.Type); media {
		case "text/html":
			how = "inline"
			h.Set("Content-Security-Policy", paperPolicy)
		case "text/plain":
			how = "inline"
		}
		h.Set("Content-Disposition", fmt.Sprintf("%s; filename=%q", how, string(id)+"-"+e.File))
	}}
	err := e.Write(ctx, id, out)
	if err == nil {
		out.begin()
		return
	}
	if !out.begun {
		writeProblem(w, problemOf(s.runError(id, err), s.Log))
		return
	}
	s.Log.Warn("export cut short", zap.String("run", string(id)), zap.String("file", e.File), zap.Error(err))
	panic(http.ErrAbortHandler)
}

// exportWriter sends the head with the first byte, and gives each write its
// own time.
type exportWriter struct {
	w     http.ResponseWriter
	rc    *http.ResponseController
	head  func(http.Header)
	begun bool
}

func (e *exportWriter) begin() {
	if !e.begun {
		e.begun = true
		e.head(e.w.Header())
	}
}

func (e *exportWriter) Write(p []byte) (int, error) {
	e.begin()
	if err := e.rc.SetWriteDeadline(time.Now().Add(exportWrite)); err != nil {
		return 0, fmt.Errorf("give the export time: %w", err)
	}
	return e.w.Write(p)
}
