package main

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/access/accesstest"
)

// ran runs the program; it gives its exit code and both outputs.
func ran(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, &out, &errs)
	return code, out.String(), errs.String()
}

// newToken makes a token with the command.
func newToken(t *testing.T, tokens, name, role string, more ...string) string {
	t.Helper()
	code, out, errs := ran(t, append([]string{"token", "create", name, "--role", role, "--tokens", tokens}, more...)...)
	if code != exitOK {
		t.Fatalf("token create: %d %s", code, errs)
	}
	return strings.TrimSpace(out)
}

// house is a bench served over TLS to those who have a token.
type house struct {
	*served
	dir, config, tokens string
	client              string // file with the token of commands on this computer
	certs               accesstest.Certificates
	secrets             map[string]string // by name of the token
}

// newHouse serves a bench with a token of each role.
func newHouse(t *testing.T) *house {
	t.Helper()
	dir := t.TempDir()
	h := &house{dir: dir, config: filepath.Join(dir, "lidded.yaml"), tokens: filepath.Join(dir, "lidded.db.tokens"), certs: accesstest.New(t, dir), secrets: map[string]string{}}
	for _, role := range []string{"scrape", "read", "operate", "administer"} {
		h.secrets["the "+role+" one"] = newToken(t, h.tokens, "the "+role+" one", role)
	}
	h.client = filepath.Join(t.TempDir(), "client.token")
	if err := os.WriteFile(h.client, []byte(h.secrets["the read one"]+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	h.served = serveBench(t, dir, 4, func(s *served, keys *string) {
		*keys = strings.Replace(*keys, "log: {", "web_config: web.yaml, auth: required, hosts: [bench.depot.example], client_token: "+h.client+", log: {level: debug, ", 1)
		pool := x509.NewCertPool()
		data, err := os.ReadFile(h.certs.CA)
		if err != nil {
			t.Fatal(err)
		}
		pool.AppendCertsFromPEM(data)
		s.http = &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}}
		t.Cleanup(s.http.CloseIdleConnections)
		s.token = h.secrets["the operate one"]
	})
	return h
}

// as runs a command that speaks to the daemon, with a token in a file.
func (h *house) as(token string, args ...string) (code int, stdout, stderr string) {
	h.t.Helper()
	file := filepath.Join(h.t.TempDir(), "token")
	if err := os.WriteFile(file, []byte(token+"\n"), 0o600); err != nil {
		h.t.Fatal(err)
	}
	return ran(h.t, append(args, "--url", h.base, "--ca", h.certs.CA, "--token-file", file)...)
}

