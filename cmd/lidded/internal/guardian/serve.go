package guardian

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"go.uber.org/zap"
)

// Means is what the process needs that this package does not know of.
type Means struct {
	// Source turns a job into one try to put its source into the safe state. It
	// opens nothing itself.
	Source func(Job) (safe func(context.Context) error, err error)
	// Logger makes the log that a job asks for.
	Logger func(Job) *zap.Logger
}

// Serve is the whole life of a guardian's process: it reads its job, takes the
// source's lock, says that it is ready, and guards. Signals that end a daemon do
// not end it.
func Serve(ctx context.Context, in io.Reader, out io.Writer, m Means) error {
	signal.Ignore(os.Interrupt, syscall.SIGTERM, syscall.SIGHUP, syscall.SIGPIPE, syscall.SIGQUIT)
	leave := make(chan os.Signal, 1)
	signal.Notify(leave, handover)
	defer signal.Stop(leave)

	refuse := func(err error) error {
		fmt.Fprintf(out, "%s %s\n", wordError, oneLine(err))
		return err
	}
	r := bufio.NewReader(in)
	line, err := r.ReadBytes('\n')
	if err != nil {
		return refuse(fmt.Errorf("read the job: %w", err))
	}
	var job Job
	if err := json.Unmarshal(line, &job); err != nil {
		return refuse(fmt.Errorf("read the job: %w", err))
	}
	safe, err := m.Source(job)
	if err != nil {
		return refuse(err)
	}
	lock, err := takeLock(ctx, job.Lock, job.Address, job.Timing.withDefaults().Lock)
	if err != nil {
		return refuse(err)
	}
	defer lock.Close()
	for len(leave) > 0 { // meant for an earlier holder of this number
		<-leave
	}
	log := m.Logger(job).Named("guardian").With(zap.String("bench", job.Bench))
	defer func() { _ = log.Sync() }()
	if _, err := fmt.Fprintln(out, wordReady); err != nil {
		return err
	}
	given := make(chan struct{}, 1)
	stop := make(chan struct{})
	defer close(stop)
	w := Watch{Timing: job.Timing, Safe: safe, Kill: killParent(job.Daemon), Handover: given, Log: log}
	go func() {
		for {
			select {
			case <-leave:
			case <-stop:
				return
			}
			select {
			case given <- struct{}{}:
			default:
			}
		}
	}()
	return w.Run(ctx, r, out)
}

// killParent ends the daemon, if it is still the process that started this one:
// its number can then not be another's.
func killParent(pid int) func() error {
	return func() error {
		if pid <= 1 || os.Getppid() != pid {
			return nil
		}
		return syscall.Kill(pid, syscall.SIGKILL)
	}
}

func oneLine(err error) string { return strings.Join(strings.Fields(err.Error()), " ") }
