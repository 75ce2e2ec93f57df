package quantity

import (
	"math/bits"
	"strconv"
)

// Nearly every figure here has fewer than 19 digits, and arithmetic on machine words gives the same digits as the decimal
// library does, many times faster. Each shortcut below either gives the whole exact answer or says that it cannot, and
// then the library is asked; `TestShortcutsAgainstTheLibrary` compares the two.

// tens are the powers of ten that fit in 63 bits.
var tens = func() (tens [19]uint64) {
	tens[0] = 1
	for n := 1; n < len(tens); n++ {
		tens[n] = 10 * tens[n-1]
	}
	return tens
}()

const (
	smallLimit    = 1 << 62 // of a coefficient, so that the sum of two fits too
	smallExponent = 100     // of exponents, far from where the library stops
)

// small is a decimal as a coefficient below smallLimit, a sign and an exponent.
type small struct {
	coefficient uint64
	negative    bool
	exponent    int32
}

func (a *Decimal) small() (small, bool) {
	if !a.d.Coeff.IsUint64() || a.d.Exponent < -smallExponent || a.d.Exponent > smallExponent {
		return small{}, false
	}
	c := a.d.Coeff.Uint64()
	return small{c, a.d.Negative, a.d.Exponent}, c < smallLimit
}

func (s small) decimal() (d Decimal) {
	d.d.Coeff.SetUint64(s.coefficient)
	d.d.Negative = s.negative && s.coefficient != 0
	d.d.Exponent = s.exponent
	return d
}

// signed is the coefficient with its sign.
func (s small) signed() int64 {
	if s.negative {
		return -int64(s.coefficient)
	}
	return int64(s.coefficient)
}

// times returns c × 10^n where that is below smallLimit.
func times(c uint64, n int32) (uint64, bool) {
	if n < 0 || int(n) >= len(tens) {
		return 0, c == 0 && n >= 0
	}
	high, low := bits.Mul64(c, tens[n])
	return low, high == 0 && low < smallLimit
}

// aligned returns both with the smaller of their exponents.
func aligned(a, b *Decimal) (x, y small, ok bool) {
	x, okA := a.small()
	y, okB := b.small()
	if !okA || !okB {
		return x, y, false
	}
	switch {
	case x.exponent > y.exponent:
		x.coefficient, ok = times(x.coefficient, x.exponent-y.exponent)
		x.exponent = y.exponent
	case y.exponent > x.exponent:
		y.coefficient, ok = times(y.coefficient, y.exponent-x.exponent)
		y.exponent = x.exponent
	default:
		ok = true
	}
	return x, y, ok
}

// addSmall is a + b, or a - b.
func addSmall(a, b *Decimal, subtract bool) (Decimal, bool) {
	x, y, ok := aligned(a, b)
	if !ok {
		return Decimal{}, false
	}
	y.negative = y.negative != subtract
	sum := x.signed() + y.signed()
	if sum < 0 {
		return small{uint64(-sum), true, x.exponent}.decimal(), true
	}
	return small{uint64(sum), false, x.exponent}.decimal(), true
}

func mulSmall(a, b *Decimal) (Decimal, bool) {
	x, okA := a.small()
	y, okB := b.small()
	if !okA || !okB {
		return Decimal{}, false
	}
	high, low := bits.Mul64(x.coefficient, y.coefficient)
	return small{low, x.negative != y.negative, x.exponent + y.exponent}.decimal(), high == 0
}

func cmpSmall(a, b *Decimal) (order int, ok bool) {
	x, y, ok := aligned(a, b)
	if !ok {
		return 0, false
	}
	switch i, j := x.signed(), y.signed(); {
	case i < j:
		return -1, true
	case i > j:
		return 1, true
	}
	return 0, true
}

// quoSmall is Quo of a checked rounding and a divisor that is not zero.
func quoSmall(a, b *Decimal, r Rounding) (Decimal, bool) {
	x, okA := a.small()
	y, okB := b.small()
	if !okA || !okB {
		return Decimal{}, false
	}
	shift := x.exponent - y.exponent + int32(r.Places)
	numerator, okA := times(x.coefficient, max(shift, 0))
	denominator, okB := times(y.coefficient, max(-shift, 0))
	if !okA || !okB {
		return Decimal{}, false
	}
	quotient, remainder := numerator/denominator, numerator%denominator
	switch rest := denominator - remainder; { // the remainder is above, at or below a half as it is above, at or below the rest
	case remainder == 0 || r.Mode == Down || remainder < rest:
	case remainder > rest || r.Mode == HalfUp || quotient%2 == 1:
		quotient++
	}
	return small{quotient, x.negative != y.negative, -int32(r.Places)}.decimal(), true
}

// text is String of a small number without a positive exponent.
func (s small) text() string {
	var room [160]byte
	b := room[:0]
	if s.negative {
		b = append(b, '-')
	}
	places := int(-s.exponent)
	var digits [20]byte
	d := strconv.AppendUint(digits[:0], s.coefficient, 10)
	if places == 0 {
		return string(append(b, d...))
	}
	if len(d) <= places {
		b = append(b, '0', '.')
		for range places - len(d) {
			b = append(b, '0')
		}
		return string(append(b, d...))
	}
	b = append(b, d[:len(d)-places]...)
	b = append(b, '.')
	return string(append(b, d[len(d)-places:]...))
}

// exactFloats are the powers of ten that float64 holds exactly: a quotient of two exact numbers is rounded once.
var exactFloats = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17,
	1e18, 1e19, 1e20, 1e21, 1e22}

func (s small) float() (float64, bool) {
	if s.coefficient > 1<<53 || s.exponent > 0 || int(-s.exponent) >= len(exactFloats) {
		return 0, false
	}
	f := float64(s.coefficient) / exactFloats[-s.exponent]
	if s.negative {
		f = -f
	}
	return f, true
}
