package station

import (
	"slices"
	"testing"

	pb "barward/proto/barward/v1"
)

const (
	isOpen    = pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	isDecided = pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED
)

// Open ones first, then the most money or the nearest deadline; what has none comes last, and currencies stay apart.
func TestRegisterIsSorted(t *testing.T) {
	register := []*pb.Discrepancy{
		{Name: "decided", State: isDecided, Money: "9000.00 USD", ClaimBy: "2025-01-01"},
		{Name: "unpriced", State: isOpen, ClaimBy: "2025-03-20"},
		{Name: "small", State: isOpen, Money: "52.98 USD", ClaimBy: "2025-03-19"},
		{Name: "large", State: isOpen, Money: "275.43 USD"},
		{Name: "other money", State: isOpen, Money: "1000.00 EUR", ClaimBy: "2025-05-03"},
	}
	for by, want := range map[string][]string{
		"money":    {"other money", "large", "small", "unpriced", "decided"},
		"deadline": {"small", "unpriced", "other money", "large", "decided"},
	} {
		list := slices.Clone(register)
		slices.SortStableFunc(list, func(x, y *pb.Discrepancy) int { return CompareDiscrepancies(x, y, by) })
		var got []string
		for _, d := range list {
			got = append(got, d.GetName())
		}
		if !slices.Equal(got, want) {
			t.Errorf("by %s: %v, want %v", by, got, want)
		}
	}
}

// The last day of a window is in it.
func TestClaimState(t *testing.T) {
	for _, tt := range []struct {
		d     *pb.Discrepancy
		today string
		want  string
	}{
		{&pb.Discrepancy{State: isOpen}, "2025-03-20", ""},
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20", ClaimSilence: "accepted"}, "2025-03-20", "open until 2025-03-20"},
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20", ClaimSilence: "accepted"}, "2025-03-21", "accepted by silence on 2025-03-20"},
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20", ClaimSilence: "open"}, "2025-03-21", "window over since 2025-03-20, still open"},
		{&pb.Discrepancy{State: isDecided, ClaimBy: "2025-03-20", ClaimSilence: "accepted"}, "2025-03-21", ""},
		{&pb.Discrepancy{State: isDecided, ClaimBy: "2025-03-20", ClaimSilence: "accepted", DecidedLate: true}, "2025-03-21", "decided after silence had accepted it on 2025-03-20"},
	} {
		if got := ClaimState(tt.d, tt.today); got != tt.want {
			t.Errorf("on %s %v is %q, want %q", tt.today, tt.d, got, tt.want)
		}
	}
}

// The last day of a window has no day left, and is in it; by hand.
func TestDaysLeft(t *testing.T) {
	for _, tt := range []struct {
		d     *pb.Discrepancy
		today string
		want  int
		ok    bool
	}{
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20"}, "2025-03-20", 0, true},
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2024-03-01"}, "2024-02-28", 2, true}, // a leap year
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-04-01"}, "2025-03-29", 3, true}, // over a change of the clock in Europe
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20"}, "2025-03-25", -5, true},
		{&pb.Discrepancy{State: isOpen}, "2025-03-25", 0, false},
		{&pb.Discrepancy{State: isDecided, ClaimBy: "2025-03-20"}, "2025-03-20", 0, false},
		{&pb.Discrepancy{State: isOpen, ClaimBy: "2025-03-20"}, "today", 0, false},
	} {
		if got, ok := DaysLeft(tt.d, tt.today); got != tt.want || ok != tt.ok {
			t.Errorf("on %s %v has %d days, %v; want %d, %v", tt.today, tt.d, got, ok, tt.want, tt.ok)
		}
	}
}
