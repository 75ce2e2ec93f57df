// Package quantity holds exact decimals with units: masses, finenesses, money, and the roundings between them.
//
// Invariants:
//  1. Nothing is built from binary floating point, and nothing here returns it but Decimal.Float, for statistics.
//  2. Nothing rounds without a Rounding, and a Rounding whose mode was not named is refused.
//  3. A quantity keeps the digits and the unit it was entered with: the last zero of "12441.390 g" is evidence.
//  4. Every operation is bounded in digits; a value outside the bounds is refused, never cut.
//
// Display precision never decides whether two numbers agree: comparisons are exact, and a difference equal to a limit is
// within it.
//
// Sources: one troy ounce is 31.1034768 g exactly (Weights and Measures Act 1985 (UK), Schedule 1, Part V); fineness in
// parts per thousand is the custom of the bullion trade (Beringer, A Text-Book of Assaying, 9th ed. 1904, ch. I);
// currency codes are ISO 4217.
//
// Left out: avoirdupois units, tola, tael and baht, which no party to a doré contract that we know of settles in.
package quantity

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"barward/internal/refusal"
)

// Decimal is an exact decimal number that remembers its trailing zeros. The zero value is 0. Decimals are immutable and
// may be copied; compare them with Cmp or Equal: == does not compile.
type Decimal struct {
	_ [0]func() // takes == away, which would tell 1.0 from 1.00 and one large number from its equal
	d apd.Decimal
}

// exact traps everything that would lose a digit.
var exact = apd.Context{
	Precision:   maxWork,
	MaxExponent: maxExponent,
	MinExponent: -maxExponent,
	Traps: apd.SystemOverflow | apd.SystemUnderflow | apd.Overflow | apd.Underflow | apd.Inexact | apd.Rounded |
		apd.Subnormal | apd.DivisionUndefined | apd.DivisionByZero | apd.DivisionImpossible | apd.InvalidOperation,
}

// ParseDecimal reads a plain decimal such as "12441.390" or "-0.5": an optional minus sign, digits, and optionally a
// point with digits on both sides of it. Exponents, infinities, NaN, plus signs, separators and spaces are refused, as
// is a number of more than 40 characters, 30 significant digits or 18 places. Leading zeros and the sign of a zero say
// nothing and are dropped.
func ParseDecimal(s string) (Decimal, error) {
	if s == "" {
		return Decimal{}, refusal.Invalidf("NUMBER_MISSING", "",
			"a number is missing; write it in digits, such as 12441.390")
	}
	if len(s) > maxText {
		return Decimal{}, tooLong(s, len(s), "characters", maxText)
	}
	digits, places, point := 0, 0, false
	coefficient := uint64(0)
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c >= '0' && c <= '9':
			digits++
			coefficient = 10*coefficient + uint64(c-'0') // whole while there are few digits
			if point {
				places++
			}
		case c == '-' && i == 0:
		case c == '.' && !point && digits > 0:
			point = true
		default:
			return Decimal{}, malformed(s)
		}
	}
	if digits == 0 || point && places == 0 {
		return Decimal{}, malformed(s)
	}
	if places > maxPlaces {
		return Decimal{}, refusal.Invalidf("NUMBER_TOO_FINE", "", "%s has %d places; at most %d are allowed, so write fewer",
			refusal.Quote(s), places, maxPlaces).With("value", s)
	}
	if digits < len(tens) {
		return small{coefficient, s[0] == '-', -int32(places)}.decimal(), nil
	}
	var d Decimal
	if _, _, err := d.d.SetString(s); err != nil {
		return Decimal{}, malformed(s)
	}
	if d.d.NumDigits() > maxDigits {
		return Decimal{}, tooLong(s, int(d.d.NumDigits()), "digits", maxDigits)
	}
	if d.d.IsZero() {
		d.d.Negative = false
	}
	return d, nil
}

func malformed(s string) error {
	return refusal.Invalidf("NUMBER_MALFORMED", "", "%s is not a plain decimal number; write digits with at most one point "+
		"between them, such as 12441.390 or -0.5, and no exponent, plus sign, space or separator", refusal.Quote(s)).
		With("value", s)
}

func tooLong(s string, found int, what string, most int) error {
	return refusal.Invalidf("NUMBER_TOO_LONG", "", "%s has %d %s; at most %d are allowed, so write fewer",
		refusal.Quote(s), found, what, most).With("value", s)
}