// TestLettingNobodyIn is a day of a daemon that wants TLS and tokens: who may
// do what, who did it, and that no secret is left anywhere.
func TestLettingNobodyIn(t *testing.T) {
	h := newHouse(t)
	if !strings.HasPrefix(h.base, "https://127.0.0.1:") {
		t.Fatalf("served at %s", h.base)
	}
	start := []string{"start", "--plan", "quick", "--specimen", "heron", "--operator", "Mara"}
	guess := "lidded_" + strings.Repeat("A", 43)
	h.secrets["a guess"] = guess

	for _, c := range []struct {
		name  string
		token string
		args  []string
		want  string
	}{
		{"read starts nothing", h.secrets["the read one"], start, "lidded: refused: token the read one has the role read, and this needs operate\n"},
		{"scrape reads nothing", h.secrets["the scrape one"], []string{"runs"}, "lidded: refused: token the scrape one has the role scrape, and this needs read\n"},
		{"a guess", guess, []string{"runs"}, "lidded: refused: this token is not known, or was revoked: give one with --token-file or $LIDDED_TOKEN\n"},
	} {
		if code, _, errs := h.as(c.token, c.args...); code != exitFailed || errs != c.want {
			t.Errorf("%s: %d %q, want %q", c.name, code, errs, c.want)
		}
	}
	if code, _, errs := ran(t, "runs", "--url", h.base, "--ca", h.certs.CA); code != exitFailed || !strings.Contains(errs, "this daemon wants a token") {
		t.Errorf("without a token: %d %s", code, errs)
	}
	if code, _, errs := ran(t, "runs", "--url", h.base); code != exitFailed || !strings.Contains(errs, "is not trusted") || !strings.Contains(errs, "--ca") {
		t.Errorf("without trust: %d %s", code, errs)
	}
	plain := strings.Replace(h.base, "https:", "http:", 1)
	if code, _, errs := ran(t, "runs", "--url", plain, "--ca", h.certs.CA); code != exitFailed {
		t.Errorf("over plain HTTP: %d %s", code, errs)
	}

	code, out, errs := h.as(h.secrets["the operate one"], start...)
	if code != exitOK {
		t.Fatalf("start: %d %s", code, errs)
	}
	id := strings.TrimSpace(out)
	if r := h.operate(id); r.State != "completed" {
		t.Fatalf("ended %s", r.State)
	}
	if code, _, errs := h.as(h.secrets["the read one"], "show", id); code != exitOK {
		t.Errorf("show: %d %s", code, errs)
	}
	var shown struct{ Operator string }
	h.call("GET", "/v1/runs/"+id, nil, &shown)
	if shown.Operator != "Mara (the operate one)" {
		t.Errorf("operator %q", shown.Operator)
	}
	var journal json.RawMessage
	h.call("GET", "/v1/runs/"+id+"/events?limit=1000", nil, &journal)
	if n := strings.Count(string(journal), "the operate one"); n < 2 {
		t.Errorf("the journal names the token %d times: %s", n, journal)
	}

	h.live()
	for host, want := range map[string]int{"bench.depot.example": 200, "elsewhere.example": 421} {
		req, err := http.NewRequestWithContext(t.Context(), "GET", h.base+"/v1/benches", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Host = host
		req.Header.Set("Authorization", "Bearer "+h.secrets["the read one"])
		resp, err := h.http.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("as %s: %d, want %d", host, resp.StatusCode, want)
		}
	}

	// Made and revoked while the daemon runs.
	h.secrets["late"] = newToken(t, h.tokens, "late", "read", "--expires", "8h")
	if code, _, errs := h.as(h.secrets["late"], "runs"); code != exitOK {
		t.Errorf("a new token: %d %s", code, errs)
	}
	if code, _, errs := ran(t, "token", "revoke", "late", "--tokens", h.tokens); code != exitOK {
		t.Errorf("revoke: %d %s", code, errs)
	}
	if code, _, errs := h.as(h.secrets["late"], "runs"); code != exitFailed || !strings.Contains(errs, "was revoked") {
		t.Errorf("a revoked token: %d %s", code, errs)
	}

	// Metrics.
	for name, want := range map[string]int{"the scrape one": 200, "the read one": 200, "a guess": 401} {
		h.token = h.secrets[name]
		if got := h.call("GET", "/metrics", nil, nil); got != want {
			t.Errorf("metrics for %s: %d, want %d", name, got, want)
		}
	}

	// On the daemon's own computer.
	said := h.local()
	if code, log := h.stop(); code != exitOK {
		t.Errorf("the end: %d", code)
	} else {
		said["the log"] = log
	}
	if _, out, _ := ran(t, "token", "list", "--tokens", h.tokens); strings.Contains(lineOf(out, "the operate one"), "-\n") || !strings.HasSuffix(lineOf(out, "the administer one"), "-\n") {
		t.Errorf("what was used and what was not:\n%s", out)
	}
	h.noSecrets(said)
}

// lineOf is the line of a table that begins with a name.
func lineOf(table, name string) string {
	for line := range strings.Lines(table) {
		if strings.HasPrefix(line, name) {
			return line
		}
	}
	return ""
}

// live listens until the first picture comes, over HTTP/2.
func (h *house) live() {
	req, err := http.NewRequestWithContext(h.t.Context(), "GET", h.base+"/v1/events", nil)
	if err != nil {
		h.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+h.secrets["the read one"])
	resp, err := h.http.Do(req)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() && lines.Text() != "event: progress" {
	}
	if lines.Text() != "event: progress" || resp.ProtoMajor != 2 {
		h.t.Errorf("live events: %q over HTTP/%d, %v", lines.Text(), resp.ProtoMajor, lines.Err())
	}
}

// local looks at and switches off from the daemon's own computer, and gives
// what was said.
func (h *house) local() map[string]string {
	t, said := h.t, map[string]string{}
	t.Setenv("LIDDED_DAEMON_LISTEN", strings.TrimPrefix(h.base, "https://"))
	for name, args := range map[string][]string{
		"doctor": {"doctor", "-c", h.config}, "doctor in JSON": {"doctor", "-c", h.config, "--json"}, "the plan": {"plan", "-c", h.config, "--plan", "quick"},
		"the tokens": {"token", "list", "-c", h.config}, "the tokens in JSON": {"token", "list", "-c", h.config, "--json"},
	} {
		code, out, errs := ran(t, args...)
		if code != exitOK && name != "the plan" {
			t.Errorf("%s: %d %s%s", name, code, out, errs)
		}
		said[name] = out + errs
	}
	if s := said["doctor"]; !strings.Contains(s, "answers at "+h.base) || !strings.Contains(s, "by the daemon's link") {
		t.Errorf("doctor does not reach the daemon:\n%s", s)
	}
	code, out, errs := ran(t, "off", "-c", h.config)
	if code != exitOK || !strings.Contains(out, "read back by the daemon") {
		t.Errorf("off: %d %s%s", code, out, errs)
	}
	t.Setenv(envToken, h.secrets["a guess"])
	if _, out, errs = ran(t, "off", "-c", h.config); strings.Contains(out, "read back by the daemon") {
		t.Errorf("off with a wrong token: %s%s", out, errs)
	}
	said["off with a wrong token"] = out + errs
	if _, out, errs = ran(t, "doctor", "-c", h.config); !strings.Contains(out, "does not let us in") || !strings.Contains(out, "daemon.client_token") {
		t.Errorf("doctor with a wrong token: %s%s", out, errs)
	}
	said["doctor with a wrong token"] = out + errs
	return said
}

