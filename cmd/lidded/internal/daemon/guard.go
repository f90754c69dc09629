package daemon

import (
	"context"
	"net"
	"time"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/guardian"
	"lidded/driver/link"
	"lidded/sweep"
	"lidded/sweep/engine"
)

// rulesOf are the engine's rules as a bench's config limits them.
func rulesOf(lab *Bench) engine.Rules {
	k := lab.Config.KeyDown
	return engine.Rules{
		MaxKeyed: k.MaxOn, MaxKeyedPerRun: k.MaxPerRun, MaxKeyedPerHour: k.MaxPerHour,
		Suspend: suspendOf(lab.Config.Suspend),
	}
}

// suspendOf are the conditions that a bench's config has a run wait out.
func suspendOf(s config.Suspend) engine.Suspend {
	wait := func(w config.Wait, trip, resume float64) engine.Suspension {
		if w.Off {
			trip = -1
		}
		return engine.Suspension{Trip: trip, Resume: resume, Settle: w.Settle, Every: w.Every, Longest: w.Longest}
	}
	var out engine.Suspend
	if w := s.Floor; w != nil {
		out.Floor = wait(w.Wait, float64(w.Trip), float64(w.Resume))
	}
	if w := s.Drift; w != nil {
		out.Drift = wait(w.Wait, float64(w.Trip), float64(w.Resume))
	}
	if w := s.Overload; w != nil {
		out.Overload = wait(*w, 0, 0)
	}
	if w := s.Temperature; w != nil {
		out.Temperature = wait(w.Wait, w.Trip, w.Resume)
	}
	return out
}

// virtualPatience is how long a source on this machine is tried that is gone with
// its daemon: it was a virtual one, or what led to it ended.
const virtualPatience = 10 * time.Minute

func onThisMachine(address string) bool {
	a, err := link.Parse(address)
	if err != nil || a.Scheme != link.SchemeTCP {
		return false
	}
	host, _, err := net.SplitHostPort(a.Host)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// guardianOf prepares the process that stands by for a bench; nil for none.
func (d *Daemon) guardianOf(lab *Bench, o Options) *guardian.Guardian {
	if len(o.Guardian) == 0 {
		d.log.Warn("no guardian: should this process be killed while a source is on, it stays on", zap.String("bench", lab.Facts.Name))
		return nil
	}
	timing := guardian.Timing{GiveUp: o.GuardianGivesUp}
	if timing.GiveUp == 0 && onThisMachine(lab.Config.Source.Address) {
		timing.GiveUp = virtualPatience
	}
	c := d.lab.Config.Daemon
	return guardian.New(guardian.Options{
		Command: o.Guardian, Log: o.Logger,
		Job: guardian.Job{
			Bench: lab.Facts.Name, Address: lab.Config.Source.Address, Dialect: lab.Source.Name, Dialects: c.Dialects,
			Format: c.Log.Format, Level: c.Log.Level, Timing: timing,
		},
	})
}

// serveBench serves one bench with its guardian standing by from before the
// source is first touched until after it was last read back as off.
func (d *Daemon) serveBench(ctx context.Context, b *bench) error {
	if b.guardian == nil {
		return b.engine.Serve(ctx)
	}
	if err := b.guardian.Start(ctx); err != nil {
		if ctx.Err() != nil {
			return nil // ended while it was starting
		}
		return err
	}
	err := b.engine.Serve(ctx)
	if gerr := b.guardian.Close(); gerr != nil {
		d.log.Warn("guardian", zap.Error(gerr))
	}
	return err
}

// keyedSince looks keyings of a bench up in the ledger.
func (d *Daemon) keyedSince(bench string) func(context.Context, time.Time) ([]sweep.Keying, error) {
	return func(ctx context.Context, since time.Time) ([]sweep.Keying, error) {
		return d.store.Keyings(ctx, sweep.KeyingFilter{Bench: bench, From: since})
	}
}
