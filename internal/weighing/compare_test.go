package weighing

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/quantity"
)

func limit(absolute, relative string, rule Rule) Limit {
	l := Limit{Rule: rule}
	if absolute != "" {
		l.Absolute = mass(absolute)
	}
	if relative != "" {
		l.Relative = number(relative)
	}
	return l
}

func TestLimit(t *testing.T) {
	for _, tt := range []struct {
		l         Limit
		reference string
		want      string
	}{ // by hand: 20 000 g × 0.05 ‰ = 1 g
		{limit("0.5 g", "0.05", Larger), "20000.0 g", "1"},
		{limit("0.5 g", "0.05", Smaller), "20000.0 g", "0.5"},
		{limit("0.5 g", "0.05", Larger), "5 kg", "0.5"},
		{limit("0.5 g", "0.05", Smaller), "5 kg", "0.25"},
		{limit("0.5 g", "", Larger), "20 kg", "0.5"},
		{limit("", "0.05", Larger), "20 kg", "1"},
		{limit("0 g", "", Larger), "20 kg", "0"},                    // stated, and strict
		{limit("0.02 oz", "0.05", Larger), "400 oz", "0.622069536"}, // by hand: 0.02 × 31.1034768
	} {
		if err := tt.l.Check(); err != nil {
			t.Errorf("%+v: %v", tt.l, err)
		}
		wantDecimal(t, "by hand", "limit", tt.l.For(mass(tt.reference)), tt.want)
	}
	for _, tt := range []struct {
		l             Limit
		reason, field string
	}{
		{Limit{}, "LIMIT_RULE_MISSING", "rule"},
		{limit("0.5 g", "0.05", ""), "LIMIT_RULE_MISSING", "rule"},
		{limit("0.5 g", "0.05", "max"), "LIMIT_RULE_UNKNOWN", "rule"},
		{limit("", "", Larger), "LIMIT_MISSING", ""},
		{limit("0.5 g", "", Smaller), "LIMIT_MISSING", ""},
		{limit("", "0.05", Smaller), "LIMIT_MISSING", ""},
		{limit("-0.5 g", "0.05", Larger), "LIMIT_NEGATIVE", "absolute"},
		{limit("0.5 g", "-0.05", Larger), "LIMIT_OUT_OF_RANGE", "relative_permille"},
		{limit("0.5 g", "1000.1", Larger), "LIMIT_OUT_OF_RANGE", "relative_permille"},
		{limit("0.5 g", "0.00001", Larger), "LIMIT_TOO_FINE", "relative_permille"},
		{limit("101000000 g", "", Larger), "MASS_TOO_LARGE", "absolute"},
	} {
		wantRefusal(t, tt.l.Check(), tt.reason, tt.field)
	}
	var l Limit
	if err := json.Unmarshal([]byte(`{"absolute":"0.5 g","relative_permille":"0.05","rule":"larger"}`), &l); err != nil {
		t.Fatal(err)
	}
	if out, err := json.Marshal(l); err != nil || string(out) != `{"absolute":"0.5 g","relative_permille":"0.05","rule":"larger"}` {
		t.Errorf("a limit does not survive JSON: %s, %v", out, err)
	}
}

// high and low are the standard atmosphere at geopotential 4000 m and 0 m (US Standard Atmosphere 1976).
var high, low = number("0.81913"), number("1.22500")

