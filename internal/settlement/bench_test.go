package settlement

import (
	"fmt"
	"testing"

	"barward/internal/quantity"
)

// ofBars is a lot of n bars, settled bar by bar, each with its own weight and assays.
func ofBars(t testing.TB, n int) (Lot, Terms) {
	in := load(t, "full_settlement", func(in *PreviewInput) { in.Terms.Per = PerBar })
	first := in.Lot.Units[0]
	in.Lot.Units = make([]Unit, n)
	for i := range in.Lot.Units {
		id := fmt.Sprintf("B%06d", i)
		mass := quantity.Grams(quantity.NewDecimal(int64(1_200_000 + i)).Shift(-2))
		u := Unit{ID: id, Received: []Bar{{ID: id, Mass: mass, Refs: []Ref{Ref("weighing-" + id)}}}, AfterMelt: mass, MeltRefs: []Ref{Ref("melt-" + id)}}
		for _, a := range first.Assays[:2] {
			a.Fineness = quantity.MustFineness(fmt.Sprintf("%d.%02d ppt", 100+i%300, i%100))
			u.Assays = append(u.Assays, a)
		}
		in.Lot.Units[i] = u
	}
	return in.Lot, in.Terms
}

// BenchmarkSettle shows that the cost of settling bar by bar grows with the number of bars: the time per bar stays.
func BenchmarkSettle(b *testing.B) {
	for _, bars := range []int{100, 1_000, 10_000, 100_000} {
		lot, terms := ofBars(b, bars)
		b.Run(fmt.Sprintf("bars=%d", bars), func(b *testing.B) {
			for b.Loop() {
				if _, err := Settle(lot, terms); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(bars), "ns/bar")
		})
	}
}

func BenchmarkReconcile(b *testing.B) {
	for _, bars := range []int{100, 1_000, 10_000} {
		lot, terms := ofBars(b, bars)
		ours, err := Settle(lot, terms)
		if err != nil {
			b.Fatal(err)
		}
		lot.Prices[0].Points[0].Value = dec("2340")
		theirs, err := Settle(lot, terms)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("bars=%d", bars), func(b *testing.B) {
			for b.Loop() {
				if _, err := Reconcile(ours, theirs.Return(), strict()); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(bars), "ns/bar")
		})
	}
}

func BenchmarkDigest(b *testing.B) {
	lot, terms := ofBars(b, 10_000)
	s, err := Settle(lot, terms)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s.Digest()
	}
}

// Ten thousand bars settled one by one add up like one lot of them does, but for the rounding of each bar.
func TestTenThousandBars(t *testing.T) {
	lot, terms := ofBars(t, 10_000)
	perBar, err := Settle(lot, terms)
	if err != nil {
		t.Fatal(err)
	}
	terms.Per = PerLot
	perLot, err := Settle(lot, terms)
	if err != nil {
		t.Fatal(err)
	}
	difference := perBar.Find("fine_total/Au")[0].Quantity.Sub(*perLot.Find("fine_total/Au")[0].Quantity).Abs()
	if difference.Cmp(dec("5.0005")) > 0 { // by hand: half of 0.001 oz a bar, and once for the lot
		t.Errorf("bar by bar differs by %s oz", difference)
	}
	e, err := perBar.Explain("payable_total/Au")
	if err != nil || len(e.Refs()) != 10_001 { // a weight for each bar, and one exchange for all
		t.Errorf("%d entries, %v", len(e.Refs()), err)
	}
}
