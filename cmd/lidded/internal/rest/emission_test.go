package rest_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
)

// A plan shows what it radiates and how far away people are kept, and a bench
// what its site overrides: both before anything is keyed.
func TestPlanAndBenchShowWhatIsRadiated(t *testing.T) {
	g := serve(t, resttest.New())
	var plan rest.PlanOutlook
	if err := json.Unmarshal(g.do(t, "GET", "/v1/plans/locker", "").body, &plan); err != nil {
		t.Fatal(err)
	}
	e := plan.Exposure
	if e == nil || len(e.Points) != len(plan.Plan.Points) || e.Limits != "47cfr-1.1310-public" || e.Ground != 4 {
		t.Fatalf("exposure %+v", e)
	}
	for i, p := range e.Points {
		// Level + 30 dB − 1 dB + 2 dBi; the limit is reached at √(4·P/(4π·S)).
		want := plan.Plan.Points[i].Level + 31
		distance := math.Sqrt(math.Pow(10, (want-30)/10) / (math.Pi * *p.Limit))
		if math.Abs(p.EIRP-want) > 1e-9 || math.Abs(*p.Distance-distance) > 1e-9 || p.Near != (distance < p.FarField) {
			t.Errorf("point %d: %+v, want %g dBm and %g m", i, p, want, distance)
		}
	}
	if c := strings.Join(plan.Steps[0].Cautions, "\n"); !strings.Contains(c, e.Caution) {
		t.Errorf("the hold point shows %q", c)
	}
	var bench rest.Bench
	if err := json.Unmarshal(g.do(t, "GET", "/v1/benches/depot", "").body, &bench); err != nil {
		t.Fatal(err)
	}
	if len(bench.Overrides) != 1 || bench.Overrides[0].Entry != "airband-voice" || bench.Overrides[0].Basis == "" {
		t.Errorf("overrides %+v", bench.Overrides)
	}
}