// MustDecimal is ParseDecimal for constants in code; it panics on what ParseDecimal refuses.
func MustDecimal(s string) Decimal {
	d, err := ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

// NewDecimal returns an integer.
func NewDecimal(n int64) Decimal {
	var d Decimal
	d.d.SetInt64(n)
	return d
}

// must turns the decimal library's conditions into a panic: with parsed inputs bounded as above, only a chain of
// products that no formula of this service has could meet one, so it is a bug and not bad input.
func must(_ apd.Condition, err error) {
	if err != nil {
		panic(fmt.Sprintf("quantity: %v", err))
	}
}

// Add returns a + b, exactly.
func (a Decimal) Add(b Decimal) (sum Decimal) {
	if sum, ok := addSmall(&a, &b, false); ok {
		return sum
	}
	must(exact.Add(&sum.d, &a.d, &b.d))
	return sum.unsigned()
}

// Sub returns a - b, exactly.
func (a Decimal) Sub(b Decimal) (difference Decimal) {
	if difference, ok := addSmall(&a, &b, true); ok {
		return difference
	}
	must(exact.Sub(&difference.d, &a.d, &b.d))
	return difference.unsigned()
}

// Mul returns a × b, exactly.
func (a Decimal) Mul(b Decimal) (product Decimal) {
	if product, ok := mulSmall(&a, &b); ok {
		return product
	}
	must(exact.Mul(&product.d, &a.d, &b.d))
	return product.unsigned()
}

// unsigned drops the sign of a zero.
func (a Decimal) unsigned() Decimal {
	if a.d.IsZero() {
		a.d.Negative = false
	}
	return a
}

// Neg returns -a.
func (a Decimal) Neg() Decimal {
	a.d.Negative = !a.d.Negative
	return a.unsigned()
}

// Abs returns |a|.
func (a Decimal) Abs() Decimal {
	a.d.Negative = false
	return a
}

// Cmp returns -1, 0 or +1 as a is less than, equal to or greater than b; 1.0 equals 1.00.
func (a Decimal) Cmp(b Decimal) int {
	if order, ok := cmpSmall(&a, &b); ok {
		return order
	}
	return a.d.Cmp(&b.d)
}

// Equal reports whether a and b are the same number; 1.0 equals 1.00.
func (a Decimal) Equal(b Decimal) bool { return a.Cmp(b) == 0 }

// Less reports whether a < b.
func (a Decimal) Less(b Decimal) bool { return a.Cmp(b) < 0 }

// Sign returns -1, 0 or +1.
func (a Decimal) Sign() int { return a.d.Sign() }

// IsZero reports whether a is 0.
func (a Decimal) IsZero() bool { return a.d.IsZero() }

// Places returns the number of digits after the point, trailing zeros included.
func (a Decimal) Places() int {
	if a.d.Exponent >= 0 {
		return 0
	}
	return int(-a.d.Exponent)
}

// Shift returns a × 10^n, exactly.
func (a Decimal) Shift(n int) Decimal {
	a.d.Exponent += int32(n)
	if a.d.Exponent > 0 && a.d.IsZero() {
		a.d.Exponent = 0 // or 0 % would print as "00" parts per thousand
	}
	return a
}

// Pad returns a with zeros added so that it shows at least this many places; it never drops a digit.
func (a Decimal) Pad(places int) Decimal {
	if a.Places() >= places {
		return a
	}
	return a.rescale(-int32(places))
}

// Trim returns a without trailing zeros after the point.
func (a Decimal) Trim() Decimal {
	if s, ok := a.small(); ok {
		for s.exponent < 0 && s.coefficient%10 == 0 {
			s.coefficient, s.exponent = s.coefficient/10, s.exponent+1
		}
		return s.decimal()
	}
	for a.d.Exponent < 0 {
		var q, r apd.BigInt
		q.QuoRem(&a.d.Coeff, apd.NewBigInt(10), &r)
		if r.Sign() != 0 {
			break
		}
		a.d.Coeff, a.d.Exponent = q, a.d.Exponent+1
	}
	return a
}

// rescale returns a with a smaller or equal exponent, exactly.
func (a Decimal) rescale(exponent int32) Decimal {
	if s, ok := a.small(); ok {
		if c, ok := times(s.coefficient, s.exponent-exponent); ok {
			return small{c, s.negative, exponent}.decimal()
		}
	}
	var coefficient apd.BigInt
	coefficient.Mul(&a.d.Coeff, pow10(int64(a.d.Exponent-exponent)))
	a.d.Coeff, a.d.Exponent = coefficient, exponent
	return a
}

// powers are the powers of ten that roundings ask for; nothing writes to them.
var powers = func() (powers [40]*apd.BigInt) {
	for n := range powers {
		powers[n] = new(apd.BigInt).Exp(apd.NewBigInt(10), apd.NewBigInt(int64(n)), nil)
	}
	return powers
}()

func pow10(n int64) *apd.BigInt {
	if n < int64(len(powers)) {
		return powers[n]
	}
	return new(apd.BigInt).Exp(apd.NewBigInt(10), apd.NewBigInt(n), nil)
}

// Round returns a rounded as r names, showing exactly r.Places places. It panics when r names no mode: a Rounding is
// checked where it enters, by Rounding.Check.
func (a Decimal) Round(r Rounding) Decimal {
	quotient, err := a.Quo(NewDecimal(1), r)
	if err != nil {
		panic(err)
	}
	return quotient
}

// Quo returns a / b rounded once, as r names, by integer quotient and remainder; no intermediate digit is lost. It
// refuses division by zero.
func (a Decimal) Quo(b Decimal, r Rounding) (Decimal, error) {
	if err := r.Check(); err != nil {
		return Decimal{}, err
	}
	if b.IsZero() {
		return Decimal{}, refusal.Invalidf("DIVISION_BY_ZERO", "",
			"a quantity cannot be divided by zero; give a divisor that is not zero")
	}
	if quotient, ok := quoSmall(&a, &b, r); ok {
		return quotient, nil
	}
	// a/b = (ac/bc) × 10^(ae-be); scale so that the integer quotient counts units of 10^-Places.
	var numerator, denominator apd.BigInt // of their own: a copied BigInt may share its digits
	shift := int64(a.d.Exponent) - int64(b.d.Exponent) + int64(r.Places)
	numerator.Mul(&a.d.Coeff, pow10(max(shift, 0)))
	denominator.Mul(&b.d.Coeff, pow10(max(-shift, 0)))
	var quotient, remainder apd.BigInt
	quotient.QuoRem(&numerator, &denominator, &remainder)
	if up(&quotient, &remainder, &denominator, r.Mode) {
		quotient.Add(&quotient, apd.NewBigInt(1))
	}
	var result Decimal
	result.d.Coeff = quotient
	result.d.Exponent = -int32(r.Places)
	result.d.Negative = a.d.Negative != b.d.Negative
	return result.unsigned(), nil
}

// MultipleOf reports whether a is a whole number of b, exactly; nothing is one of 0.
func (a Decimal) MultipleOf(b Decimal) bool {
	if b.IsZero() {
		return false
	}
	if x, y, ok := aligned(&a, &b); ok {
		return x.coefficient%y.coefficient == 0
	}
	whole, err := a.Quo(b, Rounding{Mode: Down})
	return err == nil && whole.Mul(b).Equal(a)
}

// up reports whether the magnitude of a truncated quotient goes up by one unit in the last place.
func up(quotient, remainder, denominator *apd.BigInt, mode Mode) bool {
	if remainder.Sign() == 0 || mode == Down {
		return false
	}
	var twice apd.BigInt
	twice.Mul(remainder, apd.NewBigInt(2))
	switch twice.Cmp(denominator) {
	case -1:
		return false
	case 1:
		return true
	}
	if mode == HalfUp {
		return true
	}
	var odd apd.BigInt
	odd.Rem(quotient, apd.NewBigInt(2))
	return odd.Sign() != 0
}

// String writes a without an exponent and with its trailing zeros.
func (a Decimal) String() string {
	if s, ok := a.small(); ok && s.exponent <= 0 {
		return s.text()
	}
	return a.d.Text('f')
}

// Float returns the nearest float64. It is for statistics only: no mass, fineness, price or amount may come back from it.
func (a Decimal) Float() float64 {
	if s, ok := a.small(); ok {
		if f, ok := s.float(); ok {
			return f
		}
	}
	f, _ := a.Rat().Float64()
	return f
}

// Rat returns a as an exact fraction: the second opinion of tests, and the way to statistics.
func (a Decimal) Rat() *big.Rat {
	r, ok := new(big.Rat).SetString(a.String())
	if !ok {
		panic("quantity: a decimal that is not a fraction: " + a.String())
	}
	return r
}

// MarshalJSON writes a as a JSON string, so that no reader can take it through binary floating point.
func (a Decimal) MarshalJSON() ([]byte, error) { return json.Marshal(a.String()) }

// UnmarshalJSON reads a JSON string, or a JSON number written as a plain decimal.
func (a *Decimal) UnmarshalJSON(b []byte) error {
	s := string(b)
	if strings.HasPrefix(s, `"`) {
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
	}
	d, err := ParseDecimal(s)
	if err != nil {
		return err
	}
	*a = d
	return nil
}

// Sum adds decimals, exactly.
func Sum(of ...Decimal) (sum Decimal) {
	for _, d := range of {
		sum = sum.Add(d)
	}
	return sum
}

// Mean returns the arithmetic mean rounded once, as r names; it refuses an empty list.
func Mean(r Rounding, of ...Decimal) (Decimal, error) {
	if len(of) == 0 {
		return Decimal{}, refusal.Invalidf("MEAN_OF_NOTHING", "",
			"the mean of no values is not defined; give at least one")
	}
	return Sum(of...).Quo(NewDecimal(int64(len(of))), r)
}

// Min returns the smaller of a and b.
func Min(a, b Decimal) Decimal {
	if b.Less(a) {
		return b
	}
	return a
}

// Max returns the larger of a and b.
func Max(a, b Decimal) Decimal {
	if a.Less(b) {
		return b
	}
	return a
}
