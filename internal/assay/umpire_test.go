package assay_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

func ppt(s string) quantity.Fineness { return quantity.MustFineness(s + " ppt") }

func dec(s string) quantity.Decimal { return quantity.MustDecimal(s) }

var places3 = quantity.Rounding{Places: 3, Mode: quantity.HalfUp}

// goldTerms are invented terms with the splitting limit of the check values; the laboratories do not exist.
func goldTerms() assay.ExchangeTerms {
	return assay.ExchangeTerms{
		Element:         assay.Gold,
		SplittingLimits: []assay.LimitBand{{From: ppt("0"), Limit: dec("0.50"), Unit: assay.LimitAbsolute}},
		Rounds:          1,
		UmpireRule:      assay.MiddleOfThree,
		CostRule:        assay.FartherPays,
		Panel:           []string{"Quillow Assay", "Ostermund Laboratory", "Tarn & Vole"},
		ReportDays:      10, RevealDays: 2, UmpireDays: 20,
		NoReportRule:    assay.OtherConclusive,
		MeanRounding:    places3,
		SettledRounding: places3,
	}
}

func silverTerms() assay.ExchangeTerms {
	t := goldTerms()
	t.Element = assay.Silver
	t.SplittingLimits = []assay.LimitBand{{From: ppt("0"), Limit: dec("2.00"), Unit: assay.LimitAbsolute}}
	return t
}

func wantFineness(t *testing.T, what string, got quantity.Fineness, want string) {
	t.Helper()
	if got.IsZero() || got.Cmp(ppt(want)) != 0 {
		t.Errorf("%s: got %q, want %s ppt", what, got, want)
	}
}

func wantDecimal(t *testing.T, what string, got quantity.Decimal, want string) {
	t.Helper()
	if !got.Equal(dec(want)) {
		t.Errorf("%s: got %s, want %s", what, got, want)
	}
}

func wantReason(t *testing.T, what string, err error, reason string) {
	t.Helper()
	if !refusal.Is(err, reason) {
		t.Errorf("%s: got %v, want a refusal with reason %s", what, err, reason)
	}
}

// Check values: shared reference 04, section 2, the whole table (computed there by hand): S = 812.90, B = 812.20,
// limit 0.50. The rules are common practice, no source.
func TestUmpireTable(t *testing.T) {
	const source = "reference 04, section 2"
	for _, row := range []struct {
		umpire string
		want   map[assay.UmpireRule]string
		pays   assay.Side
	}{
		{"812.40", map[assay.UmpireRule]string{assay.UmpireAlone: "812.40", assay.MiddleOfThree: "812.40", assay.MeanWithNearer: "812.30", assay.TwoClosest: "812.30"}, assay.Seller},
		{"812.55", map[assay.UmpireRule]string{assay.UmpireAlone: "812.55", assay.MiddleOfThree: "812.55", assay.MeanWithNearer: "812.55", assay.TwoClosest: "812.55"}, ""},
		{"813.10", map[assay.UmpireRule]string{assay.UmpireAlone: "813.10", assay.MiddleOfThree: "812.90", assay.MeanWithNearer: "813.00", assay.TwoClosest: "813.00"}, assay.Refiner},
		{"814.00", map[assay.UmpireRule]string{assay.UmpireAlone: "814.00", assay.MiddleOfThree: "812.90", assay.MeanWithNearer: "813.45", assay.TwoClosest: "812.55"}, assay.Refiner},
	} {
		for rule, want := range row.want {
			for _, tie := range tieRules(rule) {
				terms := goldTerms()
				terms.UmpireRule, terms.TieRule = rule, tie
				d, err := assay.Umpire(ppt("812.90"), ppt("812.20"), ppt(row.umpire), terms)
				if err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("%s: U = %s, %s %s", source, row.umpire, rule, tie)
				wantFineness(t, what, d.Settled, want)
				seller, refiner := "0.5", "0.5"
				switch row.pays {
				case assay.Seller:
					seller, refiner = "1", "0"
				case assay.Refiner:
					seller, refiner = "0", "1"
				}
				wantDecimal(t, what+", seller's cost", d.SellerCost, seller)
				wantDecimal(t, what+", refiner's cost", d.RefinerCost, refiner)
				if d.Farther != row.pays {
					t.Errorf("%s: farther is %q, want %q", what, d.Farther, row.pays)
				}
			}
		}
	}
}

