package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/format"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
)

// listed is what go list says of a package.
type listed struct {
	Dir, ImportPath, Name, Export string
	GoFiles                       []string
}

// load makes all mutants of a package and the overlay that holds them.
func load(pkg, tmp string) (p listed, all []mutant, overlay string, err error) {
	list, err := output("go", "list", "-export", "-deps", "-json=Dir,ImportPath,Name,Export,GoFiles", pkg)
	if err != nil {
		return p, nil, "", err
	}
	exports := map[string]string{}
	for d := json.NewDecoder(bytes.NewReader(list)); ; {
		p = listed{} // the package itself comes last
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return p, nil, "", err
		}
		exports[p.ImportPath] = p.Export
	}
	one, err := output("go", "list", "-json=Dir,ImportPath,Name,GoFiles", pkg)
	if err != nil {
		return p, nil, "", err
	}
	if err := json.Unmarshal(one, &p); err != nil {
		return p, nil, "", fmt.Errorf("%s names no single package: %w", pkg, err)
	}
	k := &maker{fset: token.NewFileSet(), info: &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{}, Defs: map[*ast.Ident]types.Object{}}}
	var files []*ast.File
	var sources [][]byte
	for _, name := range p.GoFiles {
		src, err := os.ReadFile(filepath.Join(p.Dir, name))
		if err != nil {
			return p, nil, "", err
		}
		f, err := parser.ParseFile(k.fset, name, src, parser.SkipObjectResolution|parser.ParseComments)
		if err != nil {
			return p, nil, "", err
		}
		files, sources = append(files, f), append(sources, src)
	}
	conf := types.Config{Importer: importer.ForCompiler(k.fset, "gc", func(path string) (io.ReadCloser, error) {
		if exports[path] == "" {
			return nil, fmt.Errorf("no export data of %s", path)
		}
		return os.Open(exports[path])
	})}
	if _, err := conf.Check(p.ImportPath, k.fset, files, k.info); err != nil {
		return p, nil, "", err
	}
	over := map[string]string{}
	put := func(name string, text []byte) error {
		if text, err = format.Source(text); err != nil {
			return fmt.Errorf("%s with its mutants: %w", name, err)
		}
		to := filepath.Join(tmp, name)
		over[filepath.Join(p.Dir, name)] = to
		return os.WriteFile(to, text, 0o600)
	}
	for i, f := range files {
		if k.next >= 1<<16 {
			return p, nil, "", fmt.Errorf("%s has more mutants than there are places for", pkg)
		}
		if err := put(p.GoFiles[i], k.file(p.GoFiles[i], f, sources[i])); err != nil {
			return p, nil, "", err
		}
	}
	if err := put("mutants_asleep.go", []byte("package "+p.Name+"\n"+helpers)); err != nil {
		return p, nil, "", err
	}
	text, err := json.Marshal(map[string]any{"Replace": over})
	if err != nil {
		return p, nil, "", err
	}
	overlay = filepath.Join(tmp, "overlay.json")
	return p, k.out, overlay, os.WriteFile(overlay, text, 0o600)
}

func output(name string, args ...string) ([]byte, error) {
	c := exec.Command(name, args...)
	var e bytes.Buffer
	c.Stderr = &e
	out, err := c.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %v: %w\n%s", name, args, err, e.Bytes())
	}
	return out, nil
}
