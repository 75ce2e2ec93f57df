package quantity_test

import (
	"testing"

	. "barward/internal/quantity"
)

// Where the expected figures come from. "Printed" tables are publications; "by hand" is arithmetic on the line itself.
const (
	actOf1985   = "Weights and Measures Act 1985 (UK), Schedule 1, Part V, as in force from 1 January 2000"
	actAs1991   = "Weights and Measures Act 1985 (UK), Schedule 1, Part V, text of 1991: 12/175 of a pound of 453.59237 g"
	annexC      = "LBMA Good Delivery Rules, Annex C (weight lists)"
	goldTables  = "gold conversion tables of the London market, docslib.org/doc/2119196"
	assayManual = "Beringer & Beringer, A Text-Book of Assaying, 9th ed. 1904, note 27: 24 carat is pure"
	grain       = "from memory: 1 grain = 0.06479891 g exactly; the product by hand"
)

func TestGramsOfAnOunce(t *testing.T) {
	for _, tt := range []struct{ mass, grams, source string }{
		{"1 oz", "31.1034768", actOf1985},
		{"400 oz", "12441.3907200", "by hand: 400 × 31.1034768"},
		{"0.001 oz", "0.0311034768", "by hand: 31.1034768 / 1000"},
		{"-2 oz", "-62.2069536", "by hand: -2 × 31.1034768"},
		{"1 kg", "1000", "by definition"},
		{"12.44139 kg", "12441.39", "by definition"},
		{"1 mg", "0.001", "by definition"},
		{"12441.390 g", "12441.390", "by definition; the last zero is kept"},
	} {
		if got := MustMass(tt.mass).Grams(); !got.Equal(MustDecimal(tt.grams)) {
			t.Errorf("%s = %s g, want %s (%s)", tt.mass, got, tt.grams, tt.source)
		}
	}
}

// The ounce agrees with the other units that law and custom tie it to.
func TestOunceAgreesWithOtherUnits(t *testing.T) {
	for _, tt := range []struct{ factor, unit, times, source string }{
		{"12", "453.59237", "175", actAs1991}, // 12 pounds are 175 ounces
		{"480", "0.06479891", "1", grain},
		{"24", "0.06479891", "0.05", grain + "; a pennyweight is 24 grains and a twentieth of an ounce"},
		{"1800", "0.06479891", "3.75", grain + "; 10 tola are 1800 grains and 3.75 oz exactly"},
	} {
		want := MustDecimal(tt.factor).Mul(MustDecimal(tt.unit))
		if got := MustMass(tt.times + " oz").Grams(); !got.Equal(want) {
			t.Errorf("%s oz = %s g, want %s × %s = %s g (%s)", tt.times, got, tt.factor, tt.unit, want, tt.source)
		}
	}
}

func TestOuncesOfGrams(t *testing.T) {
	for _, tt := range []struct {
		mass   string
		r      Rounding
		ounces string
		source string
	}{
		{"1 kg", Rounding{12, Down}, "32.150746568627", "by hand: 1000 / 31.1034768 = 32.1507465686279805…"},
		{"1 kg", Rounding{12, HalfUp}, "32.150746568628", "by hand: 1000 / 31.1034768 = 32.1507465686279805…"},
		{"1 kg", Rounding{7, Down}, "32.1507465", goldTables + ", which cut the digits"},
		{"1000 kg", Rounding{5, HalfUp}, "32150.74657", "by hand: 1000000 / 31.1034768 = 32150.7465686…"},
		{"25 kg", Rounding{3, HalfUp}, "803.769",
			"by hand: 25000 / 31.1034768 = 803.768664…; times a rounded 32.1507 it would be 803.7675, 0.001 oz short"},
		{"31.1034768 g", Rounding{12, Down}, "1.000000000000", actOf1985},
		{"31103.4768 mg", Rounding{0, Down}, "1", actOf1985},
		{"116.638038 g", Rounding{3, Down}, "3.750", grain + "; 10 tola"},
		{"1.55517384 g", Rounding{2, Down}, "0.05", grain + "; a pennyweight"},
		{"187.145 g", Rounding{3, HalfUp}, "6.017", "by hand: 5 tael of 37.429 g (" + goldTables + ") / 31.1034768 = 6.01685…"},
		{"401.1250 oz", Rounding{3, HalfEven}, "401.125", "an ounce is an ounce"},
		{"401.1255 oz", Rounding{3, HalfEven}, "401.126", "by hand: a half to the even digit"},
	} {
		got, err := MustMass(tt.mass).Ounces(tt.r)
		if err != nil || got.String() != tt.ounces {
			t.Errorf("%s at %d places %s = %s oz (%v), want %s (%s)", tt.mass, tt.r.Places, tt.r.Mode, got, err, tt.ounces, tt.source)
		}
	}
}

