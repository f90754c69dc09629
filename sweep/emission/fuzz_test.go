package emission_test

import (
	"io/fs"
	"math"
	"testing"
	"testing/fstest"

	"lidded/configs"
	"lidded/driver/unit"
	"lidded/sweep/emission"
)

// shipped adds every file of a folder of configs to the corpus.
func shipped(f *testing.F, pattern string) {
	names, err := fs.Glob(configs.FS, pattern)
	if err != nil || len(names) == 0 {
		f.Fatal(names, err)
	}
	for _, name := range names {
		data, err := configs.FS.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
}

func folder(data []byte) fs.FS { return fstest.MapFS{"f.yaml": {Data: data}} }

// FuzzLoadNever: each entry of a table that loads is in force at both its ends
// and in its middle.
func FuzzLoadNever(f *testing.F) {
	shipped(f, "never-transmit/*.yaml")
	f.Fuzz(func(t *testing.T, data []byte) {
		n, err := emission.LoadNever(folder(data))
		if err != nil {
			return
		}
		if len(n.Entries) == 0 {
			t.Fatal("an empty table loads")
		}
		for _, e := range n.Entries {
			for _, at := range []unit.Hz{e.From, e.From + (e.To-e.From)/2, e.To} {
				if _, ok := n.Forbids(at, 0); !ok {
					t.Fatalf("%v is not forbidden by %v", at, e)
				}
				if below, above := n.Free(at); below > e.From || above < e.To {
					t.Fatalf("around %v the stretch is %v to %v, inside entry %v", at, below, above, e)
				}
			}
		}
	})
}

// FuzzLoadLimits: a table that loads gives a distance above zero, or none,
// wherever one of its rows is.
func FuzzLoadLimits(f *testing.F) {
	shipped(f, "exposure/*.yaml")
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := emission.LoadLimits(folder(data))
		if err != nil {
			return
		}
		for _, l := range list {
			for _, r := range l.Rows {
				e := emission.Rule{Limits: l, Ground: emission.FullReflection}.Expose(emission.Chain{}, r.From, 30)
				if e.Limit == nil || !(*e.Limit >= 0) || math.IsNaN(e.Distance) || e.Distance < 0 {
					t.Fatalf("at %v: %+v", r.From, e)
				}
			}
		}
	})
}

func FuzzParseGain(f *testing.F) {
	for _, s := range []string{"2 dBi", "0 dBd", "-3.5dBi", "1e3 dBi", "2 dB", "", "nan dBi"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		g, err := emission.ParseGain(text)
		if err == nil && (math.IsNaN(float64(g)) || math.IsInf(float64(g), 0)) {
			t.Fatalf("%q gives %v", text, g)
		}
	})
}
