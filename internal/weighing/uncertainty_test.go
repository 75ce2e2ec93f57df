package weighing

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/floats"
	"pgregory.net/rapid"

	"barward/internal/quantity"
)

func TestProductUncertainty(t *testing.T) {
	// EURACHEM/CITAC, Quantifying Uncertainty in Analytical Measurement, 2nd ed., example A1: c = 1000 m P / V.
	const source = "EURACHEM/CITAC 2nd ed., example A1"
	b, err := ProductUncertainty(number("1000"), []Input{
		{"purity", number("0.9999"), number("0.000058"), 1},
		{"mass", number("100.28"), number("0.05"), 1},
		{"volume", number("100.0"), number("0.07"), -1},
	}, "mg/L", number("2"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, source+", printed 0.9", "u(c)", b.Standard.Float(), 0.9, 0.05)
	near(t, source+", recomputed", "u(c)", b.Standard.Float(), 0.8637, 0.00005)
	near(t, source+", recomputed by hand: √(0.000058² + 0.0004986² + 0.0007²)", "u(c)/c", b.Standard.Float()/1002.69972, 0.0008614, 0.00000005)
	near(t, source, "U, k = 2", b.Expanded.Float(), 2*0.8637, 0.0001)
	near(t, source, "relative u(P)", b.Contributions[0].Standard.Float()/1002.69972, 0.000058, 0.0000005)
	near(t, source, "relative u(m)", b.Contributions[1].Standard.Float()/1002.69972, 0.0005, 0.000005)
	near(t, source, "relative u(V)", b.Contributions[2].Standard.Float()/1002.69972, 0.0007, 0.000005)

	input := func(change func(*Input)) []Input {
		x := Input{"x", number("1"), number("0.1"), 1}
		change(&x)
		return []Input{x}
	}
	two := number("2")
	for _, tt := range []struct {
		inputs        []Input
		k             quantity.Decimal
		reason, field string
	}{
		{nil, two, "BUDGET_INPUTS", "inputs"},
		{make([]Input, maxInputs+1), two, "BUDGET_INPUTS", "inputs"},
		{input(func(x *Input) { x.Value = number("0") }), two, "BUDGET_VALUE_ZERO", "inputs[0]"},
		{input(func(x *Input) { x.Standard = number("-0.1") }), two, "UNCERTAINTY_NEGATIVE", "inputs[0]"},
		{input(func(x *Input) { x.Power = 0 }), two, "BUDGET_POWER", "inputs[0]"},
		{input(func(x *Input) { x.Power = 11 }), two, "BUDGET_POWER", "inputs[0]"},
		{input(func(x *Input) { x.Value, x.Power = number("1000000000000000000000000000"), 10 }), two, "BUDGET_TOO_LARGE", ""},
		{input(func(*Input) {}), number("0.9"), "COVERAGE_FACTOR", "k"},
		{input(func(*Input) {}), number("4.1"), "COVERAGE_FACTOR", "k"},
		{input(func(*Input) {}), quantity.Decimal{}, "COVERAGE_FACTOR", "k"},
	} {
		_, err := ProductUncertainty(number("1"), tt.inputs, "g", tt.k)
		wantRefusal(t, err, tt.reason, tt.field)
	}
}

func TestFineMassUncertainty(t *testing.T) {
	// Our own example, by hand: m = 20 000.0 g, u = 0.10 g; w = 0.850 00, u = 0.000 15: u(F) = √((0.85 × 0.10)² + (20000 ×
	// 0.00015)²) = 3.0012 g, U = 6.0 g; the assay gives 99.9 % of the variance.
	b, err := FineMassUncertainty(mass("20000.0 g"), mass("0.10 g"), quantity.MustFineness("850.00 ppt"), number("0.15"), number("2"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "by hand", "u(F)", b.Standard.Float(), 3.0012, 0.00005)
	near(t, "by hand", "U(F)", b.Expanded.Float(), 6.0, 0.05)
	near(t, "by hand", "the assay's share", b.Contributions[1].Share.Float(), 99.9, 0.05)
	if b.Contributions[0].Name != "weighing" || b.Contributions[1].Name != "assay" || b.Unit != "g" {
		t.Errorf("the budget does not name its lines: %+v", b)
	}
	_, err = FineMassUncertainty(mass("0 g"), mass("0.10 g"), quantity.MustFineness("850.00 ppt"), number("0.15"), number("2"))
	wantRefusal(t, err, "MASS_NOT_POSITIVE", "mass")
	_, err = FineMassUncertainty(mass("1 g"), mass("0.10 g"), quantity.Fineness{}, number("0.15"), number("2"))
	wantRefusal(t, err, "BUDGET_VALUE_ZERO", "inputs[1]")
}

func TestWeighingUncertainty(t *testing.T) {
	// By hand, GUM 4.3 (rectangular: a/√3, from memory): d = 0.1 g, r = 0.2 g, n = 4, permitted in service 2 g.
	b, err := WeighingUncertainty(bench(), mass("18450.0 g"), 4, InService, number("2"))
	if err != nil {
		t.Fatal(err)
	}
	parts := []float64{0.05 / math.Sqrt(3), 0.2 / 2.8 / 2, 2 / math.Sqrt(3)}
	for i, want := range parts {
		near(t, "by hand", b.Contributions[i].Name, b.Contributions[i].Standard.Float(), want, 0.000001)
	}
	near(t, "gonum's Euclidean norm", "u", b.Standard.Float(), floats.Norm(parts, 2), 0.000001)
	near(t, "gonum's Euclidean norm", "U", b.Expanded.Float(), 2*floats.Norm(parts, 2), 0.000001)
	if b.Mass().Cmp(quantity.Grams(b.Standard)) != 0 {
		t.Errorf("the budget's mass is %s", b.Mass())
	}
	_, err = WeighingUncertainty(bench(), mass("33 kg"), 2, InService, number("2"))
	wantRefusal(t, err, "LOAD_ABOVE_CAPACITY", "load")
	_, err = WeighingUncertainty(bench(), mass("1 kg"), 2, "", number("2"))
	wantRefusal(t, err, "OCCASION_UNKNOWN", "occasion")
	for n, reason := range map[int]string{1: "READINGS_TOO_FEW", maxReadings + 1: "READINGS_TOO_MANY"} {
		_, err = WeighingUncertainty(bench(), mass("1 kg"), n, InService, number("2"))
		wantRefusal(t, err, reason, "n")
	}
}

func TestSharesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var parts []part
		var standards []float64
		for range rapid.IntRange(1, 8).Draw(t, "n") {
			u := rapid.Float64Range(0.001, 1000).Draw(t, "u")
			parts, standards = append(parts, part{"x", u}), append(standards, u)
		}
		b, err := budget("g", quantity.NewDecimal(2), parts)
		if err != nil {
			t.Fatal(err)
		}
		var shares quantity.Decimal
		for _, c := range b.Contributions {
			shares = shares.Add(c.Share)
		}
		if off := math.Abs(shares.Float() - 100); off > 0.005*float64(len(parts))+1e-9 {
			t.Fatalf("the shares add up to %s", shares)
		}
		if want := floats.Norm(standards, 2); math.Abs(b.Standard.Float()-want) > 1e-6 {
			t.Fatalf("u is %s, gonum says %v", b.Standard, want)
		}
	})
}
