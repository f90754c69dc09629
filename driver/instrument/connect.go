package instrument

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"lidded/driver"
	"lidded/driver/dialect"
	"lidded/driver/link"
)

// establish dials until the instrument answers and prepare succeeds, a stated
// number of times, waiting longer each time. What will not get better is
// returned at once.
func (t *talker) establish(ctx context.Context, prepare func(context.Context) error) error {
	wait := t.spec.Backoff
	var last error
	for try := 1; ; try++ {
		t.drop()
		err := t.connect(ctx)
		if err == nil {
			err = prepare(ctx)
		}
		if err == nil {
			if try > 1 {
				t.spec.Logger.Info("link is back", zap.Int("tries", try))
			}
			return nil
		}
		t.drop()
		if ctx.Err() != nil && last != nil {
			return fmt.Errorf("%w (before that: %w)", err, last)
		}
		if try >= t.spec.Tries || !driver.Retryable(err) || errors.Is(err, errTraceLost) {
			return err
		}
		t.spec.Logger.Warn("no link", zap.Int("try", try), zap.Duration("again_in", wait), zap.Error(err))
		last = err
		if err := t.pause(ctx, wait); err != nil {
			return fmt.Errorf("%w (before that: %w)", err, last)
		}
		wait = min(2*wait, maxBackoff)
	}
}

// connect opens the link and makes sure who is there. The error queue and the
// status registers are clear afterwards, but for the power-on bit, which is
// noted.
func (t *talker) connect(ctx context.Context) error {
	conn, err := link.Dial(ctx, t.spec.Address, t.opts)
	if err != nil {
		return err
	}
	t.conn = conn
	serial := t.spec.Address.Scheme == link.SchemeSerial
	if serial {
		if err := conn.Quiet(ctx, t.spec.Quiet); err != nil {
			return t.lost(err)
		}
	}
	if err := t.run(ctx, t.dialect.Connect); err != nil {
		return err
	}
	id, err := t.whoAnswers(ctx, serial)
	if err != nil {
		return err
	}
	t.identity.Store(&id)
	if e := t.dialect.Status.Event; e.Send != "" {
		if _, err := t.register(ctx, e); err != nil {
			return err
		}
	}
	if err := t.run(ctx, t.dialect.Status.Clear); err != nil {
		return err
	}
	_, err = t.drain(ctx, true) // what earlier users left behind
	return err
}

// whoAnswers asks who is there, and asks again where one answer is not to be
// believed: a serial line cannot be connected anew, so that a late reply may
// still have come; and an unexpected name may be that of another instrument, or
// a reply that was spoilt on its way.
func (t *talker) whoAnswers(ctx context.Context, twice bool) (driver.Identity, error) {
	id, err := t.identify(ctx)
	if err == nil {
		if before := t.identity.Load(); before != nil && !before.SameUnit(id) {
			err = t.fail("identify", t.dialect.Identity.Query.Send, driver.KindIdentity,
				fmt.Errorf("another instrument answers than before, %s", *before), id.Raw, "is the right instrument at this address?")
		}
	}
	if driver.KindOf(err) != driver.KindIdentity && (err != nil || !twice) {
		return id, err
	}
	again, err2 := t.identify(ctx)
	if err2 != nil && driver.KindOf(err2) != driver.KindIdentity {
		return id, err2
	}
	if again.Raw != id.Raw {
		return id, t.fail("identify", t.dialect.Identity.Query.Send, driver.KindFraming, fmt.Errorf("two answers in a row differ: %q and %q", id.Raw, again.Raw), "", "")
	}
	return id, err
}

// identify asks who is there. An identity that does not match the dialect's is
// returned beside the error.
func (t *talker) identify(ctx context.Context) (driver.Identity, error) {
	d := t.dialect.Identity
	if d.Query.Send == "" {
		if err := t.probe(ctx); err != nil {
			return driver.Identity{}, err
		}
		return driver.ParseIdentity(d.Fixed)
	}
	reply, err := t.do(ctx, d.Query)
	if err != nil {
		return driver.Identity{}, err
	}
	if d.Match != nil && !d.Match.Match(reply) {
		return driver.Identity{Raw: string(reply)}, t.fail("identify", d.Query.Send, driver.KindIdentity, fmt.Errorf("the identity does not match %s", d.Match), string(reply), "")
	}
	if string(reply) == d.Query.Send {
		return driver.Identity{}, t.distrust("identify", d.Query, driver.KindFraming, errors.New("the query came back as its own answer: does the line echo?"), string(reply))
	}
	text := string(reply)
	if d.Fixed != "" {
		text = d.Fixed
	}
	id, err := driver.ParseIdentity(text)
	if err != nil {
		return id, t.distrust("identify", d.Query, driver.KindFormat, err, text)
	}
	return id, nil
}

// probe makes sure that something answers, for an instrument without an
// identity: the first setting that can be asked for must read as its kind.
func (t *talker) probe(ctx context.Context) error {
	for i := dialect.Center; i <= dialect.Output; i++ {
		s := t.dialect.Setting(i)
		if s == nil || s.Get.Send == "" {
			continue
		}
		var err error
		if q := i.Quantity(); q == dialect.Choice || q == dialect.Boolean {
			_, err = t.choice(ctx, s, "")
		} else {
			_, err = t.number(ctx, s)
		}
		return err
	}
	return nil
}

// Close sends the instrument back to local, if the dialect says how and the
// link is in order, and lets go of the link.
func (t *talker) Close() error {
	if t.conn == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), releaseTimeout)
	defer cancel()
	err := t.run(ctx, t.dialect.Release)
	if t.conn != nil {
		err = errors.Join(err, t.conn.Close())
		t.conn = nil
	}
	return err
}

// releaseTimeout bounds the farewell.
const releaseTimeout = time.Second

// ask reads the limits the instrument states itself, or takes the dialect's.
func (t *talker) ask(ctx context.Context, prepare func(context.Context) error) error {
	t.limits = t.stated()
	asked, err := t.askLimits(ctx)
	if err == nil {
		t.limits = asked
		return nil
	}
	if !driver.Retryable(err) {
		return err
	}
	// An instrument that does not know MIN and MAX is no worse for it.
	t.spec.Logger.Warn("the limits cannot be asked for, the dialect's hold", zap.Error(err))
	return t.establish(ctx, prepare)
}

// stated returns the dialect's limits.
func (t *talker) stated() limits {
	var out limits
	for i := range out {
		if s := t.dialect.Setting(dialect.Item(i)); s != nil {
			out[i] = limit{s.Min, s.Max}
		}
	}
	return out
}

func (t *talker) askLimits(ctx context.Context) (limits, error) {
	out, asked := t.stated(), false
	for i := range out {
		s := t.dialect.Setting(dialect.Item(i))
		if s == nil {
			continue
		}
		for _, q := range []struct {
			c  dialect.Command
			to *float64
		}{{s.AskMin, &out[i].min}, {s.AskMax, &out[i].max}} {
			if q.c.Send == "" {
				continue
			}
			reply, err := t.do(ctx, q.c)
			if err != nil {
				return out, err
			}
			v, err := s.ReadNumber(string(reply))
			if err != nil {
				return out, t.distrust("read limit", q.c, driver.KindFormat, err, string(reply))
			}
			*q.to, asked = v, true
		}
	}
	if !asked {
		return out, nil
	}
	_, err := t.drain(ctx, false)
	return out, err
}