func TestFineContentOfAGoodDeliveryBar(t *testing.T) {
	// Annex C lists a bar of 401.125 oz gross at 995.8 as 399.440 oz fine; the exact product is 399.440275 (by hand).
	bar, fineness := MustMass("401.125 oz"), MustFineness("995.8 ppt")
	if got, want := bar.Fine(fineness), MustMass("399.440275 oz").Grams(); !got.Equal(want) {
		t.Errorf("fine grams = %s, want %s (by hand: 401.125 × 995.8 / 1000 oz)", got, want)
	}
	for _, mode := range []Mode{HalfUp, HalfEven, Down} {
		got, err := Grams(bar.Fine(fineness)).Ounces(Rounding{3, mode})
		if err != nil || got.String() != "399.440" {
			t.Errorf("%s: %s oz fine (%v), want 399.440 (%s; the row does not tell nearest from down)", mode, got, err, annexC)
		}
	}
}

// The London market's table of small bars is agreed, not computed: where plain calculation differs from it, we must keep
// differing, and must not be bent until we agree.
func TestFineContentOfSmallBars(t *testing.T) {
	finenesses := [3]string{"995.0 ppt", "999.0 ppt", "999.9 ppt"}
	for _, tt := range []struct {
		bar     string
		printed [3]string // the table
		plain   [3]string // by hand: mass × fineness / 31.1034768, nearest 0.001
	}{
		{"1 kg", [3]string{"31.990", "32.119", "32.148"}, [3]string{"31.990", "32.119", "32.148"}},
		{"500 g", [3]string{"15.995", "16.059", "16.074"}, [3]string{"15.995", "16.059", "16.074"}},
		{"250 g", [3]string{"7.998", "8.030", "8.037"}, [3]string{"7.997", "8.030", "8.037"}},
		{"200 g", [3]string{"6.398", "6.424", "6.430"}, [3]string{"6.398", "6.424", "6.430"}},
		{"100 g", [3]string{"3.199", "3.212", "3.215"}, [3]string{"3.199", "3.212", "3.215"}},
		{"50 g", [3]string{"1.600", "1.607", "1.608"}, [3]string{"1.599", "1.606", "1.607"}},
		{"20 g", [3]string{"0.640", "0.643", "0.643"}, [3]string{"0.640", "0.642", "0.643"}},
		{"10 g", [3]string{"0.321", "0.322", "0.322"}, [3]string{"0.320", "0.321", "0.321"}},
		{"5 g", [3]string{"0.161", "0.161", "0.161"}, [3]string{"0.160", "0.161", "0.161"}},
		{"100 oz", [3]string{"99.500", "99.900", "99.990"}, [3]string{"99.500", "99.900", "99.990"}},
		{"50 oz", [3]string{"49.750", "49.950", "49.995"}, [3]string{"49.750", "49.950", "49.995"}},
		{"25 oz", [3]string{"24.875", "24.975", "24.998"}, [3]string{"24.875", "24.975", "24.998"}}, // 24.9975: a half
		{"10 oz", [3]string{"9.950", "9.990", "9.999"}, [3]string{"9.950", "9.990", "9.999"}},
		{"5 oz", [3]string{"4.975", "4.995", "5.000"}, [3]string{"4.975", "4.995", "5.000"}}, // 4.9995: a half
		{"1 oz", [3]string{"0.995", "0.999", "1.000"}, [3]string{"0.995", "0.999", "1.000"}},
		{"116.638038 g", [3]string{"3.731", "3.746", "3.750"}, [3]string{"3.731", "3.746", "3.750"}}, // 10 tola
		{"187.145 g", [3]string{"5.987", "6.011", "6.017"}, [3]string{"5.987", "6.011", "6.016"}},    // 5 tael of 37.429 g
	} {
		for i, fineness := range finenesses {
			fine := Grams(MustMass(tt.bar).Fine(MustFineness(fineness)))
			got, err := fine.Ounces(Rounding{3, HalfUp})
			if err != nil || got.String() != tt.plain[i] {
				t.Errorf("%s at %s: %s oz fine (%v), want %s (by hand; %s prints %s)",
					tt.bar, fineness, got, err, tt.plain[i], goldTables, tt.printed[i])
			}
		}
	}
}

