package assay

import (
	"fmt"

	"barward/internal/quantity"
)

// ShareBeyond says what share of honest lots a splitting limit sends beyond it, such as "about 31.2 %", when both
// laboratories have a reproducibility standard deviation and no bias (see SplitShare); empty where that is not known. Both
// are in parts per thousand.
func ShareBeyond(limit, sigmaR quantity.Decimal) string {
	if sigmaR.Sign() <= 0 || limit.Sign() < 0 {
		return ""
	}
	switch share := 100 * SplitShare(limit.Float(), sigmaR.Float()); {
	case share < 0.1:
		return "less than 0.1 %"
	default:
		return fmt.Sprintf("about %.1f %%", share)
	}
}
