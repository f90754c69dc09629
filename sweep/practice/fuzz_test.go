package practice_test

import (
	"testing"

	"lidded/sweep/practice"
)

func FuzzLoad(f *testing.F) {
	for _, p := range builtin(f).Presets() {
		f.Add([]byte(p.Text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := practice.Load("f.yaml", data)
		if (p == nil) == (err == nil) {
			t.Fatalf("preset %v with error %v", p, err)
		}
		if err != nil {
			return
		}
		if p.Name == "" || p.Practice.Source() == "" || p.Item() == "" {
			t.Fatalf("a preset without name, source or text: %+v", p)
		}
	})
}
