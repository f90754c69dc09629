package scpi

import (
	"math"
	"math/bits"
	"strconv"
	"unsafe"
)

// pow10 holds the powers of ten that a float64 represents exactly.
var pow10 = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// scanDecimal reads the decimal number s begins with and returns it, correctly
// rounded, and its length; length 0 means there is none.
//
// A mantissa below 2^53 scaled by a power of ten up to 22 is one exactly
// rounded operation (W. D. Clinger, "How to read floating point numbers
// accurately", PLDI 1990, doi:10.1145/93542.93557). A mantissa of up to 19
// digits scaled by a power of ten up to 19 is one operation on 128-bit
// integers. Everything else goes to strconv.
func scanDecimal(s []byte) (float64, int) {
	i, n := 0, len(s)
	neg := false
	if i < n && (s[i] == '-' || s[i] == '+') {
		neg = s[i] == '-'
		i++
	}
	var mant uint64
	start := i
	for i < n {
		d := s[i] - '0'
		if d > 9 {
			break
		}
		mant = mant*10 + uint64(d)
		i++
	}
	digits := i - start
	exp := 0
	if i < n && s[i] == '.' {
		i++
		point := i
		for i < n {
			d := s[i] - '0'
			if d > 9 {
				break
			}
			mant = mant*10 + uint64(d)
			i++
		}
		exp = point - i
		digits -= exp
	}
	if digits == 0 {
		return 0, 0
	}
	if i < n && s[i]|0x20 == 'e' {
		j, eneg, e := i+1, false, 0
		if j < n && (s[j] == '-' || s[j] == '+') {
			eneg = s[j] == '-'
			j++
		}
		first := j
		for j < n {
			d := s[j] - '0'
			if d > 9 {
				break
			}
			if e < 1e6 {
				e = e*10 + int(d)
			}
			j++
		}
		if j > first {
			if eneg {
				e = -e
			}
			exp += e
			i = j
		}
	}
	var v float64
	switch {
	case digits > 19 || exp < -22 || exp > 22:
		return slowDecimal(s[:i]), i
	case mant <= 1<<53 && exp < 0:
		v = float64(mant) / pow10[-exp]
	case mant <= 1<<53:
		v = float64(mant) * pow10[exp]
	case exp < -19 || exp > 19:
		return slowDecimal(s[:i]), i
	case exp < 0:
		v = quotient(mant, uint64(pow10[-exp]))
	default:
		v = product(mant, uint64(pow10[exp]))
	}
	if neg {
		v = -v
	}
	return v, i
}

// quotient returns m/d, correctly rounded; neither is zero.
func quotient(m, d uint64) float64 {
	lm, ld := bits.LeadingZeros64(m), bits.LeadingZeros64(d)
	m <<= lm
	// With both normalised the quotient has 63 or 64 bits, ten more than a
	// float64 keeps; a remainder only matters for a tie, so one bit stands for it.
	q, rem := bits.Div64(m>>1, m<<63, d<<ld)
	if rem != 0 {
		q |= 1
	}
	return float64(q) * power2(ld-lm-63)
}

// product returns m·f, correctly rounded; neither is zero.
func product(m, f uint64) float64 {
	hi, lo := bits.Mul64(m, f)
	if hi == 0 {
		return float64(lo)
	}
	s := bits.LeadingZeros64(hi)
	top := hi<<s | lo>>(64-s)
	if lo<<s != 0 {
		top |= 1
	}
	return float64(top) * power2(64-s)
}

// power2 returns 2^e for an exponent of a normal number.
func power2(e int) float64 { return math.Float64frombits(uint64(1023+e) << 52) }

// slowDecimal rounds any well-formed decimal; overflow gives an infinity.
func slowDecimal(s []byte) float64 {
	v, _ := strconv.ParseFloat(unsafe.String(&s[0], len(s)), 64)
	return v
}
