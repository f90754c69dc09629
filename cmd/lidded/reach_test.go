package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

// TestRequestsReachNeitherFilesNorInstruments: the package that reads requests
// cannot open a file, start a program or dial an instrument. Of links it knows
// what was said over them, and nothing that says anything.
func TestRequestsReachNeitherFilesNorInstruments(t *testing.T) {
	list := packages(t, "./cmd/lidded/internal/rest")
	if len(list) != 1 {
		t.Fatalf("%d packages", len(list))
	}
	imports := list[0].Imports
	for _, not := range []string{
		"os", "os/exec", "io/fs", "path/filepath", "io/ioutil", "syscall", "unsafe", "plugin",
		"lidded/driver/instrument", "lidded/driver/dialect", "lidded/driver/scpi", "lidded/driver/virtual", "lidded/cmd/lidded/internal/config",
	} {
		if slices.Contains(imports, not) {
			t.Errorf("package rest imports %s", not)
		}
	}
	if !slices.Contains(imports, "net/http") {
		t.Errorf("looked at the wrong package: %v", imports)
	}
	for _, name := range list[0].GoFiles {
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(list[0].Dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range f.Imports {
			if i.Path.Value == `"lidded/driver/link"` && i.Name != nil {
				t.Errorf("%s imports link under the name %s", name, i.Name)
			}
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok {
				if of, ok := s.X.(*ast.Ident); ok && of.Name == "link" && s.Sel.Name != "Exchange" {
					t.Errorf("%s uses link.%s", name, s.Sel.Name)
				}
			}
			return true
		})
	}
}

// tap listens before an instrument until the test ends, and keeps what is sent
// to it.
func tap(t *testing.T, instrument string) (*safeBuffer, string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &safeBuffer{}
	var wg sync.WaitGroup
	t.Cleanup(func() {
		ln.Close()
		wg.Wait()
	})
	wg.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			i, err := net.Dial("tcp", instrument)
			if err != nil {
				c.Close()
				continue
			}
			pass := func(to, from net.Conn, also io.Writer) {
				_, _ = io.Copy(io.MultiWriter(also, to), from)
				to.Close()
				from.Close()
			}
			wg.Go(func() { pass(i, c, w) })
			wg.Go(func() { pass(c, i, io.Discard) })
		}
	})
	return w, ln.Addr().String()
}

// hostile are texts that would do harm where a text became a path, an address or
// a command. Each has a word that no instrument is sent otherwise.
var hostile = []string{
	"../../../../../../etc/passwd", "/etc/passwd", "..%2f..%2fetc%2fpasswd", "file:///etc/passwd", "lidded.yaml", "lidded.db", "|cat /etc/passwd",
	"heron;:xyzzy:output on", "heron\n:XYZZY:OUTPUT ON", "heron\r\n:XYZZY 1\r\n", ":XYZZY?", "*XYZZY", "heron\x00xyzzy", "'; DROP TABLE runs; --", "${XYZZY}", "{{xyzzy}}", "<script>xyzzy</script>",
}

// TestHostileTexts sends such texts as every input of every operation of the
// document: no file's content comes back, none is made, and no instrument hears
// of it.
func TestHostileTexts(t *testing.T) {
	dir := t.TempDir()
	var taps []*safeBuffer
	s := serveBench(t, dir, 4, func(s *served, _ *string) {
		s.before = func(address string) string {
			w, at := tap(t, address)
			taps = append(taps, w)
			return at
		}
	})
	before := files(t, dir)
	var doc struct {
		Paths map[string]map[string]struct {
			Parameters []struct{ Name, In string }
			Body       *struct{} `json:"requestBody"`
		}
	}
	if code := s.call("GET", "/openapi.json", nil, &doc); code != http.StatusOK {
		t.Fatal(code)
	}
	sent := 0
	try := func(method, path string, in any, headers ...string) {
		sent++
		var answer bytes.Buffer
		code := s.raw(method, path, in, &answer, headers...)
		if code == http.StatusInternalServerError || strings.Contains(answer.String(), "root:") || strings.Contains(answer.String(), "may_transmit:") || strings.Contains(answer.String(), "SQLite format") {
			t.Errorf("%s %q: %d %.300s", method, path, code, answer.String())
		}
	}
	for path, methods := range doc.Paths {
		if path == "/v1/events" {
			continue // a stream: its two inputs are compared with names alone
		}
		for method, op := range methods {
			method := strings.ToUpper(method)
			for _, bad := range hostile {
				at, query := path, url.Values{}
				var headers []string
				for _, p := range op.Parameters {
					switch p.In {
					case "path":
						at = strings.ReplaceAll(at, "{"+p.Name+"}", url.PathEscape(bad))
					case "query":
						query.Set(p.Name, bad)
					case "header":
						headers = append(headers, p.Name, strings.Map(func(r rune) rune {
							if r < ' ' {
								return -1
							}
							return r
						}, bad))
					}
				}
				var in any
				if op.Body != nil {
					in = map[string]any{"operator": bad}
					if path == "/v1/runs" {
						in = map[string]any{"operator": bad, "plan": bad, "bench": bad, "specimens": []string{bad}}
					}
				}
				try(method, at+"?"+query.Encode(), in, headers...)
				if in != nil {
					// Nothing wrong but who is said to do it.
					try(method, strings.NewReplacer("{name}", "depot", "{step}", "0").Replace(path), map[string]any{"operator": bad})
				}
			}
		}
	}
	if sent < 300 {
		t.Errorf("only %d requests", sent)
	}
	for i, w := range taps {
		text := strings.ToLower(w.String())
		if text == "" || strings.Contains(text, "xyzzy") || strings.Contains(text, "passwd") || strings.Contains(text, "lidded.") {
			t.Errorf("instrument %d was sent %q", i, text)
		}
	}
	if after := files(t, dir); !slices.Equal(before, after) {
		t.Errorf("files before %q, after %q", before, after)
	}
	if s.bench.SourceOn() {
		t.Error("the source is on")
	}
}

// files lists a folder, without what the store keeps beside itself at times.
func files(t *testing.T, dir string) []string {
	t.Helper()
	var out []string
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if n := filepath.Base(e.Name()); !strings.HasPrefix(n, "lidded.db-") {
			out = append(out, n)
		}
	}
	return out
}
