package wall_test

import (
	"bufio"
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// cut is an opening in the top of a cube of mesh, in cells: those from i0 to i1 along
// x and j0 to j1 along y are left out.
type cut struct{ i0, i1, j0, j1 int }

func (c cut) open(i, j int) bool { return i >= c.i0 && i < c.i1 && j >= c.j0 && j < c.j1 }

// TestOpeningsAgainstMethodOfMoments: cubes of mesh with openings of all sizes, from
// a cell to the whole top, slots along an edge and in the middle, lit from above with
// either polarization. Wherever the model calls itself valid, no place in the middle
// of the box (a third of its side about the centre) is worse than the band's lower
// end; the method of moments (Debian package nec2c) shares nothing with the model.
func TestOpeningsAgainstMethodOfMoments(t *testing.T) {
	t.Parallel()
	program, err := exec.LookPath("nec2c")
	if err != nil {
		const missing = "nec2c is not installed: install the Debian package nec2c to run this comparison"
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	const side, wire, cells = 0.24, 1e-3, 6
	const pitch = side / cells
	// Segments are 1/1,500 of a wavelength at 10 MHz; below, the code loses its loops.
	mhz := []float64{10, 200, 400}
	inside, all, outside := 0, 0, 0
	for name, c := range map[string]cut{
		"one cell": {2, 3, 2, 3}, "four cells": {2, 4, 2, 4}, "slot in the middle": {0, 6, 2, 3}, "slot along an edge": {0, 6, 0, 1},
		"short slot at an edge": {1, 4, 0, 1}, "half of the top": {0, 6, 0, 3}, "no top": {0, 6, 0, 6}, "all but a rim": {1, 5, 1, 5},
	} {
		long, wide := max(c.i1-c.i0, c.j1-c.j0), min(c.i1-c.i0, c.j1-c.j0)
		text := fmt.Sprintf("name: cube\ntitle: cube\ncavity: {width: %g m, height: %g m, depth: %g m}\nwall:\n  mesh: {pitch: %g m, wire: %g m, material: copper}\nlid: {joint: none}\nopenings:\n  - {kind: slot, length: %g m, width: %g m}\n",
			side, side, side, pitch, wire, float64(long)*pitch, float64(wide)*pitch)
		materials, err := wall.BuiltinMaterials()
		if err != nil {
			t.Fatal(err)
		}
		m, err := wall.LoadSpecimen("cube.yaml", []byte(text), materials)
		if err != nil {
			t.Fatal(err)
		}
		if m.At(wall.Electric, 10e6).Valid != (c != cut{0, 6, 0, 3} && c != cut{0, 6, 0, 6} && c != cut{1, 5, 1, 5}) {
			t.Errorf("%s: valid %v", name, m.At(wall.Electric, 10e6).Valid)
		}
		if v := m.Validity(); !m.At(wall.Electric, 10e6).Valid {
			outside++
			if !strings.Contains(v.Text, "no small apertures") || v.To > v.From || m.At(wall.Magnetic, 10e6).Low > -10 {
				t.Errorf("%s: %+v", name, v)
			}
			if name != "no top" {
				continue // nothing is claimed
			}
		}
		for _, turn := range []float64{0, 90} {
			for i, got := range solveCutBox(t, program, side, wire, cells, c, turn, mhz) {
				f := unit.Hz(mhz[i] * 1e6)
				for field, lowest := range map[wall.Field]float64{wall.Electric: got[0], wall.Magnetic: got[1]} {
					e := m.At(field, f)
					all++
					switch {
					case !e.Valid && lowest < float64(e.Low):
						t.Errorf("%s, %v, %v field: %.1f dB, even the guess ends at %.1f", name, f, field, lowest, float64(e.Low))
					case !e.Valid:
					case lowest < float64(e.Low)-0.2:
						t.Errorf("%s, polarization %g°, %v, %v field: method of moments %.1f dB at the worst place, the band is %.1f to %.1f dB and calls itself valid", name, turn, f, field, lowest, float64(e.Low), float64(e.High))
					default:
						inside++
					}
				}
			}
		}
	}
	t.Logf("of %d comparisons %d are not below the band; %d boxes are said to be outside the model", all, inside, outside)
	if inside < all/3 {
		t.Errorf("only %d of %d are called valid: the test shows little", inside, all)
	}
}

// solveCutBox returns the lowest electric and magnetic SE about the centre.
func solveCutBox(t *testing.T, program string, side, wire float64, cells int, c cut, turn float64, mhz []float64) [][2]float64 {
	t.Helper()
	type corner [3]int
	edges := map[[2]corner]bool{}
	for axis := range 3 {
		u, v := (axis+1)%3, (axis+2)%3
		for _, face := range []int{0, cells} {
			for i := range cells + 1 { // across
				for j := range cells { // along
					for _, along := range [][2]int{{u, v}, {v, u}} {
						var a corner
						a[axis], a[along[0]], a[along[1]] = face, i, j
						b := a
						b[along[1]]++
						if axis == 2 && face == cells && i > 0 && i < cells { // inside the top
							x, y := a[0], a[1]
							one, two := c.open(x, y), false
							if along[1] == 0 { // along x: cells on either side in y
								two = c.open(x, y-1)
							} else {
								two = c.open(x-1, y)
							}
							if one && two {
								continue
							}
						}
						edges[[2]corner{a, b}] = true
					}
				}
			}
		}
	}
	at := func(q corner) string {
		var s []string
		for _, n := range q {
			s = append(s, fmt.Sprintf("%.6f", side*(float64(n)/float64(cells)-0.5)))
		}
		return strings.Join(s, " ")
	}
	var wires []string
	for e := range edges {
		wires = append(wires, fmt.Sprintf("GW 1 2 %s %s %g", at(e[0]), at(e[1]), wire/2))
	}
	sort.Strings(wires)
	var s strings.Builder
	s.WriteString("CM cut mesh box\nCE\n" + strings.Join(wires, "\n") + "\nGE 0\n")
	d := side / 3
	for _, f := range mhz {
		fmt.Fprintf(&s, "FR 0 1 0 0 %g 0\nEX 1 1 1 0 0 0 %g 0 0 0\n", f, turn)
		for _, card := range []string{"NE", "NH"} {
			fmt.Fprintf(&s, "%s 0 3 3 3 %g %g %g %g %g %g\n", card, -d, -d, -d, d, d, d)
		}
	}
	s.WriteString("EN\n")
	dir := t.TempDir()
	in, out := filepath.Join(dir, "cut.nec"), filepath.Join(dir, "cut.out")
	if err := os.WriteFile(in, []byte(s.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	if msg, err := exec.CommandContext(t.Context(), program, "-i", in, "-o", out).CombinedOutput(); err != nil {
		t.Fatalf("nec2c: %v\n%s", err, msg)
	}
	fh, err := os.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	defer fh.Close()
	got := make([][2]float64, len(mhz))
	at0, kind, rows := -1, "", 0
	sin, cos := math.Sincos(turn * math.Pi / 180)
	for sc := bufio.NewScanner(fh); sc.Scan(); {
		line := sc.Text()
		switch {
		case strings.Contains(line, "NEAR ELECTRIC FIELDS"):
			at0, kind = at0+1, "electric"
			got[at0] = [2]float64{math.Inf(1), math.Inf(1)}
			continue
		case strings.Contains(line, "NEAR MAGNETIC FIELDS"):
			kind = "magnetic"
			continue
		case strings.Contains(line, "DATA CARD"):
			kind = ""
		}
		v, ok := nineNumbers(line)
		if kind == "" || !ok {
			continue
		}
		rows++
		incident := cmplx.Rect(1, 2*math.Pi*mhz[at0]*1e6/wall.C0*v[2])
		sum := [3]complex128{}
		for i := range sum {
			sum[i] = cmplx.Rect(v[3+2*i], v[4+2*i]*math.Pi/180)
		}
		scale, which := 1.0, 0
		if kind == "electric" { // along the direction of rising theta, turned by eta
			sum[0] += incident * complex(cos, 0)
			sum[1] += incident * complex(sin, 0)
		} else {
			scale, which = wall.Eta0, 1
			sum[1] -= incident / wall.Eta0 * complex(cos, 0)
			sum[0] += incident / wall.Eta0 * complex(sin, 0)
		}
		total := scale * math.Sqrt(math.Pow(cmplx.Abs(sum[0]), 2)+math.Pow(cmplx.Abs(sum[1]), 2)+math.Pow(cmplx.Abs(sum[2]), 2))
		got[at0][which] = math.Min(got[at0][which], -20*math.Log10(total))
	}
	if rows != 54*len(mhz) {
		t.Fatalf("read %d field points, want %d", rows, 54*len(mhz))
	}
	return got
}
