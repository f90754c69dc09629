package doctor

import (
	"errors"
	"io/fs"
	"time"

	"lidded/cmd/lidded/internal/access"
)

// soonOver is how long before its end a certificate is spoken of (common
// practice, no source).
const soonOver = 21 * 24 * time.Hour

// access looks at what lets others in: tokens and certificate.
func (e *examination) access() {
	now := e.Now
	d := &e.Config.Daemon
	tokens, err := access.File{Path: d.Tokens}.Read()
	expired := 0
	for _, t := range tokens {
		if t.Expired(now) {
			expired++
		}
	}
	switch {
	case errors.Is(err, fs.ErrPermission):
		e.note("tokens", "look as the user that runs the daemon", "%v", err)
	case err != nil:
		e.fault("tokens", "do what this says: until then the daemon lets nobody in", "%v", err)
	case len(tokens) == 0 && d.TokenRequired():
		e.fault("tokens", "make one: "+e.command("token create NAME --role operate"), "there is none in %s, and nobody comes in without: the daemon does not start", d.Tokens)
	case len(tokens) == 0:
		e.well("tokens", "none: whoever is on this computer may use the daemon, and nobody else")
	case expired > 0:
		e.note("tokens", "revoke them, or make others: "+e.command("token list"), "%d in %s, %d of them expired", len(tokens), d.Tokens, expired)
	default:
		e.well("tokens", "%d in %s", len(tokens), d.Tokens)
	}
	if d.WebConfig == "" {
		return
	}
	w, err := access.ReadWebConfig(d.WebConfig)
	if err != nil {
		e.fault("certificate", "mend the web config or what it names", "%v", err)
		return
	}
	switch end := w.Certificate.NotAfter; {
	case !now.Before(end):
		e.fault("certificate", "put a new one in its place: it is used at once", "it ended on %s: clients refuse the daemon", end.UTC().Format(time.RFC3339))
	case now.Add(soonOver).After(end):
		e.note("certificate", "put a new one in its place: it is used at once", "it ends on %s", end.UTC().Format(time.RFC3339))
	default:
		e.well("certificate", "good until %s", end.UTC().Format(time.RFC3339))
	}
}
