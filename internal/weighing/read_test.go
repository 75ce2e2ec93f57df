package weighing

import (
	"math/big"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/quantity"
)

func masses(list ...string) []quantity.Mass {
	var out []quantity.Mass
	for _, s := range list {
		out = append(out, mass(s))
	}
	return out
}

func TestRead(t *testing.T) {
	fine := bench()
	fine.Readability, fine.Repeatability = mass("0.05 g"), mass("0.05 g")
	kilos := bench()
	kilos.Readability = mass("0.0001 kg")
	ounces := Balance{Class: ClassII, Capacity: mass("500 oz"), Readability: mass("0.01 oz"), Interval: mass("0.01 oz"),
		Repeatability: mass("0.01 oz"), CheckEvery: 1}
	for _, tt := range []struct {
		name     string
		b        Balance
		readings []quantity.Mass
		mean     string
		spread   string
		agree    bool
	}{
		{"equal", bench(), masses("18450.1 g", "18450.1 g"), "18450.1 g", "0.0 g", true},
		{"by hand: 18450.15 is half way, 184501 is odd", bench(), masses("18450.1 g", "18450.2 g"), "18450.2 g", "0.1 g", true},
		{"by hand: 18450.25 is half way, 184502 is even", bench(), masses("18450.2 g", "18450.3 g"), "18450.2 g", "0.1 g", true},
		{"spread equal to the repeatability agrees", bench(), masses("18450.1 g", "18450.3 g"), "18450.2 g", "0.2 g", true},
		{"spread beyond it is a result, not a refusal", bench(), masses("18450.1 g", "18450.4 g"), "18450.2 g", "0.3 g", false},
		{"by hand: 3 × 100.05 + 100.10 over 4 = 100.0625", fine, masses("100.05 g", "100.05 g", "100.05 g", "100.10 g"), "100.05 g", "0.05 g", true},
		{"in kilograms as shown", kilos, masses("18.4501 kg", "18.4501 kg"), "18.4501 kg", "0.0000 kg", true},
		{"in kilograms on a balance in grams", bench(), masses("18.4501 kg", "18.4501 kg"), "18450.1 g", "0.0000 kg", true},
		{"mixed units", bench(), masses("18.4501 kg", "18450.1 g"), "18450.1 g", "0.0 g", true},
		{"troy ounces", ounces, masses("400.02 oz", "400.04 oz"), "400.03 oz", "0.02 oz", false},
		{"a trailing zero not written", bench(), masses("18450 g", "18450.0 g"), "18450.0 g", "0.0 g", true},
	} {
		w, err := Read(tt.b, tt.readings)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if w.Mass.String() != tt.mean || w.Spread.Cmp(mass(tt.spread)) != 0 || w.Agree != tt.agree {
			t.Errorf("%s: %s, spread %s, agree %t; want %s, %s, %t", tt.name, w.Mass, w.Spread, w.Agree, tt.mean, tt.spread, tt.agree)
		}
	}
}

func TestReadRefuses(t *testing.T) {
	ok := "18450.1 g"
	for _, tt := range []struct {
		readings      []quantity.Mass
		reason, field string
	}{
		{nil, "READINGS_TOO_FEW", "readings"},
		{masses(ok), "READINGS_TOO_FEW", "readings"},
		{make([]quantity.Mass, maxReadings+1), "READINGS_TOO_MANY", "readings"},
		{masses(ok, "32000.1 g"), "READING_ABOVE_CAPACITY", "readings[1]"},
		{masses(ok, "33 kg"), "READING_ABOVE_CAPACITY", "readings[1]"},
		{masses("0 g", ok), "READING_NOT_POSITIVE", "readings[0]"},
		{masses(ok, "-18450.1 g"), "READING_NOT_POSITIVE", "readings[1]"},
		{[]quantity.Mass{mass(ok), {}}, "READING_NOT_POSITIVE", "readings[1]"},
		{masses(ok, "18450.15 g"), "READING_FINER_THAN_READABILITY", "readings[1]"},
		{masses(ok, "18450.10 g"), "READING_FINER_THAN_READABILITY", "readings[1]"}, // the display has no such zero
		{masses(ok, "18.45010 kg"), "READING_FINER_THAN_READABILITY", "readings[1]"},
		{masses(ok, "400.02 oz"), "READING_FINER_THAN_READABILITY", "readings[1]"}, // no whole number of 0.1 g
	} {
		_, err := Read(bench(), tt.readings)
		wantRefusal(t, err, tt.reason, tt.field)
	}
	fives := bench()
	fives.Readability = mass("0.5 g")
	_, err := Read(fives, masses("100.5 g", "100.3 g"))
	wantRefusal(t, err, "READING_FINER_THAN_READABILITY", "readings[1]")
	ounces := Balance{Class: ClassII, Capacity: mass("500 oz"), Readability: mass("0.01 oz"), Interval: mass("0.01 oz"),
		Repeatability: mass("0.01 oz"), CheckEvery: 1}
	_, err = Read(ounces, masses("400.02 oz", "400.020 oz"))
	wantRefusal(t, err, "READING_FINER_THAN_READABILITY", "readings[1]")
	_, err = Read(Balance{}, masses(ok, ok))
	wantRefusal(t, err, "BALANCE_CLASS_UNKNOWN", "balance.class")
	if _, err := Read(bench(), masses("32000.0 g", "32000.0 g")); err != nil {
		t.Errorf("a reading equal to the capacity: %v", err)
	}
}

