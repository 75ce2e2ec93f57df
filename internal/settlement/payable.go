package settlement

import "barward/internal/quantity"

// NextOunce returns how many percent of one more ounce of fine metal are paid at a fineness of a gross weight: the
// percentage of the band, 100 where a deduction alone decides there, and 0 below the floor. It is what a small change of
// an assay moves; by it nothing is settled.
func (m MetalTerms) NextOunce(f quantity.Fineness, gross quantity.Mass) quantity.Decimal {
	grams := gross.Grams()
	content := grams.Mul(f.PerMille())
	band, paid := m.Payable.band(content, grams)
	if !paid {
		return zero
	}
	in := gramsIn(m.Unit)
	fine := quo(content, in.Mul(thousand))
	due := band.payable(fine, grams, m.Unit, true)
	switch {
	case due.over.Sign() == 0 && fine.Sign() > 0 && !(band.Percent != nil && band.Percent.IsZero()):
		return zero // the deduction takes all of it
	case band.Percent == nil:
		return hundred
	case band.Deduction == PaysLess && due.less(ratio{fine.Mul(*band.Percent), hundred}):
		return hundred // the deduction pays less, and it stays the same
	}
	return *band.Percent
}
