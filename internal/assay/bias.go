package assay

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"barward/internal/refusal"
)

// TTest is a mean difference with its confidence interval, in the unit of the values.
type TTest struct {
	Count       int     `json:"count"`
	Mean        float64 `json:"mean"`
	Sigma       float64 `json:"sigma"` // standard deviation of the differences, or pooled
	T           float64 `json:"t"`
	Degrees     int     `json:"degrees"`
	P           float64 `json:"p"` // two-sided
	Confidence  float64 `json:"confidence"`
	Critical    float64 `json:"critical"` // |t| beyond which the mean differs from zero at this confidence
	Low         float64 `json:"low"`      // of the confidence interval
	High        float64 `json:"high"`
	Significant bool    `json:"significant"`
}

// PairedT tests whether paired differences are zero on average: t = d̄ √N / s with N - 1 degrees of freedom (NIST/SEMATECH
// e-Handbook, 7.3.1.1). It needs two differences that are not all equal, and a confidence between 0 and 1, such as 0.95.
func PairedT(differences []float64, confidence float64) (TTest, error) {
	if err := series(differences, 2); err != nil {
		return TTest{}, err
	}
	m, s := meanAndSigma(differences)
	return tTest(m, s, s/math.Sqrt(float64(len(differences))), len(differences), len(differences)-1, confidence)
}

// PooledT tests whether two unpaired samples have one mean, with their pooled standard deviation and n1 + n2 - 2 degrees
// of freedom. The mean is that of a less that of b.
func PooledT(a, b []float64, confidence float64) (TTest, error) {
	for _, values := range [][]float64{a, b} {
		if err := series(values, 2); err != nil {
			return TTest{}, err
		}
	}
	ma, sa := meanAndSigma(a)
	mb, sb := meanAndSigma(b)
	return PooledTFromSummary(ma, sa, len(a), mb, sb, len(b), confidence)
}

// PooledTFromSummary is PooledT from means, standard deviations and counts.
func PooledTFromSummary(ma, sa float64, na int, mb, sb float64, nb int, confidence float64) (TTest, error) {
	if na < 2 || nb < 2 || na > maxSeries || nb > maxSeries {
		return TTest{}, refusal.Invalidf("COUNT_OUT_OF_RANGE", "values", "%d and %d values were given; give 2 to %d of each", na, nb, maxSeries)
	}
	if err := finite("values", ma, sa, mb, sb); err != nil {
		return TTest{}, err
	}
	pooled := math.Sqrt((float64(na-1)*sa*sa + float64(nb-1)*sb*sb) / float64(na+nb-2))
	return tTest(ma-mb, pooled, pooled*math.Sqrt(1/float64(na)+1/float64(nb)), na+nb, na+nb-2, confidence)
}

func tTest(m, s, standardError float64, count, degrees int, confidence float64) (TTest, error) {
	if !(confidence > 0 && confidence < 1) {
		return TTest{}, refusal.Invalidf("CONFIDENCE_OUT_OF_RANGE", "confidence", "a confidence of %g is missing or not possible; give one between 0 and 1, such as 0.95", confidence)
	}
	if !(standardError > 0) {
		return TTest{}, refusal.Invalidf("SPREAD_NOT_POSITIVE", "values", "all values are equal, so chance cannot be judged; give figures as fine as they were measured")
	}
	t := distuv.StudentsT{Sigma: 1, Nu: float64(degrees)}
	r := TTest{Count: count, Mean: m, Sigma: s, T: m / standardError, Degrees: degrees, Confidence: confidence}
	r.P = 2 * t.CDF(-math.Abs(r.T))
	r.Critical = t.Quantile(1 - (1-confidence)/2)
	r.Low, r.High = m-r.Critical*standardError, m+r.Critical*standardError
	r.Significant = math.Abs(r.T) > r.Critical
	return r, nil
}

// series refuses too few or too many values, or one that is not a number.
func series(values []float64, least int) error {
	if len(values) < least || len(values) > maxSeries {
		return refusal.Invalidf("COUNT_OUT_OF_RANGE", "values", "%d values were given; give %d to %d", len(values), least, maxSeries)
	}
	return finite("values", values...)
}

// Individuals is a Shewhart chart of single values.
type Individuals struct {
	Mean        float64   `json:"mean"`
	MovingRange float64   `json:"moving_range"` // mean of |x[i] - x[i-1]|
	Sigma       float64   `json:"sigma"`        // moving range / 1.128
	Lower       float64   `json:"lower"`        // mean - 3 sigma
	Upper       float64   `json:"upper"`        // mean + 3 sigma
	RangeUpper  float64   `json:"range_upper"`  // 3.267 × moving range
	Out         []int     `json:"out"`          // places of the values beyond a limit, from 0
	Ranges      []float64 `json:"ranges"`
}

// Shewhart returns the chart of individuals of two or more values; d2 = 1.128 and D4 = 3.267 for ranges of two.
func Shewhart(values []float64) (Individuals, error) {
	if err := series(values, 2); err != nil {
		return Individuals{}, err
	}
	var c Individuals
	c.Mean, _ = meanAndSigma(values)
	for i := 1; i < len(values); i++ {
		c.Ranges = append(c.Ranges, math.Abs(values[i]-values[i-1]))
	}
	c.MovingRange, _ = meanAndSigma(c.Ranges)
	c.Sigma, c.RangeUpper = c.MovingRange/1.128, 3.267*c.MovingRange
	c.Lower, c.Upper = c.Mean-3*c.Sigma, c.Mean+3*c.Sigma
	for i, v := range values {
		if v < c.Lower || v > c.Upper {
			c.Out = append(c.Out, i)
		}
	}
	return c, nil
}

