package settlement

import (
	"fmt"
	"testing"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// A line whose unit differs is compared by what it is worth, or differs in words.
func TestLinesInOtherUnits(t *testing.T) {
	s := settled(t, "full_settlement")
	for _, tt := range []struct {
		path   string
		change func(*ReturnLine)
		want   LineVerdict
		what   string
	}{
		{"gross_after_melt/M1", func(l *ReturnLine) { l.Quantity, l.QuantityUnit = ptr("37.54860"), "kg" }, Same, ""},
		{"gross_after_melt/M1", func(l *ReturnLine) { l.Quantity, l.QuantityUnit = ptr("37.54861"), "kg" }, Differs, "quantity"},
		{"fine/Au", func(l *ReturnLine) { l.Rate, l.RateUnit = ptr("81.244"), "%" }, Same, ""},
		{"fine/Au", func(l *ReturnLine) { l.Rate, l.RateUnit = ptr("81.245"), "%" }, Differs, "rate"},
		{"fine/Au", func(l *ReturnLine) { l.Rate, l.RateUnit = ptr("81.244"), "carats" }, Differs, "rate"},
		{"charge/treatment", func(l *ReturnLine) { l.RateUnit = "USD/kg" }, Differs, "rate"},
		{"charge/treatment", func(l *ReturnLine) { l.QuantityUnit = "kg" }, Differs, "quantity"},
		{"charge/treatment", func(l *ReturnLine) { l.Quantity = ptr("1207.217") }, Differs, "quantity"},
		{"interest/1", func(l *ReturnLine) { l.Quantity = ptr("13") }, Differs, "quantity"},
		{"value/Au", func(l *ReturnLine) { l.Amount = quantity.Money{} }, Differs, "amount"},
		{"payable/Au", func(l *ReturnLine) { l.Quantity, l.QuantityUnit = nil, "" }, Differs, "quantity"},
	} {
		theirs := s.Return()
		for i := range theirs.Lines {
			if theirs.Lines[i].Path() == tt.path {
				tt.change(&theirs.Lines[i])
			}
		}
		for _, c := range reconciled(t, s, theirs).Lines {
			if c.Path == tt.path && (c.Verdict != tt.want || c.What != tt.what) {
				t.Errorf("%s: %s %s %s, want %s %s", tt.path, c.Verdict, c.What, c.Words, tt.want, tt.what)
			}
		}
	}
}

// The whole return in grams, percent and kilograms is the same return.
func TestReturnInOtherUnitsHasNoParts(t *testing.T) {
	s := settled(t, "direction_of_rounding")
	theirs := s.Return()
	for i := range theirs.Lines {
		if l := &theirs.Lines[i]; l.QuantityUnit == "g" {
			l.Quantity, l.QuantityUnit = number(l.Quantity.Shift(-3)), "kg"
		}
	}
	r := reconciled(t, s, theirs)
	if !r.Agrees || shown(r.Metal[0].Parts) != "" {
		t.Errorf("agrees %v, %s", r.Agrees, shown(r.Metal[0].Parts))
	}
}

// Charges of every basis follow what they are charged on: worked out by hand with one figure moved.
func TestChargesOfEachBasis(t *testing.T) {
	oz := rounding(3, quantity.HalfUp)
	for _, tt := range []struct {
		charge Charge
		change func(*PreviewInput)
		part   Part
		want   string
		hand   string
	}{
		{Charge{Code: "refining", Per: ChargePayable, Element: "Au", Unit: quantity.Gram, QuantityRounding: oz, Rate: ptr("1.00")},
			func(in *PreviewInput) { band(in).Percent = ptr("99.50") }, PartPayable, "-9098.3853",
			"3.9231607 oz less: 9220.4085 of value less 3.9231607 × 31.1034768 = 122.0239 of charge; -9220.4085 + 122.0239 = -9098.3846"},
		{Charge{Code: "margin", Per: ChargeValue, Rate: ptr("1")},
			func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Value = dec("2340.25") }, PartPrice, "-9700.1091",
			"979.809 × 10 = 9798.09, less one percent = 9700.1091"},
		{Charge{Code: "margin", Per: ChargeValue, Rate: ptr("1")},
			func(in *PreviewInput) { treatment(in).Rate = ptr("2") }, PartCharges, "-23079.6221",
			"one percent more of 2307962.21"},
		{Charge{Code: "fee", Per: ChargeLot, Rate: ptr("100")},
			func(in *PreviewInput) { treatment(in).Rate = ptr("130") }, PartCharges, "-30", "30 more"},
		{Charge{Code: "least", Per: ChargeGross, Weight: Received, Unit: quantity.TroyOunce, QuantityRounding: oz, Rate: ptr("0.01"), Minimum: ptr("50")},
			func(in *PreviewInput) { treatment(in).Minimum = ptr("60") }, PartCharges, "-10", "the minimum is 10 higher"},
	} {
		ours := settled(t, "full_settlement", charge(tt.charge))
		theirs := settled(t, "full_settlement", charge(tt.charge), tt.change)
		r := reconciled(t, ours, theirs.Return())
		for _, p := range r.Money.Parts {
			switch {
			case p.Part == tt.part:
				if d := p.Amount.Sub(dec(tt.want)).Abs(); d.Cmp(dec("0.001")) > 0 {
					t.Errorf("%s: %s is %s, want %s (by hand: %s)", tt.charge.Code, p.Part, p.Amount, tt.want, tt.hand)
				}
			case p.Part == PartRounding:
				if p.Amount.Abs().Cmp(dec("3")) > 0 {
					t.Errorf("%s: %s is more than rounding", tt.charge.Code, p.Amount)
				}
			case !p.Amount.IsZero():
				t.Errorf("%s: %s is %s, want none", tt.charge.Code, p.Part, p.Amount)
			}
		}
	}
}

