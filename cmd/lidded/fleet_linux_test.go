package main

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store"
	"lidded/store/lab"
	"lidded/store/lab/labtest"
	"lidded/sweep"
)

// How many daemons there are and how often something happens to them; more by
// the environment, as
// LIDDED_FLEET=20 LIDDED_WEATHER=60 go test -run TestFleet -v -timeout 1h ./cmd/lidded
const (
	fleetVariable, fewDaemons = "LIDDED_FLEET", 3
	weatherVariable           = "LIDDED_WEATHER"
)

// What is promised while PostgreSQL is not to be reached, and after.
const (
	endsWithin    = 5 * time.Second  // a daemon that is told to end
	noticedWithin = 18 * time.Second // by both ends, that the network is dead
	backWithin    = 35 * time.Second // shipping, once the network is whole
)

const stationConfig = `daemon: {listen: "@listen@", store: "@store@", log: {format: json}}
@lab@
benches:
  - name: "@name@"
    analyzer: {address: "tcp://@analyzer@", dialect: analyzer-opc}
    source: {address: "tcp://@source@", dialect: source-scpi, max_level: 5 dBm}
    may_transmit: [{from: 30 MHz, to: 1 GHz, max_level: 0 dBm, basis: "virtual bench"}]
    conducted: true
    frequency_error_ppm: 2
    path_loss: 38 dB
    noise_figure: 24 dB
    hands: {rule: virtual, control: "@control@"}
plans:
  - name: night
    @requirement@
    hold_points: rule
    positions: [front]
    settle: 20ms
    looks: 2
    max_looks: 2
    bands: [{from: 30 MHz, to: 950 MHz, count: @count@, level: 0 dBm, rbw: @rbw@}]
specimens: [{name: heron}, {name: otter}]
`

// depots have a bench each.
var depots = strings.Fields("alder ash aspen bay birch cedar elder elm hazel holly larch lime maple oak pine plum rowan spruce willow yew")

func depotOf(i int) string {
	if i < len(depots) {
		return depots[i]
	}
	return fmt.Sprintf("%s-%d", depots[i%len(depots)], i/len(depots)+1)
}

// station is a bench of the depot's lab: a virtual bench and a daemon, processes
// in a place of their own.
type station struct {
	t     testing.TB
	name  string
	at    *place
	rest  client
	dir   string
	conf  string
	store string
	words []string // that fill the config in
	log   *os.File

	cmd    *exec.Cmd
	exited chan struct{}
	cut    bool
	newest rest.RunInfo
}

// newStation starts the virtual bench and writes the config. Each pair of edits
// fills in a word.
func newStation(t testing.TB, name string, at *place, dsn string, edits ...string) *station {
	t.Helper()
	listen := freePort(t)
	s := &station{t: t, name: name, at: at, dir: t.TempDir(), rest: client{Base: "http://" + listen, HTTP: at.client()}}
	var err error
	if s.log, err = os.Create(filepath.Join(s.dir, "log")); err != nil {
		t.Fatal(err)
	}
	bench := s.startBench()
	s.words = append(edits, "@listen@", listen, "@name@", name, "@analyzer@", bench["analyzer"], "@source@", bench["source"], "@control@", bench["control"],
		"@requirement@", "requirement: depot-spare-radio", "@count@", "6", "@rbw@", "10 kHz") // of two with one name the first counts
	s.use("lidded", dsn)
	t.Cleanup(func() {
		if s.cmd != nil {
			_ = s.cmd.Process.Kill()
			<-s.exited
		}
		s.log.Close()
		if t.Failed() {
			text, _ := os.ReadFile(s.log.Name())
			t.Logf("the end of the log of %s:\n%s", name, text[max(0, len(text)-3000):])
		}
	})
	return s
}

