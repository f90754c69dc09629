package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"lidded/cmd/lidded/internal/rest"
	"lidded/store/lab"
)

// BenchmarkShippedRun is the same run on the same virtual bench, in real time,
// without a lab, shipping to PostgreSQL on this machine, and with a network that
// went dead as the run began: one after the other in an order drawn anew each
// round, each with a journal and a daemon of its own. With many benches at once
// (LIDDED_FLEET, 20) a round's duration is that of the median run. slowdown-% is
// the mean ratio of a round's duration to the one without a lab, ±% half of its
// 95 % interval; median-%, from-% and to-% are the median ratio and its 95 %
// interval, which somebody else's load does not move as easily. more-cpu-ms/run is
// what a daemon takes of a processor for a run more than without a lab.
//
//	go test -run xxx -bench ShippedRun/one -benchtime 40x -timeout 1h ./cmd/lidded
func BenchmarkShippedRun(b *testing.B) {
	b.Run("one", func(b *testing.B) { pairs(b, 1, "@count@", "4", "@rbw@", "300 Hz") })
	b.Run("many", func(b *testing.B) { pairs(b, times(b, fleetVariable, 20), "@count@", "4", "@rbw@", "300 Hz") })
}

// ways are how a run is made; the first is what the others are compared with.
var ways = []string{"alone", "shipping", "dead"}

func pairs(b *testing.B, n int, edits ...string) {
	edits = append(edits, "@requirement@", "") // else captures follow need: no run is the same as another
	net, _, db := newNetwork(b, "shared_buffers=128MB")
	owner, err := lab.NewAdmin(db.Owner)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := owner.Partitions(b.Context(), 1); err != nil { // as a lab has them
		b.Fatal(err)
	}
	var stations []*station
	var dsns []string
	for i := range n {
		at, dsn := net.join(b)
		stations, dsns = append(stations, newStation(b, depotOf(i), at, dsn, edits...)), append(dsns, dsn)
	}
	before := load(b)
	took, cpu := map[string][]float64{}, map[string][]float64{}
	for b.Loop() {
		order := slices.Clone(ways)
		rand.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
		for _, way := range order {
			t, c := round(b, net, stations, dsns, way)
			took[way], cpu[way] = append(took[way], t), append(cpu[way], c)
		}
	}
	b.ReportMetric(stat.Mean(took["alone"], nil), "s/run")
	b.ReportMetric(1000*stat.Mean(cpu["alone"], nil), "cpu-ms/run")
	b.ReportMetric(float64(len(took["alone"])), "pairs")
	b.ReportMetric(0, "ns/op")
	for _, way := range ways[1:] {
		mean, half := ratio(took[way], took["alone"])
		b.ReportMetric(100*(mean-1), way+"-slowdown-%")
		b.ReportMetric(100*half, way+"-±%")
		middle, from, to := median(took[way], took["alone"])
		b.ReportMetric(100*(middle-1), way+"-median-%")
		b.ReportMetric(100*(from-1), way+"-from-%")
		b.ReportMetric(100*(to-1), way+"-to-%")
		var more []float64
		for i, c := range cpu[way] {
			more = append(more, 1000*(c-cpu["alone"][i]))
		}
		b.ReportMetric(stat.Mean(more, nil), way+"-more-cpu-ms/run")
	}
	for _, way := range ways {
		b.Logf("%s: runs of %.2f s", way, took[way])
	}
	b.Logf("load before %s, after %s", before, load(b))
}

// round lets every bench make one run at once and gives the median duration and
// the mean time of a processor that its daemon took, in seconds.
func round(b *testing.B, net network, stations []*station, dsns []string, way string) (took, cpu float64) {
	b.Helper()
	all := func(what string, good func(*station) bool) {
		b.Helper()
		if !polled(b.Context(), 5*time.Minute, 200*time.Millisecond, func() bool { return !slices.ContainsFunc(stations, func(s *station) bool { return !good(s) }) }) {
			b.Fatalf("%s: not every bench %s", way, what)
		}
	}
	for i, s := range stations {
		dsn := dsns[i]
		if way == "alone" {
			dsn = ""
		}
		s.use(way, dsn)
		s.serve()
	}
	all("works", (*station).up)
	if way != "alone" {
		all("is even", (*station).even)
	}
	if way == "dead" {
		for i := range stations {
			net.cut(b, i)
		}
	}
	var cpus []float64
	for _, s := range stations {
		cpus = append(cpus, -processor(b, s.cmd.Process.Pid))
		s.call(http.MethodPost, "/v1/runs", rest.StartBody{Operator: "Mara"}, nil)
	}
	all("ends its run", func(s *station) bool { return !s.tend(false) })
	var durations []float64
	for i, s := range stations {
		cpus[i] += processor(b, s.cmd.Process.Pid)
		durations = append(durations, s.newest.Ended.Sub(*s.newest.Started).Seconds())
		if way == "dead" {
			net.mend(b, i)
		}
	}
	if way == "shipping" {
		all("is even", (*station).even)
	}
	for _, s := range stations {
		s.end(syscall.SIGTERM)
	}
	slices.Sort(durations)
	return stat.Quantile(0.5, stat.LinInterp, durations, nil), stat.Mean(cpus, nil)
}

// median is the median of the ratios of pairs with its 95 % interval, between the
// order statistics that a binomial distribution gives, whatever theirs is.
func median(a, b []float64) (middle, from, to float64) {
	var ratios []float64
	for i := range a {
		ratios = append(ratios, a[i]/b[i])
	}
	slices.Sort(ratios)
	below := distuv.Binomial{N: float64(len(ratios)), P: 0.5}
	out := 0 // at each end
	for below.CDF(float64(out)) <= 0.025 {
		out++
	}
	middle = stat.Quantile(0.5, stat.LinInterp, ratios, nil)
	if out == 0 {
		return middle, math.Inf(-1), math.Inf(1)
	}
	return middle, ratios[out-1], ratios[len(ratios)-out]
}

// ratio is the geometric mean of the ratios of pairs, and half of its 95 %
// interval (Student's distribution, of the logarithms).
func ratio(a, b []float64) (mean, half float64) {
	var logs []float64
	for i := range a {
		logs = append(logs, math.Log(a[i]/b[i]))
	}
	m, s := stat.MeanStdDev(logs, nil)
	n := float64(len(logs))
	if n < 2 {
		return math.Exp(m), math.Inf(1)
	}
	return math.Exp(m), math.Exp(m) * distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(0.975) * s / math.Sqrt(n)
}

// processor is how long a process has had one, in seconds (proc_pid_stat(5);
// 100 ticks a second).
func processor(b *testing.B, pid int) float64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(after)
	ticks := 0
	for _, f := range fields[11:13] { // user and system
		n, err := strconv.Atoi(f)
		if err != nil {
			b.Fatal(err)
		}
		ticks += n
	}
	return float64(ticks) / 100
}

// load is what else the machine does.
func load(b *testing.B) string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		b.Fatal(err)
	}
	return strings.Join(strings.Fields(string(text))[:3], " ")
}