// Weighted is an exponentially weighted moving average chart.
type Weighted struct {
	Values []float64 `json:"values"` // after each observation
	Lower  float64   `json:"lower"`  // in the long run
	Upper  float64   `json:"upper"`
	Signal int       `json:"signal"` // place of the first value beyond its own limit, from 0; -1 for none
}

// EWMA returns the chart z = lambda x + (1 - lambda) z from target, with limits of width standard deviations: variance
// sigma² lambda/(2 - lambda) (1 - (1 - lambda)^(2i)) at step i (NIST/SEMATECH e-Handbook, 6.3.2.4). 0 < lambda <= 1.
func EWMA(values []float64, target, sigma, lambda, width float64) (Weighted, error) {
	if err := series(values, 1); err != nil {
		return Weighted{}, err
	}
	if err := finite("target", target); err != nil {
		return Weighted{}, err
	}
	for _, s := range []struct {
		field string
		value float64
	}{{"sigma", sigma}, {"lambda", lambda}, {"width", width}} {
		if err := above(s.field, s.value); err != nil {
			return Weighted{}, err
		}
	}
	if lambda > 1 {
		return Weighted{}, refusal.Invalidf("LAMBDA_OUT_OF_RANGE", "lambda", "a weight of %g is not possible; give one above 0 and at most 1", lambda)
	}
	long := lambda / (2 - lambda)
	w := Weighted{Lower: target - width*sigma*math.Sqrt(long), Upper: target + width*sigma*math.Sqrt(long), Signal: -1}
	z := target
	for i, v := range values {
		z = lambda*v + (1-lambda)*z
		w.Values = append(w.Values, z)
		limit := width * sigma * math.Sqrt(long*(1-math.Pow(1-lambda, 2*float64(i+1))))
		if w.Signal < 0 && math.Abs(z-target) > limit {
			w.Signal = i
		}
	}
	return w, nil
}

// Cumulative is a two-sided CUSUM chart.
type Cumulative struct {
	High   []float64 `json:"high"`
	Low    []float64 `json:"low"`
	Plain  []float64 `json:"plain"`  // sum of x - target
	Signal int       `json:"signal"` // place of the first sum beyond h, from 0; -1 for none
	Upward bool      `json:"upward"` // the side that signalled
}

// CUSUM returns S_hi = max(0, S_hi + x - target - k), S_lo = max(0, S_lo + target - k - x) and the first place where one
// is above h (NIST/SEMATECH e-Handbook, 6.3.2.3). k and h are in the unit of the values: half of the shift to find, and 4
// to 5 standard deviations, are usual.
func CUSUM(values []float64, target, k, h float64) (Cumulative, error) {
	if err := series(values, 1); err != nil {
		return Cumulative{}, err
	}
	if err := finite("target", target, k); err != nil {
		return Cumulative{}, err
	}
	if k < 0 {
		return Cumulative{}, refusal.Invalidf("SPREAD_NOT_POSITIVE", "k", "an allowance of %g is not possible; give zero or more", k)
	}
	if err := above("h", h); err != nil {
		return Cumulative{}, err
	}
	c := Cumulative{Signal: -1}
	beyond := h * (1 + 1e-9) // a sum of binary fractions that comes to h is not beyond it
	var high, low, plain float64
	for i, v := range values {
		high, low, plain = max(0, high+v-target-k), max(0, low+target-k-v), plain+v-target
		c.High, c.Low, c.Plain = append(c.High, high), append(c.Low, low), append(c.Plain, plain)
		if c.Signal < 0 && (high > beyond || low > beyond) {
			c.Signal, c.Upward = i, high > beyond
		}
	}
	return c, nil
}

// CUSUMFalseAlarm returns the chance that a two-sided CUSUM with k and h in standard deviations signals within n
// independent normal values that have no shift. Each side is followed as a Markov chain over 100 steps of its sum (the
// method of Brook and Evans, 1972, from memory); the sides are joined as if independent, which is a little high.
func CUSUMFalseAlarm(k, h float64, n int) (float64, error) {
	if err := finite("k", k); err != nil {
		return 0, err
	}
	if err := above("h", h); err != nil {
		return 0, err
	}
	if n < 1 || n > maxLots || k < 0 {
		return 0, refusal.Invalidf("COUNT_OUT_OF_RANGE", "n", "%d values with an allowance of %g are outside 1 to %d values and zero or more", n, k, maxLots)
	}
	const states = 100
	width := 2 * h / (2*states - 1)   // state 0 is half a step wide, so that the sum 0 lies in its middle
	upTo := make([]float64, 2*states) // chance that a sum moves by at most (i - states + ½) steps
	for i := range upTo {
		upTo[i] = distuv.UnitNormal.CDF(k + (float64(i-states)+0.5)*width)
	}
	chance, next := make([]float64, states), make([]float64, states)
	chance[0] = 1
	for range n {
		clear(next)
		for from, p := range chance {
			next[0] += p * upTo[states-from]
			for to := 1; to < states; to++ {
				next[to] += p * (upTo[states+to-from] - upTo[states+to-from-1])
			}
		}
		chance, next = next, chance
	}
	var silent float64
	for _, p := range chance {
		silent += p
	}
	return 1 - silent*silent, nil
}