func tieRules(rule assay.UmpireRule) []assay.TieRule {
	if rule != assay.TwoClosest {
		return []assay.TieRule{""}
	}
	return []assay.TieRule{assay.TieUmpireAlone, assay.TieMiddleOfThree, assay.TieMeanWithNearer}
}

// By hand: S = 812.90 stands half-way between B = 812.20 and U = 813.60, so that two pairs are 0.70 apart and the tie
// rules part: U; S; (S + U)/2.
func TestTwoClosestTie(t *testing.T) {
	for tie, want := range map[assay.TieRule]string{
		assay.TieUmpireAlone: "813.60", assay.TieMiddleOfThree: "812.90", assay.TieMeanWithNearer: "813.25",
	} {
		terms := goldTerms()
		terms.UmpireRule, terms.TieRule = assay.TwoClosest, tie
		d, err := assay.Umpire(ppt("812.90"), ppt("812.20"), ppt("813.60"), terms)
		if err != nil {
			t.Fatal(err)
		}
		wantFineness(t, "by hand: tie with a party in the middle, "+string(tie), d.Settled, want)
		wantDecimal(t, "by hand: the refiner is farther", d.RefinerCost, "1")
	}
}

// Cost rules by hand, S = 812.90, B = 812.20, limit 0.50. The rules are common practice, no source.
func TestUmpireCost(t *testing.T) {
	for _, row := range []struct {
		rule           assay.CostRule
		umpire, seller string
	}{
		{assay.CostShared, "812.20", "0.5"},
		{assay.CostShared, "814.00", "0.5"},
		{assay.OutsideLimitPays, "812.40", "0.5"}, // 0.50 and 0.20: equal to the limit is within it
		{assay.OutsideLimitPays, "812.39", "1"},   // 0.51 and 0.19
		{assay.OutsideLimitPays, "812.71", "0"},   // 0.19 and 0.51
		{assay.OutsideLimitPays, "814.00", "0.5"}, // 1.10 and 1.80: both
		{assay.FartherPays, "812.5500001", "0"},   // a hair nearer the seller
		{assay.FartherPays, "812.5499999", "1"},
	} {
		terms := goldTerms()
		terms.CostRule = row.rule
		d, err := assay.Umpire(ppt("812.90"), ppt("812.20"), ppt(row.umpire), terms)
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, fmt.Sprintf("by hand: %s, U = %s", row.rule, row.umpire), d.SellerCost, row.seller)
	}
}