// noSecrets looks for every secret in what was said and in every file that was
// left, whole and without its mark.
func (h *house) noSecrets(said map[string]string) {
	t := h.t
	t.Helper()
	err := filepath.WalkDir(h.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		said[path] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(said) < 10 || !strings.Contains(said["the log"], `"refused"`) {
		t.Errorf("%d places looked at; the log:\n%s", len(said), said["the log"])
	}
	for where, text := range said {
		for name, secret := range h.secrets {
			if strings.Contains(text, strings.TrimPrefix(secret, "lidded_")) {
				t.Errorf("the secret of %s is in %s", name, where)
			}
		}
	}
}

// TestServeRefuses: what would let in the wrong people, or nobody, is refused
// with the key and the cure before anything is opened.
func TestServeRefuses(t *testing.T) {
	rest := goodConfig[:strings.Index(goodConfig, "schedules:")]
	for _, c := range []struct {
		name, keys string
		prepare    func(t *testing.T)
		want       string
	}{
		{"no TLS", `{listen: "0.0.0.0:7460"}`, nil, `lidded: lidded.yaml:1:18: daemon.listen: "0.0.0.0:7460" can be reached by others`},
		{"no TLS, with a token", `{listen: "[::]:7460"}`, func(t *testing.T) { newToken(t, "lidded.db.tokens", "a", "read") }, `lidded: lidded.yaml:1:18: daemon.listen: "[::]:7460" can be reached by others`},
		{"no token", `{listen: "0.0.0.0:7460", web_config: web.yaml}`, nil, `lidded: daemon.listen: "0.0.0.0:7460" can be reached by others, who need a token, and there is none in lidded.db.tokens: make one with 'lidded token create NAME --role operate'`},
		{"no token where required", `{auth: required}`, nil, `lidded: daemon.auth: required: everybody needs a token, and there is none in lidded.db.tokens: make one with`},
		{"no web config", `{listen: "0.0.0.0:7460", web_config: none.yaml}`, nil, `lidded: daemon.web_config: open none.yaml: no such file or directory: write one with tls_server_config`},
		{"users of the web config", `{web_config: users.yaml}`, func(t *testing.T) { users(t) }, `lidded: daemon.web_config: users.yaml: basic_auth_users is not taken`},
		{"tokens that others read", `{tokens: t}`, func(t *testing.T) {
			newToken(t, "t", "a", "read")
			if err := os.Chmod("t", 0o644); err != nil {
				t.Fatal(err)
			}
		}, `lidded: daemon.tokens: read tokens: others may get at t (mode 0644): chmod 600 t`},
		{"tokens that are none", `{tokens: lidded.yaml}`, nil, `lidded: daemon.tokens: read tokens: `},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Chdir(t.TempDir())
			accesstest.New(t, ".")
			if err := os.WriteFile("lidded.yaml", []byte("daemon: "+c.keys+"\n"+rest), 0o600); err != nil {
				t.Fatal(err)
			}
			if c.prepare != nil {
				c.prepare(t)
			}
			code, out, errs := ran(t, "serve")
			if code != exitUsage || !strings.HasPrefix(errs, c.want) || out != "" {
				t.Errorf("%d %s%s\nwant %s", code, out, errs, c.want)
			}
			if _, err := os.Stat("lidded.db"); err == nil {
				t.Error("a store was made")
			}
		})
	}
}

