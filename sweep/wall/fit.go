package wall

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lidded/driver/unit"
)

// Limits of the search for a cause.
const (
	fitSpread  = 2.5 // dB that a model of a fault may be off by itself
	fitAccept  = 2.0 // worst rms misfit of a hypothesis worth naming
	fitSteps   = 60
	splitClear = 6 // dB between polarizations that speaks of a slot
)

// candidate is a family of faults with one free size.
type candidate struct {
	cause  Cause
	lo, hi float64                               // of the free size
	leak   func(size float64, f unit.Hz) unit.DB // what the fault alone leaves
	prior  float64                               // added to the misfit when ranking: more freedom, more doubt
	slope  float64                               // for poor bonding
}

// fitted is a candidate with its best size.
type fitted struct {
	candidate
	size, misfit float64
}

// fit tries every fault that the specimen could have and returns those that
// leave an acceptable misfit over all samples of the field, the best first.
func (m *Model) fit(field Field, s []sample) []Hypothesis {
	var low []sample
	for _, x := range s {
		if x.agreement() == Lower {
			low = append(low, x)
		}
	}
	var fits []fitted
	for _, c := range m.candidates(field, low) {
		if size, misfit := c.best(s); misfit <= fitAccept {
			fits = append(fits, fitted{candidate: c, size: size, misfit: misfit})
		}
	}
	split, told := polarizationSplit(low)
	rank := func(f fitted) float64 {
		r := f.misfit + f.prior
		if told && (f.cause == CauseSlot || f.cause == CauseLidEdge) != (split >= splitClear) && f.cause != CausePoorBonding {
			r += 0.5
		}
		return r
	}
	slices.SortStableFunc(fits, func(a, b fitted) int { return cmp.Compare(rank(a), rank(b)) })
	var out []Hypothesis
	for _, f := range fits {
		h := m.hypothesis(f, low)
		if told {
			h.Evidence = append(h.Evidence, fmt.Sprintf("the polarizations differ by %v on the median", unit.DB(math.Round(float64(split)*10)/10)))
		}
		if line := commonPosition(low); line != "" {
			h.Evidence = append(h.Evidence, line)
		}
		if !slices.ContainsFunc(out, func(x Hypothesis) bool { return x.Cause == h.Cause }) {
			out = append(out, h)
		}
	}
	return out
}

// commonPosition says where most of the low points were lowest, if there was a
// choice.
func commonPosition(low []sample) string {
	count := map[string]int{}
	best := ""
	for _, x := range low {
		if x.where == "" || x.places < 2 {
			continue
		}
		count[x.where]++
		if n, m := count[x.where], count[best]; n > m || (n == m && x.where < best) {
			best = x.where
		}
	}
	if best == "" || 2*count[best] <= len(low) {
		return ""
	}
	return fmt.Sprintf("%d of %d low points were lowest at position %q: look there first", count[best], len(low), best)
}

// polarizationSplit returns the median difference between polarizations.
func polarizationSplit(s []sample) (unit.DB, bool) {
	var d []unit.DB
	for _, x := range s {
		if !math.IsNaN(float64(x.split)) {
			d = append(d, x.split)
		}
	}
	if len(d) == 0 {
		return 0, false
	}
	slices.Sort(d)
	return d[len(d)/2], true
}

// candidates lists the faults that the specimen could have.
func (m *Model) candidates(field Field, low []sample) []candidate {
	w, h, _ := m.Specimen.Cavity.box()
	longest := float64(max(w, m.Specimen.Lid.Edge))
	width := m.Specimen.Lid.Gap
	var out []candidate
	slot := func(cause Cause, lo, hi, prior float64) {
		if !(hi > lo) {
			return
		}
		if field == Magnetic {
			out = append(out, candidate{cause: cause, lo: lo, hi: min(hi, float64(w)), prior: prior,
				leak: func(size float64, f unit.Hz) unit.DB {
					_, mag := m.slotInBox(f, Metre(size), width)
					return (mag[0] + mag[1]) / 2
				}})
			return
		}
		out = append(out,
			candidate{cause: cause, lo: lo, hi: hi, prior: prior,
				leak: func(size float64, f unit.Hz) unit.DB { return SlotSE(f, Metre(size)) }},
			candidate{cause: cause, lo: lo, hi: min(hi, float64(w)), prior: prior + 0.1,
				leak: func(size float64, f unit.Hz) unit.DB {
					e, _ := m.slotInBox(f, Metre(size), width)
					return (e[0] + e[1]) / 2
				}})
	}
	edge := float64(m.Specimen.Lid.Edge)
	hasLid := m.Specimen.Lid.Joint != NoLid && edge > 0
	if hasLid {
		slot(CauseSlot, 2e-3, min(lidPart*edge, longest), 0.2)
		slot(CauseLidEdge, lidPart*edge, 1.5*edge, 0)
	} else {
		slot(CauseSlot, 2e-3, 1.5*longest, 0.2)
	}
	doubt := 0.6 // seams are not described, but foil is folded and sheet is jointed
	if hasLid {
		doubt = 0.4
	}
	out = append(out, bonding(field, low, doubt)...)
	out = append(out, m.meshCandidates(field, float64(h))...)
	return append(out, m.thinCandidates(field)...)
}

