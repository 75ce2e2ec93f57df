package assay_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
)

func numbers(t testing.TB, s string) (values []float64) {
	t.Helper()
	for _, f := range strings.Fields(s) {
		values = append(values, dec(f).Float())
	}
	return values
}

// Reference 03, section 3: CD by ISO 5725-6, clause 5.3 (formulas from memory, values computed there).
func TestCriticalDifference(t *testing.T) {
	cd, err := assay.CriticalDifference(0.50, 0.28, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "reference 03, one result each: CD = R", cd, 0.50, 1e-15)
	if cd, err = assay.CriticalDifference(0.50, 0.28, 2, 2); err != nil {
		t.Fatal(err)
	}
	wantNear(t, "reference 03, two results each", cd, 0.459130, 5e-7)
	// By hand: one result against a reference is R/√2; with n = 2, √((0.25 - 0.0784/2)/2) = √0.1054.
	if cd, err = assay.CriticalDifferenceToReference(0.50, 0.28, 1); err != nil {
		t.Fatal(err)
	}
	wantNear(t, "by hand, one against a reference", cd, 0.50/math.Sqrt2, 1e-15)
	if cd, err = assay.CriticalDifferenceToReference(0.50, 0.28, 2); err != nil {
		t.Fatal(err)
	}
	wantNear(t, "by hand, two against a reference", cd, math.Sqrt(0.1054), 1e-15)
	_, err = assay.CriticalDifference(0.2, 0.28, 1, 1)
	wantReason(t, "R below r", err, "LIMITS_CONTRADICT")
	_, err = assay.CriticalDifference(0.5, 0, 1, 1)
	wantReason(t, "no r", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.CriticalDifference(math.NaN(), 0.2, 1, 1)
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
	_, err = assay.CriticalDifference(0.5, 0.2, 1, 0)
	wantReason(t, "no results", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.CriticalDifferenceToReference(0.5, 0.2, 0)
	wantReason(t, "no results", err, "COUNT_OUT_OF_RANGE")
}

// Reference 06, section 2: NIST Dataplot, GEAR.DAT, printed scores. The page prints σ as 0.00628, so the last place of its
// z scores is off by up to one.
func TestScores(t *testing.T) {
	for _, row := range []struct{ x, z, zPrime float64 }{
		{1.006, 0.955, 0.943}, {0.996, -0.637, -0.629}, {0.998, -0.318, -0.314}, {0.992, -1.274, -1.258},
		{0.993, -1.114, -1.100}, {0.988, -1.911, -1.887}, {0.987, -2.070, math.NaN()},
	} {
		z, err := assay.Z(row.x, 1, 0.00628)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, fmt.Sprint("NIST Dataplot, z of ", row.x), z.Value, row.z, 0.0011)
		if math.IsNaN(row.zPrime) {
			if z.Words != "warning" {
				t.Errorf("z = %g reads %q", z.Value, z.Words)
			}
			continue
		}
		zp, err := assay.ZPrime(row.x, 1, 0.00628, 0.001)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, fmt.Sprint("NIST Dataplot, z′ of ", row.x), zp.Value, row.zPrime, 0.0011)
	}
	// Batch 1: s = 0.004346; En with U = 2s of batch and of all, zeta with the same u. En = zeta / 2 there.
	batch := numbers(t, "1.006 0.996 0.998 1.000 0.992 0.993 1.002 0.999 0.994 1.000")
	mean, s := stat.MeanStdDev(batch, nil)
	wantNear(t, "reference 06, batch mean", mean, 0.9980, 5e-5)
	wantNear(t, "reference 06, batch s", s, 0.004346, 5e-7)
	for _, row := range []struct{ x, en, zeta float64 }{{1.006, 0.393, 0.785}, {0.996, -0.262, -0.523}} {
		zeta, err := assay.Zeta(row.x, s, 1, 0.00628)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, "NIST Dataplot, zeta", zeta.Value, row.zeta, 0.001)
		en, err := assay.En(row.x, 2*s, 1, 2*0.00628)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, "NIST Dataplot, En", en.Value, row.en, 0.001)
		wantNear(t, "reference 06, En = zeta / 2", en.Value, zeta.Value/2, 1e-12)
	}
	for v, words := range map[float64]string{2: "satisfactory", -2: "satisfactory", 2.01: "warning", 3: "warning", -3.01: "action"} {
		if z, _ := assay.Z(v, 0, 1); z.Words != words {
			t.Errorf("ISO 13528: z = %g reads %q, want %q", v, z.Words, words)
		}
	}
	for v, words := range map[float64]string{1: "satisfactory", -1.01: "unsatisfactory"} {
		if en, _ := assay.En(v, 1, 0, 0); en.Words != words {
			t.Errorf("ISO/IEC 17043: En = %g reads %q, want %q", v, en.Words, words)
		}
	}
	_, err := assay.Z(1, 1, 0)
	wantReason(t, "no spread", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.Z(math.Inf(1), 1, 1)
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
	_, err = assay.En(1, math.NaN(), 1, 1)
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
	_, err = assay.En(1, 1, 1, math.NaN())
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
}

