package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/config"
)

// front is where requests come in: the address, who is let in, the server.
type front struct {
	entrance entrance
	listener net.Listener
	http     *http.Server
	log      *zap.Logger
}

// listen takes the address of the config.
func (f *front) listen(d *config.Daemon) (err error) {
	if f.listener, err = net.Listen("tcp", d.Listen); err != nil {
		return fmt.Errorf("listen on %s: %w: is another daemon running there? Choose another with daemon.listen or --listen", d.Listen, err)
	}
	return nil
}

// Addr is where is listened.
func (f *front) Addr() string { return f.listener.Addr().String() }

// URL is where this server is to be found from this computer.
func (f *front) URL() string {
	scheme := "http://"
	if f.entrance.tls != nil {
		scheme = "https://"
	}
	return scheme + config.LocalAddress(f.Addr())
}

// close lets go of the address, for one that is not served.
func (f *front) close() error {
	if f.listener == nil {
		return nil
	}
	return f.listener.Close()
}

// serve answers requests until the context ends, and lets those in hand end.
func (f *front) serve(ctx context.Context) error {
	done := make(chan error, 1)
	go func() {
		if f.entrance.tls != nil {
			done <- f.entrance.tls.Serve(f.listener, f.http, f.log)
			return
		}
		done <- f.http.Serve(f.listener)
	}()
	select {
	case err := <-done:
		return fmt.Errorf("http server: %w", err)
	case <-ctx.Done():
	}
	sctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
	defer cancel()
	err := f.http.Shutdown(sctx)
	<-done
	if errors.Is(err, context.DeadlineExceeded) {
		return f.http.Close()
	}
	return err
}

// parts runs functions side by side until the context ends or one of them
// fails, waits for all, and gives what did not go well.
func parts(ctx context.Context, all ...func(context.Context) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs := make(chan error, len(all))
	for _, f := range all {
		go func() {
			err := f(ctx)
			if err != nil {
				cancel()
			}
			errs <- err
		}()
	}
	var failed []error
	for range all {
		failed = append(failed, <-errs)
	}
	return errors.Join(failed...)
}
