package wall

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"lidded/driver/strict"
	"lidded/driver/unit"
)

// Specimen says what an enclosure is made of, as data.
type Specimen struct {
	Name     string        `yaml:"name"`
	Title    string        `yaml:"title"`
	Cavity   Cavity        `yaml:"cavity"` // inner size
	Wall     Construction  `yaml:"wall"`
	Lid      Lid           `yaml:"lid"`
	Openings []Opening     `yaml:"openings"`
	Feeds    []Feedthrough `yaml:"feedthroughs"`
}

// Construction is what the walls are made of: layers from outside to inside,
// or a wire mesh.
type Construction struct {
	Layers []SheetSpec `yaml:"layers"`
	Mesh   *MeshSpec   `yaml:"mesh"`
}

// SheetSpec is a layer by the name of its material; "air" is a gap.
type SheetSpec struct {
	Material  string `yaml:"material"`
	Thickness Metre  `yaml:"thickness"`
}

// MeshSpec is a mesh by the name of its wire's material.
type MeshSpec struct {
	Pitch    Metre  `yaml:"pitch"`
	Wire     Metre  `yaml:"wire"` // diameter
	Material string `yaml:"material"`
}

// Joint is how a lid or a door meets the body.
type Joint int

// The joints.
const (
	JointUnknown Joint = iota
	NoLid              // welded, soldered or folded: no seam that opens
	Gasket             // in contact all along
	Fastened           // in contact at points a spacing apart
	Loose              // no bond along the edge
)

var jointNames = []string{"unknown", "none", "gasket", "fastened", "loose"}

// String gives the joint's name as the files write it.
func (j Joint) String() string { return choice(jointNames, int(j)) }

// MarshalText writes the joint's name.
func (j Joint) MarshalText() ([]byte, error) { return []byte(j.String()), nil }

// UnmarshalText reads a joint's name.
func (j *Joint) UnmarshalText(b []byte) error { return pick((*int)(j), "joint", jointNames, b) }

// Lid is the part that opens. Without a joint there is none.
type Lid struct {
	Joint   Joint   `yaml:"joint"`
	Edge    Metre   `yaml:"edge"`    // longest straight edge
	Spacing Metre   `yaml:"spacing"` // of contacts, when fastened
	Gap     Metre   `yaml:"gap"`     // between lid and body; default 0.2 mm
	SE      unit.DB `yaml:"se"`      // what the maker of a gasket states, if anything
}

// OpeningKind is the shape of an opening.
type OpeningKind int

// The kinds of opening.
const (
	OpeningUnknown OpeningKind = iota
	Slot                       // length and width
	Hole                       // length is the diameter
	MeshWindow                 // length by width, covered with mesh
)

var openingNames = []string{"unknown", "slot", "hole", "mesh window"}

// String gives the kind's name as the files write it.
func (k OpeningKind) String() string { return choice(openingNames, int(k)) }