func users(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile("web.yaml")
	if err == nil {
		err = os.WriteFile("users.yaml", append(text, "basic_auth_users: {ada: x}\n"...), 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestTokenCommand: what the commands say, and what they leave.
func TestTokenCommand(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("lidded.yaml", []byte(goodConfig[:strings.Index(goodConfig, "schedules:")]), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := ran(t, "token", "create", "night", "--role", "operate", "--expires", "90d")
	if code != exitOK || !strings.HasPrefix(out, "lidded_") || strings.Count(out, "\n") != 1 || !strings.HasPrefix(errs, "token night: role operate, good until ") || !strings.Contains(errs, "this is the only time it is shown. Its hash is in lidded.db.tokens") {
		t.Errorf("create: %d %q %q", code, out, errs)
	}
	code, out, errs = ran(t, "token", "create", "graphs", "--role", "scrape", "--out", "graphs.token")
	info, err := os.Stat("graphs.token")
	if code != exitOK || out != "" || err != nil || info.Mode() != 0o600 || !strings.Contains(errs, "written to graphs.token") {
		t.Errorf("create --out: %d %q %q, %v %v", code, out, errs, info, err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"create", "x"}, exitUsage, `lidded: --role: unknown role "": known are scrape, read, operate, administer`},
		{[]string{"create", "x", "--role", "root"}, exitUsage, `lidded: --role: unknown role "root"`},
		{[]string{"create", "x", "--role", "read", "--expires", "soon"}, exitUsage, `lidded: --expires: "soon" is not a time a token can live: write for example 90d, 12w or 8h`},
		{[]string{"create", "night", "--role", "read"}, exitFailed, `lidded: there is a token night already: revoke it first, or take another name`},
		{[]string{"create", "x", "--role", "read", "--out", "graphs.token"}, exitFailed, `lidded: --out: open graphs.token: file exists: name a file that is not there yet`},
		{[]string{"create", "night", "--role", "read", "--out", "other.token"}, exitFailed, `lidded: there is a token night already`},
		{[]string{"create", "x", "--role", "read", "-c", "none.yaml"}, exitUsage, `lidded: config file none.yaml is not there`},
		{[]string{"create"}, exitUsage, `lidded: lidded token create needs a name`},
		{[]string{"revoke", "nite"}, exitFailed, `lidded: no token nite: known are night, graphs`},
	} {
		if code, _, errs := ran(t, append([]string{"token"}, c.args...)...); code != c.code || !strings.HasPrefix(errs, c.want) {
			t.Errorf("%v: %d %q, want %q", c.args, code, errs, c.want)
		}
	}
	if _, err := os.Stat("other.token"); err == nil {
		t.Error("a file is left though no token was made")
	}
	if code, _, errs := ran(t, "token", "create", "x", "--role", "read", "--out", "/dev/full"); code != exitFailed {
		t.Errorf("--out that is there: %d %s", code, errs)
	}
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer full.Close()
	var said bytes.Buffer
	if code := run(t.Context(), []string{"token", "create", "lost", "--role", "read"}, full, &said); code != exitFailed || !strings.Contains(said.String(), "no space left") {
		t.Errorf("an output that takes nothing: %d %s", code, said.String())
	}
	var list []struct {
		Name, Role, Created string
		Expires             *string
		Expired             bool
	}
	code, out, _ = ran(t, "token", "list", "--json")
	if err := json.Unmarshal([]byte(out), &list); code != exitOK || err != nil || len(list) != 2 || list[0].Name != "night" || list[0].Role != "operate" || list[0].Expires == nil || list[1].Expires != nil {
		t.Errorf("list --json: %d %v %s", code, err, out)
	}
	code, out, _ = ran(t, "token", "list")
	if code != exitOK || !strings.HasPrefix(out, "NAME") || !strings.Contains(out, "graphs  scrape") || strings.Contains(out, "lidded_") {
		t.Errorf("list: %d %s", code, out)
	}
	for i, name := range []string{"night", "graphs"} {
		code, out, errs := ran(t, "token", "revoke", name)
		if code != exitOK || out != fmt.Sprintf("token %s is revoked\n", name) || strings.Contains(errs, "that was the last one") != (i == 1) {
			t.Errorf("revoke %s: %d %q %q", name, code, out, errs)
		}
	}
	if code, out, errs := ran(t, "token", "list", "--json"); code != exitOK || strings.TrimSpace(out) != "[]" {
		t.Errorf("an empty list: %d %s %s", code, out, errs)
	}
}

// TestConnect: what a command refuses to do with a token.
func TestConnect(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := os.WriteFile("token", []byte("lidded_x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--url", "http://bench.depot.example:7460", "--token-file", "token"}, `lidded: --url http://bench.depot.example:7460: the token would go there in the clear: use https`},
		{[]string{"--url", "ftp://127.0.0.1", "--token-file", "token"}, `lidded: --url ftp://127.0.0.1: write http://host:port or https://host:port`},
		{[]string{"--url", "http://ada:x@127.0.0.1:1"}, `lidded: --url: no name and no password belong there: use --token-file`},
		{[]string{"--token-file", "none"}, `lidded: token file: open none: no such file or directory: name a file that holds a token`},
		{[]string{"--ca", "none"}, `lidded: --ca: open none: no such file or directory`},
		{[]string{"--ca", "token"}, `lidded: --ca: token holds no certificate in PEM form`},
		{[]string{"--cert", "token"}, `lidded: --cert and --cert-key: `},
	} {
		if code, _, errs := ran(t, append([]string{"runs"}, c.args...)...); code != exitUsage || !strings.HasPrefix(errs, c.want) {
			t.Errorf("%v: %d %q, want %q", c.args, code, errs, c.want)
		}
	}
}
