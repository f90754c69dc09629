package trend_test

import (
	"math"
	"testing"
	"time"

	"lidded/sweep/trend"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v ± %v", what, got, want, within)
	}
}

// Data of J. Tobin, Econometrica 26 (1958), 24: durable goods bought, nothing being
// a bound from the other side; age, liquidity ratio × 1000. The estimates are those
// of the survreg example in the manual of R's survival package (from memory, check
// against your copy).
func TestTobinsOwnRegression(t *testing.T) {
	data := [][3]float64{
		{0, 57.7, 236}, {0.7, 50.9, 283}, {0, 48.5, 207}, {0, 41.7, 220}, {0, 47.7, 238}, {0, 59.8, 216}, {0, 44.3, 284},
		{3.7, 45.1, 221}, {0, 51.7, 275}, {3, 50, 269}, {10.4, 46.8, 207}, {0, 58, 249}, {0, 58.9, 246}, {0, 40, 277},
		{1.5, 34.1, 231}, {0, 39.9, 219}, {0, 33.4, 240}, {3.5, 48.1, 266}, {6.1, 46.6, 214}, {0, 53.1, 251},
	}
	var y []float64
	var bound []bool
	var x [][]float64
	for _, d := range data { // mirrored: the purchase is at most nothing, its negative at least
		y, bound, x = append(y, -d[0]), append(bound, d[0] == 0), append(x, []float64{1, d[1], d[2]})
	}
	beta, sigma, logLike, err := trend.Fit(y, bound, x, 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "intercept", -beta[0], 15.14487, 5e-4)
	near(t, "age", -beta[1], -0.12906, 5e-5)
	near(t, "quant", -beta[2], -0.04554, 5e-5)
	near(t, "log scale", math.Log(sigma), 1.71785, 5e-5)
	near(t, "log likelihood", logLike, -28.9, 0.05)
}

// Without bounds the fit is least squares; the slope's interval is Student's. Data:
// Anscombe's first quartet (American Statistician 27, 1973, 17): slope 0.5001,
// intercept 3.0001, standard error of the slope 0.1179; t(0.975, 9) = 2.262.
func TestAnscombe(t *testing.T) {
	xs := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	ys := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	var points []trend.Point
	for i, x := range xs {
		points = append(points, trend.Value(night(int(x)), ys[i]))
	}
	got, err := trend.Of(points, trend.Options{Resolution: 1e-6})
	if err != nil || got.PerDay == nil {
		t.Fatal(got, err)
	}
	near(t, "slope", got.PerDay.Value, 0.5001, 1e-4)
	near(t, "low end", got.PerDay.Low, 0.5001-2.262*0.1179, 5e-4)
	near(t, "high end", got.PerDay.High, 0.5001+2.262*0.1179, 5e-4)
}

func night(n int) time.Time { return time.Date(2026, 3, 1+n, 2, 0, 0, 0, time.UTC) }

// Weeks in remission on 6-MP, + being a bound: 6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+
// 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+ (Freireich et al., Blood 21, 1963, 699). The
// curve is in most books of survival analysis (from memory, check against your
// copy): 0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448; median 23.
func TestKaplanMeier(t *testing.T) {
	var points []trend.Point
	for i, w := range []float64{6, 6, 6, -6, 7, -9, 10, -10, -11, 13, 16, -17, -19, -20, 22, 23, -25, -32, -32, -34, -35} {
		if w < 0 {
			points = append(points, trend.AtLeast(night(i), -w))
		} else {
			points = append(points, trend.Value(night(i), w))
		}
	}
	want := []trend.Step{{6, 0.857}, {7, 0.807}, {10, 0.753}, {13, 0.690}, {16, 0.627}, {22, 0.538}, {23, 0.448}}
	got := trend.KaplanMeier(points)
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i, s := range got {
		near(t, "value", s.Value, want[i].Value, 0)
		near(t, "share above", s.Above, want[i].Above, 6e-4)
	}
	if m, bound := trend.Median(points); m != 23 || bound {
		t.Errorf("median %v, bound %v", m, bound)
	}
}