// MarshalText writes the kind's name.
func (k OpeningKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads a kind's name.
func (k *OpeningKind) UnmarshalText(b []byte) error {
	return pick((*int)(k), "kind of opening", openingNames, b)
}

// Opening is a hole in the wall, or several equal ones side by side.
type Opening struct {
	Kind   OpeningKind `yaml:"kind"`
	Length Metre       `yaml:"length"`
	Width  Metre       `yaml:"width"`
	Count  int         `yaml:"count"` // default 1
	Mesh   *MeshSpec   `yaml:"mesh"`
}

// FeedKind is what passes through the wall.
type FeedKind int

// The kinds of feed-through.
const (
	FeedUnknown FeedKind = iota
	Tube                 // below cut-off, for air or fibre
	Filter               // with a stated insertion loss
	BareWire             // unfiltered: it carries anything through
)

var feedNames = []string{"unknown", "tube", "filter", "bare wire"}

// String gives the kind's name as the files write it.
func (k FeedKind) String() string { return choice(feedNames, int(k)) }

// MarshalText writes the kind's name.
func (k FeedKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// UnmarshalText reads a kind's name.
func (k *FeedKind) UnmarshalText(b []byte) error {
	return pick((*int)(k), "kind of feed-through", feedNames, b)
}

// Feedthrough is something that passes the wall.
type Feedthrough struct {
	Kind   FeedKind `yaml:"kind"`
	Width  Metre    `yaml:"width"` // inner width or diameter of a tube
	Length Metre    `yaml:"length"`
	Round  bool     `yaml:"round"`
	Count  int      `yaml:"count"` // default 1
	SE     unit.DB  `yaml:"se"`    // insertion loss of a filter
}

// LoadSpecimen reads a specimen from YAML and builds its model; the errors
// give file, line, column and the cure.
func LoadSpecimen(file string, data []byte, materials Materials) (*Model, error) {
	var s Specimen
	doc, err := strict.Read(file, data, &s)
	if err != nil {
		return nil, err
	}
	return newModel(s, materials, doc.Errorf)
}

// NewModel builds the model of a specimen described in code.
func NewModel(s Specimen, materials Materials) (*Model, error) {
	return newModel(s, materials, func(path, format string, args ...any) error {
		return fmt.Errorf("specimen %q: %s: %s", s.Name, path, fmt.Sprintf(format, args...))
	})
}

type complain func(path, format string, args ...any) error

// builder checks a specimen and collects what is wrong with it.
type builder struct {
	at        complain
	materials Materials
	errs      []error
}

func (b *builder) bad(path, format string, args ...any) {
	b.errs = append(b.errs, b.at(path, format, args...))
}

func (b *builder) size(path string, v Metre, lo, hi Metre) {
	if !(v >= lo) || v > hi {
		b.bad(path, "need a length from %v to %v, have %v", lo, hi, v)
	}
}

func (b *builder) material(path, name string) Material {
	m, err := b.materials.Get(name)
	if err != nil {
		b.bad(path, "%v", err)
	}
	return m
}

func (b *builder) mesh(path string, s MeshSpec) Mesh {
	b.size(path+".pitch", s.Pitch, 50e-6, 1)
	b.size(path+".wire", s.Wire, 5e-6, 0.1)
	if s.Wire >= s.Pitch && s.Pitch > 0 {
		b.bad(path+".wire", "the wire (%v) must be thinner than the pitch (%v)", s.Wire, s.Pitch)
	}
	return Mesh{Pitch: s.Pitch, Wire: s.Wire, Material: b.material(path+".material", s.Material)}
}

func newModel(s Specimen, materials Materials, at complain) (*Model, error) {
	b := &builder{at: at, materials: materials}
	m := &Model{Specimen: s}
	if s.Name == "" {
		b.bad("name", "need a name")
	}
	b.cavity(s.Cavity)
	switch {
	case len(s.Wall.Layers) > 0 && s.Wall.Mesh != nil:
		b.bad("wall", "layers and mesh together: give the walls one, and the other as a mesh window under openings")
	case len(s.Wall.Layers) == 0 && s.Wall.Mesh == nil:
		b.bad("wall", "need layers or a mesh")
	case s.Wall.Mesh != nil:
		mesh := b.mesh("wall.mesh", *s.Wall.Mesh)
		m.mesh = &mesh
	}
	for i, l := range s.Wall.Layers {
		path := fmt.Sprintf("wall.layers[%d]", i)
		b.size(path+".thickness", l.Thickness, 1e-9, 1)
		m.stack = append(m.stack, Layer{Material: b.material(path+".material", l.Material), Thickness: l.Thickness})
	}
	if len(m.stack) > 0 && len(b.errs) == 0 && !slices.ContainsFunc(m.stack, func(l Layer) bool { return l.Material.Sigma > 0 }) {
		b.bad("wall.layers", "need at least one layer of metal")
	}
	b.lid(&m.Specimen.Lid)
	for i := range m.Specimen.Openings {
		m.windows = append(m.windows, b.opening(fmt.Sprintf("openings[%d]", i), &m.Specimen.Openings[i]))
	}
	for i := range m.Specimen.Feeds {
		b.feed(fmt.Sprintf("feedthroughs[%d]", i), &m.Specimen.Feeds[i])
	}
	if len(b.errs) > 0 {
		return nil, errors.Join(b.errs...)
	}
	m.first = s.Cavity.FirstMode()
	return m, nil
}

// Validate reports what is wrong with the size of a cavity.
func (c Cavity) Validate() error {
	b := &builder{at: func(path, format string, args ...any) error {
		return fmt.Errorf("%s: %s", strings.TrimPrefix(path, "cavity."), fmt.Sprintf(format, args...))
	}}
	b.cavity(c)
	return errors.Join(b.errs...)
}

func (b *builder) cavity(c Cavity) {
	const small, large = 5e-3, 100
	box := c.Width != 0 || c.Height != 0 || c.Depth != 0
	round := c.Diameter != 0 || c.Length != 0
	switch {
	case box == round:
		b.bad("cavity", "need the inner width, height and depth of a box, or the diameter and length of a cylinder")
	case box:
		b.size("cavity.width", c.Width, small, large)
		b.size("cavity.height", c.Height, small, large)
		b.size("cavity.depth", c.Depth, small, large)
	default:
		b.size("cavity.diameter", c.Diameter, small, large)
		b.size("cavity.length", c.Length, small, large)
	}
}

func (b *builder) lid(l *Lid) {
	if l.Joint == JointUnknown {
		l.Joint = NoLid
		if l.Edge != 0 || l.Spacing != 0 || l.Gap != 0 || l.SE != 0 {
			b.bad("lid", "need the joint: none, gasket, fastened or loose")
		}
	}
	if l.Joint != NoLid {
		b.size("lid.edge", l.Edge, 1e-3, 100)
	}
	if l.Joint == Fastened {
		b.size("lid.spacing", l.Spacing, 1e-3, max(l.Edge, 1e-3))
	}
	if l.Gap == 0 {
		l.Gap = 0.2e-3
	}
	b.size("lid.gap", l.Gap, 1e-6, 0.1)
	b.db("lid.se", l.SE)
}

func (b *builder) db(path string, v unit.DB) {
	if !(v >= 0) || v > ceiling {
		b.bad(path, "need an SE from 0 dB to %v, have %v", unit.DB(ceiling), v)
	}
}

func (b *builder) count(path string, n *int) {
	if *n == 0 {
		*n = 1
	}
	if *n < 1 || *n > 1e6 {
		b.bad(path, "need a count from 1 to a million, have %d", *n)
	}
}

func (b *builder) opening(path string, o *Opening) *Mesh {
	b.count(path+".count", &o.Count)
	b.size(path+".length", o.Length, 10e-6, 100)
	switch o.Kind {
	case OpeningUnknown:
		b.bad(path+".kind", "need the kind: slot, hole or mesh window")
	case Slot:
		if o.Width == 0 {
			o.Width = min(0.2e-3, o.Length)
		}
		b.size(path+".width", o.Width, 1e-6, o.Length)
	case MeshWindow:
		b.size(path+".width", o.Width, 1e-3, 100)
		if o.Mesh == nil {
			b.bad(path+".mesh", "a mesh window needs its mesh: pitch, wire and material")
			return nil
		}
		mesh := b.mesh(path+".mesh", *o.Mesh)
		return &mesh
	}
	if o.Mesh != nil {
		b.bad(path+".mesh", "only a mesh window has a mesh: make the kind \"mesh window\" or take the mesh out")
	}
	return nil
}

func (b *builder) feed(path string, f *Feedthrough) {
	b.count(path+".count", &f.Count)
	switch f.Kind {
	case FeedUnknown:
		b.bad(path+".kind", "need the kind: tube, filter or bare wire")
	case Tube:
		b.size(path+".width", f.Width, 10e-6, 10)
		b.size(path+".length", f.Length, 10e-6, 100)
	case Filter:
		b.db(path+".se", f.SE)
		if f.SE == 0 {
			b.bad(path+".se", "a filter needs its insertion loss, for example \"80 dB\"")
		}
	}
}

func choice(names []string, i int) string {
	if i < 0 || i >= len(names) {
		return names[0]
	}
	return names[i]
}

func pick(to *int, what string, names []string, text []byte) error {
	i := slices.Index(names, strings.ToLower(strings.TrimSpace(string(text))))
	if i <= 0 {
		return fmt.Errorf("unknown %s %q: use one of %s", what, text, strings.Join(names[1:], ", "))
	}
	*to = i
	return nil
}

// box returns the cavity as a box with its longest side as width and its
// shortest as height, for a slot along the longest side; a cylinder becomes
// the box of equal cross-section.
func (c Cavity) box() (width, height, depth Metre) {
	s := []Metre{c.Width, c.Height, c.Depth}
	if c.Diameter > 0 {
		side := c.Diameter * Metre(math.Sqrt(math.Pi)/2)
		s = []Metre{side, side, c.Length}
	}
	slices.Sort(s)
	return s[2], s[0], s[1]
}
