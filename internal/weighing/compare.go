package weighing

import (
	"fmt"
	"math"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Station is one of two weighings of the same metal.
type Station struct {
	Name string        `json:"name,omitempty"` // such as "mine"; for the verdict only
	Mass quantity.Mass `json:"mass"`           // as recorded
	// Air is the density of the air at the balance, kg/m³ (see StandardAir, RoomAir, MeasuredAir, CIPM2007); 0 where
	// it is not known, and then buoyancy explains nothing.
	Air quantity.Decimal `json:"air_density,omitzero"`
	// Uncertainty is the standard uncertainty (k = 1) of the weighing (see WeighingUncertainty); empty where not stated.
	Uncertainty quantity.Mass `json:"uncertainty,omitzero"`
}

// Explained says how much of a difference beyond its limit air buoyancy accounts for.
type Explained string

const (
	// None: within the limit, or buoyancy is unknown, zero, or makes the difference larger.
	None Explained = "none"
	// Partly: buoyancy makes the difference smaller, but it stays beyond the limit.
	Partly Explained = "partly"
	// Wholly: beyond the limit as weighed, within it once the expected difference is taken off.
	Wholly Explained = "wholly"
)

// Comparison sets two weighings of one metal against a limit. All differences are second less first: a bar that arrives
// light has a negative Difference.
type Comparison struct {
	First      quantity.Mass    `json:"first"`
	Second     quantity.Mass    `json:"second"`
	Difference quantity.Decimal `json:"difference_g"` // second − first, g, exact
	Limit      quantity.Decimal `json:"limit_g"`      // g, exact
	Within     bool             `json:"within"`       // |Difference| ≤ Limit, as weighed; buoyancy has no say in it

	BuoyancyKnown bool             `json:"buoyancy_known"` // both air densities and the bar's density were given
	Buoyancy      quantity.Decimal `json:"buoyancy_g"`     // expected second − first, g, rounded to 0.0001 g half to even
	Remaining     quantity.Decimal `json:"remaining_g"`    // Difference − Buoyancy, g
	Explained     Explained        `json:"explained"`
	// Masked is the reverse of Wholly: within the limit as weighed only because buoyancy hides a difference beyond it.
	Masked bool `json:"masked"`

	// Uncertainty is the expanded uncertainty (k = 2) of the difference, g; 0 where either station stated none.
	Uncertainty quantity.Decimal `json:"uncertainty_g,omitzero"`
	// Significant reports whether Remaining is larger than Uncertainty; false where none was stated.
	Significant bool   `json:"significant"`
	Verdict     string `json:"verdict"` // in words
}

// Compare sets the second weighing of a bar against the first. barDensity is in kg/m³ (see BarDensity), 0 where not
// known.
//
// A balance adjusted with steel weights (8000 kg/m³) shows R = m (1 − a/ρ) / (1 − a/8000) in air of density a for a bar
// of mass m and density ρ; to first order the second reading is expected to differ from the first by
//
//	m × (a1 − a2) × (1/ρ − 1/8000)
//
// which is positive when the bar comes down from thin air, since doré is denser than the weights. From 4000 m to sea
// level it is about half a gram on 20 kg; a difference of grams is never buoyancy. It holds for balances adjusted where
// they stand. The recorded weights are never altered by it.
func Compare(first, second Station, limit Limit, barDensity quantity.Decimal) (Comparison, error) {
	if err := limit.Check(); err != nil {
		return Comparison{}, refusal.In(err, "limit")
	}
	if err := first.check(); err != nil {
		return Comparison{}, refusal.In(err, "first")
	}
	if err := second.check(); err != nil {
		return Comparison{}, refusal.In(err, "second")
	}
	if err := inRange("DENSITY_OUT_OF_RANGE", "bar_density", "kg/m³", barDensity, minBarDensity, maxBarDensity); err != nil {
		return Comparison{}, err
	}
	c := Comparison{First: first.Mass, Second: second.Mass, Limit: limit.For(first.Mass)}
	if c.BuoyancyKnown = !first.Air.IsZero() && !second.Air.IsZero() && !barDensity.IsZero(); c.BuoyancyKnown {
		expected, err := buoyancy(first.Mass.Grams(), first.Air, second.Air, barDensity)
		if err != nil {
			return Comparison{}, err
		}
		c.Buoyancy = expected
	}
	if !first.Uncertainty.IsZero() && !second.Uncertainty.IsZero() {
		c.Uncertainty = expanded(math.Hypot(first.Uncertainty.Grams().Float(), second.Uncertainty.Grams().Float()))
	}
	c.judge(nameOr(first.Name, "the first weighing"), nameOr(second.Name, "the second weighing"))
	return c, nil
}

// CompareTotal sets the total of a consignment against a limit of its own, which is not the sum of the bars' limits.
// Uncertainties are added in full, not in quadrature: the bars of one consignment share a balance, and its error with it.
// It refuses no bars or more than 10 000.
func CompareTotal(bars []Comparison, limit Limit) (Comparison, error) {
	if err := limit.Check(); err != nil {
		return Comparison{}, refusal.In(err, "limit")
	}
	if len(bars) == 0 || len(bars) > maxPairs {
		return Comparison{}, refusal.Invalidf("TOTAL_COUNT", "bars",
			"a total of %d bars cannot be compared; give 1 to %d bars that were weighed at both ends", len(bars), maxPairs).
			With("bars", fmt.Sprint(len(bars)))
	}
	total := Comparison{BuoyancyKnown: true}
	stated := true
	for i, bar := range bars {
		if bar.First.Sign() <= 0 || bar.Second.Sign() <= 0 {
			return Comparison{}, refusal.Invalidf("MASS_NOT_POSITIVE", fmt.Sprintf("bars[%d]", i),
				"a bar of the total lacks one of its two weights; leave it out, a missing bar is a discrepancy of its own")
		}
		total.First, total.Second = total.First.Add(bar.First), total.Second.Add(bar.Second)
		total.Buoyancy = total.Buoyancy.Add(bar.Buoyancy)
		total.BuoyancyKnown = total.BuoyancyKnown && bar.BuoyancyKnown
		total.Uncertainty = total.Uncertainty.Add(bar.Uncertainty)
		stated = stated && !bar.Uncertainty.IsZero()
	}
	if !stated {
		total.Uncertainty = quantity.Decimal{}
	}
	if !total.BuoyancyKnown {
		total.Buoyancy = quantity.Decimal{} // the sum over some of the bars says nothing about all
	}
	total.Limit = limit.For(total.First)
	total.judge("the advised total", "the received total")
	return total, nil
}

// judge fills what follows from the masses, the limit, the buoyancy and the uncertainty.
func (c *Comparison) judge(first, second string) {
	c.Difference = c.Second.Grams().Sub(c.First.Grams())
	c.Remaining = c.Difference.Sub(c.Buoyancy)
	c.Within = c.Difference.Abs().Cmp(c.Limit) <= 0
	within := c.Remaining.Abs().Cmp(c.Limit) <= 0
	c.Explained = None
	switch {
	case !c.Within && within:
		c.Explained = Wholly
	case !c.Within && c.Remaining.Abs().Less(c.Difference.Abs()):
		c.Explained = Partly
	}
	c.Masked = c.Within && !within
	c.Significant = !c.Uncertainty.IsZero() && c.Uncertainty.Less(c.Remaining.Abs())
	c.Verdict = c.words(first, second)
}

func (c *Comparison) words(first, second string) string {
	var text string
	switch c.Difference.Sign() {
	case 0:
		text = fmt.Sprintf("%s equals %s.", second, first)
	case -1:
		text = fmt.Sprintf("%s is %s g lighter than %s, ", second, c.Difference.Abs(), first)
	default:
		text = fmt.Sprintf("%s is %s g heavier than %s, ", second, c.Difference, first)
	}
	if c.Difference.Sign() != 0 {
		if c.Within {
			text += fmt.Sprintf("within the limit of %s g.", c.Limit)
		} else {
			text += fmt.Sprintf("beyond the limit of %s g.", c.Limit)
		}
	}
	switch {
	case !c.BuoyancyKnown:
		if !c.Within {
			text += " What air buoyancy explains is not known: an air density or the bar's density is missing."
		}
	case c.Masked:
		text += fmt.Sprintf(" Air buoyancy alone would make a difference of %s g: it hides %s g, which is beyond the limit.", c.Buoyancy, c.Remaining)
	case c.Explained == Wholly:
		text += fmt.Sprintf(" Air buoyancy explains it: %s g are expected, and the remaining %s g are within the limit.", c.Buoyancy, c.Remaining)
	case c.Explained == Partly:
		text += fmt.Sprintf(" Air buoyancy explains only part: %s g are expected, and the remaining %s g are beyond the limit.", c.Buoyancy, c.Remaining)
	case !c.Within:
		text += fmt.Sprintf(" Air buoyancy does not explain it: %s g are expected.", c.Buoyancy)
	}
	if !c.Uncertainty.IsZero() {
		if c.Significant {
			text += fmt.Sprintf(" The remaining %s g are more than the uncertainty of the two weighings, %s g (k = 2).", c.Remaining, c.Uncertainty)
		} else {
			text += fmt.Sprintf(" The remaining %s g are no more than the uncertainty of the two weighings, %s g (k = 2).", c.Remaining, c.Uncertainty)
		}
	}
	return upper(text)
}

// upper makes a sentence start with a capital letter, where it starts with a plain letter.
func upper(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}

func nameOr(name, otherwise string) string {
	if name == "" {
		return otherwise
	}
	return name
}

func (s Station) check() error {
	if err := weighable(s.Mass); err != nil {
		return refusal.In(err, "mass")
	}
	if len(s.Name) > maxText {
		return refusal.Invalidf("NAME_TOO_LONG", "name", "a name of %d characters is longer than the %d allowed", len(s.Name), maxText)
	}
	if s.Uncertainty.Sign() < 0 || s.Uncertainty.Cmp(s.Mass) > 0 {
		return refusal.Invalidf("UNCERTAINTY_OUT_OF_RANGE", "uncertainty",
			"an uncertainty of %s for %s is not possible; it lies from 0 to the mass itself, or is left out where not known", s.Uncertainty, s.Mass).
			With("uncertainty", s.Uncertainty.String())
	}
	return inRange("AIR_DENSITY_OUT_OF_RANGE", "air_density", "kg/m³", s.Air, minAir, maxAir)
}

// inRange refuses a number that was stated (is not 0) and lies outside low to high.
func inRange(reason, field, unit string, x quantity.Decimal, low, high string) error {
	if x.IsZero() || !x.Less(quantity.MustDecimal(low)) && !quantity.MustDecimal(high).Less(x) {
		return nil
	}
	return refusal.Invalidf(reason, field, "%s %s is not possible here; it lies from %s to %s, or is left out where not known", x, unit, low, high).
		With(field, x.String())
}

// buoyancy returns grams × (a1 − a2) × (1/ρ − 1/8000), the expected second reading less the first, rounded once.
func buoyancy(grams, a1, a2, density quantity.Decimal) (quantity.Decimal, error) {
	steel := quantity.NewDecimal(8000) // the density of the conventional weights, OIML D 28
	return grams.Mul(a1.Sub(a2)).Mul(steel.Sub(density)).
		Quo(density.Mul(steel), quantity.Rounding{Places: buoyancyPlaces, Mode: quantity.HalfEven})
}

// LossRange is what an agreement expects a melt to lose, in parts per thousand of the weight before it; both ends are
// within it. A negative low end allows a gain.
type LossRange struct {
	Low  quantity.Decimal `json:"low_permille"`
	High quantity.Decimal `json:"high_permille"`
}

// Check refuses a range that was not stated, is upside down, or leaves −1000 to 1000.
func (r LossRange) Check() error {
	if r.Low.IsZero() && r.High.IsZero() {
		return refusal.Invalidf("LOSS_RANGE_MISSING", "", "the range of melt loss is not stated; state low_permille and high_permille")
	}
	if r.Low.Places() > maxRelativePlaces || r.High.Places() > maxRelativePlaces {
		return refusal.Invalidf("LOSS_RANGE_TOO_FINE", "", "a melt loss from %s to %s parts per thousand has more than the %d places allowed",
			r.Low, r.High, maxRelativePlaces).With("low_permille", r.Low.String()).With("high_permille", r.High.String())
	}
	thousand := quantity.NewDecimal(1000)
	if r.High.Less(r.Low) || thousand.Less(r.High) || r.Low.Less(thousand.Neg()) {
		return refusal.Invalidf("LOSS_RANGE_OUT_OF_RANGE", "",
			"a melt loss from %s to %s parts per thousand is not possible; low must not exceed high, and both lie from -1000 to 1000", r.Low, r.High).
			With("low_permille", r.Low.String()).With("high_permille", r.High.String())
	}
	return nil
}

// Melt is what a melt did to the weight.
type Melt struct {
	Loss     quantity.Decimal `json:"loss_g"`        // before − after, g, exact; negative for a gain
	Permille quantity.Decimal `json:"loss_permille"` // of the weight before, rounded half to even to show
	// Unaccounted is before − after − slag, g. A slag also holds flux, so it may be negative; what metal it holds is an
	// assay.
	Unaccounted quantity.Decimal `json:"unaccounted_g"`
	Within      bool             `json:"within"`  // judged on the exact loss; the ends of the range are within
	Verdict     string           `json:"verdict"` // in words
}

// MeltLoss compares the weight before a melt with the weight after it. slag may be empty where none was weighed.
func MeltLoss(before, after, slag quantity.Mass, expected LossRange) (Melt, error) {
	if err := weighable(before); err != nil {
		return Melt{}, refusal.In(err, "before")
	}
	if err := weighable(after); err != nil {
		return Melt{}, refusal.In(err, "after")
	}
	if slag.Sign() < 0 {
		return Melt{}, refusal.Invalidf("MASS_NOT_POSITIVE", "slag", "a slag of %s is not possible; leave it out where none was weighed", slag).
			With("value", slag.String())
	}
	if err := bounded(slag); err != nil {
		return Melt{}, refusal.In(err, "slag")
	}
	if err := expected.Check(); err != nil {
		return Melt{}, refusal.In(err, "range")
	}
	m := Melt{Loss: before.Grams().Sub(after.Grams())}
	m.Unaccounted = m.Loss.Sub(slag.Grams())
	thousandfold := m.Loss.Shift(3)
	permille, err := thousandfold.Quo(before.Grams(), quantity.Rounding{Places: permillePlaces, Mode: quantity.HalfEven})
	if err != nil {
		return Melt{}, err
	}
	m.Permille = permille
	low, high := expected.Low.Mul(before.Grams()), expected.High.Mul(before.Grams())
	switch {
	case high.Less(thousandfold):
		m.Verdict = fmt.Sprintf("The melt lost %s g, %s parts per thousand: more than the %s expected at most.", m.Loss, m.Permille, expected.High)
	case thousandfold.Less(low) && m.Loss.Sign() < 0:
		m.Verdict = fmt.Sprintf("The melt gained %s g, which metal does not do: weigh again and look for flux or a wrong bar.", m.Loss.Neg())
	case thousandfold.Less(low):
		m.Verdict = fmt.Sprintf("The melt lost %s g, %s parts per thousand: less than the %s expected at least.", m.Loss, m.Permille, expected.Low)
	default:
		m.Within = true
		m.Verdict = fmt.Sprintf("The melt lost %s g, %s parts per thousand: within the %s to %s expected.", m.Loss, m.Permille, expected.Low, expected.High)
	}
	return m, nil
}
