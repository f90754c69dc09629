// Package wall says what a shield should do: sheets and stacks, closed shells,
// wire meshes, openings, waveguides below cut-off, cavities, and the residual
// of a pulse behind a measured curve. From what a specimen is made of it gives
// the expected shielding effectiveness as a band with a stated range of
// validity; it compares that with measured points, names what could explain a
// difference, and says what may be inferred where nothing was measured.
//
// It owns the physics, the material data and the construction description of
// a specimen. It does not measure, does not judge against a requirement, and
// does not know instruments. All of it is pure computation: no clock, no
// files but the embedded material data.
//
// Quantities are in SI units unless a type or a name says otherwise; complex
// quantities follow exp(+jωt). A flat-screen formula is not an enclosure: the
// functions for infinite sheets and meshes say so, and Specimen.Expect does
// not use them alone for a box.
package wall