func TestCompare(t *testing.T) {
	// By hand: 20 000 × (0.81913 − 1.22500) × (1/16000 − 1/8000) = 0.5073375, "about half a gram on a 20 kg bar".
	const expected = "0.5073"
	for _, tt := range []struct {
		name           string
		first, second  string
		air1, air2     quantity.Decimal
		limit          string
		within, masked bool
		explained      Explained
		difference     string
		remaining      string
		verdict        string
	}{
		{"heavier below by what buoyancy explains", "20000.0 g", "20000.5 g", high, low, "0.2 g", false, false, Wholly, "0.5", "-0.0073", "explains it"},
		{"lighter above by what buoyancy explains", "20000.5 g", "20000.0 g", low, high, "0.2 g", false, false, Wholly, "-0.5", "0.0074", "explains it"},
		{"light: buoyancy makes it worse", "20000.0 g", "19998.0 g", high, low, "0.2 g", false, false, None, "-2.0", "-2.5073", "does not explain"},
		{"heavy by more than buoyancy", "20000.0 g", "20002.0 g", high, low, "0.2 g", false, false, Partly, "2.0", "1.4927", "only part"},
		{"equal, and so short of metal", "20000.0 g", "20000.0 g", high, low, "0.2 g", true, true, None, "0.0", "-0.5073", "hides"},
		{"within as weighed and after", "20000.0 g", "20000.4 g", high, low, "0.4 g", true, false, None, "0.4", "-0.1073", "within the limit"},
		{"equal to the limit is within", "20000.0 g", "19999.5 g", low, low, "0.5 g", true, false, None, "-0.5", "-0.5", "within the limit"},
		{"one division beyond it is not", "20000.0 g", "19999.4 g", low, low, "0.5 g", false, false, None, "-0.6", "-0.6", "does not explain"},
		{"remaining equal to the limit is within", "20000.0 g", "20001.0 g", high, low, "0.4927 g", false, false, Wholly, "1.0", "0.4927", "explains it"},
		{"remaining just beyond it is not", "20000.0 g", "20001.0 g", high, low, "0.4926 g", false, false, Partly, "1.0", "0.4927", "only part"},
		{"no air known", "20000.0 g", "20001.0 g", quantity.Decimal{}, low, "0.4 g", false, false, None, "1.0", "1.0", "not known"},
	} {
		c, err := Compare(Station{Mass: mass(tt.first), Air: tt.air1}, Station{Mass: mass(tt.second), Air: tt.air2},
			limit(tt.limit, "", Larger), number("16000"))
		if err != nil {
			t.Fatal(err)
		}
		if c.Within != tt.within || c.Explained != tt.explained || c.Masked != tt.masked || !strings.Contains(c.Verdict, tt.verdict) {
			t.Errorf("%s: within %t, masked %t, explained %s: %s", tt.name, c.Within, c.Masked, c.Explained, c.Verdict)
		}
		wantDecimal(t, "by hand", tt.name+": difference", c.Difference, tt.difference)
		wantDecimal(t, "by hand", tt.name+": remaining", c.Remaining, tt.remaining)
		if tt.air1.Equal(high) && tt.air2.Equal(low) {
			wantDecimal(t, "by hand", tt.name+": buoyancy", c.Buoyancy, expected)
		}
		if c.First.String() != tt.first || c.Second.String() != tt.second {
			t.Errorf("%s: the recorded weights became %s and %s", tt.name, c.First, c.Second)
		}
	}
}

func TestCompareUncertainty(t *testing.T) {
	first := Station{Name: "mine", Mass: mass("20000.0 g"), Air: low, Uncertainty: mass("0.3 g")}
	second := Station{Name: "refinery", Mass: mass("19999.0 g"), Air: low, Uncertainty: mass("0.4 g")}
	c, err := Compare(first, second, limit("0.5 g", "", Larger), number("16000"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "by hand: 2 × √(0.3² + 0.4²)", "expanded uncertainty", c.Uncertainty, "1")
	if c.Significant { // equal is not more
		t.Error("a difference equal to its uncertainty is called significant")
	}
	if !strings.HasPrefix(c.Verdict, "Refinery is 1.0 g lighter than mine, beyond the limit of 0.5 g.") ||
		!strings.HasSuffix(c.Verdict, "are no more than the uncertainty of the two weighings, 1.000000 g (k = 2).") {
		t.Errorf("verdict: %s", c.Verdict)
	}
	second.Mass = mass("19998.9 g")
	if c, err = Compare(first, second, limit("0.5 g", "", Larger), number("16000")); err != nil || !c.Significant {
		t.Errorf("a difference above its uncertainty is not significant: %+v, %v", c, err)
	}
	second.Uncertainty = quantity.Mass{}
	if c, err = Compare(first, second, limit("0.5 g", "", Larger), number("16000")); err != nil || c.Significant || !c.Uncertainty.IsZero() {
		t.Errorf("half an uncertainty was used: %+v, %v", c, err)
	}
}

func TestCompareRefuses(t *testing.T) {
	good, l := Station{Mass: mass("20000.0 g"), Air: low}, limit("0.5 g", "", Larger)
	for _, tt := range []struct {
		spoil         func(first, second *Station, l *Limit, density *quantity.Decimal)
		reason, field string
	}{
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { l.Rule = "" }, "LIMIT_RULE_MISSING", "limit.rule"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { f.Mass = quantity.Mass{} }, "MASS_MISSING", "first.mass"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { s.Mass = mass("-1 g") }, "MASS_NOT_POSITIVE", "second.mass"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { s.Mass = mass("100000.0001 kg") }, "MASS_TOO_LARGE", "second.mass"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { s.Mass = mass("1.000000000001 g") }, "MASS_TOO_FINE", "second.mass"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { f.Air = number("12") }, "AIR_DENSITY_OUT_OF_RANGE", "first.air_density"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { s.Air = number("-1.2") }, "AIR_DENSITY_OUT_OF_RANGE", "second.air_density"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { f.Uncertainty = mass("-0.1 g") }, "UNCERTAINTY_OUT_OF_RANGE", "first.uncertainty"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { f.Uncertainty = mass("21 kg") }, "UNCERTAINTY_OUT_OF_RANGE", "first.uncertainty"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { s.Name = strings.Repeat("x", maxText+1) }, "NAME_TOO_LONG", "second.name"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { *d = number("16") }, "DENSITY_OUT_OF_RANGE", "bar_density"},
		{func(f, s *Station, l *Limit, d *quantity.Decimal) { *d = number("22651") }, "DENSITY_OUT_OF_RANGE", "bar_density"},
	} {
		first, second, bad, density := good, good, l, number("16000")
		tt.spoil(&first, &second, &bad, &density)
		_, err := Compare(first, second, bad, density)
		wantRefusal(t, err, tt.reason, tt.field)
	}
}

