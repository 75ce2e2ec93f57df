package weighing

import (
	"fmt"
	"math"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Contribution is one line of an uncertainty budget.
type Contribution struct {
	Name     string           `json:"name"`
	Standard quantity.Decimal `json:"standard"`      // its part of the result's standard uncertainty, in the result's unit
	Share    quantity.Decimal `json:"share_percent"` // of the variance; the shares add up to 100 but for rounding
}

// Budget is an uncertainty by JCGM 100:2008 (GUM), with what it is made of: the largest share is what is worth improving.
type Budget struct {
	Unit          string           `json:"unit"`
	Standard      quantity.Decimal `json:"standard"` // u, k = 1, rounded to six places
	K             quantity.Decimal `json:"k"`
	Expanded      quantity.Decimal `json:"expanded"` // k u
	Contributions []Contribution   `json:"contributions"`
}

// Mass returns the standard uncertainty as a mass, for Station.Uncertainty; it is for budgets in grams.
func (b Budget) Mass() quantity.Mass { return quantity.Grams(b.Standard) }

// repeatabilityLimit turns a repeatability limit into a standard deviation: the difference of two readings stays within
// r = 2.8 s in 95 of 100 cases (ISO 5725-6, 1.96 √2 rounded).
const repeatabilityLimit = 2.8

// WeighingUncertainty is the budget, in grams, of a mean of n readings of a load on b:
//
//	readability    d/√12      half a division, rectangular (GUM 4.3.7)
//	repeatability  r/2.8/√n   r is the balance's agreed greatest spread, taken as a repeatability limit
//	balance        mpe/√3     the error OIML R 76-1 permits on this occasion, rectangular
//
// It refuses a load above capacity, n outside 2 to 50 and k outside 1 to 4.
func WeighingUncertainty(b Balance, load quantity.Mass, n int, occasion Occasion, k quantity.Decimal) (Budget, error) {
	permitted, err := b.Permitted(load, occasion)
	if err != nil {
		return Budget{}, err
	}
	if n < minReadings {
		return Budget{}, refusal.Invalidf("READINGS_TOO_FEW", "n", "a mean of %d readings is below the %d of a weighing", n, minReadings).
			With("n", fmt.Sprint(n))
	}
	if n > maxReadings {
		return Budget{}, refusal.Invalidf("READINGS_TOO_MANY", "n", "a mean of %d readings is above the %d allowed", n, maxReadings).
			With("n", fmt.Sprint(n))
	}
	return budget("g", k, []part{
		{"readability", b.Readability.Grams().Float() / math.Sqrt(12)},
		{"repeatability", b.Repeatability.Grams().Float() / repeatabilityLimit / math.Sqrt(float64(n))},
		{"balance", permitted.Float() / math.Sqrt(3)},
	})
}

// FineMassUncertainty is the budget, in grams, of the fine mass F = m w by GUM 5.1.6: (u(F)/F)² = (u(m)/m)² + (u(w)/w)².
// uMass and uFineness (parts per thousand) are standard uncertainties. It refuses a mass or a fineness of zero.
func FineMassUncertainty(mass, uMass quantity.Mass, fineness quantity.Fineness, uFineness, k quantity.Decimal) (Budget, error) {
	if err := mass.Positive(); err != nil {
		return Budget{}, refusal.In(err, "mass")
	}
	return ProductUncertainty(quantity.NewDecimal(1).Shift(-3), []Input{
		{Name: "weighing", Value: mass.Grams(), Standard: uMass.Grams(), Power: 1},
		{Name: "assay", Value: fineness.PerMille(), Standard: uFineness, Power: 1},
	}, "g", k)
}

// Input is one factor of a product.
type Input struct {
	Name     string           `json:"name"`
	Value    quantity.Decimal `json:"value"`    // not zero
	Standard quantity.Decimal `json:"standard"` // standard uncertainty in the unit of Value, 0 or more
	Power    int              `json:"power"`    // -10 to 10, not 0
}

// ProductUncertainty is the budget of y = c Π xᵢ^pᵢ with independent inputs, (u(y)/y)² = Σ (pᵢ u(xᵢ)/xᵢ)² (GUM 5.1.6).
// It refuses no inputs or more than 50, a value of zero, a negative uncertainty, and a result too large to write.
func ProductUncertainty(c quantity.Decimal, inputs []Input, unit string, k quantity.Decimal) (Budget, error) {
	if len(inputs) == 0 || len(inputs) > maxInputs {
		return Budget{}, refusal.Invalidf("BUDGET_INPUTS", "inputs", "a product of %d inputs is outside 1 to %d", len(inputs), maxInputs)
	}
	y := c.Float()
	for i, x := range inputs {
		field := fmt.Sprintf("inputs[%d]", i)
		switch {
		case x.Value.IsZero():
			return Budget{}, refusal.Invalidf("BUDGET_VALUE_ZERO", field, "%s is zero, and a relative uncertainty of zero is not defined; give a value", nameOr(x.Name, "an input"))
		case x.Standard.Sign() < 0:
			return Budget{}, refusal.Invalidf("UNCERTAINTY_NEGATIVE", field, "an uncertainty of %s is not possible; give 0 or more", x.Standard).
				With("uncertainty", x.Standard.String())
		case x.Power == 0 || x.Power < -10 || x.Power > 10:
			return Budget{}, refusal.Invalidf("BUDGET_POWER", field, "a power of %d is outside -10 to 10 without 0", x.Power)
		}
		y *= math.Pow(x.Value.Float(), float64(x.Power))
	}
	parts := make([]part, len(inputs))
	for i, x := range inputs {
		relative := float64(x.Power) * x.Standard.Float() / x.Value.Float()
		parts[i] = part{x.Name, math.Abs(relative * y)}
	}
	return budget(unit, k, parts)
}

// part is one standard uncertainty in the unit of the result.
type part struct {
	name     string
	standard float64
}

// budget combines independent parts in quadrature.
func budget(unit string, k quantity.Decimal, parts []part) (Budget, error) {
	if k.Less(quantity.NewDecimal(1)) || quantity.NewDecimal(4).Less(k) {
		return Budget{}, refusal.Invalidf("COVERAGE_FACTOR", "k", "a coverage factor of %s is outside 1 to 4; 2 covers about 95 %%", k).With("k", k.String())
	}
	var variance float64
	for _, p := range parts {
		variance += p.standard * p.standard
	}
	u := math.Sqrt(variance)
	if !(u < 1e15) { // also refuses what overflowed
		return Budget{}, refusal.Invalidf("BUDGET_TOO_LARGE", "", "the uncertainty is too large to be written; check the values and their units")
	}
	b := Budget{Unit: unit, Standard: round(u, spreadPlaces), K: k, Expanded: round(u*k.Float(), spreadPlaces)}
	for _, p := range parts {
		share := 0.0
		if variance > 0 {
			share = 100 * p.standard * p.standard / variance
		}
		b.Contributions = append(b.Contributions, Contribution{p.name, round(p.standard, spreadPlaces), round(share, sharePlaces)})
	}
	return b, nil
}

// expanded is 2 u as a decimal of six places.
func expanded(u float64) quantity.Decimal { return round(2*u, spreadPlaces) }
