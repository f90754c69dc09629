package command

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/daemon"
	"lidded/cmd/lidded/internal/rest"
	"lidded/sweep"
)

// Client speaks REST: to a daemon, to a lab server, or over a store to the same
// handler in this process.
type Client struct {
	Base    string
	HTTP    *http.Client
	from    string        // what is asked, for people
	token   access.Secret // empty: none is sent
	orStore bool          // the command reads a store as well
}

const clientTimeout = 60 * time.Second

var (
	errNoDaemon = errors.New("no daemon")
	errKeptOut  = errors.New("refused")
)

// do sends a request and decodes the reply; a problem document becomes an
// error that says what it says.
func (c *Client) Do(ctx context.Context, method, path string, header http.Header, in, out any) error {
	resp, err := c.send(ctx, method, path, header, in)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		return fmt.Errorf("reply of %s: %w", c.from, err)
	}
	if raw, ok := out.(*[]byte); ok {
		*raw = data
		return nil
	}
	if out == nil || len(data) == 0 {
		return nil
	}
	if err := json.Unmarshal(data, out); err != nil {
		return fmt.Errorf("reply of %s: %w", c.from, err)
	}
	return nil
}

// send sends a request and gives the reply, whose body the caller closes; a
// problem is an error.
func (c *Client) send(ctx context.Context, method, path string, header http.Header, in any) (*http.Response, error) {
	var body io.Reader
	if in != nil {
		b, err := json.Marshal(in)
		if err != nil {
			return nil, err
		}
		body = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.Base+path, body)
	if err != nil {
		return nil, usageError{fmt.Errorf("--url %s: %w", c.Base, err)}
	}
	for k, v := range header {
		req.Header[k] = v
	}
	if in != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if !c.token.Empty() {
		req.Header.Set("Authorization", "Bearer "+c.token.Reveal())
	}
	resp, err := c.HTTP.Do(req)
	if err != nil {
		var ue *url.Error
		if errors.As(err, &ue) {
			err = ue.Err
		}
		var untrusted *tls.CertificateVerificationError
		if errors.As(err, &untrusted) {
			return nil, fmt.Errorf("the daemon at %s is not trusted: %w: name the certificate that vouches for it with --ca", c.Base, err)
		}
		err = fmt.Errorf("%w at %s: %w: start one with 'lidded serve', or name another with --url", errNoDaemon, c.Base, err)
		if c.orStore {
			err = fmt.Errorf("%w; or name a config with --config, or a store with --store", err)
		}
		return nil, err
	}
	if resp.StatusCode < 400 {
		return resp, nil
	}
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, fmt.Errorf("reply of %s: %w", c.from, err)
	}
	return nil, refusal(method+" "+path, resp, data)
}

// refusal is what a problem document says, as an error.
func refusal(asked string, resp *http.Response, data []byte) error {
	var p rest.Problem
	if json.Unmarshal(data, &p) != nil || p.Detail == "" && p.Title == "" {
		return fmt.Errorf("%s: %s", asked, resp.Status)
	}
	msg := p.Detail
	if msg == "" {
		msg = p.Title
	}
	for _, e := range p.Errors {
		if e.Message != "" && !strings.Contains(msg, e.Message) {
			msg += fmt.Sprintf("\n  %s: %s", e.Location, e.Message)
		}
	}
	switch resp.StatusCode {
	case http.StatusUnauthorized:
		return fmt.Errorf("%w: %s: give one with --token-file or $%s", errKeptOut, msg, EnvToken)
	case http.StatusForbidden:
		return fmt.Errorf("%w: %s", errKeptOut, msg)
	}
	return errors.New(msg)
}

// cycleFlag adds --cycle; statedCycle gives it where it was stated.
func cycleFlag(c *cobra.Command) *int64 {
	return c.Flags().Int64("cycle", 0, "how often the specimens' doors had been closed before this run, for trends (default: not stated)")
}

func statedCycle(c *cobra.Command, n int64, to **int64) error {
	if !c.Flags().Changed("cycle") {
		return nil
	}
	if n < 0 {
		return usageError{fmt.Errorf("--cycle %d: give 0 or more", n)}
	}
	*to = &n
	return nil
}

func startCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "start",
		Short: "start a run on a daemon",
		Args:  none,
	}
	to := connectFlags(c)
	var body rest.StartBody
	c.Flags().StringVar(&body.Bench, "bench", "", "bench (default: the only one)")
	c.Flags().StringVar(&body.Plan, "plan", "", "plan (default: the only one)")
	c.Flags().StringSliceVar(&body.Specimens, "specimen", nil, "specimen, may be repeated (default: all)")
	c.Flags().StringVar(&body.Operator, "operator", os.Getenv("USER"), "who answers for the run")
	cycle := cycleFlag(c)
	key := c.Flags().String("key", "", "idempotency key: a second start with it gives the first run")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := statedCycle(c, *cycle, &body.DoorCycle); err != nil {
			return err
		}
		cl, err := to.client()
		if err != nil {
			return err
		}
		if err := cl.fill(c.Context(), &body); err != nil {
			return err
		}
		h := http.Header{}
		if *key != "" {
			h.Set("Idempotency-Key", *key)
		}
		var run rest.Run
		if err := cl.Do(c.Context(), http.MethodPost, "/v1/runs", h, body, &run); err != nil {
			return err
		}
		if *asJSON {
			return printJSON(c.OutOrStdout(), run)
		}
		fmt.Fprintln(c.OutOrStdout(), run.ID)
		return nil
	}
	return c
}

