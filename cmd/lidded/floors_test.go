package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// listed is what "go list" says of a package.
type listed struct {
	ImportPath, Dir, Export string
	GoFiles, Imports        []string
}

func packages(t *testing.T, args ...string) []listed {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", append([]string{"list", "-json=ImportPath,Dir,Export,GoFiles,Imports"}, args...)...)
	cmd.Dir = filepath.Join("..", "..")
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var list []listed
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatal(err)
		}
		list = append(list, p)
	}
}

// floor tells how high a package stands; imports run downward only.
var floors = []struct {
	prefix string
	floor  int
}{
	{"lidded/configs", 0},
	{"lidded/driver/unit", 0}, {"lidded/driver/word", 0}, {"lidded/driver/strict", 0},
	{"lidded/driver/scpi", 1},
	{"lidded/sweep/detect", 1}, {"lidded/sweep/uncertainty", 1}, {"lidded/sweep/follow", 1}, {"lidded/sweep/wall", 1}, {"lidded/sweep/requirement", 1},
	{"lidded/sweep/emission", 2}, {"lidded/sweep/ladder", 2},
	{"lidded/driver/link", 3}, {"lidded/driver/dialect", 3}, {"lidded/driver/virtual", 3},
	{"lidded/driver/instrument", 4}, {"lidded/driver/drivertest", 4},
	{"lidded/driver", 2},
	{"lidded/sweep/engine", 5}, {"lidded/sweep/report", 5}, {"lidded/sweep/handread", 5}, {"lidded/sweep/explain", 5}, {"lidded/sweep/practice", 5}, {"lidded/sweep/trend", 5}, {"lidded/sweep/between", 5},
	{"lidded/sweep", 4},
	{"lidded/store", 5},
	{"lidded/cmd/lidded/internal", 6},
	{"lidded/deploy", 7},
	{"lidded/cmd/lidded", 7},
}

func floorOf(path string) (int, string) {
	for _, f := range floors {
		if path == f.prefix || strings.HasPrefix(path, f.prefix+"/") {
			return f.floor, f.prefix
		}
	}
	return -1, ""
}

// pairs that never know each other, whatever their floors.
var strangers = [][2]string{
	{"lidded/sweep/engine", "lidded/store"},
	{"lidded/store", "lidded/sweep/engine"},
	{"lidded/driver/virtual", "lidded/driver/dialect"},
	{"lidded/driver/virtual", "lidded/driver/scpi"},
	{"lidded/driver/virtual", "lidded/driver/link"},
	{"lidded/sweep", "lidded/driver/link"},
	{"lidded/sweep", "lidded/driver/instrument"},
}

// keepers are the only importers of a library.
var keepers = map[string]string{
	"go.bug.st/serial":                          "lidded/driver/link",
	"github.com/spf13/viper":                    "lidded/cmd/lidded/internal/config",
	"github.com/prometheus/client_golang":       "lidded/cmd/lidded/internal/metrics",
	"github.com/danielgtaylor/huma/v2":          "lidded/cmd/lidded/internal/rest",
	"github.com/prometheus/exporter-toolkit":    "lidded/cmd/lidded/internal/access",
	"modernc.org/sqlite":                        "lidded/store",
	"github.com/pressly/goose/v3":               "lidded/store",
	"github.com/jackc/pgx/v5":                   "lidded/store/lab",
	"github.com/robfig/cron/v3":                 "lidded/cmd/lidded/internal",
	"github.com/spf13/cobra":                    "lidded/cmd/lidded",
	"gonum.org/v1/plot":                         "lidded/cmd/lidded/internal/chart",
	"codeberg.org/go-pdf/fpdf":                  "lidded/sweep/report",
	"github.com/grafana/grafana-foundation-sdk": "lidded/deploy",
}

func TestImportsRunDownward(t *testing.T) {
	for _, p := range packages(t, "./...") {
		floor, room := floorOf(p.ImportPath)
		if floor < 0 {
			t.Errorf("%s stands on no floor: add it to the table", p.ImportPath)
			continue
		}
		for _, i := range p.Imports {
			if below, other := floorOf(i); below >= 0 && (below > floor || below == floor && other != room && floor > 0 && floor < 6) && !sameHouse(room, other) {
				t.Errorf("%s (floor %d) imports %s (floor %d)", p.ImportPath, floor, i, below)
			}
			for _, s := range strangers {
				if within(p.ImportPath, s[0]) && within(i, s[1]) {
					t.Errorf("%s imports %s", p.ImportPath, i)
				}
			}
			for lib, keeper := range keepers {
				if within(i, lib) && !within(p.ImportPath, keeper) {
					t.Errorf("%s imports %s, which only %s does", p.ImportPath, i, keeper)
				}
			}
		}
	}
}

// sameHouse lets neighbours of one floor know each other where they are meant
// to: dialect and link stand side by side below instrument.
func sameHouse(a, b string) bool {
	return slices.Contains([]string{"lidded/driver/link", "lidded/driver/dialect"}, a) && a == b ||
		strings.HasPrefix(a, "lidded/sweep/report") && strings.HasPrefix(b, "lidded/sweep/report")
}

func within(path, prefix string) bool { return path == prefix || strings.HasPrefix(path, prefix+"/") }

// Levels are never added or subtracted outside package unit: Sub gives their
// ratio, Add applies one.
func TestNoArithmeticOnLevels(t *testing.T) {
	all := packages(t, "-export", "-deps", "./...")
	exports := map[string]string{}
	for _, p := range all {
		exports[p.ImportPath] = p.Export
	}
	fset := token.NewFileSet()
	imp := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) {
		if exports[path] == "" {
			return nil, fmt.Errorf("no export data for %s", path)
		}
		return os.Open(exports[path])
	})
	checked := 0
	for _, p := range all {
		if !strings.HasPrefix(p.ImportPath, "lidded/") || p.ImportPath == "lidded/driver/unit" {
			continue
		}
		var files []*ast.File
		for _, name := range p.GoFiles {
			f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
		}
		info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
		if _, err := (&types.Config{Importer: imp}).Check(p.ImportPath, fset, files, info); err != nil {
			t.Fatal(err)
		}
		level := func(e ast.Expr) bool {
			tv := info.Types[e]
			return tv.Value == nil && tv.Type != nil && tv.Type.String() == "lidded/driver/unit.DBm"
		}
		for _, f := range files {
			ast.Inspect(f, func(n ast.Node) bool {
				switch x := n.(type) {
				case *ast.BinaryExpr:
					if (x.Op == token.ADD || x.Op == token.SUB) && (level(x.X) || level(x.Y)) {
						t.Errorf("%s: + or - on a level: use Add or Sub", fset.Position(x.OpPos))
					}
				case *ast.AssignStmt:
					if (x.Tok == token.ADD_ASSIGN || x.Tok == token.SUB_ASSIGN) && level(x.Lhs[0]) {
						t.Errorf("%s: += or -= on a level: use Add or Sub", fset.Position(x.TokPos))
					}
				}
				return true
			})
		}
		checked++
	}
	if checked < 20 {
		t.Fatalf("only %d packages were looked at", checked)
	}
}
