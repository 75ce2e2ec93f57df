package quantity

import (
	"math/big"

	"github.com/cockroachdb/apd/v3"

	"barward/internal/refusal"
)

// FromRat returns an exact fraction rounded once, as r names: for formulas that divide more than once and may round only
// at their end. It refuses a Rounding that names no mode and a result beyond the digits that this package works with.
func FromRat(x *big.Rat, r Rounding) (Decimal, error) {
	if err := r.Check(); err != nil {
		return Decimal{}, err
	}
	var numerator, denominator, quotient, remainder apd.BigInt
	numerator.SetMathBigInt(new(big.Int).Abs(x.Num()))
	numerator.Mul(&numerator, pow10(int64(r.Places)))
	denominator.SetMathBigInt(x.Denom())
	quotient.QuoRem(&numerator, &denominator, &remainder)
	if up(&quotient, &remainder, &denominator, r.Mode) {
		quotient.Add(&quotient, apd.NewBigInt(1))
	}
	var result Decimal
	result.d.Coeff = quotient
	result.d.Exponent = -int32(r.Places)
	result.d.Negative = x.Sign() < 0
	if result.d.NumDigits() > maxWork {
		return Decimal{}, refusal.Invalidf("NUMBER_TOO_LONG", "",
			"a result of %d digits is beyond the %d that are worked with; check the figures",
			result.d.NumDigits(), maxWork)
	}
	return result.unsigned(), nil
}
