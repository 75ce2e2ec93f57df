package desk

import (
	"slices"
	"testing"

	pb "barward/proto/barward/v1"
)

// What still runs comes before what is over, however much money the latter has; and a day that has passed is no next
// deadline. Days by hand.
func TestRegisterPutsRunningClaimsFirst(t *testing.T) {
	const today = "2026-03-10"
	open := pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	all := []*pb.Discrepancy{
		{Name: "decided", State: pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED, Answerable: "a", ClaimBy: "2026-03-11"},
		{Name: "over", State: open, Answerable: "a", ClaimBy: "2026-03-09", Money: "9000.00 USD"},
		{Name: "later", State: open, Answerable: "a", ClaimBy: "2026-03-20"},
		{Name: "today", State: open, Answerable: "a", ClaimBy: "2026-03-10"},
		{Name: "undated", State: open, Answerable: "b"},
		{Name: "past", State: open, Answerable: "c", ClaimBy: "2026-01-01"},
	}
	next := nextClaims(all, today)
	if len(next) != 1 || next["a"] != "2026-03-10" {
		t.Errorf("the next deadlines are %v", next)
	}
	slices.SortStableFunc(all, func(x, y *pb.Discrepancy) int { return urgency(x, today) - urgency(y, today) })
	var names []string
	for _, d := range all {
		names = append(names, d.GetName())
	}
	if want := []string{"later", "today", "undated", "over", "past", "decided"}; !slices.Equal(names, want) {
		t.Errorf("the order is %v, want %v", names, want)
	}
}

// The groups of three are those of the SI Brochure (9th edition, 5.4.4); the space is U+202F.
func TestGrouped(t *testing.T) {
	for amount, want := range map[string]string{
		"1312321.09 USD": "1\u202f312\u202f321.09 USD", "-12345.00 USD": "-12\u202f345.00 USD", "999.00 USD": "999.00 USD",
		"1000 USD": "1\u202f000 USD", "0.5": "0.5", "": "", "-999": "-999",
	} {
		if got := grouped(amount); got != want {
			t.Errorf("%q is shown as %q, want %q", amount, got, want)
		}
	}
}

// A price of a day that has not come is waited for; one of a day that has is to be published.
func TestMissingPriceSaysWhen(t *testing.T) {
	for _, tt := range []struct {
		today, want string
		notYet      bool
	}{
		{"2026-11-28", "The price of moon gold on 1 December 2026 is needed, and that day has not come yet. " +
			"When it has, x publishes it.", true},
		{"2026-12-01", "The price of moon gold on 1 December 2026 is not published yet. To be published by x.", false},
	} {
		m := missingPrice{Series: "moon gold", Date: "2026-12-01"}
		if m.say(tt.today, "x"); m.Text != tt.want || m.NotYet != tt.notYet {
			t.Errorf("on %s: %q, not yet %v", tt.today, m.Text, m.NotYet)
		}
	}
}

// A product stands only where an amount follows that is one.
func TestRatesAreNotMultipliedTwice(t *testing.T) {
	for _, tt := range []struct{ amount, rate, want string }{
		{"", "811.60 ppt", "at"}, {"", "98.00 percent", "at"}, {"9004128.00 USD", "2931.90 USD/oz", "×"},
		{"-12.00 USD", "5.50 percent a year", "at"},
	} {
		if got := perWords(tt.amount, tt.rate); got != tt.want {
			t.Errorf("%s of %s: %q, want %q", tt.amount, tt.rate, got, tt.want)
		}
	}
}
