package instrument

import (
	"context"

	"lidded/driver/dialect"
	"lidded/driver/link"
)

// MakeSafe dials a source once, sends its safe state before anything else, and
// returns nil when the output was read back as off. It asks for no identity,
// presets nothing and lets go of the link again: it is for who must switch a
// source off without knowing what state somebody else left it and its link in.
// The output is asked for twice, since on a serial line the first answer may be
// one that the other had asked for.
func MakeSafe(ctx context.Context, spec Spec) error {
	if spec.Dialect == nil || spec.Dialect.Role != dialect.Source {
		return wrongRole(spec, dialect.Source)
	}
	s := &Source{}
	s.init(spec)
	conn, err := link.Dial(ctx, spec.Address, s.opts)
	if err != nil {
		return err
	}
	s.conn = conn
	defer s.drop()
	if spec.Address.Scheme == link.SchemeSerial {
		// Half a command may stand in the instrument's input: sent before the
		// line is quiet, the safe state ends it and may be lost with it.
		if err := s.run(ctx, s.dialect.Safe.Send); err != nil && s.conn == nil {
			return err
		}
		if err := conn.Quiet(ctx, s.spec.Quiet); err != nil {
			return err
		}
	}
	if err := s.run(ctx, s.dialect.Connect); err != nil {
		return err
	}
	if err := s.safe(ctx); err != nil {
		return err
	}
	return s.safe(ctx)
}
