package settlement

import (
	"slices"
	"strings"
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// moved is a change of terms and the figure that it moves, each worked out by hand from the settlement of reference 04, 5:
// after melt 37 548.60 g = 1 207.2156 oz, received 37 560.10 g = 1 207.5853 oz, fine gold 980.790 oz, payable 979.809 oz,
// value of gold 2 302 796.10, metal value 2 307 962.21.
type moved struct {
	term   string
	change func(*PreviewInput)
	path   string
	want   string
	hand   string
}

func gold(in *PreviewInput) *MetalTerms   { return &in.Terms.Metals[0] }
func band(in *PreviewInput) *PayableBand  { return &gold(in).Payable.Bands[0] }
func fineness(s string) quantity.Fineness { return quantity.MustFineness(s) }
func treatment(in *PreviewInput) *Charge  { return &in.Terms.Charges[0] }
func charge(c Charge) func(*PreviewInput) {
	return func(in *PreviewInput) { in.Terms.Charges = []Charge{c} }
}
func penalty(p Penalty) func(*PreviewInput) {
	return func(in *PreviewInput) {
		in.Terms.Penalties = []Penalty{p}
		in.Terms.Money.Penalty = rounding(2, quantity.HalfUp)
		in.Lot.Units[0].Assays = append(in.Lot.Units[0].Assays, Assay{Element: "Hg", Fineness: fineness("2.5 ppt"), Of: SettledAssay})
	}
}
func cost(kind CostKind, amount, share string) func(*PreviewInput) {
	return func(in *PreviewInput) {
		in.Terms.Charges = []Charge{{Code: "passed", Per: ChargePassedOn, Cost: kind}}
		in.Lot.Costs = []Cost{{Kind: kind, Amount: quantity.MustMoney(amount), SellerShare: dec(share), Refs: []Ref{"invoice"}}}
	}
}
func mercury(steps StepRule, per PenaltyBasis) Penalty {
	p := Penalty{
		Element: "Hg", Threshold: fineness("1 ppt"), Step: fineness("1 ppt"), Steps: steps, Rate: ptr("0.10"), Per: per,
		Unit: quantity.TroyOunce, QuantityRounding: rounding(3, quantity.HalfUp),
	}
	if per == PenaltyFine {
		p.Of = "Au"
	}
	return p
}
func provisional(change func(*Advance)) func(*PreviewInput) {
	return func(in *PreviewInput) {
		in.Lot.Kind, in.Lot.Advances, in.Lot.Payment = Provisional, nil, nil
		in.Terms.Advance.Assays = SettledAssay
		change(in.Terms.Advance)
	}
}
func convert(direction Direction, rate string) func(*PreviewInput) {
	return func(in *PreviewInput) {
		in.Terms.Conversion = &Conversion{To: "CHF", Series: "invented rate", Direction: direction, Day: gold(in).Price.Day}
		in.Terms.Money.Conversion = rounding(2, quantity.HalfUp)
		in.Lot.Rates = []Series{{Name: "invented rate", Points: []Point{{Date: MustDate("2027-03-01"), Value: dec(rate)}}}}
	}
}

func TestEachTermMovesAFigure(t *testing.T) {
	for _, tt := range []moved{
		{"settlement_weight", func(in *PreviewInput) { in.Terms.Weight = Received }, "fine/Au", "981.091 oz at 812.44 ppt", "37560.10 × 0.81244 / 31.1034768 = 981.0906"},
		{"weight_rounding", func(in *PreviewInput) {
			in.Terms.WeightStep = &WeightStep{Unit: quantity.TroyOunce, Rounding: rounding(1, quantity.Down)}
		}, "fine/Au", "980.778 oz at 812.44 ppt", "1207.2 × 0.81244 = 980.777568"},
		{"fine_rounding", func(in *PreviewInput) { gold(in).FineRounding.Places = 1 }, "payable/Au", "979.819 oz at 99.90 percent", "980.8 × 0.999 = 979.8192"},
		{"payable_rounding", func(in *PreviewInput) { gold(in).PayableRounding.Places = 2 }, "payable/Au", "979.80 oz at 99.90 percent", "979.80921 cut"},
		{"unit", func(in *PreviewInput) { gold(in).Unit = quantity.Kilogram }, "payable/Au", "30.475 kg at 99.90 percent", "30.506 × 0.999 = 30.475494 cut"},
		{"percent", func(in *PreviewInput) { band(in).Percent = ptr("99.5") }, "payable/Au", "975.886 oz at 99.5 percent", "980.790 × 0.995 = 975.88605"},
		{"deduct_fineness alone", func(in *PreviewInput) { band(in).Percent, band(in).DeductFineness = nil, fineness("1 ppt") }, "payable/Au", "979.582 oz", "980.790 - 1207.215554 / 1000 = 979.582784"},
		{"deduct_mass alone", func(in *PreviewInput) { band(in).Percent, band(in).DeductMass = nil, quantity.MustMass("1.5 oz") }, "payable/Au", "979.290 oz", "980.790 - 1.5"},
		{"deduction_rule pays_less, the deduction", func(in *PreviewInput) { band(in).DeductFineness, band(in).Deduction = fineness("1 ppt"), PaysLess }, "payable/Au", "979.582 oz", "979.582784 < 979.80921"},
		{"deduction_rule pays_less, the percentage", func(in *PreviewInput) {
			band(in).DeductMass, band(in).Deduction = quantity.MustMass("0.5 oz"), PaysLess
		}, "payable/Au", "979.809 oz", "979.80921 < 980.290"},
		{"deduction_rule deduct_first", func(in *PreviewInput) {
			band(in).DeductMass, band(in).Deduction = quantity.MustMass("0.5 oz"), DeductFirst
		}, "payable/Au", "979.309 oz", "980.290 × 0.999 = 979.30971"},
		{"deduction larger than the content", func(in *PreviewInput) { band(in).Percent, band(in).DeductMass = nil, quantity.MustMass("1000 oz") }, "payable/Au", "0.000 oz", "never below nothing"},
		{"bands", func(in *PreviewInput) { gold(in).Payable.Bands = bands("812.44 ppt", "99.0") }, "payable/Au", "970.982 oz at 99.0 percent", "equal to the start of the band is in it: 980.790 × 0.99 = 970.9821"},
		{"bands, one step above", func(in *PreviewInput) { gold(in).Payable.Bands = bands("812.45 ppt", "99.0") }, "payable/Au", "979.809 oz at 99.90 percent", "812.44 is below the band"},
		{"floor", func(in *PreviewInput) { gold(in).Payable.Floor = fineness("812.45 ppt") }, "payable/Au", "0.000 oz at 0 percent", "812.44 is below the floor"},
		{"floor, equal", func(in *PreviewInput) { gold(in).Payable.Floor = fineness("812.44 ppt") }, "payable/Au", "979.809 oz at 99.90 percent", "equal to the floor is paid"},
		{"price.unit", func(in *PreviewInput) { gold(in).Price.Unit = quantity.Gram }, "value/Au", "979.809 oz at 2350.25 USD/g, 71624965.14 USD", "979.809 × 31.1034768 × 2350.25 = 71624965.1415"},
		{"price.rounding", func(in *PreviewInput) { gold(in).Price.Rounding.Places = 0 }, "price/Au", "2350 USD/oz", "2350.25 to no place"},
		{"price.series", func(in *PreviewInput) { gold(in).Price.Series = "invented silver" }, "price/Au", "29.46 USD/oz", "29.455 half up"},
		{"money_rounding.value", func(in *PreviewInput) { in.Terms.Money.Value = rounding(1, quantity.HalfUp) }, "value/Au", "979.809 oz at 2350.25 USD/oz, 2302796.1 USD", "2302796.10225"},
		{"money_rounding.charge", func(in *PreviewInput) { in.Terms.Money.Charge.Mode = quantity.Down }, "charge/treatment", "1207.216 oz at 0.55 USD/oz, -663.96 USD", "663.9688 cut"},
		{"money_rounding.interest", func(in *PreviewInput) { in.Terms.Money.Interest.Mode = quantity.Down }, "interest/1", "12 days at 5.50 percent a year, -3808.13 USD", "3808.1376 cut"},
		{"money_rounding.advance", func(in *PreviewInput) {
			provisional(func(*Advance) {})(in)
			in.Terms.Money.Advance.Mode = quantity.Down
		}, "net", "2077165.98 USD", "2077165.989 cut"},
		{"charge per gross received", func(in *PreviewInput) { treatment(in).Weight = Received }, "charge/treatment", "1207.585 oz at 0.55 USD/oz, -664.17 USD", "37560.10 / 31.1034768 = 1207.58532; × 0.55 = 664.17175"},
		{"charge per kg", func(in *PreviewInput) { treatment(in).Unit = quantity.Kilogram }, "charge/treatment", "37.549 kg at 0.55 USD/kg, -20.65 USD", "37.549 × 0.55 = 20.65195"},
		{"charge quantity_rounding", func(in *PreviewInput) { treatment(in).QuantityRounding.Places = 0 }, "charge/treatment", "1207 oz at 0.55 USD/oz, -663.85 USD", "1207 × 0.55"},
		{"charge minimum", func(in *PreviewInput) { treatment(in).Minimum = ptr("700") }, "charge/treatment", "1207.216 oz at 0.55 USD/oz, -700.00 USD", "663.97 < 700"},
		{"charge per payable", charge(Charge{Code: "refining", Per: ChargePayable, Element: "Au", Unit: quantity.TroyOunce, QuantityRounding: rounding(3, quantity.HalfUp), Rate: ptr("1.00")}), "charge/Au/refining", "979.809 oz at 1.00 USD/oz, -979.81 USD", "979.809 × 1"},
		{"charge per bar", charge(Charge{Code: "handling", Per: ChargeBar, Rate: ptr("25")}), "charge/handling", "2 bars at 25 USD/bar, -50.00 USD", "two bars"},
		{"charge per melt", charge(Charge{Code: "melting", Per: ChargeMelt, Rate: ptr("120")}), "charge/melting", "1 melts at 120 USD/melt, -120.00 USD", "one melt"},
		{"charge per lot", charge(Charge{Code: "lot fee", Per: ChargeLot, Rate: ptr("300")}), "charge/lot fee", "1 lot at 300 USD/lot, -300.00 USD", "one lot"},
		{"charge on value", charge(Charge{Code: "margin", Per: ChargeValue, Rate: ptr("0.1")}), "charge/margin", "2307962.21 USD at 0.1 percent, -2307.96 USD", "2307962.21 / 1000 = 2307.96221"},
		{"charge on value of one metal", charge(Charge{Code: "margin", Per: ChargeValue, Element: "Ag", Rate: ptr("10")}), "charge/Ag/margin", "5166.11 USD at 10 percent, -516.61 USD", "5166.11 / 10"},
		{"assay passed on", cost(CostAssay, "400.00 USD", "100"), "charge/passed", "-400.00 USD", "the whole"},
		{"umpire passed on", cost(CostUmpire, "900.00 USD", "50"), "charge/passed", "-450.00 USD", "half"},
		{"freight passed on", cost(CostFreight, "1234.56 USD", "100"), "charge/passed", "-1234.56 USD", "the whole"},
		{"insurance passed on", cost(CostInsurance, "0.05 USD", "50"), "charge/passed", "-0.03 USD", "0.025 half up"},
		{"penalty, whole steps, gross", penalty(mercury(WholeSteps, PenaltyGross)), "penalty/Hg", "1207.216 oz at 0.10 USD/oz for each 1 ppt, -120.72 USD", "1.5 steps count as 1: 1207.216 × 0.10"},
		{"penalty, started steps", penalty(mercury(StartedSteps, PenaltyGross)), "penalty/Hg", "1207.216 oz at 0.10 USD/oz for each 1 ppt, -241.44 USD", "1.5 steps count as 2"},
		{"penalty, pro rata", penalty(mercury(ProRata, PenaltyGross)), "penalty/Hg", "1207.216 oz at 0.10 USD/oz for each 1 ppt, -181.08 USD", "1.5 × 120.7216 = 181.0824"},
		{"penalty per fine", penalty(mercury(ProRata, PenaltyFine)), "penalty/Hg", "980.790 oz at 0.10 USD/oz for each 1 ppt, -147.12 USD", "980.790 × 0.15 = 147.1185"},
		{"money_rounding.penalty", func(in *PreviewInput) {
			penalty(mercury(ProRata, PenaltyFine))(in)
			in.Terms.Money.Penalty.Mode = quantity.Down
		}, "penalty/Hg", "980.790 oz at 0.10 USD/oz for each 1 ppt, -147.11 USD", "147.1185 cut"},
		{"advance.percent", provisional(func(a *Advance) { a.Percent = ptr("95") }), "net", "2192564.10 USD", "2307962.21 × 0.95 = 2192564.0995"},
		{"advance.of", provisional(func(a *Advance) { a.Of = OfNetValue }), "net", "2076568.42 USD", "2307298.24 × 0.9 = 2076568.416"},
		{"advance.weight", provisional(func(a *Advance) { a.Weight = Received }), "fine/Au", "981.091 oz at 812.44 ppt", "the received weight"},
		{"advance.assays", provisional(func(a *Advance) { a.Assays = SellerAssay }), "fine/Au", "980.621 oz at 812.30 ppt", "37548.60 × 0.8123 / 31.1034768 = 980.62117"},
		{"advance.price", provisional(func(a *Advance) {
			a.Price, a.Day = AdvanceDay, &Dating{Event: "exchange", Lag: -3, Count: CalendarDays, Rule: Preceding}
		}), "price/Au", "2300.00 USD/oz", "the fixing of the Friday before"},
		{"advance.interest_rate", func(in *PreviewInput) { in.Terms.Advance.InterestRate = ptr("11") }, "interest/1", "12 days at 11 percent a year, -7616.28 USD", "2077165.99 × 0.11 × 12 / 360 = 7616.2753"},
		{"conversion multiply", convert(Multiply, "0.8765"), "converted", "0.8765 CHF/USD, 198373.08 CHF", "226324.11 × 0.8765 = 198373.082415"},
		{"conversion divide", convert(Divide, "1.1409"), "converted", "1.1409 USD/CHF, 198373.31 CHF", "226324.11 / 1.1409 = 198373.3106"},
		{"money_rounding.conversion", func(in *PreviewInput) {
			convert(Multiply, "0.8765")(in)
			in.Terms.Money.Conversion = rounding(0, quantity.HalfEven)
		}, "converted", "0.8765 CHF/USD, 198373 CHF", "to no place"},
		{"payment.in and account", func(in *PreviewInput) {
			in.Terms.Payment.In, in.Terms.Payment.Account, in.Terms.Advance, in.Lot.Advances = MetalAccount, "invented account", nil, nil
		}, "net", "-663.97 USD", "metal is credited, the charge stays"},
	} {
		in := load(t, "full_settlement", func(in *PreviewInput) {
			for i := range in.Lot.Prices { // a Friday before, for the price of a day
				p := &in.Lot.Prices[i].Points
				*p = append([]Point{{Date: MustDate("2027-02-26"), Value: dec("2300.00")}}, *p...)
			}
		}, tt.change)
		before := "absent"
		if found := settled(t, "full_settlement").Find(tt.path); len(found) == 1 {
			before = found[0].figures()
		}
		s, err := tryPreview(t, in)
		if err != nil {
			t.Errorf("%s: %v", tt.term, err)
			continue
		}
		wantFigures(t, tt.term+" (by hand: "+tt.hand+")", s, tt.path, tt.want)
		stays := strings.Contains(tt.term, "equal") || strings.Contains(tt.term, "one step above") || strings.Contains(tt.term, "the percentage")
		if before == tt.want && !stays {
			t.Errorf("%s: the term moves nothing at %s", tt.term, tt.path)
		}
		if err := s.Balance(); err != nil {
			t.Errorf("%s: %v", tt.term, err)
		}
	}
}

// bands are those of the file below a fineness and another percentage from it.
func bands(from, percent string) []PayableBand {
	return []PayableBand{
		{From: fineness("0 ppt"), Percent: ptr("99.90")},
		{From: fineness(from), Percent: ptr(percent)},
	}
}

func TestSettlePer(t *testing.T) {
	two := func(in *PreviewInput) {
		in.Terms.Metals[0].FineRounding = rounding(1, quantity.Down)
		in.Lot.Units = []Unit{
			{ID: "M1", Received: []Bar{{ID: "B1", Mass: quantity.MustMass("31.1034768 g")}}, AfterMelt: quantity.MustMass("1.19 oz"), Assays: in.Lot.Units[0].Assays},
			{ID: "M2", Received: []Bar{{ID: "B2", Mass: quantity.MustMass("1.19 oz")}}, AfterMelt: quantity.MustMass("1.19 oz"), Assays: in.Lot.Units[0].Assays},
		}
		in.Lot.Units[0].Received[0].Mass = quantity.MustMass("1.19 oz")
	}
	// By hand: 1.19 × 0.913 = 1.08647, cut to 1.0 for each; together 2.17294, cut to 2.1.
	for per, want := range map[Per]string{PerBar: "2.0 oz", PerMelt: "2.0 oz", PerLot: "2.1 oz"} {
		s := settled(t, "order_of_rounding", two, func(in *PreviewInput) { in.Terms.Per = per })
		wantFigures(t, "by hand", s, "fine_total/Au", want)
	}
	in := load(t, "full_settlement", func(in *PreviewInput) { in.Terms.Per = PerBar })
	_, err := tryPreview(t, in)
	wantRefused(t, "UNIT_NOT_A_BAR", err)
}

func TestPenaltyAtTheThreshold(t *testing.T) {
	for fine, want := range map[string]int{"1 ppt": 0, "0.1 %": 0, "1.000001 ppt": 1} {
		s := settled(t, "full_settlement", penalty(mercury(StartedSteps, PenaltyGross)), func(in *PreviewInput) {
			in.Lot.Units[0].Assays[4].Fineness = fineness(fine)
		})
		if got := len(s.Find("penalty/Hg")); got != want {
			t.Errorf("%s of Hg at a threshold of 1 ppt: %d penalties, want %d", fine, got, want)
		}
	}
}

func TestRoundingAtExactlyHalf(t *testing.T) {
	// By hand: 2.5 kg × 0.5 = 1.25 kg, and 1.5 kg × 0.5 × ... = 0.75 kg.
	for _, tt := range []struct {
		mass string
		mode quantity.Mode
		want string
	}{
		{"2.5 kg", quantity.HalfUp, "1.3 kg at 500 ppt"}, {"2.5 kg", quantity.HalfEven, "1.2 kg at 500 ppt"}, {"2.5 kg", quantity.Down, "1.2 kg at 500 ppt"},
		{"1.5 kg", quantity.HalfUp, "0.8 kg at 500 ppt"}, {"1.5 kg", quantity.HalfEven, "0.8 kg at 500 ppt"}, {"1.5 kg", quantity.Down, "0.7 kg at 500 ppt"},
	} {
		s := settled(t, "order_of_rounding", func(in *PreviewInput) {
			gold(in).Unit, gold(in).FineRounding = quantity.Kilogram, rounding(1, tt.mode)
			in.Lot.Units[0].AfterMelt, in.Lot.Units[0].Assays[0].Fineness = quantity.MustMass(tt.mass), fineness("500 ppt")
		})
		wantFigures(t, "by hand: "+tt.mode.String(), s, "fine/Au", tt.want)
	}
}

func TestMetalAccount(t *testing.T) {
	in := load(t, "full_settlement", func(in *PreviewInput) {
		in.Terms.Payment.In, in.Terms.Payment.Account, in.Terms.Advance, in.Lot.Advances, in.Lot.Payment = MetalAccount, "invented account", nil, nil, nil
	})
	s := preview(t, in)
	wantFigures(t, "reference 04, 5", s, "credited/Au", "979.809 oz")
	if s.ValueDate.String() != "2027-03-03" { // by hand: two business days after Monday 1 March 2027
		t.Errorf("value date %s", s.ValueDate)
	}
	if len(s.Find("value/Au")) != 0 {
		t.Error("metal on an account has no value that anything asks for")
	}
	in.Lot.Dates[0].Name = "melt"
	_, err := tryPreview(t, in)
	wantRefused(t, "EVENT_MISSING", err)
}

func TestFlags(t *testing.T) {
	for _, tt := range []struct {
		afterMelt string
		want      int
		why       string
	}{
		{"37548.60 g", 0, "0.0306 % is inside 0 to 0.20 %"},
		{"37484.9798 g", 0, "0.20 % exactly is inside"},
		{"37484.9797 g", 1, "more than 0.20 %"},
		{"37560.10 g", 0, "0 % exactly is inside"},
		{"37560.11 g", 1, "a gain"},
	} {
		s := settled(t, "full_settlement", func(in *PreviewInput) { in.Lot.Units[0].AfterMelt = quantity.MustMass(tt.afterMelt) })
		if len(s.Flags) != tt.want || tt.want == 1 && (s.Flags[0].Reason != "MELT_LOSS_OUTSIDE_RANGE" || len(s.Flags[0].Refs) != 3) {
			t.Errorf("%s: %v", tt.why, s.Flags)
		}
	}
	for copper, want := range map[string]int{"": 0, "41.31 ppt": 0, "41.32 ppt": 1, "37.31 ppt": 0, "37.30 ppt": 1} { // sums of 1002 and 998
		s := settled(t, "full_settlement", func(in *PreviewInput) {
			if copper != "" {
				in.Lot.Units[0].Assays = append(in.Lot.Units[0].Assays, Assay{Element: "Cu", Fineness: fineness(copper), Of: SettledAssay})
			}
		})
		if len(s.Flags) != want {
			t.Errorf("copper %q: %v", copper, s.Flags)
		}
	}
}

func TestCheckListsEverything(t *testing.T) {
	err := Terms{}.Check()
	wantRefused(t, "TERMS_INCOMPLETE", err)
	e := refusal.As(err)
	var missing []string
	for _, each := range e.Values {
		missing = append(missing, each)
	}
	for _, term := range []string{
		"id", "version", "seller", "refiner", "currency", "settlement_weight", "settle_per", "metals", "payment.in",
		"payment.value_date", "weight_limits", "assay_sum_tolerance", "claims of kind assay", "reporting", "return_tolerances",
	} {
		if !slices.Contains(missing, term) || !strings.Contains(e.Text, term) {
			t.Errorf("%s is not listed as missing: %s", term, e.Text)
		}
	}
	if err := load(t, "full_settlement").Terms.Check(); err != nil {
		t.Errorf("the terms of reference 04, 5 can be signed: %v", err)
	}
}

// Each gap or contradiction is named by its field; all else in the terms stays as it was.
func TestCheckNamesEachGap(t *testing.T) {
	zero := quantity.Rounding{}
	for field, change := range map[string]func(*PreviewInput){
		"metals[0].exchange.panel":                    func(in *PreviewInput) { gold(in).Exchange.Panel = nil },
		"metals[0].exchange.element":                  func(in *PreviewInput) { gold(in).Exchange.Element = "Ag" },
		"metals[0].unit":                              func(in *PreviewInput) { gold(in).Unit = "" },
		"metals[0].fine_rounding":                     func(in *PreviewInput) { gold(in).FineRounding = zero },
		"metals[0].payable_rounding":                  func(in *PreviewInput) { gold(in).PayableRounding = zero },
		"metals[0].payable.floor":                     func(in *PreviewInput) { gold(in).Payable.Floor = quantity.Fineness{} },
		"metals[0].payable.bands":                     func(in *PreviewInput) { gold(in).Payable.Bands = nil },
		"metals[0].payable.bands[0].from":             func(in *PreviewInput) { band(in).From = fineness("1 ppt") },
		"metals[0].payable.bands[1].from":             func(in *PreviewInput) { gold(in).Payable.Bands = bands("0 ppt", "1") },
		"metals[0].payable.bands[0].percent":          func(in *PreviewInput) { band(in).Percent = ptr("100.01") },
		"metals[0].payable.bands[0].percent or a":     func(in *PreviewInput) { band(in).Percent = nil },
		"metals[0].payable.bands[0].deduction_rule":   func(in *PreviewInput) { band(in).DeductFineness = fineness("1 ppt") },
		"metals[0].payable.bands[0].deduction_rule: ": func(in *PreviewInput) { band(in).Deduction = PaysLess },
		"metals[0].valuation":                         func(in *PreviewInput) { gold(in).Valuation = "" },
		"metals[0].rate_rounding":                     func(in *PreviewInput) { gold(in).Valuation = ByGross },
		"metals[0].price":                             func(in *PreviewInput) { gold(in).Price = nil },
		"metals[0].price.series":                      func(in *PreviewInput) { gold(in).Price.Series = "" },
		"metals[0].price.period":                      func(in *PreviewInput) { gold(in).Price.Period = "" },
		"metals[0].price.days":                        func(in *PreviewInput) { gold(in).Price.Period = MeanOfDays },
		"metals[0].price.day.event":                   func(in *PreviewInput) { gold(in).Price.Day.Event = "" },
		"metals[0].price.day.business_day_rule":       func(in *PreviewInput) { gold(in).Price.Day.Rule = "" },
		"metals[0].price.rounding":                    func(in *PreviewInput) { gold(in).Price.Rounding = zero },
		"metals[0].price.missing":                     func(in *PreviewInput) { gold(in).Price.Missing = MissingSkipped },
		"metals[1].element":                           func(in *PreviewInput) { in.Terms.Metals[1].Element = "Au" },
		"charges[0].rate":                             func(in *PreviewInput) { treatment(in).Rate = nil },
		"charges[0].weight":                           func(in *PreviewInput) { treatment(in).Weight = "" },
		"charges[0].quantity_rounding":                func(in *PreviewInput) { treatment(in).QuantityRounding = zero },
		"charges[0].element":                          func(in *PreviewInput) { treatment(in).Element = "Au" },
		"charges[0].cost":                             charge(Charge{Code: "c", Per: ChargePassedOn}),
		"money_rounding.value":                        func(in *PreviewInput) { in.Terms.Money.Value = zero },
		"money_rounding.charge":                       func(in *PreviewInput) { in.Terms.Money.Charge = zero },
		"money_rounding.advance":                      func(in *PreviewInput) { in.Terms.Money.Advance = zero },
		"money_rounding.interest":                     func(in *PreviewInput) { in.Terms.Money.Interest = zero },
		"advance.day_count":                           func(in *PreviewInput) { in.Terms.Advance.DayCount = "" },
		"advance.percent":                             func(in *PreviewInput) { in.Terms.Advance.Percent = nil },
		"advance.interest_rate":                       func(in *PreviewInput) { in.Terms.Advance.InterestRate = nil },
		"advance.day":                                 func(in *PreviewInput) { in.Terms.Advance.Price = AdvanceDay },
		"advance: metal":                              func(in *PreviewInput) { in.Terms.Payment.In = MetalAccount },
		"payment.account":                             func(in *PreviewInput) { in.Terms.Payment.In = MetalAccount },
		"weight_limits.melt_loss":                     func(in *PreviewInput) { in.Terms.Limits.MeltLoss.Most = ptr("-1") },
		"weight_limits.arrival_bar.rule":              func(in *PreviewInput) { in.Terms.Limits.ArrivalBar.Rule = "" },
		"claims of kind weight":                       func(in *PreviewInput) { in.Terms.Claims = in.Terms.Claims[1:] },
		"claims[0].silence":                           func(in *PreviewInput) { in.Terms.Claims[0].Silence = "" },
		"reporting.assay_days":                        func(in *PreviewInput) { in.Terms.Reporting.Assay = 0 },
		"refiner":                                     func(in *PreviewInput) { in.Terms.Refiner = in.Terms.Seller },
		"conversion.to":                               func(in *PreviewInput) { convert(Multiply, "1")(in); in.Terms.Conversion.To = "USD" },
		"money_rounding.conversion":                   func(in *PreviewInput) { convert(Multiply, "1")(in); in.Terms.Money.Conversion = zero },
		"penalties[0].step":                           func(in *PreviewInput) { penalty(Penalty{Element: "Hg"})(in) },
		"penalties[0].of":                             func(in *PreviewInput) { p := mercury(ProRata, PenaltyFine); p.Of = "Pt"; penalty(p)(in) },
	} {
		err := load(t, "full_settlement", change).Terms.Check()
		if !refusal.Is(err, "TERMS_INCOMPLETE") || !strings.Contains(err.Error(), strings.TrimSuffix(field, ": ")) {
			t.Errorf("%s: %v", field, err)
		}
	}
}

func TestWarnings(t *testing.T) {
	for reason, change := range map[string]func(*PreviewInput){
		"":                        func(*PreviewInput) {},
		"SPLITTING_LIMIT_TIGHT":   func(in *PreviewInput) { gold(in).Reproducibility = fineness("0.20 ppt") },
		"PAYABLE_FINER_THAN_FINE": func(in *PreviewInput) { gold(in).PayableRounding.Places = 4 },
		"PAYABLE_ROUNDED_UP":      func(in *PreviewInput) { gold(in).PayableRounding = rounding(2, quantity.HalfUp) },
		"BAND_FALLS":              func(in *PreviewInput) { gold(in).Payable.Bands = bands("900 ppt", "98") },
		"ADVANCE_WHOLE":           func(in *PreviewInput) { in.Terms.Advance.Percent = ptr("100") },
		"CONSIGNMENT_LIMIT_TIGHT": func(in *PreviewInput) { in.Terms.Limits.ConsignmentSum.Absolute = quantity.MustMass("0.1 g") },
		"PENALTY_ON_PAID_METAL":   func(in *PreviewInput) { p := mercury(ProRata, PenaltyGross); p.Element = "Ag"; penalty(p)(in) },
		"REPORT_AFTER_DEADLINE":   func(in *PreviewInput) { in.Terms.Reporting.Assay, in.Terms.Metals[1].Exchange.ReportDays = 9, 9 },
	} {
		in := load(t, "full_settlement", func(in *PreviewInput) { in.Terms.Reporting.Payment = 14 }, change)
		var got []string
		for _, w := range in.Terms.Warnings() {
			got = append(got, w.Reason)
		}
		if strings.Join(got, " ") != reason {
			t.Errorf("%q: warnings %v", reason, got)
		}
	}
	early := load(t, "full_settlement").Terms.Warnings()
	if len(early) != 1 || early[0].Reason != "PAYMENT_BEFORE_CLAIM" {
		t.Errorf("payment after 2 days and disputes for 14: %v", early)
	}
}

func TestDeadline(t *testing.T) {
	terms := load(t, "full_settlement").Terms
	last, accepts, ok := terms.Deadline(ClaimAssay, MustDate("2028-02-20"))
	if !ok || !accepts || last.String() != "2028-03-05" { // by hand: 14 days over 29 February
		t.Errorf("%s %v %v", last, accepts, ok)
	}
	terms.Claims = nil
	if _, _, ok := terms.Deadline(ClaimAssay, MustDate("2028-02-20")); ok {
		t.Error("no window, no deadline")
	}
}
