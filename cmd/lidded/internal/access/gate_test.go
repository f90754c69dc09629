package access_test

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"lidded/cmd/lidded/internal/access"
)

func request(from string, header ...string) *http.Request {
	r := httptest.NewRequest("GET", "/v1/runs?secret=in-the-query", nil)
	r.RemoteAddr = from
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Add(header[i], header[i+1])
	}
	return r
}

func kindOf(err error) access.RefusalKind {
	var r *access.Refusal
	if errors.As(err, &r) {
		return r.Kind
	}
	return access.RefusalUnknown
}

// TestOpenGate: without a token nobody is asked, unless authentication is
// required; one token closes the gate, revoking it opens it.
func TestOpenGate(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	free := access.NewGate(access.GateOptions{Tokens: f})
	strict := access.NewGate(access.GateOptions{Tokens: f, Required: true})
	for range 2 {
		if _, err := free.Admit(request("127.0.0.1:1"), access.Operate, false); err != nil {
			t.Errorf("no token, not required: %v", err)
		}
		if _, err := strict.Admit(request("127.0.0.1:1"), access.Read, false); kindOf(err) != access.NoToken {
			t.Errorf("no token, required: %v", err)
		}
		if _, err := strict.Admit(request("127.0.0.1:1"), access.Anyone, false); err != nil {
			t.Errorf("a route for anyone: %v", err)
		}
		create(t, f, "graphs", access.Scrape, time.Hour)
		if _, err := free.Admit(request("127.0.0.1:1"), access.Read, false); kindOf(err) != access.NoToken {
			t.Errorf("one token: %v", err)
		}
		if err := f.Revoke("graphs"); err != nil {
			t.Fatal(err)
		}
	}
	create(t, f, "short", access.Scrape, time.Hour)
	late := access.NewGate(access.GateOptions{Tokens: f, Clock: func() time.Time { return now.AddDate(1, 0, 0) }})
	if _, err := late.Admit(request("127.0.0.1:1"), access.Read, false); kindOf(err) != access.NoToken {
		t.Errorf("an expired token opens the gate: %v", err)
	}
	if err := os.WriteFile(f.Path, []byte("rubbish"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := free.Admit(request("127.0.0.1:1"), access.Read, false); kindOf(err) != access.TokensUnread {
		t.Errorf("tokens that cannot be read: %v", err)
	}
}

func TestTokens(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	clock := now
	core, logged := observer.New(zap.DebugLevel)
	g := access.NewGate(access.GateOptions{Tokens: f, Clock: func() time.Time { return clock }, Log: zap.New(core), Failures: access.Limit{PerSecond: 1, Burst: 1000}})
	day := create(t, f, "day", access.Operate, 24*time.Hour)
	for name, header := range map[string]string{
		"as it is": "Bearer " + day.Reveal(), "lower case": "bearer " + day.Reveal(), "more space": "Bearer   " + day.Reveal() + " ",
	} {
		if c, err := g.Admit(request("192.0.2.7:1", "Authorization", header), access.Operate, false); err != nil || c.Name != "day" || c.Role != access.Operate {
			t.Errorf("%s: %+v, %v", name, c, err)
		}
	}
	for name, header := range map[string][]string{
		"wrong":           {"Authorization", "Bearer wrong"},
		"no token":        {"Authorization", "Bearer"},
		"another scheme":  {"Authorization", "Basic " + day.Reveal()},
		"no scheme":       {"Authorization", day.Reveal()},
		"two of them":     {"Authorization", "Bearer " + day.Reveal(), "Authorization", "Bearer " + day.Reveal()},
		"its hash":        {"Authorization", "Bearer " + fmt.Sprintf("%x", day.Hash())},
		"one letter more": {"Authorization", "Bearer " + day.Reveal() + "A"},
		"empty":           {"Authorization", ""},
	} {
		if _, err := g.Admit(request("192.0.2.7:1", header...), access.Read, false); kindOf(err) != access.BadToken {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := g.Admit(request("192.0.2.7:1", "Authorization", "Bearer "+day.Reveal()), access.Administer, false); kindOf(err) != access.TooLow || err.Error() != "token day has the role operate, and this needs administer" {
		t.Errorf("role too low: %v", err)
	}
	clock = clock.Add(24 * time.Hour)
	if _, err := g.Admit(request("192.0.2.7:1", "Authorization", "Bearer "+day.Reveal()), access.Read, false); kindOf(err) != access.BadToken || !strings.Contains(err.Error(), "token day expired on 2026-03-15T21:30:00Z") {
		t.Errorf("expired: %v", err)
	}
	if logged.Len() < 9 {
		t.Errorf("only %d lines logged", logged.Len())
	}
	for _, e := range logged.All() {
		if s := fmt.Sprint(e.Entry, e.ContextMap()); strings.Contains(s, strings.TrimPrefix(day.Reveal(), "lidded_")) || strings.Contains(s, "wrong") || strings.Contains(s, "in-the-query") {
			t.Errorf("logged %s", s)
		}
	}
}

// TestLimits: failures are counted by address and tightly, requests by token;
// neither keeps out others, or whoever switches a source off; the log does not
// grow with what is tried.
func TestLimits(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	clock := now
	core, logged := observer.New(zap.DebugLevel)
	g := access.NewGate(access.GateOptions{Tokens: f, Clock: func() time.Time { return clock }, Log: zap.New(core)})
	a, b := create(t, f, "a", access.Operate, 0), create(t, f, "b", access.Operate, 0)
	try := func(from, secret string, urgent bool) access.RefusalKind {
		r := request(from)
		if secret != "" {
			r.Header.Set("Authorization", "Bearer "+secret)
		}
		_, err := g.Admit(r, access.Read, urgent)
		var no *access.Refusal
		if errors.As(err, &no) && (no.Kind == access.TooMany) != (no.Wait > 0) {
			t.Errorf("%v: wait %v", no.Kind, no.Wait)
		}
		return kindOf(err)
	}
	count := func(n int, from, secret string) map[access.RefusalKind]int {
		got := map[access.RefusalKind]int{}
		for range n {
			got[try(from, secret, false)]++
		}
		return got
	}
	if got := count(1000, "192.0.2.7:1", "wrong"); got[access.BadToken] != access.LimitFailures.Burst || got[access.TooMany] != 1000-access.LimitFailures.Burst {
		t.Errorf("guesses: %v", got)
	}
	if logged.Len() != access.LimitFailures.Burst {
		t.Errorf("%d lines logged", logged.Len())
	}
	if got := try("192.0.2.8:1", "wrong", false); got != access.BadToken {
		t.Errorf("another address: %v", got)
	}
	if got := try("192.0.2.7:2", a.Reveal(), false); got != access.RefusalUnknown {
		t.Errorf("a valid token from the guesser's address: %v", got)
	}
	clock = clock.Add(6 * time.Second)
	if got := count(3, "192.0.2.7:3", "wrong"); got[access.BadToken] != 1 {
		t.Errorf("six seconds later: %v", got)
	}
	if got := count(1000, "192.0.2.9:1", b.Reveal()); got[access.RefusalUnknown] != access.LimitRequests.Burst {
		t.Errorf("requests: %v", got)
	}
	if got := try("192.0.2.9:1", b.Reveal(), true); got != access.RefusalUnknown {
		t.Errorf("an urgent request: %v", got)
	}
	if got := try("192.0.2.9:1", a.Reveal(), false); got != access.RefusalUnknown {
		t.Errorf("another token: %v", got)
	}
	if got := count(1000, "192.0.2.10:1", ""); got[access.NoToken] != access.LimitRequests.Burst {
		t.Errorf("without a token: %v", got)
	}
}

// TestLimitsAreBounded: however many come, few are remembered.
func TestLimitsAreBounded(t *testing.T) {
	f := access.File{Path: filepath.Join(t.TempDir(), "t")}
	g := access.NewGate(access.GateOptions{Tokens: f, Required: true})
	for i := range access.MostKept + 500 {
		_, _ = g.Admit(request(fmt.Sprintf("10.%d.%d.%d:1", i>>16, i>>8&255, i&255)), access.Read, false)
	}
	if n := access.Remembered(g); n != access.MostKept {
		t.Errorf("%d remembered", n)
	}
}

func TestClientOf(t *testing.T) {
	for remote, want := range map[string]string{
		"192.0.2.7:4711": "192.0.2.7", "[::ffff:192.0.2.7]:1": "192.0.2.7", "[2001:db8:1:2:3:4:5:6]:1": "2001:db8:1:2::/64", "[2001:db8:1:2::]:1": "2001:db8:1:2::/64",
		"[fe80::1%eth0]:1": "fe80::/64", "pipe": "pipe", "@:1": "@",
	} {
		if got := access.ClientOf(remote); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}
