// Package requirement holds what must be proven: requirement lines (shielding
// effectiveness in dB against frequency, per field), and the verdict of a
// result against them.
//
// It owns the line format, the built-in lines, the decision rule (guarded
// acceptance, JCGM 106:2012) and the EM code of IEC 61000-5-7. It does not
// measure, does not know where a result came from, and does not say how to
// measure: plans do that.
//
// Values of a standard that were written from memory carry that mark all the
// way to whoever reads the verdict, with the note "check against your copy".
package requirement
