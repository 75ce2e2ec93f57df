package assay

import (
	"fmt"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Splitting is the comparison of two results with the splitting limit. Decimals are parts per thousand.
type Splitting struct {
	Seller     quantity.Fineness `json:"seller"`
	Refiner    quantity.Fineness `json:"refiner"`
	Difference quantity.Decimal  `json:"difference"` // seller less refiner, exactly
	Limit      quantity.Decimal  `json:"limit"`      // of the band that holds the unrounded mean, exactly
	Within     bool              `json:"within"`     // |difference| <= limit
	Mean       quantity.Fineness `json:"mean"`       // rounded as the terms name; settled only when within
	Words      string            `json:"words"`
}

// Decision is what the umpire's result settles. Distances are parts per thousand; the cost shares add to exactly 1.
type Decision struct {
	Rule            UmpireRule        `json:"rule"`
	Branch          string            `json:"branch"` // which case of the rule applied, such as "umpire between the parties"
	Umpire          quantity.Fineness `json:"umpire"`
	Settled         quantity.Fineness `json:"settled"`          // rounded as the terms name
	SellerDistance  quantity.Decimal  `json:"seller_distance"`  // |S - U|
	RefinerDistance quantity.Decimal  `json:"refiner_distance"` // |B - U|
	Farther         Side              `json:"farther"`          // empty when both are equally far
	CostRule        CostRule          `json:"cost_rule"`
	SellerCost      quantity.Decimal  `json:"seller_cost"`  // share of the umpire's fee, 0 to 1
	RefinerCost     quantity.Decimal  `json:"refiner_cost"` // share of the umpire's fee, 0 to 1
	Words           string            `json:"words"`
}

// Split compares the results of both parties with the splitting limit of t. The mean decides the band and a relative
// limit, unrounded; |seller - refiner| equal to the limit is within it. It refuses terms that do not Check, a missing
// result, and terms with bands by base metal (choose with ForBase first).
func Split(seller, refiner quantity.Fineness, t ExchangeTerms) (Splitting, error) {
	if err := t.Check(); err != nil {
		return Splitting{}, err
	}
	if err := both(seller, refiner); err != nil {
		return Splitting{}, err
	}
	for i, b := range t.SplittingLimits {
		if b.Base != "" {
			return Splitting{}, refusal.Invalidf("BASE_UNKNOWN", fmt.Sprintf("splitting_limits[%d].base", i), "the limits depend on the base metal of the bar, which was not given; choose it first")
		}
	}
	mean := seller.PerMille().Add(refiner.PerMille()).Mul(half)
	s := Splitting{
		Seller: seller, Refiner: refiner,
		Difference: seller.PerMille().Sub(refiner.PerMille()),
		Limit:      limitAt(mean, t.SplittingLimits),
		Mean:       rounded(mean, t.MeanRounding),
	}
	s.Within = s.Difference.Abs().Cmp(s.Limit) <= 0
	if s.Within {
		s.Words = fmt.Sprintf("%s: the results differ by %s ppt, within the splitting limit of %s ppt; the mean of %s is settled", t.Element, s.Difference.Abs(), s.Limit, s.Mean)
	} else {
		s.Words = fmt.Sprintf("%s: the results differ by %s ppt, more than the splitting limit of %s ppt", t.Element, s.Difference.Abs(), s.Limit)
	}
	return s, nil
}

// limitAt returns the limit in parts per thousand of the band that holds mean; bands rise from 0 ppt.
func limitAt(mean quantity.Decimal, bands []LimitBand) quantity.Decimal {
	band := bands[0]
	for _, b := range bands[1:] {
		if b.From.PerMille().Cmp(mean) <= 0 {
			band = b
		}
	}
	switch band.Unit {
	case LimitPerMilleOfMean:
		return band.Limit.Mul(mean).Shift(-3)
	case LimitPercentOfMean:
		return band.Limit.Mul(mean).Shift(-2)
	}
	return band.Limit
}

func both(seller, refiner quantity.Fineness) error {
	if seller.IsZero() {
		return refusal.Invalidf("FINENESS_MISSING", "seller", "the seller's result is missing; give a number and a unit, such as 812.44 ppt")
	}
	if refiner.IsZero() {
		return refusal.Invalidf("FINENESS_MISSING", "refiner", "the refiner's result is missing; give a number and a unit, such as 812.44 ppt")
	}
	return nil
}

// rounded returns a value between 0 and 1000 ppt as a fineness, rounded once. Rounding cannot leave that range.
func rounded(value quantity.Decimal, r quantity.Rounding) quantity.Fineness {
	f, err := quantity.PartsPerThousand(value.Round(r))
	if err != nil {
		panic("assay: a mean of finenesses outside 0 to 1000 ppt: " + err.Error())
	}
	return f
}

// Umpire settles an element whose results lie outside the splitting limit by the umpire's result, and says who bears
// the fee. Distances are compared exactly, before any rounding. It refuses results that are within the limit
// (UMPIRE_NOT_DUE), because the parties are bound by their mean then.
//
// The four rules and the customs of cost are common practice of the trade, no source; the agreement names one.
func Umpire(seller, refiner, umpire quantity.Fineness, t ExchangeTerms) (Decision, error) {
	split, err := Split(seller, refiner, t)
	if err != nil {
		return Decision{}, err
	}
	if umpire.IsZero() {
		return Decision{}, refusal.Invalidf("FINENESS_MISSING", "umpire", "the umpire's result is missing; give a number and a unit, such as 812.44 ppt")
	}
	if split.Within {
		return Decision{}, refusal.New(refusal.Precondition, "UMPIRE_NOT_DUE", "", "the results differ by %s ppt, within the splitting limit of %s ppt, so their mean is settled and no umpire is due", split.Difference.Abs(), split.Limit)
	}
	s, b, u := seller.PerMille(), refiner.PerMille(), umpire.PerMille()
	d := Decision{
		Rule: t.UmpireRule, CostRule: t.CostRule, Umpire: umpire,
		SellerDistance: s.Sub(u).Abs(), RefinerDistance: b.Sub(u).Abs(),
	}
	switch d.SellerDistance.Cmp(d.RefinerDistance) {
	case 1:
		d.Farther = Seller
	case -1:
		d.Farther = Refiner
	}
	var value quantity.Decimal
	switch t.UmpireRule {
	case UmpireAlone:
		value, d.Branch = u, "the umpire's result alone"
	case MiddleOfThree:
		value, d.Branch = middle(s, b, u)
	case MeanWithNearer:
		value, d.Branch = meanWithNearer(s, b, u, d.Farther)
	case TwoClosest:
		value, d.Branch = twoClosest(s, b, u, d.Farther, t)
	}
	d.Settled = rounded(value, t.SettledRounding)
	d.SellerCost, d.RefinerCost = d.cost(split.Limit)
	d.Words = fmt.Sprintf("%s: seller %s, refiner %s, umpire %s; %s: %s is settled. %s", t.Element, seller, refiner, umpire, d.Branch, d.Settled, d.costWords())
	return d, nil
}

// middle returns the median of three and which result it is.
func middle(s, b, u quantity.Decimal) (quantity.Decimal, string) {
	low, high := quantity.Min(s, b), quantity.Max(s, b)
	switch {
	case u.Cmp(low) >= 0 && u.Cmp(high) <= 0:
		return u, "the umpire's result lies between the parties' and is the middle"
	case (u.Less(low)) == s.Less(b):
		return s, "the seller's result is the middle of the three"
	}
	return b, "the refiner's result is the middle of the three"
}

func meanWithNearer(s, b, u quantity.Decimal, farther Side) (quantity.Decimal, string) {
	switch farther {
	case Refiner:
		return s.Add(u).Mul(half), "the mean of the umpire's and the seller's, the nearer"
	case Seller:
		return b.Add(u).Mul(half), "the mean of the umpire's and the refiner's, the nearer"
	}
	return u, "the umpire's result is half-way and stands alone"
}

func twoClosest(s, b, u quantity.Decimal, farther Side, t ExchangeTerms) (quantity.Decimal, string) {
	su, bu, sb := s.Sub(u).Abs(), b.Sub(u).Abs(), s.Sub(b).Abs()
	closest := quantity.Min(quantity.Min(su, bu), sb)
	pairs := 0
	for _, distance := range []quantity.Decimal{su, bu, sb} {
		if distance.Equal(closest) {
			pairs++
		}
	}
	if pairs > 1 {
		switch t.TieRule {
		case TieUmpireAlone:
			return u, "two pairs are equally close; by the tie rule the umpire's result alone"
		case TieMiddleOfThree:
			value, _ := middle(s, b, u)
			return value, "two pairs are equally close; by the tie rule the middle of the three"
		}
		value, words := meanWithNearer(s, b, u, farther)
		return value, "two pairs are equally close; by the tie rule " + words
	}
	switch {
	case su.Equal(closest):
		return s.Add(u).Mul(half), "the umpire's and the seller's are the two closest; their mean"
	case bu.Equal(closest):
		return b.Add(u).Mul(half), "the umpire's and the refiner's are the two closest; their mean"
	}
	return s.Add(b).Mul(half), "the parties' own results are the two closest; their mean"
}

// cost returns the shares of the umpire's fee.
func (d Decision) cost(limit quantity.Decimal) (seller, refiner quantity.Decimal) {
	pays := d.Farther
	switch d.CostRule {
	case CostShared:
		pays = ""
	case OutsideLimitPays:
		sellerOut, refinerOut := d.SellerDistance.Cmp(limit) > 0, d.RefinerDistance.Cmp(limit) > 0
		switch {
		case sellerOut == refinerOut:
			pays = ""
		case sellerOut:
			pays = Seller
		default:
			pays = Refiner
		}
	}
	switch pays {
	case Seller:
		return one, quantity.Decimal{}
	case Refiner:
		return quantity.Decimal{}, one
	}
	return half, half
}

func (d Decision) costWords() string {
	switch {
	case d.SellerCost.Equal(d.RefinerCost):
		return "The umpire's fee is shared equally."
	case d.SellerCost.Equal(one):
		return "The seller bears the umpire's fee."
	}
	return "The refiner bears the umpire's fee."
}