// Cutting the two halves of that table would give other figures than the market's.
func TestHalvesOfTheSmallBarTable(t *testing.T) {
	for _, tt := range []struct {
		bar  string
		mode Mode
		want string
	}{
		{"25 oz", HalfUp, "24.998"}, {"25 oz", HalfEven, "24.998"}, {"25 oz", Down, "24.997"},
		{"5 oz", HalfUp, "5.000"}, {"5 oz", HalfEven, "5.000"}, {"5 oz", Down, "4.999"},
	} {
		got, err := Grams(MustMass(tt.bar).Fine(MustFineness("999.9 ppt"))).Ounces(Rounding{3, tt.mode})
		if err != nil || got.String() != tt.want {
			t.Errorf("%s at 999.9 ppt, %s: %s oz (%v), want %s (by hand: 24.9975 and 4.9995)", tt.bar, tt.mode, got, err, tt.want)
		}
	}
}

func TestFinenessOfCarats(t *testing.T) {
	for _, tt := range []struct {
		carat  int64
		want   string
		source string
	}{
		{24, "1000.0000", assayManual},
		{9, "375.0000", assayManual},
		{18, "750.0000", assayManual},
		{22, "916.6667", "British standard gold, 22 carat, 916⅔: US Mint history text"},
	} {
		got, err := NewDecimal(tt.carat).Shift(3).Quo(NewDecimal(24), Rounding{4, HalfUp})
		if err != nil || got.String() != tt.want {
			t.Errorf("%d carat = %s (%v), want %s (%s)", tt.carat, got, err, tt.want, tt.source)
		}
		if _, err := PartsPerThousand(got); err != nil {
			t.Errorf("%d carat: %v", tt.carat, err)
		}
	}
}

func TestFinenessUnits(t *testing.T) {
	for _, tt := range []struct{ entered, perMille string }{ // by definition of per cent, per mille and per million
		{"37.5 %", "375"}, {"375.0 ppt", "375"}, {"375000 g/t", "375"}, {"12 g/t", "0.012"}, {"0 ppt", "0"},
		{"100 %", "1000"}, {"1000.000 ppt", "1000"}, {"1000000 g/t", "1000"}, {"92.10%", "921"},
	} {
		f := MustFineness(tt.entered)
		if !f.PerMille().Equal(MustDecimal(tt.perMille)) {
			t.Errorf("%s = %s ppt, want %s", tt.entered, f.PerMille(), tt.perMille)
		}
		if g := MustFineness(tt.perMille + " ppt"); f.Cmp(g) != 0 {
			t.Errorf("%s and %s do not compare equal", f, g)
		}
	}
}
