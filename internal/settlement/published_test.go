package settlement

import (
	"testing"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// Settlements printed by others, and one computed by us, by terms alone. All go through Preview, that is through JSON.

func TestOrderOfRounding(t *testing.T) {
	const source = "reference 04, 4.1: printed 732.7 oz and 725.4 oz"
	s := settled(t, "order_of_rounding")
	wantFigures(t, source, s, "fine/Au", "732.7 oz at 913 ppt")
	wantFigures(t, source, s, "payable/Au", "725.4 oz at 99 percent")
	wantFigures(t, source, s, "credited/Au", "725.4 oz")

	unrounded := settled(t, "order_of_rounding", func(in *PreviewInput) {
		in.Terms.Metals[0].FineRounding = rounding(9, quantity.HalfUp) // the chain is as good as unrounded
	})
	wantFigures(t, "reference 04, 4.1: unrounded chain 725.3400 gives 725.3", unrounded, "payable/Au", "725.3 oz at 99 percent")

	kilograms := settled(t, "order_of_rounding", func(in *PreviewInput) {
		in.Terms.Metals[0].Unit = quantity.Kilogram
		in.Terms.Metals[0].FineRounding = rounding(2, quantity.HalfUp)
		in.Terms.Metals[0].PayableRounding = rounding(2, quantity.HalfUp)
	})
	wantFigures(t, "reference 04, 4.1: printed 22.79 kg", kilograms, "fine/Au", "22.79 kg at 913 ppt")
	wantFigures(t, "reference 04, 4.1: printed 22.56 kg", kilograms, "payable/Au", "22.56 kg at 99 percent")
	if exact := kilograms.Find("fine/Au")[0].Exact; exact != "22.78848" {
		t.Errorf("reference 04, 4.1: 22.788 48 kg, got %s", exact)
	}
}

func TestDirectionOfRounding(t *testing.T) {
	const source = "reference 04, 4.2"
	s := settled(t, "direction_of_rounding")
	wantFigures(t, source, s, "melt_loss", "3.20 g at 0.019996 percent")
	wantFigures(t, source+": printed 14 736.180 g", s, "fine/Au", "14736.18 g at 921.00 ppt")
	wantFigures(t, source+": printed 14 441.45 g", s, "payable/Au", "14441.45 g at 98.00 percent")
	wantFigures(t, source+": silver 0 %", s, "payable/Ag", "0.00 g at 0 percent")

	up := settled(t, "direction_of_rounding", func(in *PreviewInput) {
		in.Terms.Metals[0].PayableRounding.Mode = quantity.HalfUp
	})
	wantFigures(t, source+": half-up .46", up, "payable/Au", "14441.46 g at 98.00 percent")
}

// The pounds and ounces of this source are avoirdupois. Each price is for the unit that the weight is in, so the
// arithmetic is the same in ours: the file writes pounds as kg and avoirdupois ounces as oz.
func TestBarValueByThePound(t *testing.T) {
	const source = "reference 04, 4.3"
	pounds, ounces := settled(t, "bar_by_the_pound"), settled(t, "bar_odd_ounces")
	wantFigures(t, source+": 18.26565 cut", pounds, "gross_rate", "18.26 USD/kg")
	wantFigures(t, source, pounds, "value", "82 kg at 18.26 USD/kg, 1497.32 USD")
	wantFigures(t, source, ounces, "gross_rate", "1.13 USD/oz")
	wantFigures(t, source, ounces, "value", "3.25 oz at 1.13 USD/oz, 3.67 USD")
	if sum := pounds.Net.Amount().Add(ounces.Net.Amount()); sum.String() != "1500.99" {
		t.Errorf("%s: $1 500.99, got %s", source, sum)
	}
	gold := settled(t, "bar_gold")
	wantFigures(t, source, gold, "gross_rate", "18.26 USD/oz")
	wantFigures(t, source, gold, "net", "2291.63 USD")

	rounded := settled(t, "bar_by_the_pound", func(in *PreviewInput) {
		in.Terms.Metals[0].RateRounding.Mode = quantity.HalfUp
	})
	wantFigures(t, source+": would round to 18.27", rounded, "gross_rate", "18.27 USD/kg")

	// By payable metal the rate is never rounded: by hand, 82 × 0.969 = 79.458; × 18.85 = 1497.7833.
	payable := settled(t, "bar_by_the_pound", func(in *PreviewInput) {
		in.Terms.Metals[0].Valuation, in.Terms.Metals[0].RateRounding = ByPayable, quantity.Rounding{}
	})
	wantFigures(t, "by hand", payable, "net", "1497.78 USD")
}

// Tons are written as kg: no ton is a unit of ours, and the price and the charge are for the same unit.
func TestChargeTakenOff(t *testing.T) {
	const source = "reference 04, 4.4"
	s := settled(t, "charge_taken_off")
	wantFigures(t, source+": 9 t at the standard of £83 15s", s, "value", "9.000 kg at 83.75 GBP/kg, 753.75 GBP")
	wantFigures(t, source+": £412 10s", s, "charge", "150.000 kg at 2.75 GBP/kg, -412.50 GBP")
	wantFigures(t, source+": £341 5s", s, "net", "341.25 GBP")

	// The lot that the standard was made from: 985 t holding 63.3 t; printed total £5 300 with 7 s dropped, charge
	// £2 708 15s. Its standard £83.734 gives £5 300.36, cut to pounds as printed.
	first := settled(t, "charge_taken_off", func(in *PreviewInput) {
		u := &in.Lot.Units[0]
		u.Received[0].Mass = quantity.MustMass("985 kg")
		u.Assays[0].Fineness = quantity.MustFineness("64.263959 ppt") // 63.3 / 985
		in.Lot.Prices[0].Points[0].Value = dec("83.734")
		in.Terms.Metals[0].Price.Rounding.Places = 3
		in.Terms.Money.Value = rounding(0, quantity.Down)
	})
	wantFigures(t, source, first, "fine_total", "63.300 kg")
	wantFigures(t, source+": £5 300", first, "value", "63.300 kg at 83.734 GBP/kg, 5300 GBP")
	wantFigures(t, source+": £2 708 15s", first, "charge", "985.000 kg at 2.75 GBP/kg, -2708.75 GBP")
	wantFigures(t, source+": £2 591 12s less the 7s dropped", first, "net", "2591.25 GBP")
}

func TestFullSettlement(t *testing.T) {
	const source = "reference 04, 5"
	s := settled(t, "full_settlement")
	for _, line := range []struct{ path, want string }{
		{"gross_received/M1", "37560.10 g"},
		{"gross_after_melt/M1", "37548.60 g"},
		{"melt_loss", "11.50 g at 0.030618 percent"},
		{"fine_total/Au", "980.790 oz"},
		{"fine_total/Ag", "178.970 oz"},
		{"payable/Au", "979.809 oz at 99.90 percent"},
		{"payable/Ag", "175.390 oz at 98.00 percent"},
		{"value/Au", "979.809 oz at 2350.25 USD/oz, 2302796.10 USD"},
		{"value/Ag", "175.390 oz at 29.4550 USD/oz, 5166.11 USD"},
		{"metal_value", "2307962.21 USD"},
		{"charge/treatment", "1207.216 oz at 0.55 USD/oz, -663.97 USD"},
		{"net_value", "2307298.24 USD"},
		{"advance/1", "-2077165.99 USD"},
		{"interest/1", "12 days at 5.50 percent a year, -3808.14 USD"},
		{"net", "226324.11 USD"},
	} {
		wantFigures(t, source, s, line.path, line.want)
	}
	for path, want := range map[string]string{"payable/Au": "979.80921", "payable/Ag": "175.3906"} {
		if got := s.Find(path)[0].Exact; got != want {
			t.Errorf("%s: %s before rounding is %s, want %s", source, path, got, want)
		}
	}
	if s.Net.String() != "226324.11 USD" {
		t.Errorf("%s: balance to the seller %s", source, s.Net)
	}
	advance := settled(t, "full_provisional")
	wantFigures(t, source+": 90 % of 2 307 962.21", advance, "net", "2077165.99 USD")
}

// The fine grams of section 5, as terms in grams print them.
func TestFineGrams(t *testing.T) {
	s := settled(t, "full_settlement", func(in *PreviewInput) {
		for i := range in.Terms.Metals {
			in.Terms.Metals[i].Unit = quantity.Gram
			in.Terms.Metals[i].FineRounding.Places = 6
		}
	})
	wantFigures(t, "reference 04, 5", s, "fine_total/Au", "30505.984584 g")
	wantFigures(t, "reference 04, 5", s, "fine_total/Ag", "5566.579950 g")
}

// Good Delivery bars: fine weight with rounding as a setting.
func TestGoodDeliveryFineContent(t *testing.T) {
	for _, tt := range []struct {
		gross, fineness string
		mode            quantity.Mode
		places          int
		want, source    string
	}{
		{"401.125 oz", "995.8 ppt", quantity.HalfUp, 3, "399.440 oz at 995.8 ppt", "reference 01, 3: sample row, nearest"},
		{"401.125 oz", "995.8 ppt", quantity.Down, 3, "399.440 oz at 995.8 ppt", "reference 01, 3: sample row, down"},
		{"401.125 oz", "995.8 ppt", quantity.HalfUp, 6, "399.440275 oz at 995.8 ppt", "reference 01, 3: exact product"},
		{"1 kg", "995.0 ppt", quantity.HalfUp, 3, "31.990 oz at 995.0 ppt", "reference 01, 4: plain calculation"},
		{"1 kg", "999.9 ppt", quantity.HalfUp, 3, "32.148 oz at 999.9 ppt", "reference 01, 4: plain calculation"},
		{"250 g", "995.0 ppt", quantity.HalfUp, 3, "7.997 oz at 995.0 ppt", "reference 01, 4: plain calculation"},
		{"20 g", "999.0 ppt", quantity.HalfUp, 3, "0.642 oz at 999.0 ppt", "reference 01, 4: plain calculation"},
		{"25 oz", "999.9 ppt", quantity.HalfUp, 3, "24.998 oz at 999.9 ppt", "reference 01, 4: 24.9975, half up"},
		{"25 oz", "999.9 ppt", quantity.Down, 3, "24.997 oz at 999.9 ppt", "by hand: 24.9975 cut"},
		{"5 oz", "999.9 ppt", quantity.HalfUp, 3, "5.000 oz at 999.9 ppt", "reference 01, 4: 4.9995, half up"},
		{"5 oz", "999.9 ppt", quantity.HalfEven, 3, "5.000 oz at 999.9 ppt", "reference 01, 4: half even gives the same"},
		{"15 oz", "999.9 ppt", quantity.HalfEven, 3, "14.998 oz at 999.9 ppt", "by hand: 14.9985 to the even digit"},
		{"15 oz", "999.9 ppt", quantity.HalfUp, 3, "14.999 oz at 999.9 ppt", "by hand: 14.9985 half up"},
	} {
		s := settled(t, "order_of_rounding", func(in *PreviewInput) {
			in.Terms.Weight = Received
			in.Terms.Metals[0].FineRounding = rounding(tt.places, tt.mode)
			in.Lot.Units[0].Received[0].Mass = quantity.MustMass(tt.gross)
			in.Lot.Units[0].Assays = []Assay{{Element: assay.Gold, Fineness: quantity.MustFineness(tt.fineness), Of: SettledAssay}}
		})
		wantFigures(t, tt.source, s, "fine/Au", tt.want)
	}
}
