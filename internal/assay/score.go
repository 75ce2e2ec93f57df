package assay

import (
	"math"
	"slices"

	"barward/internal/refusal"
)

// The statistics in this file use binary floating point: they judge results and settle nothing. All arguments of one call
// share one unit, usually parts per thousand.

// finite refuses what no measurement is.
func finite(field string, values ...float64) error {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) || math.Abs(v) > 1e15 {
			return refusal.Invalidf("NUMBER_NOT_FINITE", field, "a value is not a number that can be measured; give plain figures")
		}
	}
	return nil
}

// above refuses a spread that is not above zero.
func above(field string, v float64) error {
	if err := finite(field, v); err != nil {
		return err
	}
	if v <= 0 {
		return refusal.Invalidf("SPREAD_NOT_POSITIVE", field, "a spread of %g is missing or not possible; it must be more than zero", v)
	}
	return nil
}

// CriticalDifference returns CD0.95 = √(R² - r²(1 - 1/(2 n1) - 1/(2 n2))): the largest difference between the means of n1
// and n2 results of two laboratories that chance explains (ISO 5725-6:1994, clause 5.3, formula from memory). R is the
// reproducibility limit and r the repeatability limit, R >= r > 0; with one result each it is R.
func CriticalDifference(reproducibility, repeatability float64, n1, n2 int) (float64, error) {
	if err := limits(reproducibility, repeatability, n1); err != nil {
		return 0, err
	}
	if err := limits(reproducibility, repeatability, n2); err != nil {
		return 0, err
	}
	return math.Sqrt(reproducibility*reproducibility - repeatability*repeatability*(1-1/(2*float64(n1))-1/(2*float64(n2)))), nil
}

// CriticalDifferenceToReference returns CD0.95 = (1/√2) √(R² - r²(n-1)/n) for the mean of n results of one laboratory
// against a reference value (ISO 5725-6:1994, clause 5.3, from memory).
func CriticalDifferenceToReference(reproducibility, repeatability float64, n int) (float64, error) {
	if err := limits(reproducibility, repeatability, n); err != nil {
		return 0, err
	}
	return math.Sqrt((reproducibility*reproducibility - repeatability*repeatability*float64(n-1)/float64(n)) / 2), nil
}

func limits(reproducibility, repeatability float64, n int) error {
	if err := above("reproducibility", reproducibility); err != nil {
		return err
	}
	if err := above("repeatability", repeatability); err != nil {
		return err
	}
	if reproducibility < repeatability {
		return refusal.Invalidf("LIMITS_CONTRADICT", "reproducibility", "a reproducibility limit of %g below the repeatability limit of %g is not possible; two laboratories do not agree better than one with itself", reproducibility, repeatability)
	}
	if n < 1 || n > maxSeries {
		return refusal.Invalidf("COUNT_OUT_OF_RANGE", "n", "%d results are outside 1 to %d", n, maxSeries)
	}
	return nil
}

// Score is a laboratory's deviation in units of what is expected of it.
type Score struct {
	Value float64 `json:"value"`
	Words string  `json:"words"` // satisfactory, warning or action; En: satisfactory or unsatisfactory
}

func reading(v float64) Score {
	switch a := math.Abs(v); {
	case a <= 2:
		return Score{v, "satisfactory"}
	case a <= 3:
		return Score{v, "warning"}
	}
	return Score{v, "action"}
}

// Z returns (x - assigned) / sigma (ISO 13528).
func Z(x, assigned, sigma float64) (Score, error) {
	if err := finite("x", x, assigned); err != nil {
		return Score{}, err
	}
	if err := above("sigma", sigma); err != nil {
		return Score{}, err
	}
	return reading((x - assigned) / sigma), nil
}

// ZPrime returns (x - assigned) / √(sigma² + u²), where u is the standard uncertainty of the assigned value (ISO 13528).
func ZPrime(x, assigned, sigma, u float64) (Score, error) {
	if err := finite("u", u); err != nil {
		return Score{}, err
	}
	return Z(x, assigned, math.Hypot(sigma, u))
}

// Zeta returns (x - assigned) / √(ux² + u²) with standard uncertainties (ISO 13528).
func Zeta(x, ux, assigned, u float64) (Score, error) { return ZPrime(x, assigned, ux, u) }

// En returns (x - assigned) / √(Ux² + U²) with expanded uncertainties; above 1 in size is unsatisfactory (ISO/IEC 17043).
func En(x, expandedX, assigned, expanded float64) (Score, error) {
	s, err := ZPrime(x, assigned, expandedX, expanded)
	if err != nil {
		return Score{}, err
	}
	s.Words = "satisfactory"
	if math.Abs(s.Value) > 1 {
		s.Words = "unsatisfactory"
	}
	return s, nil
}

// Robust is a robust mean and standard deviation.
type Robust struct {
	Mean       float64 `json:"mean"`
	Sigma      float64 `json:"sigma"`
	Iterations int     `json:"iterations"`
}

// AlgorithmA returns the robust mean and standard deviation of a round robin (ISO 13528:2005, annex C): values beyond 1.5
// standard deviations are pulled in to that bound until both figures stand still, here to 1 part in 10¹². It needs three
// values at least. Where more than half the values are equal the standard deviation is 0 and the median is the mean.
func AlgorithmA(values []float64) (Robust, error) { return robust(values, 500) }

// robust is AlgorithmA with a bound on its passes.
func robust(values []float64, passes int) (Robust, error) {
	if len(values) < 3 || len(values) > maxSeries {
		return Robust{}, refusal.Invalidf("COUNT_OUT_OF_RANGE", "values", "%d values were given; a robust mean takes 3 to %d", len(values), maxSeries)
	}
	if err := finite("values", values...); err != nil {
		return Robust{}, err
	}
	deviations := make([]float64, len(values))
	r := Robust{Mean: middleOf(values)}
	for i, v := range values {
		deviations[i] = math.Abs(v - r.Mean)
	}
	r.Sigma = 1.483 * middleOf(deviations)
	pulled := make([]float64, len(values))
	for r.Iterations < passes && r.Sigma > 0 {
		before := r
		for i, v := range values {
			pulled[i] = min(max(v, r.Mean-1.5*r.Sigma), r.Mean+1.5*r.Sigma)
		}
		m, s := meanAndSigma(pulled)
		r.Mean, r.Sigma = m, 1.134*s
		r.Iterations++
		if math.Abs(r.Mean-before.Mean) <= 1e-12*r.Sigma && math.Abs(r.Sigma-before.Sigma) <= 1e-12*r.Sigma {
			break
		}
	}
	return r, nil
}

func middleOf(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// meanAndSigma returns the mean and the standard deviation with divisor n - 1 (0 for one value).
func meanAndSigma(values []float64) (m, s float64) {
	for _, v := range values {
		m += (v - values[0]) / float64(len(values)) // about the first, so that large values keep their digits
	}
	m += values[0]
	if len(values) < 2 {
		return m, 0
	}
	for _, v := range values {
		s += (v - m) * (v - m)
	}
	return m, math.Sqrt(s / float64(len(values)-1))
}