func TestCompareTotal(t *testing.T) {
	bar := func(first, second, uncertainty string, air1 quantity.Decimal) Comparison {
		a, b := Station{Mass: mass(first), Air: air1}, Station{Mass: mass(second), Air: low}
		if uncertainty != "" {
			a.Uncertainty, b.Uncertainty = mass(uncertainty), mass(uncertainty)
		}
		c, err := Compare(a, b, limit("0.5 g", "", Larger), number("16000"))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	// Each bar is within its own limit; the total is beyond its own, which is its own number.
	bars := []Comparison{bar("20000.0 g", "19999.6 g", "0.1 g", low), bar("10000.0 g", "9999.6 g", "0.1 g", low), bar("15 kg", "14999.6 g", "0.1 g", low)}
	total, err := CompareTotal(bars, limit("1 g", "0.02", Larger))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "by hand: 3 × −0.4", "difference", total.Difference, "-1.2")
	wantDecimal(t, "by hand: the larger of 1 and 45 000 × 0.02 ‰ = 0.9", "limit", total.Limit, "1")
	wantDecimal(t, "by hand: 3 × 2 × √2 × 0.1, each rounded to 0.000001", "uncertainty", total.Uncertainty, "0.848529")
	if total.Within || total.Explained != None || total.First.Cmp(mass("45 kg")) != 0 || total.Second.Cmp(mass("44998.8 g")) != 0 {
		t.Errorf("total: %+v", total)
	}
	if total, err = CompareTotal(bars, limit("1.2 g", "", Larger)); err != nil || !total.Within {
		t.Errorf("a total equal to its limit is within: %+v, %v", total, err)
	}
	// By hand: 20 000 and 10 000 g down from thin air gain 0.5073 and 0.2537 g.
	down := []Comparison{bar("20000.0 g", "20000.5 g", "", high), bar("10000.0 g", "10000.3 g", "", high)}
	if total, err = CompareTotal(down, limit("0.3 g", "", Larger)); err != nil || total.Explained != Wholly || !total.Uncertainty.IsZero() {
		t.Errorf("a total that buoyancy explains: %+v, %v", total, err)
	}
	wantDecimal(t, "by hand: 0.5073 + 0.2537", "buoyancy", total.Buoyancy, "0.7610")
	down[1].BuoyancyKnown = false
	if total, err = CompareTotal(down, limit("0.3 g", "", Larger)); err != nil || total.BuoyancyKnown || total.Explained != None || !total.Remaining.Equal(total.Difference) {
		t.Errorf("buoyancy known of one bar only explained the total: %+v, %v", total, err)
	}
	_, err = CompareTotal(nil, limit("1 g", "", Larger))
	wantRefusal(t, err, "TOTAL_COUNT", "bars")
	_, err = CompareTotal(make([]Comparison, maxPairs+1), limit("1 g", "", Larger))
	wantRefusal(t, err, "TOTAL_COUNT", "bars")
	_, err = CompareTotal([]Comparison{down[0], {}}, limit("1 g", "", Larger))
	wantRefusal(t, err, "MASS_NOT_POSITIVE", "bars[1]")
	_, err = CompareTotal(down, Limit{})
	wantRefusal(t, err, "LIMIT_RULE_MISSING", "limit.rule")
}