// A lot of several melts: the return may state the lot's own mean fineness, and a difference in one melt is assay.
func TestLotOfSeveralMelts(t *testing.T) {
	two := func(in *PreviewInput) {
		a := in.Lot.Units[0]
		b := a
		b.ID, b.Received, b.AfterMelt = "M2", []Bar{{ID: "B3", Mass: quantity.MustMass("10000 g")}}, quantity.MustMass("10000 g")
		b.Assays = []Assay{{Element: assay.Gold, Fineness: fineness("700 ppt"), Of: SettledAssay}, {Element: assay.Silver, Fineness: fineness("200 ppt"), Of: SettledAssay}}
		in.Lot.Units = []Unit{a, b}
	}
	ours := settled(t, "full_settlement", two)
	theirs := settled(t, "full_settlement", two, func(in *PreviewInput) { in.Lot.Units[1].Assays[0].Fineness = fineness("699 ppt") })
	r := reconciled(t, ours, theirs.Return())
	// By hand: 10 g less of gold, × 0.999 / 31.1034768 = 0.321186 oz.
	checkParts(t, "one melt", r.Metal[0].Parts, "assay", "0.001")
	if got := r.Metal[0].Parts[1].Amount.String(); got != "-0.321186" {
		t.Errorf("assay %s oz", got)
	}
	// The mean of the lot by hand: (37548.60 × 812.44 + 10000 × 700) / 47548.60 = 788.7926…, stated as a return would.
	stated := without(ours.Return(), "fineness/Au/M1", "fineness/Au/M2")
	for i := range stated.Lines {
		if stated.Lines[i].Path() == "fine/Au" {
			stated.Lines[i].Rate, stated.Lines[i].RateUnit = ptr("788.792616"), "ppt"
		}
	}
	r = reconciled(t, ours, stated)
	checkParts(t, "stated mean", r.Metal[0].Parts[:1], "", "0.001")
	if got := r.Metal[0].Parts[1].Amount; got.Abs().Cmp(dec("0.001")) > 0 {
		t.Errorf("a mean stated to six places moves %s oz", got)
	}
}

// Reproducibility is 2.8 standard deviations (ISO 5725): here 0.644 ppt.
func TestRelativeLimitsWarnAtTheTopOfTheirBand(t *testing.T) {
	for limit, want := range map[string]int{"0.60": 1, "0.70": 0} { // of 1000 ppt: 0.60 ppt and 0.70 ppt
		in := load(t, "full_settlement", func(in *PreviewInput) {
			in.Terms.Reporting.Payment = 14
			gold(in).Reproducibility = fineness("0.23 ppt")
			gold(in).Exchange.SplittingLimits = []assay.LimitBand{{From: fineness("0 ppt"), Limit: dec(limit), Unit: assay.LimitPerMilleOfMean}}
		})
		if got := len(in.Terms.Warnings()); got != want {
			t.Errorf("%s of the mean: %d warnings", limit, got)
		}
		in.Terms.Metals[0].Exchange.SplittingLimits[0] = assay.LimitBand{From: fineness("0 ppt"), Limit: dec(limit).Shift(-1), Unit: assay.LimitPercentOfMean}
		if got := len(in.Terms.Warnings()); got != want {
			t.Errorf("%s percent of the mean: %d warnings", limit, got)
		}
	}
}