// use gives the daemon, which does not run, a store of a name and a lab; "": none.
func (s *station) use(name, dsn string) {
	s.t.Helper()
	s.conf, s.store = filepath.Join(s.dir, name+".yaml"), filepath.Join(s.dir, name+".db")
	lab := ""
	if dsn != "" {
		lab = fmt.Sprintf("lab: {dsn: %q}", dsn)
	}
	text := strings.NewReplacer(append(s.words, "@store@", s.store, "@lab@", lab)...).Replace(stationConfig)
	if err := os.WriteFile(s.conf, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// startBench starts a virtual bench, which ends with the place, and gives the
// addresses of its parts.
func (s *station) startBench() map[string]string {
	s.t.Helper()
	cmd := exec.Command(os.Args[0], "virtual", "--seed", "3", "--analyzer", "127.0.0.1:0", "--source", "127.0.0.1:0", "--control", "127.0.0.1:0")
	cmd.Stderr = s.log
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = s.at.start(cmd)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	parts := map[string]string{}
	for lines := bufio.NewScanner(out); lines.Scan(); {
		what, address, said := strings.Cut(lines.Text(), " ")
		if !said {
			return parts
		}
		parts[what] = address
	}
	s.t.Fatalf("the virtual bench of %s ended", s.name)
	return nil
}

// serve starts the daemon; up tells when it can work.
func (s *station) serve() {
	s.t.Helper()
	s.cmd = exec.Command(os.Args[0], "serve", "--config", s.conf)
	s.cmd.Stdout, s.cmd.Stderr = s.log, s.log
	if err := s.at.start(s.cmd); err != nil {
		s.t.Fatal(err)
	}
	cmd, exited := s.cmd, make(chan struct{})
	s.exited = exited
	go func() { _ = cmd.Wait(); close(exited) }()
}

func (s *station) up() bool {
	select {
	case <-s.exited:
		s.t.Fatalf("the daemon of %s ended by itself", s.name)
	default:
	}
	ctx, cancel := context.WithTimeout(s.t.Context(), 5*time.Second)
	defer cancel()
	return s.rest.Do(ctx, http.MethodGet, "/readyz", nil, nil, nil) == nil
}

// end sends the daemon a signal and tells how long it took to end.
func (s *station) end(signal os.Signal) time.Duration {
	s.t.Helper()
	begun := time.Now()
	if err := s.cmd.Process.Signal(signal); err != nil {
		s.t.Fatal(err)
	}
	select {
	case <-s.exited:
	case <-time.After(time.Minute):
		s.t.Fatalf("the daemon of %s does not end", s.name)
	}
	s.cmd = nil
	return time.Since(begun)
}

func (s *station) call(method, path string, in, out any) {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(s.t.Context(), 20*time.Second)
	defer cancel()
	if err := s.rest.Do(ctx, method, path, nil, in, out); err != nil {
		s.t.Fatalf("%s: %s %s: %v", s.name, method, path, err)
	}
}

// tend looks at the newest run: one that was interrupted goes on, and one that
// has ended is followed by another, if wanted. It reports whether a run goes on.
func (s *station) tend(another bool) bool {
	s.t.Helper()
	var list struct {
		Runs []rest.RunInfo `json:"runs"`
	}
	s.call(http.MethodGet, "/v1/runs?limit=1", nil, &list)
	s.newest = rest.RunInfo{State: "none"}
	if len(list.Runs) > 0 {
		s.newest = list.Runs[0]
	}
	switch s.newest.State {
	case "failed", "aborted", "stopped":
		s.t.Fatalf("%s: run %s %s: %s", s.name, s.newest.ID, s.newest.State, s.newest.Reason)
	case "interrupted":
		s.call(http.MethodPost, "/v1/runs/"+s.newest.ID+"/resume", nil, nil)
	case "none", "completed":
		if !another {
			return false
		}
		s.call(http.MethodPost, "/v1/runs", rest.StartBody{Operator: "Mara"}, nil)
	}
	return true
}

var shipLine = regexp.MustCompile(`(?m)^lidded_(lab_\w+) (\S+)$`)

// shipping is what the daemon's metrics say of the lab.
func (s *station) shipping() map[string]float64 {
	s.t.Helper()
	var text []byte
	s.call(http.MethodGet, "/metrics", nil, &text)
	out := map[string]float64{}
	for _, m := range shipLine.FindAllStringSubmatch(string(text), -1) {
		v, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			s.t.Fatal(err)
		}
		out[m[1]] = v
	}
	if len(out) == 0 {
		s.t.Fatalf("%s: no metrics of the lab", s.name)
	}
	return out
}

// even reports whether everything is shipped, as the metrics say it.
func (s *station) even() bool {
	now := s.shipping()
	return now["lab_up"] == 1 && now["lab_lag_records"] == 0
}

// journal opens the store beside the daemon.
func (s *station) journal() *store.Store {
	s.t.Helper()
	j, err := store.Open(s.t.Context(), s.store, store.Options{ReadOnly: true})
	if err != nil {
		s.t.Fatal(err)
	}
	return j
}

// events is how many events the journal has.
func (s *station) events() int64 {
	s.t.Helper()
	j := s.journal()
	defer j.Close()
	h, err := j.Head(s.t.Context(), store.Position{})
	if err != nil {
		s.t.Fatal(err)
	}
	return h.At.Event
}

// fleet is a lab with many benches, and what happens to it.
type fleet struct {
	*testing.T
	net      network
	server   *labtest.Server
	db       labtest.Database
	stations []*station
	random   *rand.Rand
	down     bool // PostgreSQL
	going    bool // runs follow runs

	ended, back, noticed []time.Duration
	happened             map[string]int
}

// TestFleet: daemons of their own with a virtual bench each, in networks of their
// own, ship to one PostgreSQL. It is killed and started again; networks are cut
// such that nobody is told; daemons are killed, and told to end, with and without
// a network. Runs go on all the while. In the end the lab has what the journals
// have, and each of it once.
func TestFleet(t *testing.T) {
	n := times(t, fleetVariable, fewDaemons)
	f := newFleet(t, n)
	if weather := times(t, weatherVariable, 0); weather > 0 {
		f.weather(weather)
	} else {
		f.evening()
	}
	f.settle()
	f.compare()
}

func newFleet(t *testing.T, n int) *fleet {
	seed := uint64(time.Now().UnixNano())
	f := &fleet{T: t, random: rand.New(rand.NewPCG(seed, 1)), going: true, happened: map[string]int{}}
	commit := []string{"on", "off"}[f.random.IntN(2)] // off: the last commits are lost with the server
	t.Logf("seed %d, synchronous_commit %s", seed, commit)
	f.net, f.server, f.db = newNetwork(t, "fsync=off", "shared_buffers=64MB", "synchronous_commit="+commit)
	for i := range n {
		at, dsn := f.net.join(t)
		f.stations = append(f.stations, newStation(t, depotOf(i), at, dsn))
	}
	for _, s := range f.stations {
		s.serve()
	}
	f.until(time.Minute, "every daemon works", func() bool { return f.all((*station).up) })
	f.until(time.Minute, "every daemon ships", func() bool {
		return f.all(func(s *station) bool { return s.shipping()["lab_shipped_records_total"] > 0 })
	})
	return f
}

func (f *fleet) all(good func(*station) bool) bool {
	for _, s := range f.stations {
		if !good(s) {
			return false
		}
	}
	return true
}

// until tends the benches until it is so.
func (f *fleet) until(limit time.Duration, what string, so func() bool) time.Duration {
	f.Helper()
	begun := time.Now()
	if !polled(f.Context(), limit, 100*time.Millisecond, func() bool {
		for _, s := range f.stations {
			if s.up() {
				s.tend(f.going)
			}
		}
		return so()
	}) {
		f.Fatalf("not within %v: %s", limit, what)
	}
	return time.Since(begun)
}

// goOn lets every bench store so many events more.
func (f *fleet) goOn(events int64) {
	f.Helper()
	want := map[*station]int64{}
	for _, s := range f.stations {
		want[s] = s.events() + events
	}
	f.until(time.Minute, "runs go on", func() bool { return f.all(func(s *station) bool { return s.events() >= want[s] }) })
}

func (f *fleet) did(what string) { f.happened[what]++ }

// black cuts the network of a bench.
func (f *fleet) black(i int) {
	f.net.cut(f, i)
	f.stations[i].cut = true
	f.did("network cut")
}

// notice waits until a daemon says that the lab is away.
func (f *fleet) notice(i int) {
	f.Helper()
	s := f.stations[i]
	within := noticedWithin
	if _, stands := f.net.(*proxies); stands {
		within = time.Minute // both ends hear from the proxy: a deadline must pass
	}
	f.noticed = append(f.noticed, f.until(within, s.name+" says that the lab is away", func() bool { return s.shipping()["lab_up"] == 0 }))
}

// forgotten waits until PostgreSQL has no more shippers than there are networks:
// none is left of what was lost, with its locks.
func (f *fleet) forgotten() {
	f.Helper()
	most := 0
	for _, s := range f.stations {
		if !s.cut {
			most++
		}
	}
	if _, stands := f.net.(*proxies); stands {
		return // the proxy is there
	}
	f.until(noticedWithin, "the server notices too", func() bool {
		c, err := pgx.Connect(f.Context(), f.server.Socket(f.db.Name))
		if err != nil {
			f.Fatal(err)
		}
		defer c.Close(context.Background())
		var there int
		if err := c.QueryRow(f.Context(), `SELECT count(*) FROM pg_stat_activity WHERE usename = 'shipper'`).Scan(&there); err != nil {
			f.Fatal(err)
		}
		return there <= most
	})
}

// whole mends the network of a bench and waits until its daemon ships again.
func (f *fleet) whole(i int) {
	f.Helper()
	s := f.stations[i]
	before := s.shipping()
	f.net.mend(f, i)
	s.cut = false
	if f.down {
		return
	}
	f.back = append(f.back, f.until(backWithin, s.name+" ships again", func() bool {
		now := s.shipping()
		return now["lab_up"] == 1 && now["lab_shipped_records_total"] > before["lab_shipped_records_total"]
	}))
}

// kill ends PostgreSQL with every process of it.
func (f *fleet) kill() {
	f.server.Kill()
	f.down = true
	f.did("PostgreSQL killed")
}

func (f *fleet) restart() {
	f.Helper()
	if err := f.server.Start(); err != nil {
		f.Fatal(err)
	}
	f.down = false
}

// strike ends a daemon by a signal and starts it again.
func (f *fleet) strike(i int, signal syscall.Signal) {
	f.Helper()
	s := f.stations[i]
	took := s.end(signal)
	what := fmt.Sprintf("daemon %v", signal)
	if s.cut {
		what += " without a network"
	}
	f.did(what)
	if signal == syscall.SIGTERM {
		f.ended = append(f.ended, took)
		if took > endsWithin {
			f.Errorf("%s took %v to end (network cut: %v, PostgreSQL down: %v)", s.name, took, s.cut, f.down)
		}
	}
	s.serve()
	f.until(time.Minute, s.name+" works again", s.up)
}

// evening is the short form: each thing once or twice, overlapping.
func (f *fleet) evening() {
	n := len(f.stations)
	f.goOn(3)
	f.black(0)
	f.kill()
	f.strike(1%n, syscall.SIGKILL)
	f.goOn(3)
	f.restart()
	f.notice(0)
	f.forgotten()
	f.kill()
	f.strike(2%n, syscall.SIGTERM)
	f.strike(0, syscall.SIGTERM)
	f.restart()
	f.goOn(3)
	f.whole(0)
}

// weather is the long form: so many things, drawn.
func (f *fleet) weather(n int) {
	for range n {
		f.goOn(1 + f.random.Int64N(5))
		i := f.random.IntN(len(f.stations))
		switch f.random.IntN(6) {
		case 0:
			if f.down {
				f.restart()
			} else {
				f.kill()
			}
		case 1:
			f.strike(i, syscall.SIGKILL)
		case 2:
			f.strike(i, syscall.SIGTERM)
		default:
			if cut := slices.IndexFunc(f.stations, func(s *station) bool { return s.cut }); cut >= 0 && f.random.IntN(2) == 0 {
				i = cut
			}
			if f.stations[i].cut {
				f.whole(i)
			} else if f.black(i); f.random.IntN(2) == 0 {
				f.notice(i)
			}
		}
	}
	if f.happened["PostgreSQL killed"] == 0 {
		f.kill()
	}
}

// settle makes everything whole, lets the runs end and waits until every daemon
// says that the lab is even with it; then it ends them.
func (f *fleet) settle() {
	f.Helper()
	if f.down {
		f.restart()
	}
	for i, s := range f.stations {
		if s.cut {
			f.net.mend(f, i)
			s.cut = false
		}
	}
	f.going = false
	f.until(5*time.Minute, "the last runs end", func() bool { return f.all(func(s *station) bool { return s.newest.State == "completed" }) })
	took := f.until(2*backWithin, "every daemon is even with the lab", func() bool { return f.all((*station).even) })
	f.Logf("even %v after the last run", took.Round(100*time.Millisecond))
	ctx := f.Context()
	c, err := pgx.Connect(ctx, f.db.Read)
	if err != nil {
		f.Fatal(err)
	}
	defer c.Close(context.Background())
	f.until(time.Minute, "every run is judged", func() bool {
		var due int
		if err := c.QueryRow(ctx, `SELECT count(*) FROM lidded.runs WHERE NOT evaluated`).Scan(&due); err != nil {
			f.Fatal(err)
		}
		return due == 0
	})
	for _, s := range f.stations {
		if took := s.end(syscall.SIGTERM); took > endsWithin {
			f.Errorf("%s took %v to end", s.name, took)
		}
	}
}

// compare looks at every record on both sides.
func (f *fleet) compare() {
	f.Helper()
	ctx := f.Context()
	all, err := lab.Open(ctx, f.db.Read)
	if err != nil {
		f.Fatal(err)
	}
	defer all.Close()
	c, err := pgx.Connect(ctx, f.db.Read)
	if err != nil {
		f.Fatal(err)
	}
	defer c.Close(context.Background())
	var sum labtest.Tally
	results := 0
	for _, s := range f.stations {
		j := s.journal()
		if err := labtest.Equal(ctx, all, j); err != nil {
			f.Errorf("%s: %v", s.name, err)
		}
		tally, err := labtest.Rows(ctx, c, j)
		if err != nil {
			f.Errorf("%s: %v", s.name, err)
		}
		sum = sum.Plus(tally)
		runs, err := j.Runs(ctx, sweep.RunFilter{})
		if err != nil {
			f.Fatal(err)
		}
		for _, i := range runs {
			r, err := j.Run(ctx, i.ID)
			if err != nil {
				f.Fatal(err)
			}
			captures, err := j.Captures(ctx, i.ID)
			if err != nil {
				f.Fatal(err)
			}
			e := sweep.Evaluate(r, captures)
			if len(e.Results) == 0 {
				f.Errorf("%s: run %s means nothing", s.name, i.ID)
			}
			if err := labtest.Judged(ctx, c, i.ID, e); err != nil {
				f.Errorf("%s: %v", s.name, err)
			}
			results += len(e.Results)
		}
		j.Close()
	}
	f.Logf("%d daemons: %+v, results of points %d", len(f.stations), sum, results)
	f.Logf("what happened: %v", f.happened)
	for what, list := range map[string][]time.Duration{"told to end, ended": f.ended, "dead network noticed": f.noticed, "network whole, shipping": f.back} {
		if len(list) > 0 {
			f.Logf("%s within %v", what, longest(list))
		}
	}
}

func longest(list []time.Duration) (most time.Duration) {
	for _, d := range list {
		most = max(most, d)
	}
	return most.Round(10 * time.Millisecond)
}
