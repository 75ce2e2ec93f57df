package assay

import (
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// SilverToAdd returns the silver to add to a portion for parting, in grams: portion × (ratio × gold - silver), rounded;
// zero when the alloy holds enough. ratio is silver to gold by mass, such as 2.5 (ISO 11426:2014, 7.2.1 has 2.3 to 3;
// Beringer 1904, p. 146, 2½).
func SilverToAdd(portion quantity.Mass, gold, silver quantity.Fineness, ratio quantity.Decimal, r quantity.Rounding) (quantity.Mass, error) {
	if err := portion.Positive(); err != nil {
		return quantity.Mass{}, refusal.In(err, "portion")
	}
	if gold.IsZero() || silver.IsZero() {
		return quantity.Mass{}, refusal.Invalidf("FINENESS_MISSING", "", "the expected gold or silver is missing; give both, 0 ppt for none")
	}
	if ratio.Sign() <= 0 || ratio.Cmp(quantity.NewDecimal(10)) > 0 {
		return quantity.Mass{}, refusal.Invalidf("RATIO_OUT_OF_RANGE", "ratio", "a ratio of %s of silver to gold does not part; give one above 0 and at most 10, such as 2.5", ratio).With("value", ratio.String())
	}
	if err := r.Check(); err != nil {
		return quantity.Mass{}, err
	}
	need := ratio.Mul(portion.Fine(gold)).Sub(portion.Fine(silver))
	return quantity.Grams(quantity.Max(need, quantity.Decimal{}).Round(r)), nil
}

// PortionFor returns the portion to weigh, in grams, so that it holds this much fine metal: fine × 1000 / fineness.
func PortionFor(fine quantity.Mass, expected quantity.Fineness, r quantity.Rounding) (quantity.Mass, error) {
	if err := fine.Positive(); err != nil {
		return quantity.Mass{}, refusal.In(err, "fine")
	}
	if expected.IsZero() || expected.PerMille().Sign() == 0 {
		return quantity.Mass{}, refusal.Invalidf("FINENESS_MISSING", "expected", "the expected fineness is missing or zero; a portion cannot be chosen by it")
	}
	grams, err := fine.Grams().Shift(3).Quo(expected.PerMille(), r)
	return quantity.Grams(grams), err
}
