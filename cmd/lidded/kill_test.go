package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/rest"
	"lidded/driver/unit"
	"lidded/driver/virtual"
	"lidded/store"
	"lidded/sweep"
)

// How often the daemon is killed and stopped; more by the environment, as
// LIDDED_KILLS=200 LIDDED_STOPS=20 go test -run TestKilled -timeout 1h ./cmd/lidded
const (
	killsVariable, fewKills = "LIDDED_KILLS", 5
	stopsVariable, fewStops = "LIDDED_STOPS", 1
)

// What is promised of the source after a SIGKILL and after a SIGSTOP.
const (
	offAfterKill = 2 * time.Second
	offAfterStop = 5 * time.Second
)

// The bench radiates, so the plan keeps out of what is never transmitted on.
const killConfig = `daemon: {listen: "@listen@", store: "@store@", log: {format: json}}
benches:
  - name: depot
    analyzer: {address: "tcp://@analyzer@", dialect: analyzer-opc}
    source: {address: "tcp://@source@", dialect: @dialect@, max_level: 5 dBm}
    may_transmit:
      - {from: 30 MHz, to: 107 MHz, max_level: 0 dBm, basis: "virtual bench"}
      - {from: 340 MHz, to: 950 MHz, max_level: -3 dBm, basis: "virtual bench"}
    radiated: {cable: 1 dB, antenna_gain: 2 dBi}
    frequency_error_ppm: 2
    path_loss: 38 dB
    noise_figure: 24 dB
    hands: {rule: virtual, control: "@control@"}
plans:
  - name: night
    hold_points: rule
    positions: [front]
    settle: 20ms
    looks: 2
    max_looks: 2
    bands:
      - {from: 30 MHz, to: 107 MHz, count: 5, level: 0 dBm, rbw: 10 kHz}
      - {from: 340 MHz, to: 950 MHz, count: 5, level: -3 dBm, rbw: 10 kHz}
specimens: [{name: heron}, {name: otter}]
`

// TestKilled: the daemon, a process of its own, is killed (or stopped) at random
// moments of a run, again and again. By the virtual source's own ledger it is off
// soon after; nothing committed is lost; the run, taken up again each time, ends
// with the points of an undisturbed one; nothing was keyed that is not permitted.
func TestKilled(t *testing.T) {
	kills, stops := times(t, killsVariable, fewKills), times(t, stopsVariable, fewStops)
	for _, c := range []struct {
		name    string
		clients int
	}{{"source with many connections", 0}, {"source with one connection", 1}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			newAssault(t, "source-scpi", c.clients).run(kills, stops)
		})
	}
}

func times(t testing.TB, variable string, def int) int {
	text := os.Getenv(variable)
	if text == "" {
		return def
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatalf("%s: %v", variable, err)
	}
	return n
}

// assault is a virtual bench and the daemon that is killed on it.
type assault struct {
	t      *testing.T
	bench  *virtual.Bench
	config string
	store  string
	base   string
	log    *os.File
	random *rand.Rand

	cmd    *exec.Cmd
	exited chan struct{}

	blows     []blow
	committed map[sweep.RunID][]string // captures seen in the store
	completed int
}

// blow is one signal to the daemon.
type blow struct {
	signal syscall.Signal
	at     time.Time
	on     bool // the source was on just then
	off    time.Duration
}

