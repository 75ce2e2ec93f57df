package settlement

import "barward/internal/quantity"

// ratio is an exact fraction, kept whole until the one rounding that a term names. The denominator is more than zero.
type ratio struct{ over, under quantity.Decimal }

var (
	zero     = quantity.NewDecimal(0)
	one      = quantity.NewDecimal(1)
	hundred  = quantity.NewDecimal(100)
	thousand = quantity.NewDecimal(1000)
)

func whole(d quantity.Decimal) ratio { return ratio{d, one} }

// round rounds once.
func (r ratio) round(by quantity.Rounding) (quantity.Decimal, error) { return r.over.Quo(r.under, by) }

// String shows the exact value: as a decimal where it terminates, else its first digits and an ellipsis.
func (r ratio) String() string {
	if r.under.Equal(one) {
		return r.over.String()
	}
	shown, err := r.over.Quo(r.under, quantity.Rounding{Places: shownPlaces, Mode: quantity.Down})
	if err != nil {
		return ""
	}
	if shown.Mul(r.under).Equal(r.over) {
		return shown.Trim().String()
	}
	return shown.String() + "…"
}

func (r ratio) less(s ratio) bool { return r.over.Mul(s.under).Less(s.over.Mul(r.under)) }