// Splitting: shared reference 04, section 1 (equal passes; gold 0.5 and 0.3 ppt by base metal, silver 2 ppt) and the
// results of section 5.
func TestSplit(t *testing.T) {
	byBase := goldTerms()
	byBase.SplittingLimits = []assay.LimitBand{
		{From: ppt("0"), Limit: dec("0.5"), Unit: assay.LimitAbsolute},
		{Base: assay.Silver, From: ppt("0"), Limit: dec("0.3"), Unit: assay.LimitAbsolute},
	}
	bands := goldTerms()
	bands.SplittingLimits = []assay.LimitBand{
		{From: ppt("0"), Limit: dec("1"), Unit: assay.LimitPercentOfMean},
		{From: ppt("100"), Limit: dec("2"), Unit: assay.LimitPerMilleOfMean},
		{From: ppt("500"), Limit: dec("0.4"), Unit: assay.LimitAbsolute},
	}
	for _, row := range []struct {
		source                     string
		terms                      assay.ExchangeTerms
		seller, refiner            string
		difference, limit, settled string // settled is empty outside the limit
	}{
		{"reference 04, section 5, gold", goldTerms(), "812.30", "812.58", "-0.28", "0.50", "812.44"},
		{"reference 04, section 5, silver", silverTerms(), "147.60", "148.90", "-1.30", "2.00", "148.25"},
		{"reference 04, section 1: equal passes", goldTerms(), "812.70", "812.20", "0.50", "0.50", "812.45"},
		{"by hand: the last place decides", goldTerms(), "812.700000000001", "812.20", "0.500000000001", "0.50", ""},
		{"reference 04, section 2: outside", goldTerms(), "812.90", "812.20", "0.70", "0.50", ""},
		{"reference 04, section 1: gold-base", byBase.ForBase(assay.Gold), "812.50", "812.10", "0.40", "0.5", "812.3"},
		{"reference 04, section 1: silver-base", byBase.ForBase(assay.Silver), "302.50", "302.10", "0.40", "0.3", ""},
		{"reference 04, section 1: silver-base, equal", byBase.ForBase(assay.Silver), "302.40", "302.10", "0.30", "0.3", "302.25"},
		{"by hand: 1 % of a mean of 50", bands, "50.25", "49.75", "0.50", "0.5", "50"},
		{"by hand: 1 % of a mean of 50.05", bands, "50.30", "49.80", "0.50", "0.5005", "50.05"},
		{"by hand: 1 % of a mean just below the band", bands, "99.9", "100.08", "-0.18", "0.9999", "99.99"},
		{"by hand: the band begins at its own fineness", bands, "100.1", "99.9", "0.2", "0.2", "100"},
		{"by hand: 2 ppt of a mean of 450", bands, "450.45", "449.55", "0.90", "0.9", "450"},
		{"by hand: a mean of exactly 500", bands, "500.2", "499.8", "0.4", "0.4", "500"},
		{"by hand: a mean of exactly 500, outside", bands, "500.3", "499.7", "0.6", "0.4", ""},
		{"by hand: mean 812.4005 rounds half up to 812.401", goldTerms(), "812.401", "812.400", "0.001", "0.5", "812.401"},
	} {
		s, err := assay.Split(ppt(row.seller), ppt(row.refiner), row.terms)
		if err != nil {
			t.Fatalf("%s: %v", row.source, err)
		}
		wantDecimal(t, row.source+": difference", s.Difference, row.difference)
		wantDecimal(t, row.source+": limit", s.Limit, row.limit)
		if s.Within != (row.settled != "") {
			t.Errorf("%s: within is %v", row.source, s.Within)
		}
		if row.settled != "" {
			wantFineness(t, row.source+": mean", s.Mean, row.settled)
		}
	}
	for mode, want := range map[quantity.Mode]string{quantity.HalfUp: "812.45", quantity.HalfEven: "812.44", quantity.Down: "812.44"} {
		terms := goldTerms()
		terms.MeanRounding = quantity.Rounding{Places: 2, Mode: mode}
		s, err := assay.Split(ppt("812.44"), quantity.MustFineness("81.245 %"), terms)
		if err != nil {
			t.Fatal(err)
		}
		wantFineness(t, "by hand: mean 812.445 "+mode.String(), s.Mean, want)
	}
	_, err := assay.Split(ppt("812.50"), ppt("812.10"), byBase)
	wantReason(t, "limits by base metal without the base", err, "BASE_UNKNOWN")
	_, err = assay.Split(quantity.Fineness{}, ppt("812.10"), goldTerms())
	wantReason(t, "no seller's result", err, "FINENESS_MISSING")
	_, err = assay.Split(ppt("812.10"), quantity.Fineness{}, goldTerms())
	wantReason(t, "no refiner's result", err, "FINENESS_MISSING")
	_, err = assay.Umpire(ppt("812.70"), ppt("812.20"), ppt("812"), goldTerms())
	wantReason(t, "an umpire within the limit", err, "UMPIRE_NOT_DUE")
	_, err = assay.Umpire(ppt("812.90"), ppt("812.20"), quantity.Fineness{}, goldTerms())
	wantReason(t, "no umpire's result", err, "FINENESS_MISSING")
}