// thinCandidates are the same wall, thinner. In a magnetic field a small box
// acts as a closed shell; before a large wall the loop sees a flat one, which
// is the less likely reading where both fit.
func (m *Model) thinCandidates(field Field) []candidate {
	if !(m.stack.Thickness() > 0) {
		return nil
	}
	thinner := func(prior float64, se func(f unit.Hz, s Stack) unit.DB) candidate {
		return candidate{cause: CauseThinWall, lo: 0.02, hi: 0.9, prior: prior,
			leak: func(part float64, f unit.Hz) unit.DB {
				thin := slices.Clone(m.stack)
				for i := range thin {
					thin[i].Thickness *= Metre(part)
				}
				return se(f, thin)
			}}
	}
	flat := func(f unit.Hz, s Stack) unit.DB { return s.SE(f, Wave{Field: field, Distance: nearDistance}) }
	if field == Magnetic {
		return []candidate{thinner(0.1, m.shellSE), thinner(0.3, flat)}
	}
	// a plane wave measures the flat wall or the shell, an electric near field
	// the flat wall: take the flat one, above a few MHz test antennas make it so
	return []candidate{thinner(0.1, func(f unit.Hz, s Stack) unit.DB { return s.SE(f, Wave{Field: PlaneWave}) })}
}

// lidPart is the part of the lid's edge from which a slot counts as the edge.
const lidPart = 0.75

// bonding is a leak that grows as a power of frequency, slower than a slot's:
// contact resistance along a seam. It needs enough points over enough of the
// frequency axis to show a slope at all.
func bonding(field Field, low []sample, doubt float64) []candidate {
	n := len(low)
	if n < 4 || low[n-1].f < 4*low[0].f {
		return nil
	}
	from, to := 0.0, 0.7 // against 1 for a slot
	if field == Magnetic {
		from, to = -0.8, 0.4 // a resistive seam keeps −1, as the wall itself does
	}
	ref := low[0].f
	var out []candidate
	for p := from; p <= to+1e-9; p += 0.05 {
		out = append(out, candidate{cause: CausePoorBonding, lo: 1e-6, hi: 10, prior: doubt, slope: -20 * p,
			leak: func(size float64, f unit.Hz) unit.DB {
				return unit.DB(-db(size) - 20*p*math.Log10(float64(f/ref)))
			}})
	}
	return out
}

// meshCandidates are coarser meshes than the description has: all of it, in
// the box or as a flat screen, or a patch.
func (m *Model) meshCandidates(field Field, smallest float64) []candidate {
	meshes := slices.Clone(m.windows)
	meshes = append(meshes, m.mesh)
	var out []candidate
	for _, mesh := range meshes {
		if mesh == nil {
			continue
		}
		lo, hi := float64(mesh.Pitch)*1.15, min(float64(mesh.Pitch)*30, smallest)
		coarse := func(pitch float64) Mesh {
			return Mesh{Pitch: Metre(pitch), Wire: mesh.Wire, Material: mesh.Material}
		}
		if !(hi > lo) {
			continue
		}
		out = append(out, candidate{cause: CauseCoarseMesh, lo: lo, hi: hi, prior: 0.1,
			leak: func(pitch float64, f unit.Hz) unit.DB {
				p := m.meshPath(field, f, m.regime(f), coarse(pitch))
				return (p.Low + p.High) / 2
			}})
		if field != Magnetic {
			for _, part := range []unit.DB{0, 10, 20} {
				out = append(out, candidate{cause: CauseCoarseMesh, lo: lo, hi: hi, prior: 0.1 + float64(part)/100,
					leak: func(pitch float64, f unit.Hz) unit.DB { return coarse(pitch).SE(f) + part }})
			}
		}
	}
	return out
}

// best searches the size with the least misfit.
func (c candidate) best(s []sample) (size, misfit float64) {
	if !(c.hi > c.lo) {
		return 0, math.Inf(1)
	}
	at := func(u float64) float64 { return c.lo * math.Pow(c.hi/c.lo, u) }
	misfit = math.Inf(1)
	lo, hi := 0.0, 1.0
	for steps := fitSteps; ; {
		best := lo
		for i := range steps + 1 {
			u := lo + (hi-lo)*float64(i)/float64(steps)
			if r := c.misfit(at(u), s); r < misfit {
				misfit, best, size = r, u, at(u)
			}
		}
		if steps < fitSteps { // refined once
			return size, misfit
		}
		step := (hi - lo) / float64(steps)
		if size == 0 {
			return 0, misfit
		}
		lo, hi, steps = max(0, best-step), min(1, best+step), 20
	}
}

