package command

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
	"go.uber.org/zap"
)

// NotifyService tells the service manager (sd_notify(3)) that the daemon at
// a URL is ready, and then, as often as its watchdog asks, that it still
// answers. A daemon that no longer answers falls silent, so that the manager
// ends it and switches the sources off. Outside a service it does nothing. The
// function returned ends it and waits for its end; it is called when the daemon
// has ended, since switching off may take a while that the watchdog must allow.
func NotifyService(ctx context.Context, url string, log *zap.Logger) (done func()) {
	every, err := systemd.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn("the service manager's watchdog cannot be understood", zap.Error(err))
	}
	over, end := context.WithCancel(context.WithoutCancel(ctx))
	var wg sync.WaitGroup
	n := notifier{log: log, health: url + "/healthz", every: every}
	wg.Go(func() { n.run(ctx, over) })
	return func() {
		end()
		wg.Wait()
	}
}

type notifier struct {
	log    *zap.Logger
	health string
	every  time.Duration // zero: no watchdog
}

const (
	readyTry   = 50 * time.Millisecond
	healthTime = 5 * time.Second
)

// run goes on until over ends; stopping ends when the daemon is told to stop.
func (n notifier) run(stopping, over context.Context) {
	stopped := stopping.Done()
	if !n.ready(stopping) {
		stopped = nil
		n.tell(systemd.SdNotifyStopping)
	}
	beat := n.every / 3
	if n.every == 0 {
		beat = time.Hour
	}
	tick := time.NewTicker(beat)
	defer tick.Stop()
	for {
		select {
		case <-over.Done():
			return
		case <-stopped:
			stopped = nil
			n.tell(systemd.SdNotifyStopping)
		case <-tick.C:
			if n.every > 0 && (stopping.Err() != nil || n.answers(stopping)) {
				n.tell(systemd.SdNotifyWatchdog)
			}
		}
	}
}

// ready tells that the daemon is ready as soon as it is; false: it was told to
// stop before.
func (n notifier) ready(stopping context.Context) bool {
	tick := time.NewTicker(readyTry)
	defer tick.Stop()
	for !n.answers(stopping) {
		select {
		case <-stopping.Done():
			return false
		case <-tick.C:
		}
	}
	n.tell(systemd.SdNotifyReady)
	return true
}

func (n notifier) tell(message string) {
	if _, err := systemd.SdNotify(false, message); err != nil {
		n.log.Warn("the service manager cannot be told", zap.String("message", message), zap.Error(err))
	}
}

// selfClient asks the daemon whether it is there. It sends no secret, and the
// daemon's certificate, renewed at any time, need not name this address.
var selfClient = &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}

// answers asks the daemon itself, the way others do.
func (n notifier) answers(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, healthTime)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, n.health, nil)
	if err != nil {
		return false
	}
	resp, err := selfClient.Do(req)
	if alert := (*net.OpError)(nil); errors.As(err, &alert) && alert.Op == "remote error" {
		return true // it wants a certificate of its clients, and said so
	}
	if err == nil {
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			err = fmt.Errorf("status %s", resp.Status)
		}
	}
	if err != nil && ctx.Err() == nil {
		n.log.Debug("the daemon does not answer itself", zap.Error(err))
	}
	return err == nil
}
