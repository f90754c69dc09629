package storetest

import (
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Millions are the sizes that an environment variable names, in growing numbers of
// millions; "1" if it names none.
func Millions(b *testing.B, variable string) (list []int) {
	b.Helper()
	words := strings.Fields(os.Getenv(variable))
	if len(words) == 0 {
		words = []string{"1"}
	}
	for _, w := range words {
		n, err := strconv.Atoi(w)
		if err != nil || n < 1 || len(list) > 0 && n <= list[len(list)-1] {
			b.Fatalf("%s: %q: write growing numbers of millions", variable, w)
		}
		list = append(list, n)
	}
	return list
}

// Asked measures a question: it is asked three times, then at least 20 times more,
// and the answer is read whole. Told are the median and the 95th percentile in
// milliseconds, the rows of the answer, and how the median grew from *smallest,
// which is set where it is zero.
func Asked(b *testing.B, smallest *float64, ask func() (rows int, err error)) {
	b.Helper()
	var took []float64
	rows := 0
	once := func() {
		begun := time.Now()
		n, err := ask()
		if err != nil {
			b.Fatal(err)
		}
		took, rows = append(took, time.Since(begun).Seconds()*1e3), n
	}
	for range 3 {
		once()
	}
	took = nil
	for b.Loop() {
		once()
	}
	for len(took) < 20 {
		once()
	}
	slices.Sort(took)
	median := took[len(took)/2]
	if *smallest == 0 {
		*smallest = median
	}
	b.ReportMetric(median, "ms-median")
	b.ReportMetric(took[len(took)*95/100], "ms-p95")
	b.ReportMetric(float64(rows), "rows")
	b.ReportMetric(median / *smallest, "×smallest")
	b.ReportMetric(0, "ns/op")
}
