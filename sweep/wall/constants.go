package wall

import "math"

// Constants of free space, and the conductivity to which the handbooks refer
// (International Annealed Copper Standard).
const (
	C0          = 299792458.0       // m/s
	Mu0         = 4e-7 * math.Pi    // H/m
	Eta0        = Mu0 * C0          // ohm, 376.7303
	Eps0        = 1 / (Eta0 * C0)   // F/m
	SigmaIACS   = 5.80e7            // S/m
	neper       = 8.685889638065037 // dB in one neper, 20·log10(e)
	metrePerMil = 25.4e-6
	metrePerIn  = 25.4e-3
)

// wavelength returns the free-space wavelength in metres.
func wavelength(f float64) float64 { return C0 / f }

// db returns a field-strength ratio in decibels.
func db(ratio float64) float64 { return 20 * math.Log10(ratio) }

// fieldRatio returns the field-strength ratio of a value in decibels.
func fieldRatio(db float64) float64 { return math.Pow(10, db/20) }
