package station

import (
	"cmp"
	"time"

	"barward/internal/quantity"
	pb "barward/proto/barward/v1"
)

// CompareDiscrepancies puts open ones first, then by "deadline" the nearest, else by money the most at stake; what has
// none comes last. Amounts in two currencies are not compared. It is for slices.SortStableFunc.
func CompareDiscrepancies(x, y *pb.Discrepancy, by string) int {
	open := func(d *pb.Discrepancy) int {
		if d.GetState() == pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
			return 0
		}
		return 1
	}
	if c := cmp.Compare(open(x), open(y)); c != 0 {
		return c
	}
	if by == "deadline" {
		never := func(d *pb.Discrepancy) string { return cmp.Or(d.GetClaimBy(), "9999") }
		return cmp.Compare(never(x), never(y))
	}
	stake := func(d *pb.Discrepancy) (quantity.Decimal, string) {
		m, err := quantity.ParseMoney(d.GetMoney())
		if err != nil {
			return quantity.NewDecimal(-1), "" // no price was known
		}
		return m.Amount(), string(m.Currency())
	}
	mine, in := stake(x)
	theirs, inTheirs := stake(y)
	if in != "" && inTheirs != "" && in != inTheirs {
		return cmp.Compare(in, inTheirs)
	}
	return theirs.Cmp(mine)
}

// ClaimState says in words where the claim window of a discrepancy stands on a day (2026-03-02).
func ClaimState(d *pb.Discrepancy, today string) string {
	switch accepts := d.GetClaimSilence() == "accepted"; {
	case d.GetClaimBy() == "":
		return ""
	case d.GetState() != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN:
		if d.GetDecidedLate() {
			return "decided after silence had accepted it on " + d.GetClaimBy()
		}
		return ""
	case today <= d.GetClaimBy():
		return "open until " + d.GetClaimBy()
	case accepts:
		return "accepted by silence on " + d.GetClaimBy()
	}
	return "window over since " + d.GetClaimBy() + ", still open"
}

// DaysLeft counts the days from today (2026-03-02) to the last day of a claim: 0 on that day itself, negative
// after it. It is false for a discrepancy that is decided or has no such day.
func DaysLeft(d *pb.Discrepancy, today string) (int, bool) {
	if d.GetState() != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		return 0, false
	}
	from, err := time.Parse(time.DateOnly, today)
	if err != nil {
		return 0, false
	}
	to, err := time.Parse(time.DateOnly, d.GetClaimBy())
	if err != nil {
		return 0, false
	}
	return int(to.Sub(from) / (24 * time.Hour)), true // both are UTC, which has no change of the clock
}
