package weighing

import (
	"fmt"
	"sort"
	"time"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// CheckPoint is one load of a balance check.
type CheckPoint struct {
	Nominal     quantity.Mass `json:"nominal"`
	WeightClass string        `json:"weight_class"` // E2, F1, F2, M1 or M2 of OIML R 111-1
	Observed    quantity.Mass `json:"observed"`     // what the balance showed
	// Weights are the single weights put on together, where Nominal is not one weight; they must add up to it.
	Weights []quantity.Mass `json:"weights,omitempty"`
}

// PointResult is how the balance did at one load. All in grams, exact.
type PointResult struct {
	Nominal     quantity.Mass    `json:"nominal"`
	Error       quantity.Decimal `json:"error_g"`        // observed − nominal
	Permitted   quantity.Decimal `json:"permitted_g"`    // OIML R 76-1
	WeightError quantity.Decimal `json:"weight_error_g"` // the weights' own permitted error, OIML R 111-1
	Passed      bool             `json:"passed"`         // |Error| ≤ Permitted
}

// CheckResult is the outcome of one balance check.
type CheckResult struct {
	Passed   bool          `json:"passed"` // every point passed
	Points   []PointResult `json:"points"`
	Warnings []Warning     `json:"warnings,omitempty"`
}

// nominals and weightErrors are OIML R 111-1:2004 table 1, maximum permissible errors in milligrams. The columns E2, F1
// and F2 from 10 kg up are from memory; the rest was read in a weight maker's reprint and a ministry's consultation.
var nominals = []string{"1", "2", "5", "10", "20", "50", "100", "200", "500", "1000", "2000", "5000", "10000", "20000", "50000"}

var weightErrors = map[string][]string{
	"E2": {"0.03", "0.04", "0.05", "0.06", "0.08", "0.10", "0.16", "0.3", "0.8", "1.6", "3.0", "8.0", "16", "30", "80"},
	"F1": {"0.10", "0.12", "0.16", "0.20", "0.25", "0.3", "0.5", "1.0", "2.5", "5.0", "10", "25", "50", "100", "250"},
	"F2": {"0.3", "0.4", "0.5", "0.6", "0.8", "1.0", "1.6", "3.0", "8.0", "16", "30", "80", "160", "300", "800"},
	"M1": {"1.0", "1.2", "1.6", "2.0", "2.5", "3.0", "5.0", "10", "25", "50", "100", "250", "500", "1000", "2500"},
	"M2": {"3.0", "4.0", "5.0", "6.0", "8.0", "10", "16", "30", "80", "160", "300", "800", "1600", "3000", "8000"},
}

// WeightError returns the permitted error of one weight in grams, OIML R 111-1 table 1. It refuses a class other than E2,
// F1, F2, M1 and M2 and a nominal value that is not 1, 2 or 5 times a power of ten from 1 g to 50 kg.
func WeightError(nominal quantity.Mass, class string) (quantity.Decimal, error) {
	column, ok := weightErrors[class]
	if !ok {
		return quantity.Decimal{}, refusal.Invalidf("WEIGHT_CLASS_UNKNOWN", "weight_class",
			"%.20q is not a class of weights known here; state E2, F1, F2, M1 or M2 from the weight's certificate", class).With("weight_class", class)
	}
	for i, n := range nominals {
		if nominal.Grams().Equal(quantity.MustDecimal(n)) {
			return quantity.MustDecimal(column[i]).Shift(-3), nil
		}
	}
	return quantity.Decimal{}, refusal.Invalidf("WEIGHT_NOMINAL_UNKNOWN", "nominal",
		"%s is not one weight of OIML R 111 (1, 2 or 5 times a power of ten, 1 g to 50 kg); list the single weights in weights", nominal).
		With("nominal", nominal.String())
}

// CheckBalance judges a balance by what it showed under known weights. Errors and limits are exact; an error equal to the
// permitted one passes. It refuses no points or more than 50, a load above the capacity, weights that do not add up,
// and an observation that the balance cannot have shown (up to nine intervals above capacity can be shown).
//
// It warns where weights may err by more than a third of what the balance may (OIML R 76-1 clause 3.7.1, from memory):
// then a pass says little.
func CheckBalance(b Balance, points []CheckPoint, occasion Occasion) (CheckResult, error) {
	if err := b.Check(); err != nil {
		return CheckResult{}, refusal.In(err, "balance")
	}
	if err := occasion.Check(); err != nil {
		return CheckResult{}, refusal.In(err, "occasion")
	}
	if len(points) == 0 || len(points) > maxPoints {
		return CheckResult{}, refusal.Invalidf("CHECK_POINTS", "points",
			"a check of %d loads is not possible; give 1 to %d", len(points), maxPoints).With("points", fmt.Sprint(len(points)))
	}
	most := b.Capacity.Grams().Add(b.Interval.Grams().Mul(quantity.NewDecimal(9)))
	result := CheckResult{Passed: true}
	for i, p := range points {
		r, err := b.point(p, most, occasion)
		if err != nil {
			return CheckResult{}, refusal.In(err, fmt.Sprintf("points[%d]", i))
		}
		result.Passed = result.Passed && r.Passed
		result.Points = append(result.Points, r)
		if r.Permitted.Less(r.WeightError.Mul(quantity.NewDecimal(3))) {
			result.Warnings = append(result.Warnings, Warning{"weights_too_coarse", fmt.Sprintf(
				"at %s class %s weights may err by %s g, more than a third of the %s g permitted to the balance; use a better class",
				p.Nominal, p.WeightClass, r.WeightError, r.Permitted)})
		}
	}
	return result, nil
}

func (b Balance) point(p CheckPoint, most quantity.Decimal, occasion Occasion) (PointResult, error) {
	if err := b.bears(p.Nominal); err != nil {
		return PointResult{}, refusal.In(err, "nominal")
	}
	permitted := b.permitted(p.Nominal, occasion)
	if err := b.showable(p.Observed, most, "its capacity of "+b.Capacity.String()+" and nine intervals"); err != nil {
		return PointResult{}, refusal.In(err, "observed")
	}
	if len(p.Weights) > maxWeights {
		return PointResult{}, refusal.Invalidf("CHECK_WEIGHTS", "weights",
			"%d weights at one load are more than the %d allowed", len(p.Weights), maxWeights)
	}
	weights := p.Weights
	if len(weights) == 0 {
		weights = []quantity.Mass{p.Nominal}
	}
	var sum, may quantity.Decimal
	for i, w := range weights {
		e, err := WeightError(w, p.WeightClass)
		if err != nil {
			if len(p.Weights) > 0 && refusal.Is(err, "WEIGHT_NOMINAL_UNKNOWN") {
				return PointResult{}, refusal.Invalidf("WEIGHT_NOMINAL_UNKNOWN", fmt.Sprintf("weights[%d]", i),
					"%s is not one weight of OIML R 111; it is 1, 2 or 5 times a power of ten from 1 g to 50 kg", w).With("nominal", w.String())
			}
			return PointResult{}, err
		}
		sum, may = sum.Add(w.Grams()), may.Add(e)
	}
	if !sum.Equal(p.Nominal.Grams()) {
		return PointResult{}, refusal.Invalidf("CHECK_WEIGHTS", "weights",
			"the weights add up to %s g, but the nominal load is %s; mend one of them", sum, p.Nominal).
			With("sum_g", sum.String()).With("nominal", p.Nominal.String())
	}
	r := PointResult{Nominal: p.Nominal, Permitted: permitted, WeightError: may}
	r.Error = p.Observed.Grams().Sub(p.Nominal.Grams())
	r.Passed = r.Error.Abs().Cmp(permitted) <= 0
	return r, nil
}

// DatedResult is when a balance was checked, and how it came out.
type DatedResult struct {
	At     time.Time `json:"at"`
	Passed bool      `json:"passed"`
}

// State is the standing of a balance at a moment.
type State string

const (
	InDate State = "in_date" // the last check passed, and not too long ago
	Lapsed State = "lapsed"  // the last check passed, but its time has run out
	Failed State = "failed"  // the last check failed
	Never  State = "never"   // no check yet
)

// Status returns the standing of b at a moment by its checks, in any order. A check counts from its own instant; a
// passing one is good for CheckEvery days, the last instant included. Of two checks at one instant the failed counts.
func Status(at time.Time, checks []DatedResult, b Balance) State {
	last, found := lastUntil(at, checks)
	switch {
	case !found:
		return Never
	case !last.Passed:
		return Failed
	case at.After(last.At.AddDate(0, 0, b.CheckEvery)):
		return Lapsed
	}
	return InDate
}

// lastUntil returns the last check at or before a moment.
func lastUntil(at time.Time, checks []DatedResult) (last DatedResult, found bool) {
	for _, c := range checks {
		if c.At.After(at) {
			continue
		}
		if !found || c.At.After(last.At) || c.At.Equal(last.At) && !c.Passed {
			last, found = c, true
		}
	}
	return last, found
}

// TaintedSince returns from when on the weighings before a failed check are in doubt: the last passing check before it.
// everything is true where there was none, and then all of them are. A weighing at the instant returned is in doubt.
func TaintedSince(failed time.Time, checks []DatedResult) (since time.Time, everything bool) {
	everything = true
	for _, c := range checks {
		if c.Passed && c.At.Before(failed) && (everything || c.At.After(since)) {
			since, everything = c.At, false
		}
	}
	return since, everything
}

// Doubt is why a weighing made at a moment is not to be relied on; empty where nothing speaks against it.
type Doubt string

const (
	DoubtNever       Doubt = "never_checked" // no check before it
	DoubtLapsed      Doubt = "check_lapsed"  // the last passing check was too old
	DoubtFailed      Doubt = "check_failed"  // the last check before it had failed
	DoubtFailedLater Doubt = "failed_later"  // the next check after it failed
)

// InDoubt says what, if anything, speaks against a weighing made on b at a moment, by all of its checks, those after it
// included. What was known at the moment comes before what came out later.
func InDoubt(at time.Time, checks []DatedResult, b Balance) Doubt {
	switch Status(at, checks, b) {
	case Never:
		return DoubtNever
	case Lapsed:
		return DoubtLapsed
	case Failed:
		return DoubtFailed
	}
	later := append([]DatedResult(nil), checks...)
	sort.SliceStable(later, func(i, j int) bool {
		if later[i].At.Equal(later[j].At) {
			return !later[i].Passed && later[j].Passed
		}
		return later[i].At.Before(later[j].At)
	})
	for _, c := range later {
		if c.At.After(at) {
			if !c.Passed {
				return DoubtFailedLater
			}
			break
		}
	}
	return ""
}

// Standing is where a balance stands at a moment, and why.
type Standing struct {
	State State     `json:"state"`
	Until time.Time `json:"until,omitzero"` // last instant at which the passing check is good; only after a passing check
	Last  time.Time `json:"last,omitzero"`  // the check that decides; none where there is no check
	Words string    `json:"words"`
}

// StandingOf is Status with its reason in words. Instants are written with the zone that their check was entered in.
func StandingOf(at time.Time, checks []DatedResult, b Balance) Standing {
	s := Standing{State: Status(at, checks, b)}
	last, found := lastUntil(at, checks)
	if !found {
		s.Words = "never checked: check it before it weighs"
		return s
	}
	s.Last = last.At
	if last.Passed {
		s.Until = last.At.AddDate(0, 0, b.CheckEvery)
	}
	switch s.State {
	case Failed:
		s.Words = fmt.Sprintf("failed on %s: what it weighed since its last good check is in doubt; have it repaired or adjusted, and check it again", last.At.Format(time.RFC3339))
	case Lapsed:
		s.Words = fmt.Sprintf("lapsed since %s: the last check passed on %s and was good for %d days; check it before it weighs", s.Until.Format(time.RFC3339), last.At.Format(time.RFC3339), b.CheckEvery)
	default:
		s.Words = fmt.Sprintf("in date until %s: the last check passed on %s", s.Until.Format(time.RFC3339), last.At.Format(time.RFC3339))
	}
	return s
}

// Words says why a weighing is in doubt, as a clause.
func (d Doubt) Words() string {
	switch d {
	case DoubtNever:
		return "the balance was never checked"
	case DoubtLapsed:
		return "the last check of the balance is too old"
	case DoubtFailed:
		return "the last check of the balance failed"
	case DoubtFailedLater:
		return "the next check of the balance failed"
	}
	return ""
}
