package rest_test

import (
	"fmt"
	"net/http"
	"testing"

	"lidded/cmd/lidded/internal/rest"
	"lidded/cmd/lidded/internal/rest/resttest"
	"lidded/sweep"
)

// The ledger comes whole, page by page, and each entry names its run.
func TestLedger(t *testing.T) {
	g := serve(t, resttest.New())
	for range 2 {
		g.begin(t, "quick", steel)
		g.Finish("depot")
	}
	want, err := g.Keyings(t.Context(), sweep.KeyingFilter{})
	if err != nil || len(want) < 6 {
		t.Fatalf("%d keyings, %v: too few to show anything", len(want), err)
	}
	var got []rest.LedgerEntry
	for after := int64(0); ; {
		var page rest.Ledger
		g.do(t, http.MethodGet, fmt.Sprintf("/v1/keyings?bench=depot&limit=4&after=%d", after), "").into(t, &page)
		if got = append(got, page.Keyings...); page.Next == nil {
			break
		}
		if len(page.Keyings) != 4 || *page.Next <= after {
			t.Fatalf("a page of %d, next %d after %d", len(page.Keyings), *page.Next, after)
		}
		after = *page.Next
	}
	if len(got) != len(want) {
		t.Fatalf("%d keyings, want %d", len(got), len(want))
	}
	for i, k := range got {
		if k.Run != string(want[i].Run) || k.Entry != want[i].Entry || k.Freq != float64(want[i].Freq) || !k.On.Equal(want[i].On) {
			t.Errorf("entry %d: %+v, want %+v", i, k, want[i])
		}
	}
	for _, query := range []string{"run=nobody", "from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z", "limit=0"} {
		if a := g.do(t, http.MethodGet, "/v1/keyings?"+query, ""); a.status < 400 || a.status >= 500 {
			t.Errorf("%s: %d", query, a.status)
		}
	}
}