// fill puts in the only plan and all specimens where none was named.
func (c *Client) fill(ctx context.Context, body *rest.StartBody) error {
	names := func(path string, list any) error { return c.Do(ctx, http.MethodGet, path, nil, nil, list) }
	if body.Plan == "" {
		var got struct {
			Plans []rest.PlanInfo `json:"plans"`
		}
		if err := names(ofBench("/v1/plans", body.Bench), &got); err != nil {
			return err
		}
		if len(got.Plans) != 1 {
			var known []string
			for _, p := range got.Plans {
				known = append(known, p.Name)
			}
			return usageError{fmt.Errorf("--plan is needed: the daemon has %d plans: %s", len(known), strings.Join(known, ", "))}
		}
		body.Plan = got.Plans[0].Name
	}
	if len(body.Specimens) == 0 {
		var got struct {
			Specimens []rest.Specimen `json:"specimens"`
		}
		if err := names(ofBench("/v1/specimens", body.Bench), &got); err != nil {
			return err
		}
		for _, s := range got.Specimens {
			body.Specimens = append(body.Specimens, s.Name)
		}
	}
	return nil
}

// chosenRun is the run named, or for "latest" the newest of the daemon.
func (c *Client) chosenRun(ctx context.Context, name string) (sweep.RunID, error) {
	if name != "latest" {
		return sweep.RunID(name), nil
	}
	var list struct {
		Runs []rest.RunInfo `json:"runs"`
	}
	if err := c.Do(ctx, http.MethodGet, "/v1/runs?limit=1", nil, nil, &list); err != nil {
		return "", err
	}
	if len(list.Runs) == 0 {
		return "", fmt.Errorf("%s has no run yet", c.from)
	}
	return sweep.RunID(list.Runs[0].ID), nil
}

// ofBench narrows a list to a bench; "" is all.
func ofBench(path, bench string) string {
	if bench == "" {
		return path
	}
	sep := "?"
	if strings.Contains(path, sep) {
		sep = "&"
	}
	return path + sep + "bench=" + url.QueryEscape(bench)
}

func runsCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "runs",
		Short: "list runs, newest first",
		Args:  none,
	}
	from := readFlags(c)
	limit := c.Flags().Int("limit", 20, "at most so many")
	bench := c.Flags().String("bench", "", "only this bench")
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		var raw []byte
		cl, done, err := from.client(daemon.RecordsOptions{})
		if err != nil {
			return err
		}
		defer done()
		if err := cl.Do(c.Context(), http.MethodGet, ofBench("/v1/runs?limit="+strconv.Itoa(*limit), *bench), nil, nil, &raw); err != nil {
			return err
		}
		if *asJSON {
			_, err := c.OutOrStdout().Write(append(bytes.TrimSpace(raw), '\n'))
			return err
		}
		var list struct {
			Runs []rest.RunInfo `json:"runs"`
		}
		if err := json.Unmarshal(raw, &list); err != nil {
			return fmt.Errorf("reply of %s: %w", cl.from, err)
		}
		rows := [][]string{{"RUN", "CREATED", "BENCH", "PLAN", "SPECIMENS", "STATE", "REASON"}}
		for _, r := range list.Runs {
			rows = append(rows, []string{string(r.ID), r.Created.Local().Format(time.DateTime), r.Bench, r.Plan, strings.Join(r.Specimens, " "), fmt.Sprint(r.State), r.Reason})
		}
		return table(c.OutOrStdout(), rows...)
	}
	return c
}

func showCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "show RUN|latest",
		Short: "show a run: state, tables, verdicts",
		Args:  exactly("a run (or latest)"),
	}
	from := readFlags(c)
	asJSON := jsonFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cl, done, err := from.client(daemon.RecordsOptions{})
		if err != nil {
			return err
		}
		defer done()
		id, err := cl.chosenRun(c.Context(), args[0])
		if err != nil {
			return err
		}
		var raw []byte
		path := "/v1/runs/" + url.PathEscape(string(id))
		if *asJSON {
			path += "/results"
		} else {
			path += "/tables.txt"
		}
		if err := cl.Do(c.Context(), http.MethodGet, path, nil, nil, &raw); err != nil {
			return err
		}
		_, err = c.OutOrStdout().Write(raw)
		return err
	}
	return c
}

func releaseCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "release RUN STEP",
		Short: "confirm the hold point of a step: its instruction has been carried out",
		Args:  exactly("a run", "the step that waits"),
	}
	to := connectFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if _, err := strconv.Atoi(args[1]); err != nil {
			return usageError{fmt.Errorf("step %q is not a number: 'lidded watch %s' and the page show the one that waits", args[1], args[0])}
		}
		path := "/v1/runs/" + url.PathEscape(args[0]) + "/holds/" + args[1] + "/release"
		cl, err := to.client()
		if err != nil {
			return err
		}
		if err := cl.Do(c.Context(), http.MethodPost, path, nil, nil, nil); err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "hold point %s released\n", args[1])
		return nil
	}
	return c
}

func steerCommand(order, short string) *cobra.Command {
	c := &cobra.Command{
		Use:   order + " RUN",
		Short: short,
		Args:  exactly("a run"),
	}
	to := connectFlags(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		cl, err := to.client()
		if err != nil {
			return err
		}
		if err := cl.Do(c.Context(), http.MethodPost, "/v1/runs/"+url.PathEscape(args[0])+"/"+order, nil, nil, nil); err != nil {
			return err
		}
		fmt.Fprintf(c.OutOrStdout(), "%s: %s taken\n", args[0], order)
		return nil
	}
	return c
}
