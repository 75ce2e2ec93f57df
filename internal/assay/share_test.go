package assay_test

import (
	"testing"

	"barward/internal/assay"
)

// Two results of one sample differ with the standard deviation σR √2. A limit of 2.8 σR is ISO 5725's reproducibility
// limit, which honest results exceed about once in twenty: 2(1 - Φ(2.8/√2)) = 4.8 %; at z = 1.0102, from a table of the
// normal distribution (from memory): 2(1 - 0.8438) = 31.2 %.
func TestShareBeyond(t *testing.T) {
	for _, tt := range []struct{ limit, sigma, want string }{
		{"2.8", "1", "about 4.8 %"}, {"0.50", "0.35", "about 31.2 %"}, {"0", "1", "about 100.0 %"}, {"10", "1", "less than 0.1 %"}, {"1", "0", ""}, {"-1", "1", ""},
	} {
		if got := assay.ShareBeyond(dec(tt.limit), dec(tt.sigma)); got != tt.want {
			t.Errorf("limit %s, σR %s: %q, want %q", tt.limit, tt.sigma, got, tt.want)
		}
	}
}
