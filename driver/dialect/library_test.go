package dialect_test

import (
	"testing"
	"testing/fstest"

	"lidded/driver/dialect"
)

func TestBuiltin(t *testing.T) {
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	roles := map[dialect.Role]int{}
	for _, d := range lib.List() {
		roles[d.Role]++
	}
	t.Log(lib.Names())
	if roles[dialect.Analyzer] < 4 || roles[dialect.Source] < 2 {
		t.Fatalf("have %v, want at least 4 analyzers and 2 sources", roles)
	}
}

const minimalSource = `role: source
summary: minimal
identity: {fixed: "bench source"}
errors: {none: true}
settings:
  frequency: {set: "F {frequency MHz .3}"}
  level: {set: "L {level}"}
  output: {set: "O {boolean}", get: "O?"}
safe: {send: "O OFF", confirm: readback}
`

func TestOverride(t *testing.T) {
	lib, err := dialect.Builtin()
	if err != nil {
		t.Fatal(err)
	}
	if err := lib.Add("/etc/mine", fstest.MapFS{"source-scpi.yaml": {Data: []byte(minimalSource)}, "notes.txt": {}}); err != nil {
		t.Fatal(err)
	}
	d, err := lib.Get("source-scpi")
	if err != nil {
		t.Fatal(err)
	}
	if d.Summary != "minimal" || d.File != "/etc/mine/source-scpi.yaml" {
		t.Errorf("the later folder does not win: %q from %q", d.Summary, d.File)
	}
	err = lib.Add("/etc/bad", fstest.MapFS{"x.yaml": {Data: []byte("role: sorce\n")}, "source-scpi.yaml": {Data: []byte(minimalSource)}})
	if err == nil {
		t.Fatal("a bad file is accepted")
	}
	if d, _ := lib.Get("source-scpi"); d.File != "/etc/mine/source-scpi.yaml" {
		t.Error("the library changed although a file was wrong")
	}
	if _, err := lib.Get("source-scp"); err == nil || err.Error() != `unknown dialect "source-scp": did you mean "source-scpi"?` {
		t.Errorf("got %v", err)
	}
}
