package daemon

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/config"
)

// AccessError says why a daemon would let in the wrong people, or nobody: it is
// not opened. The text names the key of the config and the cure.
type AccessError struct{ Err error }

func (e *AccessError) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *AccessError) Unwrap() error { return e.Err }

// entrance is who comes in, and over what; tls nil: plain HTTP.
type entrance struct {
	gate *access.Gate
	tls  *access.WebConfig
	log  *zap.Logger
}

// openEntrance reads web config and tokens. An address that others reach without
// TLS was refused with the config.
func openEntrance(d *config.Daemon, log *zap.Logger) (entrance, error) {
	e := entrance{log: log.Named("daemon")}
	var err error
	if d.WebConfig != "" {
		if e.tls, err = access.OpenWebConfig(d.WebConfig); err != nil {
			return e, &AccessError{err}
		}
	}
	file := access.File{Path: d.Tokens}
	tokens, err := file.Read()
	if err != nil {
		return e, &AccessError{fmt.Errorf("daemon.tokens: %w", err)}
	}
	if len(tokens) == 0 && d.TokenRequired() {
		why := fmt.Sprintf("daemon.listen: %q can be reached by others, who need a token", d.Listen)
		if !d.Reachable() {
			why = "daemon.auth: required: everybody needs a token"
		}
		return e, &AccessError{fmt.Errorf("%s, and there is none in %s: make one with 'lidded token create NAME --role operate'", why, d.Tokens)}
	}
	e.gate = access.NewGate(access.GateOptions{Tokens: file, Required: d.TokenRequired(), Log: log})
	return e, nil
}

const usesEvery = time.Minute

// noteUses writes down now and then when tokens were last used, and at the end.
func (e *entrance) noteUses(ctx context.Context) error {
	tick := time.NewTicker(usesEvery)
	defer tick.Stop()
	told := false
	for ended := false; !ended; {
		select {
		case <-ctx.Done():
			ended = true
		case <-tick.C:
		}
		err := e.gate.WriteUses()
		if err != nil && !told {
			e.log.Warn("when tokens were last used is not written down", zap.Error(err))
		}
		told = err != nil
	}
	return nil
}