// What a return may leave out one way or another is refused with the row or line it stands in.
func TestBoundsOfLots(t *testing.T) {
	for name, tt := range map[string]struct {
		reason string
		change func(*PreviewInput)
	}{
		"too fine":           {"FIGURE_OUT_OF_RANGE", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Value = dec("0.0000000000001") }},
		"too many refs":      {"REFS_TOO_MANY", func(in *PreviewInput) { in.Lot.Units[0].MeltRefs = make([]Ref, maxRefs+1) }},
		"too many assays":    {"ASSAYS_TOO_MANY", func(in *PreviewInput) { in.Lot.Units[0].Assays = make([]Assay, maxAssays+1) }},
		"too many events":    {"DATES_TOO_MANY", func(in *PreviewInput) { in.Lot.Dates = make([]Event, maxEvents+1) }},
		"an event twice":     {"EVENT_REPEATED", func(in *PreviewInput) { in.Lot.Dates = append(in.Lot.Dates, in.Lot.Dates[0]) }},
		"an event undated":   {"DATE_MISSING", func(in *PreviewInput) { in.Lot.Dates[0].Date = Date{} }},
		"an undated value":   {"DATE_MISSING", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Date = Date{} }},
		"a series twice":     {"SERIES_REPEATED", func(in *PreviewInput) { in.Lot.Prices = append(in.Lot.Prices, in.Lot.Prices[0]) }},
		"too many series":    {"SERIES_TOO_MANY", func(in *PreviewInput) { in.Lot.Rates = make([]Series, maxSeries+1) }},
		"a calendar twice":   {"CALENDAR_REPEATED", func(in *PreviewInput) { in.Lot.Holidays = []Calendar{{Name: "a"}, {Name: "a"}} }},
		"an undated closed":  {"DATE_MISSING", func(in *PreviewInput) { in.Lot.Holidays = []Calendar{{Name: "a", Days: []Date{{}}}} }},
		"an unknown cost":    {"COST_UNKNOWN", func(in *PreviewInput) { in.Lot.Costs = []Cost{{Kind: "lunch"}} }},
		"too many costs":     {"COSTS_TOO_MANY", func(in *PreviewInput) { in.Lot.Costs = make([]Cost, maxCosts+1) }},
		"an undated advance": {"DATE_MISSING", func(in *PreviewInput) { in.Lot.Advances[0].Date = Date{} }},
		"no bars":            {"BARS_MISSING", func(in *PreviewInput) { in.Lot.Units[0].Received = nil }},
		"a negative slag":    {"MASS_NEGATIVE", func(in *PreviewInput) { in.Lot.Units[0].Slag = quantity.MustMass("-1 g") }},
		"no fineness":        {"FINENESS_MISSING", func(in *PreviewInput) { in.Lot.Units[0].Assays[0].Fineness = quantity.Fineness{} }},
		"a huge result": {"RESULT_OUT_OF_RANGE", func(in *PreviewInput) {
			in.Lot.Prices[0].Points[0].Value = dec("999999999999")
			in.Lot.Units[0].AfterMelt = quantity.MustMass("9999999 kg")
		}},
	} {
		_, err := tryPreview(t, load(t, "full_settlement", tt.change))
		if err == nil {
			t.Errorf("%s was settled", name)
			continue
		}
		wantRefused(t, tt.reason, err)
	}
	long := load(t, "full_settlement")
	long.Terms.Metals = make([]MetalTerms, maxMetals+1)
	for i := range long.Terms.Metals {
		long.Terms.Metals[i].Element = assay.Element(fmt.Sprint(i))
	}
	wantRefused(t, "TERMS_INCOMPLETE", long.Terms.Check())
}