func TestReadWarnsBelowTheSmallestLoad(t *testing.T) {
	for reading, warned := range map[string]bool{"49.9 g": true, "50.0 g": false} { // class II, e = 1 g: 50 e
		w, err := Read(bench(), masses(reading, reading))
		if err != nil {
			t.Fatal(err)
		}
		if got := len(w.Warnings) == 1 && w.Warnings[0].Reason == "load_below_minimum"; got != warned {
			t.Errorf("%s: warned %t, want %t (%s)", reading, got, warned, r76)
		}
	}
}

// drawn is a balance and readings of it, in whole divisions.
func drawn(t *rapid.T) (Balance, []quantity.Mass, []int64, quantity.Decimal) {
	b := bench()
	b.Readability = mass(rapid.SampledFrom([]string{"1 g", "0.5 g", "0.2 g", "0.1 g", "0.05 g"}).Draw(t, "division"))
	division := b.Readability.Grams()
	base := rapid.Int64Range(1, 30_000).Draw(t, "base")
	var readings []quantity.Mass
	var counts []int64
	for range rapid.IntRange(2, 9).Draw(t, "n") {
		n := base + rapid.Int64Range(0, 12).Draw(t, "step")
		counts = append(counts, n)
		readings = append(readings, quantity.Grams(quantity.NewDecimal(n).Mul(division)))
	}
	return b, readings, counts, division
}

// TestMeanAgainstRationals recomputes the mean with fractions: the nearest whole number of divisions, a half to the even.
func TestMeanAgainstRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, readings, counts, division := drawn(t)
		w, err := Read(b, readings)
		if err != nil {
			t.Fatal(err)
		}
		var sum int64
		for _, n := range counts {
			sum += n
		}
		n := int64(len(counts))
		nearest, rest := sum/n, sum%n
		if 2*rest > n || 2*rest == n && nearest%2 == 1 {
			nearest++
		}
		want := new(big.Rat).Mul(new(big.Rat).SetInt64(nearest), division.Rat())
		if w.Mass.Grams().Rat().Cmp(want) != 0 {
			t.Fatalf("mean of %v is %s, want %s", readings, w.Mass, want.FloatString(6))
		}
		if got, shown := w.Mass.Value().Places(), division.Trim().Places(); got != shown {
			t.Fatalf("%s shows %d places, the balance %d", w.Mass, got, shown)
		}
	})
}

func TestReadingEqualToTheMeanDoesNotMoveIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, readings, _, _ := drawn(t)
		w, err := Read(b, readings)
		if err != nil {
			t.Fatal(err)
		}
		again, err := Read(b, append(readings, w.Mass))
		if err != nil {
			t.Fatal(err)
		}
		if again.Mass.Cmp(w.Mass) != 0 || again.Spread.Cmp(w.Spread) != 0 || again.Agree != w.Agree {
			t.Fatalf("%v and their mean %s give %s, spread %s", readings, w.Mass, again.Mass, again.Spread)
		}
	})
}

func TestReadDoesNotKeepTheCallersSlice(t *testing.T) {
	readings := masses("1000.0 g", "1000.1 g")
	w, err := Read(bench(), readings)
	if err != nil {
		t.Fatal(err)
	}
	readings[0] = mass("9 g")
	if w.Readings[0].String() != "1000.0 g" {
		t.Error("the weight changed with the caller's slice, reading " + strconv.Quote(w.Readings[0].String()))
	}
}