// anyTerms draws valid terms of every kind.
func anyTerms(r *rapid.T) assay.ExchangeTerms {
	t := goldTerms()
	t.UmpireRule = rapid.SampledFrom([]assay.UmpireRule{assay.UmpireAlone, assay.MiddleOfThree, assay.MeanWithNearer, assay.TwoClosest}).Draw(r, "rule")
	t.TieRule = rapid.SampledFrom(tieRules(t.UmpireRule)).Draw(r, "tie")
	t.CostRule = rapid.SampledFrom([]assay.CostRule{assay.FartherPays, assay.CostShared, assay.OutsideLimitPays}).Draw(r, "cost")
	t.NoReportRule = rapid.SampledFrom([]assay.NoReportRule{assay.OtherConclusive, assay.UmpireDecides}).Draw(r, "silence")
	t.Rounds = rapid.IntRange(1, 3).Draw(r, "rounds")
	t.MeanRounding, t.SettledRounding = anyRounding(r), anyRounding(r)
	t.SplittingLimits = nil
	from := int64(0)
	for range rapid.IntRange(1, 4).Draw(r, "bands") {
		f, _ := quantity.PartsPerThousand(quantity.NewDecimal(from))
		t.SplittingLimits = append(t.SplittingLimits, assay.LimitBand{
			From: f, Limit: quantity.NewDecimal(rapid.Int64Range(1, 2000).Draw(r, "limit")).Shift(-3),
			Unit: rapid.SampledFrom([]assay.LimitUnit{assay.LimitAbsolute, assay.LimitPerMilleOfMean, assay.LimitPercentOfMean}).Draw(r, "unit"),
		})
		from += rapid.Int64Range(1, 300).Draw(r, "next")
	}
	if err := t.Check(); err != nil {
		r.Fatal(err)
	}
	return t
}

func anyRounding(r *rapid.T) quantity.Rounding {
	return quantity.Rounding{
		Places: rapid.IntRange(0, 5).Draw(r, "places"),
		Mode:   rapid.SampledFrom([]quantity.Mode{quantity.HalfUp, quantity.HalfEven, quantity.Down}).Draw(r, "mode"),
	}
}

// anyResults draws two parties' results and an umpire's, near each other so that ties and limits are met.
func anyResults(r *rapid.T) (seller, refiner, umpire quantity.Fineness) {
	centre := rapid.Int64Range(1000, 98_000).Draw(r, "centre")
	draw := func(label string) quantity.Fineness {
		f, err := quantity.PartsPerThousand(quantity.NewDecimal(centre + rapid.Int64Range(-300, 300).Draw(r, label)).Shift(-2))
		if err != nil {
			r.Fatal(err)
		}
		return f
	}
	return draw("seller"), draw("refiner"), draw("umpire")
}