func TestScoresAreSymmetric(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		x, a := rapid.Float64Range(-10, 10).Draw(r, "x"), rapid.Float64Range(-10, 10).Draw(r, "a")
		ux, ua := rapid.Float64Range(0.01, 5).Draw(r, "ux"), rapid.Float64Range(0.01, 5).Draw(r, "ua")
		one, err := assay.Zeta(x, ux, a, ua)
		if err != nil {
			r.Fatal(err)
		}
		two, _ := assay.Zeta(a, ua, x, ux)
		if one.Value != -two.Value || one.Words != two.Words {
			r.Fatalf("%v and %v", one, two)
		}
	})
}

const flour = "2.20 2.20 2.4 2.4 2.5 2.7 2.8 2.9 3.03 3.03 3.10 3.37 3.4 3.4 3.4 3.5 3.6 3.7 3.7 3.7 3.7 3.77 5.28 28.95"

// Reference 06, section 3: Algorithm A of ISO 13528:2005, annex C; data sets from memory, results computed there.
func TestAlgorithmA(t *testing.T) {
	for _, row := range []struct {
		source, values string
		mean, sigma    float64
	}{
		{"AMC Technical Brief 6 (2001)", "4.5 4.9 5.6 4.2 6.2 5.2 9.9", 5.3865, 1.1460},
		{"copper in wholemeal flour", flour, 3.2056, 0.6742},
	} {
		r, err := assay.AlgorithmA(numbers(t, row.values))
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, row.source+", mean", r.Mean, row.mean, 5.1e-5)
		wantNear(t, row.source+", s", r.Sigma, row.sigma, 5.1e-5)
	}
	r, err := assay.AlgorithmA([]float64{5, 5, 5, 9})
	if err != nil || r.Mean != 5 || r.Sigma != 0 {
		t.Errorf("by hand, most values equal: %+v, %v", r, err)
	}
	_, err = assay.AlgorithmA([]float64{1, 2})
	wantReason(t, "two values", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.AlgorithmA([]float64{1, 2, math.NaN()})
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
}

// A robust mean ignores a gross outlier: moving it further changes nothing.
func TestRobustMeanIgnoresAnOutlier(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(9, 11), 8, 20).Draw(r, "values")
		one, err := assay.AlgorithmA(append(values[:len(values):len(values)], 1e3))
		if err != nil {
			r.Fatal(err)
		}
		two, _ := assay.AlgorithmA(append(values[:len(values):len(values)], 1e6))
		if math.Abs(one.Mean-two.Mean) > 1e-6 || math.Abs(one.Sigma-two.Sigma) > 1e-6 || one.Mean < 9 || one.Mean > 12 {
			r.Fatalf("%+v and %+v", one, two)
		}
	})
}

