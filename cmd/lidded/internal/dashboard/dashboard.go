// Package dashboard is the page that the daemon serves: what is running, what
// waits for a person, and what the specimens are worth.
//
// It owns the page's files, which are embedded as they are (no build step, no
// network beyond the daemon), and hands them out. Everything the page shows
// and does goes through the HTTP interface of package rest; it has no way of
// its own.
package dashboard

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"

	"lidded/cmd/lidded/internal/rest"
)

//go:embed static
var files embed.FS

// types are stated here, so that they do not depend on the machine.
var types = map[string]string{
	".html": "text/html; charset=utf-8",
	".css":  "text/css; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
}

// file is one file, ready to send.
type file struct {
	media string
	tag   string
	data  []byte
}

// Handler serves the page at / and its files under /static/.
func Handler() (http.Handler, error) {
	all := map[string]file{}
	err := fs.WalkDir(files, "static", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(data)
		media := types[path.Ext(name)]
		if media == "" {
			media = mime.TypeByExtension(path.Ext(name))
		}
		if media == "" {
			media = "text/plain; charset=utf-8"
		}
		all["/"+name] = file{media, `"` + hex.EncodeToString(sum[:8]) + `"`, data}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the page's files: %w", err)
	}
	all["/"] = all["/static/index.html"]
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f, ok := all[r.URL.Path]
		if !ok {
			rest.WriteProblem(w, http.StatusNotFound, "the page has no such file")
			return
		}
		h := w.Header()
		h.Set("Content-Type", f.media)
		h.Set("ETag", f.tag)
		h.Set("Cache-Control", "no-cache")
		if matches(r.Header.Get("If-None-Match"), f.tag) {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		_, _ = w.Write(f.data)
	}), nil
}

// matches reports whether a list of entity tags has one (RFC 9110 13.1.2).
func matches(list, tag string) bool {
	for one := range strings.SplitSeq(list, ",") {
		if one = strings.TrimSpace(one); one == "*" || strings.TrimPrefix(one, "W/") == tag {
			return true
		}
	}
	return false
}
