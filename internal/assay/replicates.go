package assay

import (
	"fmt"
	"math/big"
	"slices"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Procedure says what is done when two results of one laboratory disagree (ISO 5725-6:1994, clause 5.2.2, from memory).
type Procedure string

const (
	// TwoMore takes two more results: mean of four within CR(4), else the median of four.
	TwoMore Procedure = "two_more"
	// OneMoreMedian takes one more: mean of three within CR(3), else the median of three.
	OneMoreMedian Procedure = "one_more_median"
	// OneMoreFourth takes one more: mean of three within CR(3), else a fourth: mean of four within CR(4), else their median.
	OneMoreFourth Procedure = "one_more_fourth"
)

// ReplicateTerms is how a laboratory accepts its own replicates. Everything is required.
type ReplicateTerms struct {
	Repeatability quantity.Decimal  `json:"repeatability"` // standard deviation of repeatability, ppt; more than zero
	Procedure     Procedure         `json:"procedure"`
	Rounding      quantity.Rounding `json:"rounding"` // of the quoted result, once
}

// Check refuses terms that leave anything out.
func (t ReplicateTerms) Check() error {
	if t.Repeatability.Sign() <= 0 || t.Repeatability.Cmp(thousand) > 0 {
		return refusal.Invalidf("REPEATABILITY_OUT_OF_RANGE", "repeatability", "a repeatability of %s ppt is missing or not possible; give the standard deviation of repeatability, more than 0 and at most 1000", t.Repeatability).With("value", t.Repeatability.String())
	}
	if err := choice("procedure", string(t.Procedure), []string{string(TwoMore), string(OneMoreMedian), string(OneMoreFourth)}); err != nil {
		return err
	}
	return refusal.In(t.Rounding.Check(), "rounding")
}

// Quote says which figure of the replicates is reported.
type Quote string

const (
	QuoteNone         Quote = "" // more results are needed
	QuoteMean         Quote = "mean"
	QuoteMedianThree  Quote = "median_of_three"
	QuoteMedianOfFour Quote = "median_of_four"
)

// Replicates is the outcome of the acceptance procedure. Decimals are parts per thousand.
type Replicates struct {
	Count  int               `json:"count"`
	Range  quantity.Decimal  `json:"range"` // largest less smallest; from a worksheet, shown to 6 places and compared exactly
	Limit  quantity.Decimal  `json:"limit"` // critical range for Count; zero when Count has no test in the procedure
	Within bool              `json:"within"`
	Quote  Quote             `json:"quote,omitempty"`
	Needed int               `json:"needed,omitempty"` // more results to take before anything may be quoted
	Value  quantity.Fineness `json:"value,omitzero"`   // rounded once
	Words  string            `json:"words"`
}

// criticalFactors is f(n) of ISO 5725-6:1994, table 1, to one decimal as printed: the 95 % point of the range of n
// standard normal values. Counts that the check values do not hold are left out.
var criticalFactors = map[int]string{
	2: "2.8", 3: "3.3", 4: "3.6", 5: "3.9", 6: "4.0", 7: "4.2", 8: "4.3", 9: "4.4", 10: "4.5", 11: "4.6", 12: "4.6",
	15: "4.8", 20: "5.0",
}

// CriticalRange returns CR0.95(n) = f(n) × repeatability, exactly, with the one-decimal factor of ISO 5725-6:1994,
// table 1. It refuses an n without a factor: 2 to 12, 15 and 20 have one.
func CriticalRange(n int, repeatability quantity.Decimal) (quantity.Decimal, error) {
	factor, found := criticalFactors[n]
	if !found {
		return quantity.Decimal{}, refusal.Invalidf("FACTOR_UNKNOWN", "", "there is no critical range factor for %d results; there is one for 2 to 12, 15 and 20", n)
	}
	return quantity.MustDecimal(factor).Mul(repeatability), nil
}

// Accept applies the procedure of ISO 5725-6 to one laboratory's results in the order in which they were obtained. A
// range equal to its limit is within it. It refuses more results than the procedure takes: a result is not chosen after
// seeing which one suits.
func Accept(values []quantity.Fineness, t ReplicateTerms) (Replicates, error) {
	exact := make([]*big.Rat, len(values))
	var low, high quantity.Decimal
	for i, v := range values {
		if v.IsZero() {
			return Replicates{}, refusal.Invalidf("FINENESS_MISSING", fmt.Sprintf("values[%d]", i), "a result is missing; give a number and a unit, such as 812.44 ppt")
		}
		p := v.PerMille()
		exact[i] = p.Rat()
		if i == 0 {
			low, high = p, p
		}
		low, high = quantity.Min(low, p), quantity.Max(high, p)
	}
	r, err := accept(exact, t)
	r.Range = high.Sub(low)
	return r, err
}

// accept is Accept on exact fractions.
func accept(values []*big.Rat, t ReplicateTerms) (Replicates, error) {
	if err := t.Check(); err != nil {
		return Replicates{}, err
	}
	n := len(values)
	if n == 0 || n > maxReplicates {
		return Replicates{}, refusal.Invalidf("REPLICATES_COUNT", "values", "%d results were given; the procedure takes 1 to %d", n, maxReplicates)
	}
	r := Replicates{Count: n, Range: shown(spread(values))}
	if n == 1 {
		r.Needed, r.Words = 1, "one result cannot be checked; take a second"
		return r, nil
	}
	for _, count := range t.counts() {
		if count > n {
			r.Needed = count - n
			r.Words = fmt.Sprintf("%d results do not agree; take %d more", n, r.Needed)
			return r, nil
		}
		limit, err := CriticalRange(count, t.Repeatability)
		if err != nil {
			return Replicates{}, err
		}
		within := spread(values[:count]).Cmp(limit.Rat()) <= 0
		if within && count < n {
			return Replicates{}, refusal.Invalidf("REPLICATES_SURPLUS", "values", "the first %d results agree within %s ppt and are quoted; the %d after them have no place in the procedure", count, limit, n-count)
		}
		if count == n {
			r.Limit, r.Within = limit, within
			break
		}
	}
	return r, r.quote(values, t)
}

// counts returns how many results the procedure tests, step by step.
func (t ReplicateTerms) counts() []int {
	switch t.Procedure {
	case TwoMore:
		return []int{2, 4}
	case OneMoreMedian:
		return []int{2, 3}
	}
	return []int{2, 3, 4}
}

// quote reports the mean or the median of values, which have passed or failed the last test of the procedure.
func (r *Replicates) quote(values []*big.Rat, t ReplicateTerms) error {
	counts := t.counts()
	last := counts[len(counts)-1]
	if !r.Within && r.Count < last {
		r.Needed = counts[slices.Index(counts, r.Count)+1] - r.Count
		r.Words = fmt.Sprintf("the range of %s ppt is more than the critical range of %s ppt; take %d more", r.Range, r.Limit, r.Needed)
		return nil
	}
	exact := mean(values)
	r.Quote = QuoteMean
	if !r.Within {
		r.Quote, exact = QuoteMedianOfFour, median(values)
		if r.Count == 3 {
			r.Quote = QuoteMedianThree
		}
	}
	value, err := fineness(exact, t.Rounding)
	if err != nil {
		return err
	}
	r.Value = value
	if r.Within {
		r.Words = fmt.Sprintf("%d results agree within %s ppt; their mean of %s is quoted", r.Count, r.Limit, value)
	} else {
		r.Words = fmt.Sprintf("%d results range over more than %s ppt; their median of %s is quoted", r.Count, r.Limit, value)
	}
	return nil
}

// Duplicate is the outcome of two results against a plain limit.
type Duplicate struct {
	Difference quantity.Decimal  `json:"difference"` // ppt, not negative
	Limit      quantity.Decimal  `json:"limit"`
	Within     bool              `json:"within"`
	Mean       quantity.Fineness `json:"mean"` // rounded; to be quoted only when within
	Words      string            `json:"words"`
}

// Duplicates compares two results of one laboratory with a limit in parts per thousand; equal to the limit is within it.
func Duplicates(a, b quantity.Fineness, limit quantity.Decimal, r quantity.Rounding) (Duplicate, error) {
	if a.IsZero() || b.IsZero() {
		return Duplicate{}, refusal.Invalidf("FINENESS_MISSING", "", "a result is missing; give two, each with a number and a unit, such as 812.44 ppt")
	}
	if limit.Sign() <= 0 {
		return Duplicate{}, refusal.Invalidf("LIMIT_NOT_POSITIVE", "limit", "a duplicate limit of %s is missing or not possible; it must be more than zero", limit).With("value", limit.String())
	}
	if err := r.Check(); err != nil {
		return Duplicate{}, err
	}
	d := Duplicate{Difference: a.PerMille().Sub(b.PerMille()).Abs(), Limit: limit}
	d.Within = d.Difference.Cmp(limit) <= 0
	d.Mean = rounded(a.PerMille().Add(b.PerMille()).Mul(half), r)
	d.Words = fmt.Sprintf("the duplicates differ by %s ppt, more than the limit of %s ppt; repeat in duplicate", d.Difference, limit)
	if d.Within {
		d.Words = fmt.Sprintf("the duplicates differ by %s ppt, within the limit of %s ppt; their mean is %s", d.Difference, limit, d.Mean)
	}
	return d, nil
}

// fineness rounds an exact fraction in parts per thousand, once; it refuses one outside 0 to 1000.
func fineness(exact *big.Rat, r quantity.Rounding) (quantity.Fineness, error) {
	value, err := quantity.FromRat(exact, r)
	if err != nil {
		return quantity.Fineness{}, err
	}
	return quantity.PartsPerThousand(value)
}

func sum(values []*big.Rat) *big.Rat {
	total := new(big.Rat)
	for _, v := range values {
		total.Add(total, v)
	}
	return total
}

func mean(values []*big.Rat) *big.Rat {
	return new(big.Rat).Quo(sum(values), big.NewRat(int64(len(values)), 1))
}

func median(values []*big.Rat) *big.Rat {
	sorted := slices.SortedFunc(slices.Values(values), (*big.Rat).Cmp)
	n := len(sorted)
	return mean([]*big.Rat{sorted[(n-1)/2], sorted[n/2]})
}

func spread(values []*big.Rat) *big.Rat {
	return new(big.Rat).Sub(slices.MaxFunc(values, (*big.Rat).Cmp), slices.MinFunc(values, (*big.Rat).Cmp))
}

// shown writes an intermediate figure to 6 places for a reader; no comparison and no result is made from it.
func shown(x *big.Rat) quantity.Decimal {
	d, err := quantity.FromRat(x, quantity.Rounding{Places: 6, Mode: quantity.HalfUp})
	if err != nil {
		return quantity.Decimal{}
	}
	return d.Trim()
}
