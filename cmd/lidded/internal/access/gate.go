package access

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"

	"lidded/driver/word"
)

// Gate stands before a daemon's routes.
//
// It is open, and asks nobody for anything, while the daemon is on loopback,
// authentication is not required and there is no token. Otherwise every route
// that is not for anyone needs a token of its role.
type Gate struct {
	keeper   *Keeper
	required bool
	failures *limiter
	requests *limiter
	uses     useLog
	clock    func() time.Time
	log      *zap.Logger
}

// GateOptions are what a gate is made of.
type GateOptions struct {
	Tokens   File
	Required bool // also without a token: then nobody comes in
	Failures Limit
	Requests Limit
	Clock    func() time.Time // default: time.Now
	Log      *zap.Logger      // default: none
}

// NewGate makes a gate. A limit that is not given is the package's own.
func NewGate(o GateOptions) *Gate {
	if o.Failures == (Limit{}) {
		o.Failures = LimitFailures
	}
	if o.Requests == (Limit{}) {
		o.Requests = LimitRequests
	}
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	return &Gate{
		keeper: NewKeeper(o.Tokens), required: o.Required, failures: newLimiter(o.Failures), requests: newLimiter(o.Requests),
		clock: o.Clock, log: o.Log.Named("access"),
	}
}

// RefusalKind is why somebody does not come in.
type RefusalKind uint8

// The kinds.
const (
	RefusalUnknown RefusalKind = iota
	NoToken                    // none was sent, or not in the way it is sent
	BadToken                   // not known, or expired
	TooLow                     // its role does not do
	TooMany                    // requests; see Wait
	TokensUnread               // the daemon cannot read its tokens
)

var refusalNames = word.List{"unknown", "no token", "bad token", "role too low", "too many requests", "tokens cannot be read"}

// String gives the kind in words, for logs.
func (k RefusalKind) String() string { return refusalNames.Of(int(k)) }

// Refusal is the error for who does not come in. Its text is for the client.
type Refusal struct {
	Kind RefusalKind
	Text string
	Wait time.Duration // TooMany: ask again after this
}

// Error gives the text.
func (r *Refusal) Error() string { return r.Text }

// Caller is who comes in.
type Caller struct {
	Name string // of the token; "" where nobody had to show one
	Role Role
}

// Admit decides on a request for a route that needs a role. An urgent one, such
// as switching a source off, is never too many.
func (g *Gate) Admit(r *http.Request, need Role, urgent bool) (Caller, error) {
	tokens, err := g.keeper.Tokens()
	if err == nil && !g.required && len(tokens) == 0 {
		return Caller{Role: Administer}, nil
	}
	now, client := g.clock(), clientOf(r.RemoteAddr)
	if need == Anyone {
		return Caller{Role: Anyone}, g.often(client, now, urgent)
	}
	if err != nil {
		g.tell(client, now, TokensUnread, r, zap.Error(err))
		return Caller{}, &Refusal{Kind: TokensUnread, Text: "the daemon cannot read its tokens; its log says why"}
	}
	t, refusal := identify(r.Header, tokens, now)
	if refusal != nil {
		return Caller{}, g.refuse(r, client, refusal, now, urgent)
	}
	if err := g.often("token "+t.Name, now, urgent); err != nil {
		return Caller{}, err
	}
	if !t.Role.May(need) {
		g.tell("token "+t.Name, now, TooLow, r, zap.String("token", t.Name))
		return Caller{}, &Refusal{Kind: TooLow, Text: fmt.Sprintf("token %s has the role %v, and this needs %v", t.Name, t.Role, need)}
	}
	g.uses.note(t.Name, now)
	return Caller{t.Name, t.Role}, nil
}

// often counts a request.
func (g *Gate) often(key string, now time.Time, urgent bool) error {
	wait := g.requests.take(key, now)
	if wait == 0 || urgent {
		return nil
	}
	return &Refusal{Kind: TooMany, Text: "this is asked too often", Wait: wait}
}

// refuse counts a request without a valid token. A token that is not known is
// counted tightly: whoever tries some gets a few answers, and fills no log. It
// never keeps out a valid token from the same address.
func (g *Gate) refuse(r *http.Request, client string, why *Refusal, now time.Time, urgent bool) error {
	if why.Kind == NoToken {
		if err := g.often(client, now, urgent); err != nil {
			return err
		}
		return why
	}
	if wait := g.tell(client, now, why.Kind, r); wait > 0 {
		return &Refusal{Kind: TooMany, Text: "too many tokens from this address were refused", Wait: wait}
	}
	return why
}

// tell counts a failure and writes it down, as long as there are not too many;
// then it returns how long to wait. No header and no query is written.
func (g *Gate) tell(key string, now time.Time, why RefusalKind, r *http.Request, more ...zap.Field) (wait time.Duration) {
	if wait = g.failures.take(key, now); wait == 0 {
		g.log.Warn("refused", append(more, zap.Stringer("why", why), zap.String("client", clientOf(r.RemoteAddr)), zap.String("method", r.Method), zap.String("path", r.URL.Path))...)
	}
	return wait
}

// identify reads the token of a request (RFC 6750 2.1).
func identify(h http.Header, tokens Tokens, now time.Time) (Token, *Refusal) {
	all := h.Values("Authorization")
	if len(all) == 0 {
		return Token{}, &Refusal{Kind: NoToken, Text: "this daemon wants a token"}
	}
	scheme, text, _ := strings.Cut(all[0], " ")
	if text = strings.TrimSpace(text); len(all) > 1 || !strings.EqualFold(scheme, "Bearer") || text == "" {
		return Token{}, &Refusal{Kind: BadToken, Text: "the Authorization header is not Bearer and one token"}
	}
	t, ok := tokens.Find(SecretOf(text))
	switch {
	case !ok:
		return Token{}, &Refusal{Kind: BadToken, Text: "this token is not known, or was revoked"}
	case t.Expired(now):
		return Token{}, &Refusal{Kind: BadToken, Text: fmt.Sprintf("token %s expired on %s", t.Name, t.Expires.UTC().Format(time.RFC3339))}
	}
	return t, nil
}
