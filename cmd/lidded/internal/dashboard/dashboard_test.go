package dashboard_test

import (
	"bytes"
	"encoding/json"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest/resttest"
)

func fetch(t *testing.T, url string, header ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(b)
}

// start starts a run over the HTTP interface, as a script would.
func start(t *testing.T, url, plan string, specimens ...string) {
	t.Helper()
	startOn(t, url, "depot", plan, specimens...)
}

func startOn(t *testing.T, url, bench, plan string, specimens ...string) {
	t.Helper()
	body, err := json.Marshal(map[string]any{"bench": bench, "plan": plan, "specimens": specimens})
	if err != nil {
		t.Fatal(err)
	}
	post(t, url+"/v1/runs", body, http.StatusCreated)
}

// step releases the hold point that waits and takes the captures up to the next.
func step(t *testing.T, url string, d *resttest.Depot) {
	t.Helper()
	release(t, url)
	for d.Advance("depot") {
	}
}

// release confirms the hold point that waits.
func release(t *testing.T, url string) {
	t.Helper()
	_, text := fetch(t, url+"/v1/benches/depot")
	var b struct {
		Progress struct{ Hold struct{ Release string } }
	}
	if err := json.Unmarshal([]byte(text), &b); err != nil {
		t.Fatal(err)
	}
	post(t, url+b.Progress.Hold.Release, nil, http.StatusAccepted)
}

func post(t *testing.T, url string, body []byte, status int) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "POST", url, bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != status {
		b, _ := io.ReadAll(res.Body)
		t.Fatalf("POST %s: %d %s", url, res.StatusCode, b)
	}
}

func TestFiles(t *testing.T) {
	url := serve(t, resttest.New())
	for path, media := range map[string]string{
		"/": "text/html; charset=utf-8", "/static/css/theme.css": "text/css; charset=utf-8", "/static/icon.svg": "image/svg+xml",
		"/static/js/main.js": "text/javascript; charset=utf-8", "/static/vendor/uplot/uPlot.iife.min.js": "text/javascript; charset=utf-8",
		"/static/vendor/uplot/LICENSE": "text/plain; charset=utf-8",
	} {
		res, body := fetch(t, url+path)
		if res.StatusCode != 200 || res.Header.Get("Content-Type") != media || body == "" {
			t.Errorf("%s: %d %s", path, res.StatusCode, res.Header.Get("Content-Type"))
		}
		if !strings.Contains(res.Header.Get("Content-Security-Policy"), "script-src 'self'") {
			t.Errorf("%s: no content policy", path)
		}
		same, _ := fetch(t, url+path, "If-None-Match", `"x", `+res.Header.Get("ETag"))
		if same.StatusCode != http.StatusNotModified {
			t.Errorf("%s: %d for a copy that is fresh", path, same.StatusCode)
		}
	}
	for _, path := range []string{"/static/", "/static/none.js", "/static/../dashboard.go", "/index.html"} {
		res, body := fetch(t, url+path)
		if res.StatusCode != 404 || res.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s %s", path, res.StatusCode, res.Header.Get("Content-Type"), body)
		}
	}
}

// TestNoInlineNoOutside: nothing that the content policy would stop, nothing
// that needs another machine.
func TestNoInlineNoOutside(t *testing.T) {
	inline := regexp.MustCompile(`(?i)<script(?:[^>]*)>[^<]|\son[a-z]+=|\sstyle=|<style|innerHTML|insertAdjacentHTML|document\.write|eval\(`)
	outside := regexp.MustCompile(`(?i)(https?:)?//[a-z0-9.-]+\.[a-z]{2,}`)
	seen := 0
	err := filepath.WalkDir("static", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == "vendor" {
				return filepath.SkipDir
			}
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		seen++
		text := strings.ReplaceAll(string(data), "http://www.w3.org/2000/svg", "")
		for _, m := range inline.FindAllString(text, -1) {
			t.Errorf("%s: %q", path, m)
		}
		for _, m := range outside.FindAllString(text, -1) {
			t.Errorf("%s: %q", path, m)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 30 {
		t.Errorf("only %d files looked at", seen)
	}
}

// TestVendoredLicence: what was not written here keeps its licence beside it.
func TestVendoredLicence(t *testing.T) {
	data, err := os.ReadFile("static/vendor/uplot/LICENSE")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), "The MIT License") {
		t.Error("the licence of the plotting library is not the one it came with")
	}
}
