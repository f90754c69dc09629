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
	"strconv"
	"strings"
	"testing"

	"lidded/driver/unit"
	"lidded/sweep/wall"
)

// The Numerical Electromagnetics Code (Debian package nec2c) solves for the
// currents on every wire of a closed mesh box under a plane wave: a different
// physics path from the equal-volume sphere. Each case must agree within 2 dB
// where the sphere is valid: the magnetic SE at the centre, and the lowest
// electric SE in the box while it is below a fifth of the first mode.
func TestMeshBoxAgainstMethodOfMoments(t *testing.T) {
	t.Parallel()
	program, err := exec.LookPath("nec2c")
	if err != nil {
		const missing = "nec2c is not installed: install the Debian package nec2c to run this comparison"
		if os.Getenv("LIDDED_PEERS") == "required" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	cases := []struct {
		side, wire float64 // metres
		cells      int     // along a side
		mhz        []float64
	}{
		{0.24, 1.0e-3, 6, []float64{100, 200}},
		{0.30, 0.6e-3, 5, []float64{60}},
	}
	for _, c := range cases {
		m := wall.Mesh{Pitch: wall.Metre(c.side / float64(c.cells)), Wire: wall.Metre(c.wire)}
		side := wall.Metre(c.side)
		first := wall.Cavity{Width: side, Height: side, Depth: side}.FirstMode().Freq
		got := solveMeshBox(t, program, c.side, c.wire, c.cells, c.mhz)
		for i, mhz := range c.mhz {
			f := unit.Hz(mhz * 1e6)
			e, h := m.SphereSE(f, wall.EqualVolumeRadius(side, side, side))
			if d := float64(h) - got[i].magneticCentre; math.Abs(d) > 2 {
				t.Errorf("side %g m, %v: magnetic %v, method of moments %.2f dB at the centre", c.side, f, h, got[i].magneticCentre)
			}
			if d := float64(e) - got[i].electricLowest; f < first/5 && math.Abs(d) > 2 {
				t.Errorf("side %g m, %v: electric %v, method of moments at least %.2f dB", c.side, f, e, got[i].electricLowest)
			}
			// the flat screen must be seen to promise too much, or this test compares nothing
			if flat := float64(m.SE(f)); mhz <= 100 && flat < got[i].magneticCentre+5 {
				t.Errorf("side %g m, %v: flat screen %.2f dB, box %.2f dB", c.side, f, flat, got[i].magneticCentre)
			}
		}
	}
}

type boxFields struct{ magneticCentre, electricLowest float64 }

func solveMeshBox(t *testing.T, program string, side, wire float64, cells int, mhz []float64) []boxFields {
	t.Helper()
	dir := t.TempDir()
	in, out := filepath.Join(dir, "box.nec"), filepath.Join(dir, "box.out")
	if err := os.WriteFile(in, []byte(meshBoxDeck(side, wire, cells, mhz)), 0o600); err != nil {
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
	return readNearFields(t, fh, mhz)
}

// meshBoxDeck describes the box: every cell edge a wire of two segments, a
// plane wave coming down on the top face with its electric field along x, and
// both fields wanted on a grid of 3×3×3 points about the centre.
func meshBoxDeck(side, wire float64, cells int, mhz []float64) string {
	type corner [3]int
	edges := map[[2]corner]bool{}
	for axis := range 3 {
		u, v := (axis+1)%3, (axis+2)%3
		for _, face := range []int{0, cells} {
			for i := range cells + 1 {
				for j := range cells {
					for _, along := range [][2]int{{u, v}, {v, u}} {
						var a corner
						a[axis], a[along[0]], a[along[1]] = face, i, j
						b := a
						b[along[1]]++
						edges[[2]corner{a, b}] = true
					}
				}
			}
		}
	}
	at := func(c corner) string {
		var s []string
		for _, n := range c {
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
	s.WriteString("CM closed mesh box\nCE\n" + strings.Join(wires, "\n") + "\nGE 0\n")
	d := side / 3
	for _, f := range mhz {
		fmt.Fprintf(&s, "FR 0 1 0 0 %g 0\nEX 1 1 1 0 0 0 0 0 0 0\n", f)
		for _, card := range []string{"NE", "NH"} {
			fmt.Fprintf(&s, "%s 0 3 3 3 %g %g %g %g %g %g\n", card, -d, -d, -d, d, d, d)
		}
	}
	s.WriteString("EN\n")
	return s.String()
}

// readNearFields adds the incident wave to the printed fields, which are those
// of the currents alone.
func readNearFields(t *testing.T, fh *os.File, mhz []float64) []boxFields {
	out := make([]boxFields, len(mhz))
	at, kind, rows := -1, "", 0
	for sc := bufio.NewScanner(fh); sc.Scan(); {
		line := sc.Text()
		switch {
		case strings.Contains(line, "NEAR ELECTRIC FIELDS"):
			at, kind = at+1, "electric"
			out[at].electricLowest = math.Inf(1)
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
		incident := cmplx.Rect(1, 2*math.Pi*mhz[at]*1e6/wall.C0*v[2])
		scale := 1.0
		sum := [3]complex128{}
		for i := range sum {
			sum[i] = cmplx.Rect(v[3+2*i], v[4+2*i]*math.Pi/180)
		}
		if kind == "electric" {
			sum[0] += incident
		} else {
			scale = wall.Eta0
			sum[1] -= incident / wall.Eta0
		}
		total := scale * math.Sqrt(math.Pow(cmplx.Abs(sum[0]), 2)+math.Pow(cmplx.Abs(sum[1]), 2)+math.Pow(cmplx.Abs(sum[2]), 2))
		se := -20 * math.Log10(total)
		if kind == "electric" {
			out[at].electricLowest = math.Min(out[at].electricLowest, se)
		} else if v[0] == 0 && v[1] == 0 && v[2] == 0 {
			out[at].magneticCentre = se
		}
	}
	if rows != 54*len(mhz) {
		t.Fatalf("read %d field points, want %d", rows, 54*len(mhz))
	}
	return out
}

func nineNumbers(line string) (v [9]float64, ok bool) {
	cells := strings.Fields(line)
	if len(cells) != len(v) {
		return v, false
	}
	for i, c := range cells {
		x, err := strconv.ParseFloat(c, 64)
		if err != nil {
			return v, false
		}
		v[i] = x
	}
	return v, true
}
