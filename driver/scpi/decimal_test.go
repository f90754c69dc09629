package scpi_test

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"

	"lidded/driver/scpi"
)

// Decimals of every length and exponent around the fast paths must round as
// strconv does; halfway cases between two float64 are among them.
func TestDecimalRoundsLikeStrconv(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	check := func(s string) {
		t.Helper()
		want, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := scpi.ParseNumber([]byte(s)); err != nil || !same(got, want) {
			t.Errorf("ParseNumber(%q) = %v, %v; strconv reads %v", s, got, err, want)
		}
	}
	for range 20000 {
		mant := r.Uint64() >> r.IntN(64)
		if r.IntN(3) == 0 { // the middle between two float64
			mant = (mant>>11|1<<52)*2 + 1
			mant <<= r.IntN(9)
		}
		check(fmt.Sprintf("%dE%d", mant, r.IntN(55)-37))
	}
	for _, s := range []string{
		"9007199254740993", "9007199254740993E0", "90071992547409930E-1", "9007199254740993000E-3",
		"18014398509481986", "9999999999999999999", "979999999999999999E19", "9007199254740995E18",
		"1844674407370955161.5", "9223372036854775807E-19", "10000000000000000001E-19",
	} {
		check(s)
		check("-" + s)
	}
}