func newAssault(t *testing.T, source string, clients int) *assault {
	world, err := virtual.Preset("depot")
	if err != nil {
		t.Fatal(err)
	}
	traits, err := virtual.TraitPreset(source)
	if err != nil {
		t.Fatal(err)
	}
	traits.MaxClients = clients
	bench, err := virtual.Start(context.Background(), virtual.Config{World: world, Seed: 3, Control: "127.0.0.1:0", Source: virtual.InstrumentConfig{Traits: traits}})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	a := &assault{t: t, bench: bench, config: filepath.Join(dir, "lidded.yaml"), store: filepath.Join(dir, "lidded.db"),
		random: rand.New(rand.NewPCG(seed, 1)), committed: map[sweep.RunID][]string{}}
	listen := freePort(t)
	a.base = "http://" + listen
	text := strings.NewReplacer("@listen@", listen, "@store@", a.store, "@analyzer@", bench.AnalyzerAddr(),
		"@source@", bench.SourceAddr(), "@dialect@", source, "@control@", bench.ControlAddr()).Replace(killConfig)
	if err := os.WriteFile(a.config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if a.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		a.finish()
		a.log.Close()
		if t.Failed() {
			text, _ := os.ReadFile(a.log.Name())
			t.Logf("the end of the daemons' log:\n%s", text[max(0, len(text)-6000):])
		}
		if err := bench.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

func freePort(t testing.TB) string {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// run kills and stops in random order, then lets the last run and one more end
// undisturbed, and looks at everything.
func (a *assault) run(kills, stops int) {
	signals := append(slices.Repeat([]syscall.Signal{syscall.SIGKILL}, kills), slices.Repeat([]syscall.Signal{syscall.SIGSTOP}, stops)...)
	a.random.Shuffle(len(signals), func(i, j int) { signals[i], signals[j] = signals[j], signals[i] })
	for _, s := range signals {
		a.serve()
		id := a.goOn()
		a.strike(s, id)
		a.compare()
	}
	a.serve()
	for _, next := range []func() sweep.RunID{a.goOn, a.begin} { // the second is never disturbed
		id := next()
		a.wait(30*time.Second, "end of the run", func() bool { return a.state(id) == "completed" })
	}
	a.finish()
	a.compare()
	a.wholeRuns()
	a.ledger()
	a.figures()
}

// serve starts the daemon and waits until it can work.
func (a *assault) serve() {
	a.t.Helper()
	a.cmd = exec.Command(os.Args[0], "serve", "--config", a.config)
	a.cmd.Env = append(os.Environ(), asProgram+"=1")
	a.cmd.Stdout, a.cmd.Stderr = a.log, a.log
	if err := a.cmd.Start(); err != nil {
		a.t.Fatal(err)
	}
	cmd, exited := a.cmd, make(chan struct{})
	a.exited = exited
	go func() { _ = cmd.Wait(); close(exited) }()
	a.wait(20*time.Second, "the daemon's readiness", func() bool {
		if a.gone() {
			a.t.Fatal("the daemon ended by itself")
		}
		r, err := http.Get(a.base + "/readyz")
		if err != nil {
			return false
		}
		r.Body.Close()
		return r.StatusCode == http.StatusOK
	})
}

func (a *assault) gone() bool {
	select {
	case <-a.exited:
		return true
	default:
		return false
	}
}

// finish ends the daemon as a service manager does.
func (a *assault) finish() {
	if a.cmd == nil || a.gone() {
		return
	}
	_ = a.cmd.Process.Signal(syscall.SIGCONT)
	_ = a.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-a.exited:
	case <-time.After(20 * time.Second):
		a.t.Error("the daemon does not end")
		_ = a.cmd.Process.Kill()
		<-a.exited
	}
}

// goOn takes the interrupted run up, or starts one where there is none.
func (a *assault) goOn() sweep.RunID {
	a.t.Helper()
	var list struct {
		Runs []rest.RunInfo `json:"runs"`
	}
	a.wait(20*time.Second, "end of what the daemon before left unfinished", func() bool {
		a.call(http.MethodGet, "/v1/runs?limit=1", &list)
		return len(list.Runs) == 0 || list.Runs[0].State != "running" && list.Runs[0].State != "holding"
	})
	if len(list.Runs) > 0 && list.Runs[0].State == "interrupted" {
		id := list.Runs[0].ID
		a.call(http.MethodPost, "/v1/runs/"+id+"/resume", nil)
		return sweep.RunID(id)
	}
	return a.begin()
}

func (a *assault) begin() sweep.RunID {
	a.t.Helper()
	var run rest.RunInfo
	a.call(http.MethodPost, "/v1/runs", &run)
	return sweep.RunID(run.ID)
}

func (a *assault) state(id sweep.RunID) string {
	var run rest.RunInfo
	a.call(http.MethodGet, "/v1/runs/"+string(id), &run)
	if run.State == "failed" || run.State == "aborted" {
		a.t.Fatalf("run %s %s: %s", id, run.State, run.Reason)
	}
	return run.State
}

func (a *assault) call(method, path string, out any) {
	a.t.Helper()
	ctx, cancel := context.WithTimeout(a.t.Context(), 20*time.Second)
	defer cancel()
	var body any
	if method == http.MethodPost && path == "/v1/runs" {
		body = rest.StartBody{Operator: "Mara"}
	}
	cl, err := newClient(a.base, access.Secret{}, nil)
	if err != nil {
		a.t.Fatal(err)
	}
	if err := cl.Do(ctx, method, path, nil, body, out); err != nil {
		a.t.Fatalf("%s %s: %v", method, path, err)
	}
}

// strike sends the signal at a random moment and waits until the source is off.
func (a *assault) strike(s syscall.Signal, id sweep.RunID) {
	a.t.Helper()
	moment := time.NewTimer(time.Duration(a.random.Int64N(int64(time.Second))))
	<-moment.C
	if len(a.blows)%2 == 1 { // every second one while it transmits, if it still does
		a.poll(500*time.Millisecond, 200*time.Microsecond, a.bench.SourceOn)
	}
	b := blow{signal: s, on: a.bench.SourceOn()}
	if err := a.cmd.Process.Signal(s); err != nil {
		a.t.Fatal(err)
	}
	b.at = time.Now()
	limit := offAfterKill
	if s == syscall.SIGSTOP {
		limit = offAfterStop
	} else {
		<-a.exited
	}
	a.wait(limit, fmt.Sprintf("end of the source's transmission after signal %v", s), func() bool { return !a.bench.SourceOn() })
	if !a.gone() { // stopped with the source off, or ended only now: by the guardian or here
		_ = a.cmd.Process.Kill()
		<-a.exited
	}
	a.blows = append(a.blows, b)
}

// compare makes sure that what was committed is still there, as it was.
func (a *assault) compare() {
	a.t.Helper()
	ctx := a.t.Context()
	s, err := store.Open(ctx, a.store, store.Options{ReadOnly: true})
	if err != nil {
		a.t.Fatal(err)
	}
	defer s.Close()
	runs, err := s.Runs(ctx, sweep.RunFilter{})
	if err != nil {
		a.t.Fatal(err)
	}
	for _, r := range runs {
		list, err := s.CaptureList(ctx, r.ID, sweep.CaptureFilter{})
		if err != nil {
			a.t.Fatal(err)
		}
		var now []string
		for _, c := range list {
			now = append(now, fmt.Sprintf("step %d point %d rung %d is %s", c.Step, c.Point, c.Rung, c.ID))
		}
		was := a.committed[r.ID]
		if len(now) < len(was) || !slices.Equal(now[:len(was)], was) {
			a.t.Fatalf("run %s had %d captures, now they are other %d", r.ID, len(was), len(now))
		}
		a.committed[r.ID] = now
	}
}

// wholeRuns makes sure that every run ended with the points of the last, which
// nobody disturbed.
func (a *assault) wholeRuns() {
	a.t.Helper()
	s, err := store.Open(a.t.Context(), a.store, store.Options{ReadOnly: true})
	if err != nil {
		a.t.Fatal(err)
	}
	defer s.Close()
	runs, err := s.Runs(a.t.Context(), sweep.RunFilter{})
	if err != nil {
		a.t.Fatal(err)
	}
	var want []string
	for _, r := range runs { // newest first
		list, err := s.CaptureList(a.t.Context(), r.ID, sweep.CaptureFilter{})
		if err != nil {
			a.t.Fatal(err)
		}
		var points []string
		for _, c := range list {
			if c.Void != "" {
				a.t.Errorf("run %s step %d point %d is void: %s", r.ID, c.Step, c.Point, c.Void)
			}
			points = append(points, fmt.Sprintf("step %d %v %+v point %d rung %d", c.Step, c.Kind, c.At, c.Point, c.Rung))
		}
		slices.Sort(points)
		if want == nil {
			want = points
		}
		if r.State != sweep.Completed || !slices.Equal(points, want) {
			a.t.Errorf("run %s %v with %d captures, an undisturbed one has %d", r.ID, r.State, len(points), len(want))
		}
		a.completed++
	}
	if len(want) != 5*10 { // ambient, reference, two boxes, closing reference
		a.t.Errorf("an undisturbed run has %d captures", len(want))
	}
}

// ledger looks at every keying in the source's own ledger.
func (a *assault) ledger() {
	a.t.Helper()
	for i := range a.blows {
		b := &a.blows[i]
		limit := offAfterKill
		if b.signal == syscall.SIGSTOP {
			limit = offAfterStop
		}
		for _, k := range a.bench.Ledger() {
			// On when the signal came, or by a command that was still on its way.
			if k.On.After(b.at.Add(20*time.Millisecond)) || !k.Off.IsZero() && k.Off.Before(b.at) {
				continue
			}
			if k.Off.IsZero() || k.Off.Sub(b.at) > limit {
				a.t.Errorf("after %v the source was on from %v to %v", b.signal, k.On.Sub(b.at), k.Off.Sub(b.at))
			}
			b.off = max(b.off, k.Off.Sub(b.at))
		}
	}
	for _, k := range a.bench.Ledger() {
		low := k.Freq >= 30e6 && k.Freq <= 107e6 && k.Level <= 0
		high := k.Freq >= 340e6 && k.Freq <= 950e6 && k.Level <= unit.DBm(-3)
		if !low && !high {
			a.t.Errorf("keyed on %v at %v", k.Freq, k.Level)
		}
		if k.Off.IsZero() {
			a.t.Errorf("on %v since %v", k.Freq, k.On)
		}
	}
}

func (a *assault) figures() {
	for _, s := range []syscall.Signal{syscall.SIGKILL, syscall.SIGSTOP} {
		n, on := 0, []time.Duration(nil)
		for _, b := range a.blows {
			if b.signal != s {
				continue
			}
			n++
			if b.on || b.off > 0 {
				on = append(on, b.off)
			}
		}
		slices.Sort(on)
		if len(on) > 0 {
			a.t.Logf("%v: %d times, %d with the source on: off after %v (median), %v (longest)", s, n, len(on), on[len(on)/2].Round(time.Millisecond), on[len(on)-1].Round(time.Millisecond))
		} else {
			a.t.Logf("%v: %d times, never with the source on", s, n)
		}
	}
	a.t.Logf("%d runs completed, %d keyings in the source's ledger", a.completed, len(a.bench.Ledger()))
}

func (a *assault) wait(limit time.Duration, what string, ok func() bool) {
	a.t.Helper()
	if !a.poll(limit, 2*time.Millisecond, ok) {
		a.t.Fatalf("no %s within %v", what, limit)
	}
}

func (a *assault) poll(limit, every time.Duration, ok func() bool) bool {
	return polled(a.t.Context(), limit, every, ok)
}

// polled asks again and again until it is so, or the time is over.
func polled(ctx context.Context, limit, every time.Duration, ok func() bool) bool {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	tick := time.NewTicker(every)
	defer tick.Stop()
	for !ok() {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ok()
		}
	}
	return true
}