// misfit is the rms distance between the samples and the expectation with the
// fault added, in units of the combined spread. A low sample counts both ways;
// one that agrees counts only if the fault would have made it lower.
func (c candidate) misfit(size float64, s []sample) float64 {
	var sum float64
	n := 0
	for _, x := range s {
		a := x.agreement()
		if a == Dip {
			continue
		}
		base := (x.expect.Low + x.expect.High) / 2
		fit, _ := combine([]Path{{Low: base, High: base}, {Low: c.leak(size, x.f), High: ceiling}})
		d := float64(x.se - fit)
		if a != Lower {
			d = max(0, d)
		}
		sigma := math.Hypot(float64(x.u)/2, fitSpread)
		sum += d * d / (sigma * sigma)
		if a == Lower || d > 0 {
			n++
		}
	}
	if n == 0 {
		return math.Inf(1)
	}
	return math.Sqrt(sum / float64(n))
}

func (m *Model) hypothesis(f fitted, low []sample) Hypothesis {
	fits := fmt.Sprintf("it leaves %.1f dB rms over %d low points", f.misfit*fitSpread, len(low))
	if len(low) < 3 {
		fits += ": too few to tell it from other causes"
	}
	switch f.cause {
	case CauseSlot:
		return m.slotHypothesis(Metre(f.size), f.misfit, low, []string{fits})
	case CauseLidEdge:
		return Hypothesis{Cause: f.cause, Size: Metre(f.size), Misfit: f.misfit,
			Says: fmt.Sprintf("the lid edge (%v) is not bonded: it acts as a slot of about %v", m.Specimen.Lid.Edge, Metre(f.size)),
			Evidence: append([]string{fits,
				fmt.Sprintf("the length that fits is %.0f %% of the lid's edge", 100*f.size/float64(m.Specimen.Lid.Edge))}, lengths(low)...),
			Next: "bridge the lid edge with conductive tape, all of it and then half of it, and repeat one frequency: the SE must rise each time"}
	case CausePoorBonding:
		return Hypothesis{Cause: f.cause, Slope: f.slope, Misfit: f.misfit,
			Says:     fmt.Sprintf("poor bonding along a seam: contact resistance, with a slope of %.0f dB per decade", f.slope),
			Evidence: []string{fits, "a clean slot would fall by 20 dB per decade up to its half-wave resonance"},
			Next:     "press or clamp the seam and repeat: contact resistance answers to pressure, a cut opening does not; then clean the contact faces"}
	case CauseCoarseMesh:
		return Hypothesis{Cause: f.cause, Size: Metre(f.size), Misfit: f.misfit,
			Says:     fmt.Sprintf("the mesh, or a patch of it, is coarser than described: a pitch of about %v fits", Metre(f.size)),
			Evidence: []string{fits},
			Next:     "move the outer antenna over the mesh and look for the place; measure the pitch and the bonds there; cover the patch with foil and repeat"}
	}
	thin := Metre(f.size) * m.stack.Thickness()
	return Hypothesis{Cause: CauseThinWall, Size: thin, Misfit: f.misfit,
		Says:     fmt.Sprintf("the wall is thinner than described: about %v instead of %v", thin, m.stack.Thickness()),
		Evidence: []string{fits, "the difference is there wherever the wall itself is the strongest way in"},
		Next:     "measure the thickness with a micrometer, or the sheet resistance with four points; repeat at the lowest frequency in the magnetic field, where thickness shows most"}
}

func (m *Model) slotHypothesis(length Metre, misfit float64, low []sample, evidence []string) Hypothesis {
	return Hypothesis{Cause: CauseSlot, Size: length, Misfit: misfit,
		Says:     fmt.Sprintf("a slot or a gap about %v long", length),
		Evidence: append(evidence, lengths(low)...),
		Next:     "turn the outer antenna by 90°: a slot answers mostly to the electric field across it; then move along seams and edges with conductive tape at hand"}
}

// lengths says what slot length each low point alone would ask for.
func lengths(low []sample) []string {
	var l []float64
	for _, x := range low {
		if x.se > 1 {
			l = append(l, float64(SlotLength(x.f, x.se)))
		}
	}
	if len(l) < 2 {
		return nil
	}
	slices.Sort(l)
	return []string{fmt.Sprintf("point by point, λ/2 over the field ratio gives %v to %v", Metre(l[0]), Metre(l[len(l)-1]))}
}
