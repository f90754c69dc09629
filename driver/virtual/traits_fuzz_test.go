package virtual_test

import (
	"testing"

	"lidded/driver/virtual"
)

func FuzzParseTraits(f *testing.F) {
	f.Add("base: modern-opc\ntrace_query: [by-suffix]\nmax_hold: [trace-type]\npoints: [101, 501]\n", true)
	f.Add("base: source-scpi\nreply_end: crlf\nerror_query: all\n", false)
	for _, name := range virtual.TraitPresets() {
		f.Add("base: "+name+"\n", true)
	}
	f.Fuzz(func(t *testing.T, text string, analyzer bool) {
		role := virtual.RoleSource
		if analyzer {
			role = virtual.RoleAnalyzer
		}
		tr, err := virtual.ParseTraits("f.yaml", []byte(text), role)
		if err == nil && analyzer && (len(tr.TraceQuery) == 0 || tr.DefaultPoints < 3 || !(tr.SweepK > 0)) {
			t.Fatalf("%+v", tr)
		}
	})
}
