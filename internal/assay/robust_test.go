package assay

import (
	"math"
	"testing"
)

// Reference 06, section 3: the first passes over the data of AMC Technical Brief 6 (computed there).
func TestAlgorithmAFirstPasses(t *testing.T) {
	values := []float64{4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9}
	for passes, want := range []Robust{{Mean: 5.2, Sigma: 1.0381}, {Mean: 5.3367, Sigma: 1.0387}, {Mean: 5.3564, Sigma: 1.0799}, {Mean: 5.3680, Sigma: 1.1050}} {
		got, err := robust(values, passes)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Mean-want.Mean) > 5.1e-5 || math.Abs(got.Sigma-want.Sigma) > 5.1e-5 || got.Iterations != passes {
			t.Errorf("after %d passes: %+v, want %+v", passes, got, want)
		}
	}
}

// Reference 06, section 3: the plain figures of both data sets, which the outliers move (computed there).
func TestPlainFiguresOfTheDataSets(t *testing.T) {
	for _, row := range []struct {
		values          []float64
		mean, s, middle float64
		places          float64
	}{
		{[]float64{4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9}, 5.79, 1.93, 5.2, 0.005},
		{[]float64{2.20, 2.20, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.10, 3.37, 3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7, 3.7, 3.7, 3.77, 5.28, 28.95}, 4.2804, 5.297, 3.385, 0.0005},
	} {
		m, s := meanAndSigma(row.values)
		if math.Abs(m-row.mean) > row.places || math.Abs(s-row.s) > row.places || math.Abs(middleOf(row.values)-row.middle) > 1e-9 {
			t.Errorf("mean %g, s %g, median %g; want %g, %g, %g", m, s, middleOf(row.values), row.mean, row.s, row.middle)
		}
	}
	// A statistics package prints 3.2055 and 0.6737 for the second, from memory: within 0.001.
	r, err := AlgorithmA([]float64{2.20, 2.20, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.10, 3.37, 3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7, 3.7, 3.7, 3.77, 5.28, 28.95})
	if err != nil || math.Abs(r.Mean-3.2055) > 0.001 || math.Abs(r.Sigma-0.6737) > 0.001 {
		t.Errorf("%+v, %v", r, err)
	}
}
