// Package weighing turns the readings of a balance into a weight, judges balances by their checks, and compares two
// weighings of the same metal.
//
// Units: masses as entered (g, kg, mg, oz), differences and limits in grams, densities in kg/m³, pressure in Pa,
// temperature in °C, relative humidity in %, elevation in metres.
//
// Invariants:
//  1. A recorded weight is never altered: air buoyancy and uncertainty explain a difference, they do not change it.
//  2. Masses, limits and permitted errors are exact decimals. Physical estimates (air density, bar density, standard
//     uncertainty) are computed in float64 and rounded to a stated place; nothing that is paid for rests on them.
//  3. A difference equal to a limit is within it; an error equal to the permitted one passes.
//  4. Readings that disagree, a light bar and a failed check are results, not refusals. Refused is what the instrument
//     cannot have shown or the standard does not allow.
//
// Sources: OIML R 76-1 (non-automatic weighing instruments), OIML R 111-1:2004 (weights), CIPM-2007 (Metrologia 45
// (2008) 149), ISO 2533 and US Standard Atmosphere 1976, JCGM 100:2008 (GUM).
//
// Left out: crane and hopper scales, multi-interval instruments (each partial range is registered as its own balance),
// and the metal in a slag, which is an assay.
package weighing

import (
	"fmt"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Warning is something that a weigher should know and that does not stop the weighing.
type Warning struct {
	Reason string `json:"reason"` // stable, lower_snake
	Text   string `json:"text"`
}

// MeanMode is how the mean of several readings is brought to a whole number of scale divisions: to the nearest, a half
// to the even number of divisions. A mode that always goes up would favour whoever sells by every second pair.
const MeanMode = quantity.HalfEven

// Weight is the outcome of one weighing.
type Weight struct {
	// Mass is the mean of the readings, rounded once to the balance's readability by MeanMode, in its unit.
	Mass     quantity.Mass   `json:"mass"`
	Readings []quantity.Mass `json:"readings"` // as entered
	Spread   quantity.Mass   `json:"spread"`   // largest less smallest reading, g (or the readings' own unit)
	// Agree reports whether Spread is within the balance's repeatability. Where it is not, the mean is no settled
	// weight: take a fresh pair, or record and flag.
	Agree    bool      `json:"agree"`
	Warnings []Warning `json:"warnings,omitempty"`
}

// Read turns the readings of one load on b into a weight. It refuses fewer than two or more than 50 readings, and any
// reading that is not positive, above the capacity, or that b cannot have shown: not a whole number of its divisions, or
// written with more places than its readability ("12441.390 g" on a balance that shows 0.01 g).
//
// Readings further apart than the repeatability are not refused: the result says so and the caller decides.
func Read(b Balance, readings []quantity.Mass) (Weight, error) {
	if err := b.Check(); err != nil {
		return Weight{}, refusal.In(err, "balance")
	}
	switch n := len(readings); {
	case n < minReadings:
		return Weight{}, refusal.Invalidf("READINGS_TOO_FEW", "readings",
			"%d reading is too few: one alone shows no disagreement; take at least %d", n, minReadings).With("readings", fmt.Sprint(n))
	case n > maxReadings:
		return Weight{}, refusal.Invalidf("READINGS_TOO_MANY", "readings",
			"%d readings of one load are more than the %d allowed; keep the last pair that agrees", n, maxReadings).With("readings", fmt.Sprint(n))
	}
	low, high := readings[0], readings[0]
	var sum quantity.Decimal // in the readability's unit where all share it, else grams
	unit := b.Readability.Unit()
	most, named := b.Capacity.Grams(), "its capacity of "+b.Capacity.String()
	for i, r := range readings {
		if err := b.showable(r, most, named); err != nil {
			return Weight{}, refusal.In(err, fmt.Sprintf("readings[%d]", i))
		}
		if r.Unit() != unit {
			unit = quantity.Gram
		}
		if r.Cmp(low) < 0 {
			low = r
		}
		if r.Cmp(high) > 0 {
			high = r
		}
	}
	for _, r := range readings {
		sum = sum.Add(in(r, unit))
	}
	division := in(b.Readability, unit)
	// One rounding: sum / (n × division) is the mean in divisions.
	divisions, err := sum.Quo(quantity.NewDecimal(int64(len(readings))).Mul(division), quantity.Rounding{Mode: MeanMode})
	if err != nil {
		return Weight{}, err
	}
	mean, err := quantity.NewMass(divisions.Mul(division).Pad(division.Trim().Places()), unit)
	if err != nil {
		return Weight{}, err
	}
	w := Weight{Mass: mean, Readings: append([]quantity.Mass(nil), readings...), Spread: high.Sub(low)}
	w.Agree = w.Spread.Cmp(b.Repeatability) <= 0
	if minimum := b.minimum(); mean.Grams().Less(minimum) {
		w.Warnings = append(w.Warnings, Warning{"load_below_minimum", fmt.Sprintf(
			"%s is below the %s g that OIML R 76 sets as the smallest load of this class %s balance; its relative error may be large: use a finer balance",
			mean, minimum, b.Class)})
	}
	return w, nil
}

// weighable refuses a mass that is missing, not positive, above a hundred tonnes, or of more than 11 places in grams.
func weighable(m quantity.Mass) error {
	if err := m.Positive(); err != nil {
		return err
	}
	return bounded(m)
}

// bounded is weighable for a mass that may be missing, zero or negative.
func bounded(m quantity.Mass) error {
	g := m.Grams()
	if quantity.NewDecimal(maxLoad).Less(g) {
		return refusal.Invalidf("MASS_TOO_LARGE", "", "a mass of %s is above the %d g that this service weighs; check the unit", m, maxLoad).
			With("value", m.String())
	}
	if g.Places() > maxMassPlaces {
		return refusal.Invalidf("MASS_TOO_FINE", "", "a mass of %s has %d places in grams; at most %d are allowed", m, g.Places(), maxMassPlaces).
			With("value", m.String())
	}
	return nil
}

// in returns m's number in unit, which is m's own or grams.
func in(m quantity.Mass, unit quantity.Unit) quantity.Decimal {
	if m.Unit() == unit {
		return m.Value()
	}
	return m.Grams()
}

// showable refuses a reading that b cannot have shown: not positive, above most (grams), or finer than its readability.
func (b *Balance) showable(r quantity.Mass, most quantity.Decimal, named string) error {
	if r.IsZero() || r.Sign() <= 0 {
		found := "a missing reading"
		if !r.IsZero() {
			found = "a reading of " + r.String()
		}
		return refusal.Invalidf("READING_NOT_POSITIVE", "", "%s is no weighing; enter what the balance showed, more than zero", found).
			With("reading", r.String())
	}
	if most.Less(r.Grams()) {
		return refusal.Invalidf("READING_ABOVE_CAPACITY", "",
			"a reading of %s is above what this balance can show, %s; check the unit, or use a larger balance", r, named).
			With("reading", r.String()).With("capacity", b.Capacity.String())
	}
	unit := quantity.Gram
	if r.Unit() == b.Readability.Unit() {
		unit = r.Unit()
	}
	value, division := in(r, unit), in(b.Readability, unit)
	metric := r.Unit() != quantity.TroyOunce && b.Readability.Unit() != quantity.TroyOunce
	tooManyPlaces := (metric || unit == quantity.TroyOunce) && value.Places() > division.Trim().Places()
	if tooManyPlaces || !value.MultipleOf(division) {
		return refusal.Invalidf("READING_FINER_THAN_READABILITY", "",
			"a reading of %s is finer than this balance shows, whose divisions are %s; enter the digits as displayed, in the balance's own unit", r, b.Readability).
			With("reading", r.String()).With("readability", b.Readability.String())
	}
	return nil
}
