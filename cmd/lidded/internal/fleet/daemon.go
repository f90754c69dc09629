package fleet

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/rest"
)

// daemon is one daemon and how it stands.
type daemon struct {
	url  string
	http *http.Client

	mu    sync.Mutex
	state rest.OtherDaemon
	tried bool // state.Up is known
}

const dialTime = lookTime

func newDaemon(a Address) (*daemon, error) {
	way := &http.Transport{
		DialContext:         (&net.Dialer{Timeout: dialTime}).DialContext,
		TLSHandshakeTimeout: dialTime,
		TLSClientConfig:     &tls.Config{MinVersion: tls.VersionTLS12},
		MaxIdleConnsPerHost: 16,
		IdleConnTimeout:     time.Minute,
		DisableCompression:  true, // what comes is passed on as it is
	}
	if a.CA != "" {
		var err error
		if way.TLSClientConfig.RootCAs, err = access.Vouching(a.CA); err != nil {
			return nil, fmt.Errorf("lab.daemons: certificates for %s: %w", a.URL, err)
		}
	}
	return &daemon{url: a.URL, state: rest.OtherDaemon{Daemon: a.URL, Benches: []string{}}, http: &http.Client{
		Transport: way,
		// A token goes nowhere but where the config says.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}, nil
}

// standing is how the daemon stands.
func (d *daemon) standing() rest.OtherDaemon {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := d.state
	out.Benches = slices.Clone(out.Benches)
	return out
}

// awayNow is an error where the daemon is known to be away: then nobody need wait
// for it.
func (d *daemon) awayNow() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.tried || d.state.Up {
		return nil
	}
	return &rest.AwayError{Daemon: d.url, Reason: d.state.Reason}
}

// note takes in whether the daemon answered.
func (d *daemon) note(up bool, reason string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.tried || d.state.Up != up {
		now := time.Now().UTC().Truncate(time.Millisecond)
		d.state.Since = &now
	}
	d.tried, d.state.Up, d.state.Reason = true, up, reason
}

// has takes in which benches the daemon has.
func (d *daemon) has(benches []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.state.Benches = benches
}

// probe asks whether the daemon is there; it needs no token. Whatever fails to be
// answered makes the daemon away, and this alone makes it come back.
func (d *daemon) probe(ctx context.Context) {
	a := d.ask(ctx, http.MethodGet, "/healthz", nil, nil, lookTime)
	var h rest.Health
	switch {
	case a.err != nil: // noted
	case a.status != http.StatusOK || json.Unmarshal(a.body, &h) != nil || h.Status == "":
		d.note(false, fmt.Sprintf("what answers there is no daemon (status %d)", a.status))
	default:
		d.note(true, "")
		d.mu.Lock()
		d.state.Version = h.Version
		d.mu.Unlock()
	}
}

// answer is what a daemon said, or why it said nothing.
type answer struct {
	from   *daemon
	status int
	header http.Header
	body   []byte
	err    error
}

// largestAnswer bounds what is read of an answer that is looked at here.
const largestAnswer = 16 << 20

// ask sends a request and reads the answer.
func (d *daemon) ask(ctx context.Context, method, path string, header http.Header, body []byte, within time.Duration) answer {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	resp, err := d.send(ctx, method, path, header, body)
	if err != nil {
		return answer{from: d, err: err}
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(io.LimitReader(resp.Body, largestAnswer+1))
	if err == nil && len(data) > largestAnswer {
		err = errors.New("the answer is larger than is read here")
	}
	if err != nil {
		return answer{from: d, err: d.failed(ctx, err)}
	}
	return answer{d, resp.StatusCode, resp.Header, data, nil}
}

// send sends a request; the caller closes the answer's body. An error is an
// *rest.AwayError, unless it is the caller's context that ended.
func (d *daemon) send(ctx context.Context, method, path string, header http.Header, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, d.url+path, bytes.NewReader(body))
	if err != nil {
		return nil, &rest.AwayError{Daemon: d.url, Reason: "the request cannot be passed on"}
	}
	for k, v := range header {
		req.Header[k] = v
	}
	resp, err := d.http.Do(req)
	if err != nil {
		return nil, d.failed(ctx, err)
	}
	if resp.StatusCode >= 300 && resp.StatusCode < 400 && resp.StatusCode != http.StatusNotModified {
		resp.Body.Close()
		const why = "it answers with a redirect, which is not followed"
		d.note(false, why)
		return nil, &rest.AwayError{Daemon: d.url, Reason: why, Hint: "Write the daemon's own address into lab.daemons: a token is sent nowhere else."}
	}
	return resp, nil
}

// failed makes an error of what kept the daemon from answering.
func (d *daemon) failed(ctx context.Context, err error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return ctx.Err() // whoever asked went away; that says nothing of the daemon
	}
	var outer *url.Error
	if errors.As(err, &outer) {
		err = outer.Err
	}
	away := &rest.AwayError{Daemon: d.url, Reason: err.Error()}
	var untrusted *tls.CertificateVerificationError
	var dial *net.OpError
	switch {
	case errors.As(err, &untrusted):
		away.Reason = "it is not trusted: " + untrusted.Err.Error()
		away.Hint = "Name the certificate that vouches for it as ca in lab.daemons."
	case errors.As(err, &dial) && dial.Op == "dial":
	default:
		if errors.Is(err, context.DeadlineExceeded) {
			away.Reason = "it does not answer in time"
		}
		away.Hint = "It may have taken an order all the same: look at the bench before giving it again. A start that is repeated with its Idempotency-Key is no second start."
	}
	d.note(false, away.Reason)
	return away
}

// refusal is why an answer is not what was asked for.
func (a answer) refusal() string {
	if a.err != nil {
		var away *rest.AwayError
		if errors.As(a.err, &away) {
			return away.Reason
		}
		return a.err.Error()
	}
	var p rest.Problem
	if json.Unmarshal(a.body, &p) == nil && p.Error() != "" {
		return fmt.Sprintf("it refuses (status %d): %s", a.status, p.Error())
	}
	return fmt.Sprintf("it answers with status %d", a.status)
}