// Reference 07, section 1.
func TestTTests(t *testing.T) {
	// 95 % two-sided points, from memory.
	for degrees, want := range map[int]float64{4: 2.776, 5: 2.571, 7: 2.365, 9: 2.262, 11: 2.201, 14: 2.145, 19: 2.093, 29: 2.045} {
		values := make([]float64, degrees+1)
		values[0] = 1
		r, err := assay.PairedT(values, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		wantNear(t, fmt.Sprint("t table, ", degrees), r.Critical, want, 5e-4)
	}
	older := numbers(t, "36.19 35.80 36.00 36.19 36.18 36.11 36.13 36.48 35.98 36.40")
	newer := numbers(t, "36.20 36.62 36.03 36.40 36.44 36.02 36.12 36.56 36.05 36.44")
	r, err := assay.PooledT(older, newer, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "reference 07, parts, pooled s", r.Sigma, 0.214113, 5e-7)
	wantNear(t, "reference 07, parts, t", r.T, -1.482962, 5e-7)
	if r.Degrees != 18 || r.Significant {
		t.Errorf("parts: %+v", r)
	}
	paired := func(a, b []float64) assay.TTest {
		var d []float64
		for i := range a {
			d = append(d, a[i]-b[i])
		}
		r, err := assay.PairedT(d, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	r = paired(older, newer)
	wantNear(t, "reference 07, parts as pairs, mean", r.Mean, -0.1420, 1e-9)
	wantNear(t, "reference 07, parts as pairs, s", r.Sigma, 0.259178, 5e-7)
	wantNear(t, "reference 07, parts as pairs, t", r.T, -1.732566, 5e-7)
	r = paired(numbers(t, "23 26 19 24 26 22 20 18"), numbers(t, "21 24 23 25 24 25 24 23"))
	wantNear(t, "reference 07, machines, mean", r.Mean, -1.3750, 1e-9)
	wantNear(t, "reference 07, machines, s", r.Sigma, 3.020761, 5e-7)
	wantNear(t, "reference 07, machines, t", r.T, -1.287453, 5e-7)
	if r.Degrees != 7 || r.Low > r.Mean || r.High < r.Mean || r.Low > 0 || r.High < 0 {
		t.Errorf("machines: %+v", r)
	}
	// Montgomery & Runger, example 10-5, printed: T = -0.35, 14 df, P = 0.730, interval (-3.37, 2.42), pooled s 2.701; its
	// means are printed to two places, so the interval holds to 0.02.
	if r, err = assay.PooledTFromSummary(92.255, 2.39, 8, 92.733, 2.98, 8, 0.95); err != nil {
		t.Fatal(err)
	}
	wantNear(t, "Montgomery & Runger 10-5, T", r.T, -0.35, 0.005)
	wantNear(t, "Montgomery & Runger 10-5, P", r.P, 0.730, 0.003)
	wantNear(t, "Montgomery & Runger 10-5, pooled s", r.Sigma, 2.701, 0.001)
	wantNear(t, "Montgomery & Runger 10-5, low", r.Low, -3.37, 0.01)
	wantNear(t, "Montgomery & Runger 10-5, high", r.High, 2.42, 0.01)

	_, err = assay.PairedT([]float64{1}, 0.95)
	wantReason(t, "one difference", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.PairedT([]float64{1, 1}, 0.95)
	wantReason(t, "no spread", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.PairedT([]float64{1, 2}, 1)
	wantReason(t, "certainty", err, "CONFIDENCE_OUT_OF_RANGE")
	_, err = assay.PooledT([]float64{1}, []float64{1, 2}, 0.9)
	wantReason(t, "one value", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.PooledTFromSummary(1, 1, 1, 1, 1, 2, 0.9)
	wantReason(t, "one value", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.PooledTFromSummary(1, math.Inf(1), 2, 1, 1, 2, 0.9)
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
}

// Reference 07, section 2: NIST/SEMATECH e-Handbook 6.3.2.4. The page prints 52.5884 and 47.4115 from a factor cut to
// 0.4201; exact is 52.58843.
func TestEWMA(t *testing.T) {
	x := numbers(t, "52.0 47.0 53.0 49.3 50.1 47.0 51.0 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1")
	want := numbers(t, "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 50.73 51.23 51.94 51.99")
	w, err := assay.EWMA(x, 50, 2.0539, 0.3, 3)
	if err != nil {
		t.Fatal(err)
	}
	for i := range want {
		wantNear(t, fmt.Sprint("e-Handbook, EWMA ", i+1), w.Values[i], want[i], 0.0051)
	}
	wantNear(t, "e-Handbook, UCL", w.Upper, 52.58843, 5e-6)
	wantNear(t, "e-Handbook, LCL", w.Lower, 100-52.58843, 5e-6)
	if w.Signal != -1 {
		t.Errorf("signal at %d; the page has none", w.Signal)
	}
	// At the first step the limit is width × sigma × lambda exactly: by hand 3 × 1 × 0.3 = 0.9, reached by x = 3.
	for x, signal := range map[float64]int{2.999: -1, 3.001: 0} {
		if w, _ := assay.EWMA([]float64{x}, 0, 1, 0.3, 3); w.Signal != signal {
			t.Errorf("first x = %g: signal %d, want %d", x, w.Signal, signal)
		}
	}
	if w, err = assay.EWMA(x, 50, 2, 1, 3); err != nil || w.Values[5] != 47.0 {
		t.Errorf("by hand, lambda 1 is the last value alone: %v, %v", w.Values, err)
	}
	_, err = assay.EWMA(x, 50, 2, 1.1, 3)
	wantReason(t, "lambda above 1", err, "LAMBDA_OUT_OF_RANGE")
	_, err = assay.EWMA(x, 50, 0, 0.3, 3)
	wantReason(t, "no sigma", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.EWMA(nil, 50, 1, 0.3, 3)
	wantReason(t, "no values", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.EWMA(x, math.NaN(), 1, 0.3, 3)
	wantReason(t, "no target", err, "NUMBER_NOT_FINITE")
}

// Reference 07, section 3: NIST/SEMATECH e-Handbook 6.3.2.3 (data from memory, table computed there).
func TestCUSUM(t *testing.T) {
	x := numbers(t, "324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350")
	high := numbers(t, "0 0 0 0 0.0325 0 0 0 0 0 0 0 3.0075 4.9400 7.4475 10.6300 11.9875 14.4450 16.0025 19.0350")
	low := numbers(t, "0 0.0075 0 0.3325 0 0 0.5575 0.7150 0.1725 0.2550 0.3125 0 0 0 0 0 0 0 0 0")
	plain := numbers(t, "-0.075 -0.400 -0.675 -1.325 -0.975 -0.750 -1.625 -2.100 -1.875 -2.275 -2.650 -2.500 0.825 3.075 5.900 9.400 11.075 13.850 15.725 19.075")
	c, err := assay.CUSUM(x, 325, 0.3175, 4.1959)
	if err != nil {
		t.Fatal(err)
	}
	for i := range x {
		wantNear(t, fmt.Sprint("e-Handbook, S_hi ", i+1), c.High[i], high[i], 1e-9)
		wantNear(t, fmt.Sprint("e-Handbook, S_lo ", i+1), c.Low[i], low[i], 1e-9)
		wantNear(t, fmt.Sprint("e-Handbook, plain sum ", i+1), c.Plain[i], plain[i], 1e-9)
	}
	if c.Signal != 13 || !c.Upward {
		t.Errorf("e-Handbook: first signal at observation 14, got %d, upward %v", c.Signal+1, c.Upward)
	}
	_, err = assay.CUSUM(x, 325, -1, 4)
	wantReason(t, "a negative allowance", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.CUSUM(x, 325, 1, 0)
	wantReason(t, "no decision interval", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.CUSUM(nil, 325, 1, 1)
	wantReason(t, "no values", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.CUSUM(x, math.NaN(), 1, 1)
	wantReason(t, "no target", err, "NUMBER_NOT_FINITE")
}

// Reference 07, section 4: Montgomery & Runger, table 16-7; individuals chart computed there.
func TestShewhartAndPlainSum(t *testing.T) {
	x := numbers(t, "102.0 94.8 98.3 98.4 102.0 98.5 99.0 97.7 100.0 98.1 101.3 98.7 101.1 98.4 97.0 96.7 100.3 101.4 97.2 101.0")
	sums := numbers(t, "3.0 -1.2 -1.9 -2.5 0.5 0.0 0.0 -1.3 -0.3 -1.2 1.1 0.8 2.9 2.3 0.3 -2.0 -0.7 1.7 -0.1 1.9")
	c, err := assay.CUSUM(x, 99, 1, 5)
	if err != nil {
		t.Fatal(err)
	}
	for i := range sums {
		wantNear(t, fmt.Sprint("Montgomery & Runger, sum ", i+1), c.Plain[i], sums[i], 1e-9)
	}
	s, err := assay.Shewhart(x)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "reference 07, mean", s.Mean, 99.095, 1e-9)
	wantNear(t, "reference 07, moving range", s.MovingRange, 2.589474, 5e-7)
	wantNear(t, "reference 07, sigma", s.Sigma, 2.295633, 5e-7)
	wantNear(t, "reference 07, lower", s.Lower, 92.208, 5e-4)
	wantNear(t, "reference 07, upper", s.Upper, 105.982, 5e-4)
	wantNear(t, "by hand, D4 × moving range", s.RangeUpper, 3.267*2.589474, 1e-5)
	if len(s.Out) != 0 {
		t.Errorf("out: %v", s.Out)
	}
	if s, err = assay.Shewhart(append(x, 120)); err != nil || len(s.Out) != 1 || s.Out[0] != 20 {
		t.Errorf("120 is not out: %+v, %v", s.Out, err)
	}
	_, err = assay.Shewhart(x[:1])
	wantReason(t, "one value", err, "COUNT_OUT_OF_RANGE")
}

// history is 500 invented lots whose differences have a spread of 0.2 ppt about bias.
func history(seed uint64, bias float64, lots int) assay.BiasInput {
	normal := distuv.Normal{Mu: bias, Sigma: 0.2, Src: newSource(seed)}
	in := assay.BiasInput{
		Element: assay.Gold,
		BiasSettings: assay.BiasSettings{Sigma: dec("0.2"), Confidence: dec("0.95"), Shift: dec("0.2"), Decision: dec("5"), Lambda: dec("0.2"), Width: dec("3"),
			Borne: dec("0.5"), Rounding: quantity.Rounding{Places: 3, Mode: quantity.HalfUp}},
	}
	for i := range lots {
		own := quantity.MustFineness(fmt.Sprintf("%.3f ppt", 812+normal.Rand()))
		in.Lots = append(in.Lots, assay.BiasLot{Lot: fmt.Sprint("lot ", i+1), Own: own, Other: ppt("812"), Mass: mass("30000 g"), Price: quantity.MustMoney("2000 USD")})
	}
	return in
}

// newSource is a plain xorshift generator: the same lots from the same seed for ever.
type xorshift uint64

func newSource(seed uint64) *xorshift {
	x := xorshift(seed*0x9e3779b97f4a7c15 + 1)
	return &x
}

func (x *xorshift) Uint64() uint64 {
	*x ^= *x << 13
	*x ^= *x >> 7
	*x ^= *x << 17
	return uint64(*x)
}

// A planted bias of a third of the splitting limit (0.5 / 3) is found over 500 lots in every history; without a bias the
// chart signals about as often as it says.
func TestBiasIsFoundAndSilenceHolds(t *testing.T) {
	const histories = 20
	for seed := range uint64(histories) {
		r, err := assay.Bias(history(seed+1, -0.5/3, 500))
		if err != nil {
			t.Fatal(err)
		}
		if !r.Found || r.SignalLot == "" || r.Cusum.Upward || !r.Test.Significant || !strings.Contains(r.Words, "lower") || !strings.Contains(r.Words, r.SignalLot) {
			t.Errorf("seed %d: a bias of -0.167 ppt is not found: %s", seed, r.Words)
		}
		if r.Below <= r.Above || r.Cusum.Signal > 120 {
			t.Errorf("seed %d: %d below, %d above, found only at lot %d", seed, r.Below, r.Above, r.Cusum.Signal+1)
		}
	}
	alarms := 0
	for seed := range uint64(400) {
		in := history(seed+1000, 0, 100)
		values := make([]float64, len(in.Lots))
		for i, l := range in.Lots {
			values[i] = l.Own.PerMille().Sub(l.Other.PerMille()).Float()
		}
		c, err := assay.CUSUM(values, 0, 0.1, 1)
		if err != nil {
			t.Fatal(err)
		}
		if c.Signal >= 0 {
			alarms++
		}
	}
	stated, err := assay.CUSUMFalseAlarm(0.5, 5, 100)
	if err != nil {
		t.Fatal(err)
	}
	spread := math.Sqrt(stated * (1 - stated) / 400)
	wantNear(t, "false alarms in 400 histories of 100 lots", float64(alarms)/400, stated, 3.5*spread)
}

// A two-sided CUSUM with k = 0.5 and h = 5 has a mean run of about 465 without a shift (a usual textbook value, from
// memory); a geometric run of that mean signals within 465 with 1 - 1/e.
func TestCUSUMFalseAlarm(t *testing.T) {
	p, err := assay.CUSUMFalseAlarm(0.5, 5, 465)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "from memory, mean run 465", p, 1-1/math.E, 0.012)
	// By hand: with k = 0 and one value, a side signals when x > h: 2 (1 - Φ(h)) less both.
	one, err := assay.CUSUMFalseAlarm(0, 1, 1)
	if err != nil {
		t.Fatal(err)
	}
	q := distuv.UnitNormal.CDF(-1)
	wantNear(t, "by hand, one value", one, 1-(1-q)*(1-q), 1e-9)
	_, err = assay.CUSUMFalseAlarm(0.5, 5, 0)
	wantReason(t, "no values", err, "COUNT_OUT_OF_RANGE")
	_, err = assay.CUSUMFalseAlarm(0.5, 0, 5)
	wantReason(t, "no interval", err, "SPREAD_NOT_POSITIVE")
	_, err = assay.CUSUMFalseAlarm(math.NaN(), 1, 5)
	wantReason(t, "no number", err, "NUMBER_NOT_FINITE")
}

// By hand: 31 103.4768 g are 1000 oz; own is 0.4 and 0.2 ppt above on two such lots, half of it borne: 0.3 oz at 2000 USD.
func TestBiasCost(t *testing.T) {
	in := history(1, 0, 3)
	for i, own := range []string{"812.4", "812.2", "812.0"} {
		in.Lots[i].Own, in.Lots[i].Mass = ppt(own), mass("31103.4768 g")
	}
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	r, err := assay.ReadBias(b)
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "by hand, ounces", r.Ounces, "0.3")
	wantDecimal(t, "by hand, money", r.Cost[0].Amount(), "600")
	if r.Above != 2 || r.Below != 0 || r.Found || !strings.Contains(r.Words, "no lasting bias") {
		t.Errorf("%+v", r)
	}
	for i := range in.Lots { // and the other way round, far beyond any limit
		in.Lots[i].Own, in.Lots[i].Mass = ppt(fmt.Sprint(814+i)), mass("31103.4768 g")
	}
	if r, err = assay.Bias(in); err != nil || !r.Found || !r.Cusum.Upward || !strings.Contains(r.Words, "higher") || r.SignalLot != "lot 1" {
		t.Errorf("by hand, 2 ppt above at the first lot: %+v, %v", r, err)
	}
	_, err = assay.ReadBias([]byte(`{"lots":{}}`))
	wantReason(t, "lots that are no list", err, "JSON_MALFORMED")
	for _, row := range []struct {
		reason, field string
		change        func(*assay.BiasInput)
	}{
		{"ELEMENT_MISSING", "element", func(in *assay.BiasInput) { in.Element = "" }},
		{"SETTING_OUT_OF_RANGE", "sigma", func(in *assay.BiasInput) { in.Sigma = dec("0") }},
		{"SETTING_OUT_OF_RANGE", "borne", func(in *assay.BiasInput) { in.Borne = dec("1.1") }},
		{"CONFIDENCE_OUT_OF_RANGE", "confidence", func(in *assay.BiasInput) { in.Confidence = dec("95") }},
		{"ROUNDING_MISSING", "rounding.mode", func(in *assay.BiasInput) { in.Rounding.Mode = 0 }},
		{"COUNT_OUT_OF_RANGE", "lots", func(in *assay.BiasInput) { in.Lots = in.Lots[:1] }},
		{"FINENESS_MISSING", "lots[1]", func(in *assay.BiasInput) { in.Lots[1].Other = quantity.Fineness{} }},
		{"MASS_MISSING", "lots[1].mass", func(in *assay.BiasInput) { in.Lots[1].Mass = quantity.Mass{} }},
		{"PRICE_NOT_POSITIVE", "lots[2].price", func(in *assay.BiasInput) { in.Lots[2].Price = quantity.Money{} }},
		{"CURRENCY_MIXED", "lots[2].price", func(in *assay.BiasInput) { in.Lots[2].Price = quantity.MustMoney("1 EUR") }},
	} {
		wrong := in
		wrong.Lots = append([]assay.BiasLot{}, in.Lots...)
		row.change(&wrong)
		_, err := assay.Bias(wrong)
		wantReason(t, row.field, err, row.reason)
		wantField(t, err, row.field)
	}
}
