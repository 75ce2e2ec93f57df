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
