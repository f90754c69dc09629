package command

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// watchAgain is how long a daemon that does not answer is left alone.
const watchAgain = time.Second

func watchCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "watch [RUN]",
		Short: "follow a run of a daemon to its end: progress, time left, hold points",
		Long: "Follows a run (default: the newest) and says when a hold point waits and how to release it. Ends\n" +
			"when the run has, with 0 if it completed. It waits out a daemon that restarts; stopping it does\n" +
			"nothing to the run.",
		Args: cobra.MaximumNArgs(1),
	}
	to := connectFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cl, err := to.client()
		if err != nil {
			return err
		}
		id := ""
		if len(args) > 0 {
			id = args[0]
		}
		if id, err = cl.newest(c.Context(), id); err != nil {
			return err
		}
		w := watcher{client: cl, id: id, out: c.OutOrStdout(), draw: newProgressPrinter(c.OutOrStdout()), told: -1}
		defer w.draw.Done()
		state, err := w.follow(c.Context())
		w.draw.Done()
		if err != nil {
			return err
		}
		fmt.Fprintf(w.out, "run %s: %s\n", id, state)
		if strings.HasPrefix(state, sweep.Interrupted.String()) {
			fmt.Fprintf(w.out, "lidded resume %s goes on with it\n", id)
		}
		if !strings.HasPrefix(state, sweep.Completed.String()) {
			return silentError{ExitFailed}
		}
		return nil
	}
	return c
}

// newest is the run named, or the newest one where none or "latest" is.
func (c *Client) newest(ctx context.Context, id string) (string, error) {
	if id != "" && id != "latest" {
		return id, nil
	}
	var list struct{ Runs []rest.RunInfo }
	if err := c.Do(ctx, http.MethodGet, "/v1/runs?limit=1", nil, nil, &list); err != nil {
		return "", err
	}
	if len(list.Runs) == 0 {
		return "", errors.New("the daemon has no run yet: 'lidded start' begins one")
	}
	return list.Runs[0].ID, nil
}

// watcher follows one run.
type watcher struct {
	client *Client
	id     string
	out    io.Writer
	draw   *progressPrinter
	told   int // step of the hold point last told of
}

// follow returns how the run ended.
func (w *watcher) follow(ctx context.Context) (string, error) {
	for {
		end, err := w.listen(ctx)
		switch {
		case ctx.Err() != nil:
			return "", context.Cause(ctx)
		case end != "":
			return end, nil
		case err != nil && !errors.Is(err, errNoDaemon) && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF):
			return "", err
		}
		again := time.NewTimer(watchAgain)
		select {
		case <-again.C:
		case <-ctx.Done():
			again.Stop()
			return "", context.Cause(ctx)
		}
	}
}

// listen opens the live events and reads them until the run ends (how is
// returned) or the stream does. The run is asked for once the stream stands, so
// that an end in between is not missed.
func (w *watcher) listen(ctx context.Context) (string, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream := *w.client
	endless := *stream.HTTP
	endless.Timeout = 0
	stream.HTTP = &endless
	resp, err := stream.send(ctx, http.MethodGet, "/v1/events?run="+url.QueryEscape(w.id), nil, nil)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	var run rest.Run
	if err := w.client.Do(ctx, http.MethodGet, "/v1/runs/"+url.PathEscape(w.id), nil, nil, &run); err != nil {
		return "", err
	}
	if end := ended(run.State, run.Reason); end != "" {
		return end, nil
	}
	lines := bufio.NewReader(resp.Body)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			return "", io.ErrUnexpectedEOF // a stream has no end of its own
		}
		data, ok := strings.CutPrefix(line, "data: ")
		if !ok {
			continue
		}
		var p rest.Progress
		if err := json.Unmarshal([]byte(data), &p); err != nil {
			return "", fmt.Errorf("live events of %s: %w", w.client.Base, err)
		}
		w.see(p)
		if end := ended(p.State, p.Text); end != "" && p.Kind == "state" {
			return end, nil
		}
	}
}

// ended is how a run ended, "" while it goes on.
func ended(state, why string) string {
	var s sweep.State
	if s.UnmarshalText([]byte(state)) != nil || !s.Final() && s != sweep.Interrupted {
		return ""
	}
	if why != "" {
		return state + ": " + why
	}
	return state
}

// see draws a picture, and tells of a hold point once.
func (w *watcher) see(p rest.Progress) {
	if p.Hold != nil && w.told != p.Hold.Index {
		w.told = p.Hold.Index
		w.draw.Done()
		fmt.Fprintf(w.out, "hold point: %s\n", p.Hold.Instruction)
		for _, c := range p.Hold.Cautions {
			fmt.Fprintf(w.out, "  caution: %s\n", c)
		}
		fmt.Fprintf(w.out, "  when it is done: lidded release %s %d\n", w.id, p.Hold.Index)
	}
	w.draw.Observe(pictureOf(p))
}

// pictureOf is a live picture as the printer takes it.
func pictureOf(p rest.Progress) sweep.Progress {
	out := sweep.Progress{
		Run: sweep.RunID(p.Run), Bench: p.Bench, Plan: p.Plan, Step: p.Step, Steps: p.Steps, Point: p.Point, Points: p.Points, Done: p.Done, Total: p.Total,
		At:   sweep.Setting{Specimen: p.At.Specimen, Position: p.At.Position, Polarization: sweep.Polarization(p.At.Polarization), Repeat: p.At.Repeat},
		Left: time.Duration(p.Left * float64(time.Second)), SourceOn: p.SourceOn,
	}
	_ = out.State.UnmarshalText([]byte(p.State))       // a newer daemon's word is
	_ = out.StepKind.UnmarshalText([]byte(p.StepKind)) // shown as unknown
	return out
}