// Shared reference 04, section 6: exchanging the names of the parties leaves every settled assay as it was and exchanges
// the costs. Also: costs add to 1, and what is settled lies within the three results, give or take its last place.
func TestSwappingThePartiesSwapsOnlyTheCosts(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		terms := anyTerms(r)
		s, b, u := anyResults(r)
		one, err := assay.Split(s, b, terms)
		if err != nil {
			r.Fatal(err)
		}
		other, err := assay.Split(b, s, terms)
		if err != nil {
			r.Fatal(err)
		}
		if one.Within != other.Within || one.Mean.Cmp(other.Mean) != 0 || !one.Limit.Equal(other.Limit) || !one.Difference.Equal(other.Difference.Neg()) {
			r.Fatalf("split %+v, swapped %+v", one, other)
		}
		d, err := assay.Umpire(s, b, u, terms)
		if one.Within {
			if !refusal.Is(err, "UMPIRE_NOT_DUE") {
				r.Fatalf("an umpire within the limit: %v", err)
			}
			return
		}
		if err != nil {
			r.Fatal(err)
		}
		swapped, err := assay.Umpire(b, s, u, terms)
		if err != nil {
			r.Fatal(err)
		}
		if d.Settled.Cmp(swapped.Settled) != 0 {
			r.Fatalf("settled %s, swapped %s", d.Settled, swapped.Settled)
		}
		if !d.SellerCost.Equal(swapped.RefinerCost) || !d.RefinerCost.Equal(swapped.SellerCost) {
			r.Fatalf("costs %s and %s, swapped %s and %s", d.SellerCost, d.RefinerCost, swapped.SellerCost, swapped.RefinerCost)
		}
		if !d.SellerCost.Add(d.RefinerCost).Equal(dec("1")) {
			r.Fatalf("costs %s and %s do not add to 1", d.SellerCost, d.RefinerCost)
		}
		step := terms.SettledRounding.Step()
		low := quantity.Min(quantity.Min(s.PerMille(), b.PerMille()), u.PerMille()).Sub(step)
		high := quantity.Max(quantity.Max(s.PerMille(), b.PerMille()), u.PerMille()).Add(step)
		if p := d.Settled.PerMille(); p.Less(low) || high.Less(p) {
			r.Fatalf("settled %s lies outside %s to %s", p, low, high)
		}
	})
}

// Issue: widening a splitting limit never sends more lots to the umpire.
func TestWideningTheLimitNeverSendsMoreToTheUmpire(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		terms := anyTerms(r)
		s, b, _ := anyResults(r)
		before, err := assay.Split(s, b, terms)
		if err != nil {
			r.Fatal(err)
		}
		for i := range terms.SplittingLimits {
			terms.SplittingLimits[i].Limit = terms.SplittingLimits[i].Limit.Add(quantity.NewDecimal(rapid.Int64Range(0, 500).Draw(r, "wider")).Shift(-3))
		}
		after, err := assay.Split(s, b, terms)
		if err != nil {
			r.Fatal(err)
		}
		if before.Within && !after.Within || after.Limit.Less(before.Limit) {
			r.Fatalf("limit %s to %s: within went from %v to %v", before.Limit, after.Limit, before.Within, after.Within)
		}
	})
}

// The middle of three against a plain sort, and two closest against trying all pairs.
func TestUmpireAgainstPlainSearch(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		terms := goldTerms()
		terms.SettledRounding = quantity.Rounding{Places: 6, Mode: quantity.HalfEven}
		s, b, u := anyResults(r)
		x := []quantity.Decimal{s.PerMille(), b.PerMille(), u.PerMille()}
		d, err := assay.Umpire(s, b, u, terms)
		if err != nil {
			return // within the limit
		}
		median := quantity.Sum(x...).
			Sub(quantity.Min(quantity.Min(x[0], x[1]), x[2])).Sub(quantity.Max(quantity.Max(x[0], x[1]), x[2]))
		if !d.Settled.PerMille().Equal(median) {
			r.Fatalf("middle of %v is %s, not %s", x, median, d.Settled)
		}
		terms.UmpireRule, terms.TieRule = assay.TwoClosest, assay.TieUmpireAlone
		if d, err = assay.Umpire(s, b, u, terms); err != nil {
			r.Fatal(err)
		}
		best, pairs, mean := dec("10000"), 0, dec("0")
		for i, a := range x {
			for _, c := range x[i+1:] {
				switch distance := a.Sub(c).Abs(); distance.Cmp(best) {
				case -1:
					best, pairs, mean = distance, 1, a.Add(c).Mul(dec("0.5"))
				case 0:
					pairs++
				}
			}
		}
		if pairs > 1 {
			mean = u.PerMille()
		}
		if !d.Settled.PerMille().Equal(mean) {
			r.Fatalf("two closest of %v: got %s, want %s", x, d.Settled, mean)
		}
	})
}

func wantField(t *testing.T, err error, field string) {
	t.Helper()
	if r := refusal.As(err); r != nil && r.Field != field {
		t.Errorf("field %q, want %q", r.Field, field)
	}
}
