package daemon

import (
	"context"
	"time"

	"lidded/cmd/lidded/internal/config"
	"lidded/cmd/lidded/internal/metrics"
	"lidded/store"
	"lidded/store/lab"

	"go.uber.org/zap"
)

// shippedSuffix names the file beside the store that keeps how far the lab is.
const shippedSuffix = ".shipped"

// Shipped is how far the lab had a store when a daemon last heard from it; nil:
// there is no lab.
func Shipped(c config.Lab, s *store.Store) *store.Position {
	if c.DSN == "" {
		return nil
	}
	at := lab.Remembered(s.Path() + shippedSuffix)
	return &at
}

// newShipper makes the shipper to the config's lab; nil: there is none.
func (d *Daemon) newShipper(c config.Lab, log *zap.Logger) *lab.Shipper {
	if c.DSN == "" {
		return nil
	}
	return lab.NewShipper(lab.Options{
		DSN: string(c.DSN), Source: d.store, Judge: d.judge.once, Software: d.software, Remember: d.store.Path() + shippedSuffix, Logger: log,
	})
}

// ship ships until the context ends; without a lab it only waits.
func (d *Daemon) ship(ctx context.Context) error {
	if d.shipper == nil {
		<-ctx.Done()
		return nil
	}
	return d.shipper.Run(ctx)
}

// shipping is how shipping stands, for the metrics.
func (d *Daemon) shipping() (metrics.Shipping, bool) {
	if d.shipper == nil {
		return metrics.Shipping{}, false
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	s := d.shipper.Status(ctx)
	return metrics.Shipping{Up: s.Up, Records: s.Records, Bytes: s.Bytes, Results: s.Results, Away: s.Away, Lag: s.Lag, Since: s.Since}, true
}
