package weighing

import (
	"encoding/json"
	"fmt"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// FineMassRequest is the input of FineMassPreview: a mass and a fineness with their standard uncertainties. That of the
// mass is stated, or follows from the balance that weighed it.
type FineMassRequest struct {
	Mass        quantity.Mass `json:"mass"`
	Uncertainty quantity.Mass `json:"uncertainty,omitzero"` // standard; or else Balance, Readings and Occasion
	Balance     *Balance      `json:"balance,omitempty"`
	Readings    int           `json:"readings,omitempty"` // of which Mass is the mean
	Occasion    Occasion      `json:"occasion,omitempty"`

	Fineness quantity.Fineness `json:"fineness"`
	Assay    quantity.Decimal  `json:"assay_uncertainty"`             // standard, ppt; of the laboratory
	Sampling quantity.Decimal  `json:"sampling_uncertainty,omitzero"` // standard, ppt; of the sample against the bar
	K        quantity.Decimal  `json:"k"`                             // coverage factor, 2 for about 95 %
}

// FineMassReply is the output of FineMassPreview.
type FineMassReply struct {
	Words    string           `json:"words"`
	FineMass quantity.Decimal `json:"fine_g"` // exact
	Budget   Budget           `json:"budget"`
	Weighing *Budget          `json:"weighing,omitempty"` // of the mass, where the balance was given
}

// FineMassPreview gives the uncertainty of a fine mass by GUM 5.1.6, by contribution, so that it shows what is worth
// improving: JSON in, JSON out (see FineMassRequest and FineMassReply). Sampling stands beside the assay because a
// laboratory's repeats never show it.
func FineMassPreview(b []byte) ([]byte, error) {
	var in FineMassRequest
	if err := decode(b, &in); err != nil {
		return nil, err
	}
	reply, err := in.Reply()
	if err != nil {
		return nil, err
	}
	return json.Marshal(reply)
}

// Reply is FineMassPreview for figures that were read.
func (in FineMassRequest) Reply() (FineMassReply, error) {
	var reply FineMassReply
	if err := weighable(in.Mass); err != nil {
		return reply, refusal.In(err, "mass")
	}
	if in.Fineness.IsZero() || in.Fineness.PerMille().IsZero() {
		return reply, refusal.Invalidf("FINENESS_MISSING", "fineness", "the fineness is missing or zero; give it, such as 850.00 ppt")
	}
	if in.Assay.Sign() <= 0 {
		return reply, refusal.Invalidf("UNCERTAINTY_MISSING", "assay_uncertainty", "the standard uncertainty of the assay is missing; give it in parts per thousand, such as 0.15")
	}
	uncertainty := in.Uncertainty
	switch {
	case in.Balance != nil && in.Uncertainty.IsZero():
		budget, err := WeighingUncertainty(*in.Balance, in.Mass, in.Readings, in.Occasion, in.K)
		if err != nil {
			return reply, err
		}
		reply.Weighing, uncertainty = &budget, budget.Mass()
	case in.Balance != nil || in.Uncertainty.IsZero():
		return reply, refusal.Invalidf("UNCERTAINTY_UNCLEAR", "uncertainty",
			"the uncertainty of the mass is stated in no single way; give uncertainty, or balance with readings and occasion")
	}
	inputs := []Input{
		{Name: "weighing", Value: in.Mass.Grams(), Standard: uncertainty.Grams(), Power: 1},
		{Name: "assay", Value: in.Fineness.PerMille(), Standard: in.Assay, Power: 1},
	}
	// Sampling acts on the fineness as a factor of one, with the same relative size as its share of it.
	if !in.Sampling.IsZero() {
		inputs = append(inputs, Input{Name: "sampling", Value: in.Fineness.PerMille(), Standard: in.Sampling, Power: 1})
	}
	budget, err := fineMass(inputs, in.K)
	if err != nil {
		return reply, err
	}
	reply.Budget, reply.FineMass = budget, in.Mass.Fine(in.Fineness)
	reply.Words = fmt.Sprintf("fine mass %s g ± %s g (k = %s). %s", reply.FineMass.Trim(), budget.Stated(), in.K, worth(budget))
	return reply, nil
}

// fineMass is the budget of mass × fineness, with any further input a factor of one that carries its relative
// uncertainty only.
func fineMass(inputs []Input, k quantity.Decimal) (Budget, error) {
	y := inputs[0].Value.Mul(inputs[1].Value).Shift(-3)
	for i := range inputs { // the same relative uncertainty on a value of one leaves the product as it is
		if i > 1 {
			relative, err := inputs[i].Standard.Quo(inputs[i].Value, quantity.Rounding{Places: 12, Mode: quantity.HalfEven})
			if err != nil {
				return Budget{}, err
			}
			inputs[i].Standard, inputs[i].Value = relative, quantity.NewDecimal(1)
		}
	}
	if y.Sign() <= 0 {
		return Budget{}, refusal.Invalidf("BUDGET_VALUE_ZERO", "", "a fine mass of %s g has no relative uncertainty", y)
	}
	return ProductUncertainty(quantity.NewDecimal(1).Shift(-3), inputs, "g", k)
}

// worth says which contribution decides, and that the rest is not worth improving.
func worth(b Budget) string {
	largest := b.Contributions[0]
	for _, c := range b.Contributions[1:] {
		if largest.Share.Less(c.Share) {
			largest = c
		}
	}
	text := fmt.Sprintf("The %s makes %s %% of the variance", largest.Name, largest.Share)
	if quantity.NewDecimal(90).Less(largest.Share) {
		return text + ": only a better one is worth paying for."
	}
	return text + ", the largest part."
}

// Stated is the expanded uncertainty as it is quoted: two significant digits to the nearest (GUM 7.2.6), and no finer
// than the budget itself.
func (b Budget) Stated() quantity.Decimal {
	if b.Expanded.Sign() <= 0 {
		return b.Expanded
	}
	hundred, places := quantity.NewDecimal(100), spreadPlaces
	for places > -15 && !b.Expanded.Shift(places).Less(hundred) {
		places--
	}
	return b.Expanded.Shift(places).Round(quantity.Rounding{Mode: quantity.HalfUp}).Shift(-places)
}
