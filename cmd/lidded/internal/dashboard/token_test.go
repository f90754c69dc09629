package dashboard_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// guarded serves the page of a depot that wants a token for everything but the
// page's own files. It keeps what was asked for, and the token it wants can be
// changed.
type guarded struct {
	url string

	mu    sync.Mutex
	token string
	asked []string // path and query
}

func guard(t *testing.T, d *resttest.Depot, token string) *guarded {
	t.Helper()
	g := &guarded{token: token}
	h := handler(t, d.Options())
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		g.mu.Lock()
		g.asked = append(g.asked, r.URL.String())
		refused := r.Header.Get("Authorization") != "Bearer "+g.token
		g.mu.Unlock()
		if open := r.URL.Path == "/" || strings.HasPrefix(r.URL.Path, "/static/"); refused && !open {
			rest.WriteProblem(w, http.StatusUnauthorized, "no valid token")
			return
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		d.Hub.Close()
		srv.CloseClientConnections()
		srv.Close()
	})
	g.url = srv.URL
	return g
}

func (g *guarded) want(token string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.token = token
}

// give types a token into the question.
func (b *browser) give(t *testing.T, token string) {
	t.Helper()
	b.until(t, `document.querySelector('#token')?.open`)
	b.do(t, "type the token", chromedp.SendKeys(chromedp.CSS("#token-field"), token))
	b.press(t, "#token-yes")
}

// TestTokenOnThePage: the page asks for a token when the daemon wants one, asks
// again when it is refused or revoked, keeps it in the tab alone, and never
// puts it into an address.
func TestTokenOnThePage(t *testing.T) {
	d := resttest.New()
	g := guard(t, d, "right-token")
	b := open(t)
	b.look(t, 390, false)
	b.do(t, "open", chromedp.Navigate(g.url))
	b.give(t, "wrong-token")
	b.until(t, `document.querySelector('#token-why')?.innerText.includes('does not take this token')`)
	if n := ask[int](t, b, `document.querySelectorAll('dialog[open]').length`); n != 1 {
		t.Errorf("%d questions at once", n)
	}
	b.give(t, " right-token ")
	b.until(t, `document.querySelector('#link').dataset.link === 'live'`)

	// What happens arrives over the stream; what is ordered goes out.
	start(t, bypass(t, d), "quick", "locker-steel")
	b.until(t, `document.querySelector('.bench').dataset.state === 'holding'`)
	b.press(t, "#all-off")
	b.until(t, `document.querySelector('.bench').dataset.state === 'idle'`)

	// A link cannot send a header: what it leads to is fetched.
	if ask[string](t, b, `(() => {
		window.saved = '';
		HTMLAnchorElement.prototype.click = function () { window.saved = this.download + ' ' + this.href; };
		document.querySelector('footer a[href="/metrics"]').href = '/readyz';
		const e = new MouseEvent('click', { bubbles: true, cancelable: true });
		document.querySelector('footer a[href="/readyz"]').dispatchEvent(e);
		return String(e.defaultPrevented);
	})()`) != "true" {
		t.Error("a link is followed without a token")
	}
	b.until(t, `window.saved.startsWith('readyz blob:')`)

	// Revoked meanwhile.
	g.want("another-token")
	b.press(t, "#all-off")
	b.give(t, "another-token")
	b.until(t, `document.querySelector('#dock .done').innerText.includes('read back')`)

	for place, where := range map[string]string{"addresses": "location.href", "cookies": "document.cookie", "lasting storage": "JSON.stringify(localStorage)", "the page": "document.documentElement.outerHTML"} {
		if s := ask[string](t, b, where); strings.Contains(s, "right-token") || strings.Contains(s, "another-token") {
			t.Errorf("%s: the token is in %s", place, s)
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, u := range g.asked {
		if strings.Contains(u, "-token") {
			t.Errorf("the token went into the address %s", u)
		}
	}
	b.forget() // it rightly complained about 401
}

// bypass serves the same depot to a script, without a token.
func bypass(t *testing.T, d *resttest.Depot) string {
	t.Helper()
	srv := httptest.NewServer(handler(t, d.Options()))
	t.Cleanup(srv.Close)
	return srv.URL
}

// TestTokenQuestionPutAway: without a token nothing is shown, and the question
// comes back.
func TestTokenQuestionPutAway(t *testing.T) {
	d := resttest.New()
	g := guard(t, d, "right-token")
	b := open(t)
	b.do(t, "open", chromedp.Navigate(g.url))
	b.until(t, `document.querySelector('#token')?.open`)
	ask[bool](t, b, `(document.querySelector('#token').close(), true)`)
	b.until(t, `!document.querySelector('#token')`)
	if s := b.text(t, "#benches"); s != "" {
		t.Errorf("shown without a token: %q", s)
	}
	b.give(t, "right-token")
	b.until(t, `document.querySelector('#link').dataset.link === 'live' && document.querySelector('.bench')`)
	b.forget()
}
