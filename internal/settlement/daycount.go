package settlement

import (
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// DayCount says how the days of an interest period become a fraction of a year. The first day counts, the last does not.
type DayCount string

const (
	Actual360   DayCount = "ACT/360"  // actual days over 360
	Actual365F  DayCount = "ACT/365F" // actual days over 365, in leap years too
	Thirty360US DayCount = "30/360"   // months of 30 days over 360, the US end-of-month rules
)

// Days returns the days from one date to another as the convention counts them, and the days of its year.
func (c DayCount) Days(from, to Date) (days, year int, err error) {
	switch c {
	case Actual360:
		return to.Sub(from), 360, nil
	case Actual365F:
		return to.Sub(from), 365, nil
	case Thirty360US:
		return thirty(from, to), 360, nil
	}
	return 0, 0, refusal.Invalidf("TERM_UNKNOWN", "day_count",
		"%q is not a day count; use ACT/360, ACT/365F or 30/360", clip(string(c)))
}

// thirty counts months of thirty days by the US rules, which move the ends of February and the 31st in this order.
func thirty(from, to Date) int {
	y1, m1, d1 := from.Parts()
	y2, m2, d2 := to.Parts()
	_, afterFrom, _ := from.Add(1).Parts()
	_, afterTo, _ := to.Add(1).Parts()
	endFeb1, endFeb2 := m1 == 2 && afterFrom == 3, m2 == 2 && afterTo == 3
	if endFeb1 && endFeb2 {
		d2 = 30
	}
	if endFeb1 {
		d1 = 30
	}
	if d2 == 31 && d1 >= 30 {
		d2 = 30
	}
	if d1 == 31 {
		d1 = 30
	}
	return 360*(y2-y1) + 30*(int(m2)-int(m1)) + d2 - d1
}

// Interest returns simple interest on an amount at a yearly rate in percent, rounded once.
func Interest(amount, percent quantity.Decimal, days, year int, r quantity.Rounding) (quantity.Decimal, error) {
	numerator := amount.Mul(percent).Mul(quantity.NewDecimal(int64(days)))
	return numerator.Quo(quantity.NewDecimal(int64(year)*100), r)
}