func TestMeltLoss(t *testing.T) {
	for _, tt := range []struct {
		before, after, slag, low, high string
		loss, permille, unaccounted    string
		within                         bool
		verdict                        string
	}{ // by hand
		{"20000.0 g", "19980.0 g", "15 g", "0", "1", "20", "1.0000", "5", true, "within"}, // equal to the end
		{"20000.0 g", "19979.9 g", "15 g", "0", "1", "20.1", "1.0050", "5.1", false, "more than the 1 expected"},
		{"20000.0 g", "19979.99999 g", "", "0", "1", "20.00001", "1.0000", "20.00001", false, "more than"}, // judged exactly, not as shown
		{"20000.0 g", "20000.0 g", "", "0", "1", "0", "0.0000", "0", true, "within"},
		{"20000.0 g", "20000.1 g", "", "0", "1", "-0.1", "-0.0050", "-0.1", false, "gained 0.1 g"},
		{"20000.0 g", "19999.0 g", "30 g", "0.1", "1", "1", "0.0500", "-29", false, "less than the 0.1 expected"},
		{"20 kg", "20001 g", "", "-0.05", "1", "-1", "-0.0500", "-1", true, "within"},
	} {
		slag := quantity.Mass{}
		if tt.slag != "" {
			slag = mass(tt.slag)
		}
		m, err := MeltLoss(mass(tt.before), mass(tt.after), slag, LossRange{number(tt.low), number(tt.high)})
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, "by hand", "loss", m.Loss, tt.loss)
		wantDecimal(t, "by hand", "loss in parts per thousand", m.Permille, tt.permille)
		wantDecimal(t, "by hand", "unaccounted", m.Unaccounted, tt.unaccounted)
		if m.Within != tt.within || !strings.Contains(m.Verdict, tt.verdict) {
			t.Errorf("%s to %s: within %t, %s", tt.before, tt.after, m.Within, m.Verdict)
		}
	}
	good := LossRange{number("0"), number("1")}
	for _, tt := range []struct {
		before, after, slag quantity.Mass
		r                   LossRange
		reason, field       string
	}{
		{quantity.Mass{}, mass("1 g"), quantity.Mass{}, good, "MASS_MISSING", "before"},
		{mass("1 g"), mass("0 g"), quantity.Mass{}, good, "MASS_NOT_POSITIVE", "after"},
		{mass("1 g"), mass("1 g"), mass("-1 g"), good, "MASS_NOT_POSITIVE", "slag"},
		{mass("1 g"), mass("1 g"), mass("100001 kg"), good, "MASS_TOO_LARGE", "slag"},
		{mass("1 g"), mass("1 g"), quantity.Mass{}, LossRange{number("0"), number("1.00001")}, "LOSS_RANGE_TOO_FINE", "range"},
		{mass("1 g"), mass("1 g"), quantity.Mass{}, LossRange{}, "LOSS_RANGE_MISSING", "range"},
		{mass("1 g"), mass("1 g"), quantity.Mass{}, LossRange{number("2"), number("1")}, "LOSS_RANGE_OUT_OF_RANGE", "range"},
		{mass("1 g"), mass("1 g"), quantity.Mass{}, LossRange{number("0"), number("1001")}, "LOSS_RANGE_OUT_OF_RANGE", "range"},
		{mass("1 g"), mass("1 g"), quantity.Mass{}, LossRange{number("-1001"), number("1")}, "LOSS_RANGE_OUT_OF_RANGE", "range"},
	} {
		_, err := MeltLoss(tt.before, tt.after, tt.slag, tt.r)
		wantRefusal(t, err, tt.reason, tt.field)
	}
}

// grams draws a mass of up to 30 kg with up to four places.
func grams(t *rapid.T, label string) quantity.Decimal {
	return quantity.NewDecimal(rapid.Int64Range(1, 300_000_000).Draw(t, label)).Shift(-4)
}

func airs(t *rapid.T, label string) quantity.Decimal {
	return quantity.NewDecimal(rapid.Int64Range(700_000, 1_300_000).Draw(t, label)).Shift(-6)
}

func TestCompareProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m1, m2, a1, a2 := grams(t, "m1"), grams(t, "m2"), airs(t, "a1"), airs(t, "a2")
		density := quantity.NewDecimal(rapid.Int64Range(8960, 19300).Draw(t, "density"))
		l := Limit{Absolute: quantity.Grams(quantity.NewDecimal(rapid.Int64Range(0, 50).Draw(t, "limit")).Shift(-1)), Rule: Larger}
		compare := func(m1, a1, m2, a2 quantity.Decimal) Comparison {
			c, err := Compare(Station{Mass: quantity.Grams(m1), Air: a1}, Station{Mass: quantity.Grams(m2), Air: a2}, l, density)
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		c := compare(m1, a1, m2, a2)
		// Against fractions: m (a1 − a2)(1/ρ − 1/8000) to within half a unit of the last place.
		exact := new(big.Rat).Sub(new(big.Rat).Inv(density.Rat()), big.NewRat(1, 8000))
		exact.Mul(exact, new(big.Rat).Mul(m1.Rat(), new(big.Rat).Sub(a1.Rat(), a2.Rat())))
		off := new(big.Rat).Sub(c.Buoyancy.Rat(), exact)
		if off.Abs(off).Cmp(big.NewRat(1, 20_000)) > 0 {
			t.Fatalf("buoyancy %s, by fractions %s", c.Buoyancy, exact.FloatString(8))
		}
		if !c.Difference.Sub(c.Buoyancy).Equal(c.Remaining) {
			t.Fatalf("difference %s less buoyancy %s is not %s", c.Difference, c.Buoyancy, c.Remaining)
		}
		if c.Explained == Wholly && c.Within || c.Masked && !c.Within {
			t.Fatalf("contradicts itself: %+v", c)
		}
		if same := compare(m1, a1, m2, a1); !same.Buoyancy.IsZero() || same.Explained != None || same.Masked {
			t.Fatalf("buoyancy of %s between equal air", same.Buoyancy)
		}
		back := compare(m2, a2, m1, a1)
		if !back.Difference.Equal(c.Difference.Neg()) || back.Within != c.Within {
			t.Fatalf("swapped: %s and %s", c.Difference, back.Difference)
		}
		if there, again := compare(m1, a1, m1, a2), compare(m1, a2, m1, a1); !there.Buoyancy.Equal(again.Buoyancy.Neg()) {
			t.Fatalf("swapped air: %s and %s", there.Buoyancy, again.Buoyancy)
		}
	})
}

// TestFinestComparisonReadsBack holds the bounds of limits.go together: the finest and largest numbers that are let in
// give results that can be stored and read.
func TestFinestComparisonReadsBack(t *testing.T) {
	station := Station{Mass: mass("3215000.1234 oz"), Air: number("1.234567890123456789"), Uncertainty: mass("0.0001 oz")}
	l := Limit{Absolute: mass("0.0001 oz"), Relative: number("999.9999"), Rule: Larger}
	c, err := Compare(station, Station{Mass: mass("99999999.99999999999 g"), Air: number("0.987654321098765432"), Uncertainty: mass("1 mg")}, l, number("19300.123456789012345678"))
	if err != nil {
		t.Fatal(err)
	}
	bars := make([]Comparison, maxPairs)
	for i := range bars {
		bars[i] = c
	}
	total, err := CompareTotal(bars, l)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []Comparison{c, total} {
		out, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		var got Comparison
		if err := json.Unmarshal(out, &got); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if !got.Limit.Equal(want.Limit) || !got.Difference.Equal(want.Difference) || !got.Remaining.Equal(want.Remaining) || got.First.Cmp(want.First) != 0 {
			t.Errorf("read back as %+v", got)
		}
	}
}

func ExampleCompare() {
	mine := Station{Name: "mine", Mass: quantity.MustMass("20000.0 g"), Air: quantity.MustDecimal("0.81913")}
	refinery := Station{Name: "refinery", Mass: quantity.MustMass("20000.5 g"), Air: quantity.MustDecimal("1.22500")}
	agreed := Limit{Absolute: quantity.MustMass("0.2 g"), Rule: Larger}
	c, err := Compare(mine, refinery, agreed, quantity.MustDecimal("16000"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(c.Verdict)
	// Output: Refinery is 0.5 g heavier than mine, beyond the limit of 0.2 g. Air buoyancy explains it: 0.5073 g are expected, and the remaining -0.0073 g are within the limit.
}
