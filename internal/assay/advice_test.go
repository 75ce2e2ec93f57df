package assay_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// dispute is an invented open difference: reference 04, section 2, on a lot of 37.5 kg.
func dispute() assay.AdviceInput {
	return assay.AdviceInput{
		Side: assay.Seller, Seller: ppt("812.90"), Refiner: ppt("812.20"), Terms: goldTerms(),
		SellerLab:  assay.Laboratory{Sigma: dec("0.15"), Bias: dec("0.05")},
		RefinerLab: assay.Laboratory{Sigma: dec("0.25"), Bias: dec("-0.10")},
		UmpireLab:  assay.Laboratory{Sigma: dec("0.12"), Bias: dec("0.01")},
		Mass:       mass("37548.60 g"), Payable: dec("99.90"),
		Price: quantity.MustMoney("2350.25 USD"), Fee: quantity.MustMoney("900.00 USD"),
	}
}

func wantNear(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %.2g", what, got, want, tolerance)
	}
}

// posterior is the expected umpire result by brute force: the likelihood of both results over a grid of true finenesses.
func posterior(in assay.AdviceInput) distuv.Normal {
	s, b := in.Seller.PerMille().Float(), in.Refiner.PerMille().Float()
	biasS, sigmaS := in.SellerLab.Bias.Float(), in.SellerLab.Sigma.Float()
	biasB, sigmaB := in.RefinerLab.Bias.Float(), in.RefinerLab.Sigma.Float()
	var weight, first, second float64
	for i := range 8001 {
		truth := 800 + float64(i)*0.003
		p := distuv.Normal{Mu: truth + biasS, Sigma: sigmaS}.Prob(s) * distuv.Normal{Mu: truth + biasB, Sigma: sigmaB}.Prob(b)
		weight, first, second = weight+p, first+p*truth, second+p*truth*truth
	}
	mean := first / weight
	return distuv.Normal{Mu: mean + in.UmpireLab.Bias.Float(), Sigma: math.Hypot(math.Sqrt(second/weight-mean*mean), in.UmpireLab.Sigma.Float())}
}

// The closed forms against a simulation that settles thousands of umpire results by the exact rule, for every rule, cost
// rule and side. The umpire's results are the even quantiles of gonum's normal distribution about a mean found by brute
// force.
func TestAdviceAgainstSimulation(t *testing.T) {
	const draws = 2001
	for _, rule := range []assay.UmpireRule{assay.UmpireAlone, assay.MiddleOfThree, assay.MeanWithNearer, assay.TwoClosest} {
		for _, cost := range []assay.CostRule{assay.FartherPays, assay.CostShared, assay.OutsideLimitPays} {
			for i, side := range []assay.Side{assay.Seller, assay.Refiner} {
				in := dispute()
				in.Side, in.Terms.UmpireRule, in.Terms.CostRule = side, rule, cost
				in.Terms.SettledRounding = quantity.Rounding{Places: 9, Mode: quantity.HalfEven}
				if rule == assay.TwoClosest {
					in.Terms.TieRule = assay.TieUmpireAlone
				}
				if i == 1 {
					in.SellerLab.Sigma, in.UmpireLab.Sigma = dec("0.60"), dec("0.40") // wide, so that every branch is met
				}
				a, err := assay.Advise(in)
				if err != nil {
					t.Fatal(err)
				}
				what := fmt.Sprintf("%s, %s, %s", rule, cost, side)
				u := posterior(in)
				wantNear(t, what+": expected umpire", a.ExpectedUmpire, u.Mu, 1e-6)
				wantNear(t, what+": its spread", a.UmpireSigma, u.Sigma, 1e-5)

				sign, perPPT := 1.0, 37548.60/1000/31.1034768*0.999
				if side == assay.Refiner {
					sign = -1
				}
				var settled, square, fee, worse, nearer float64
				for k := range draws {
					value := u.Quantile((float64(k) + 0.5) / draws)
					f, err := quantity.PartsPerThousand(dec(fmt.Sprintf("%.9f", value)))
					if err != nil {
						t.Fatal(err)
					}
					d, err := assay.Umpire(in.Seller, in.Refiner, f, in.Terms)
					if err != nil {
						t.Fatal(err)
					}
					share := d.SellerCost.Float()
					if side == assay.Refiner {
						share = d.RefinerCost.Float()
					}
					x := d.Settled.PerMille().Float()
					settled, square, fee = settled+x/draws, square+(x-812)*(x-812)/draws, fee+share*900/draws
					if sign*(x-812.55)*perPPT*2350.25-share*900 < 0 {
						worse += 1.0 / draws
					}
					if d.Farther == side.Other() {
						nearer += 1.0 / draws
					}
				}
				wantNear(t, what+": expected settled", a.ExpectedSettled, settled, 4e-4)
				wantNear(t, what+": its spread", a.SettledSigma, math.Sqrt(square-(settled-812)*(settled-812)), 3e-3)
				wantNear(t, what+": expected fee", a.ExpectedFee, fee, 0.8)
				wantNear(t, what+": worse than the mean", a.WorseThanMean, worse, 1e-3)
				wantNear(t, what+": nearer own", a.NearerOwn, nearer, 1e-3)
				other := 812.20
				if side == assay.Refiner {
					other = 812.90
				}
				wantNear(t, what+": ounces to the mean", a.OuncesToMean, sign*(settled-812.55)*perPPT, 5e-4)
				wantNear(t, what+": ounces to the other's", a.OuncesToOther, sign*(settled-other)*perPPT, 5e-4)
				wantNear(t, what+": money to the mean", a.MoneyToMean, sign*(settled-812.55)*perPPT*2350.25-fee, 2)
				wantNear(t, what+": money to the other's", a.MoneyToOther, sign*(settled-other)*perPPT*2350.25-fee, 2)

				var total, mean float64
				for _, o := range a.Outcomes {
					total, mean = total+o.Probability, mean+o.Probability*o.Settled
				}
				wantNear(t, what+": outcomes add to 1", total, 1, 1e-12)
				wantNear(t, what+": outcomes give the expectation", mean, a.ExpectedSettled, 1e-8)
				if a.GoOn != (a.MoneyToMean > 0) || len(a.Words) < 4 {
					t.Errorf("%s: %v, %v", what, a.GoOn, a.Words)
				}
				breakEvenIsWorthNothing(t, what, in, a)
			}
		}
	}
}

// breakEvenIsWorthNothing asks again with the break-even bias.
func breakEvenIsWorthNothing(t *testing.T, what string, in assay.AdviceInput, a assay.Advice) {
	t.Helper()
	if a.BreakEvenBias == nil {
		t.Errorf("%s: no break-even bias", what)
		return
	}
	bias := dec(fmt.Sprintf("%.9f", *a.BreakEvenBias))
	if in.Side == assay.Seller {
		in.SellerLab.Bias = bias
	} else {
		in.RefinerLab.Bias = bias
	}
	again, err := assay.Advise(in)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, what+": worth at the break-even bias", again.MoneyToMean, 0, 0.01)
}

// By hand: two laboratories of equal precision and no bias, an umpire without bias, the umpire's result alone, the fee
// shared. The truth is expected half-way, so nothing is gained and half the fee is lost; σ² = 0.2²/2 + 0.1² = 0.03; the
// chance of each side is one half; going on ends below the mean when the gain of U - 812.55 does not cover half the fee.
func TestAdviceByHand(t *testing.T) {
	in := dispute()
	in.SellerLab = assay.Laboratory{Sigma: dec("0.2")}
	in.RefinerLab = in.SellerLab
	in.UmpireLab = assay.Laboratory{Sigma: dec("0.1")}
	in.Terms.UmpireRule, in.Terms.CostRule = assay.UmpireAlone, assay.CostShared
	a, err := assay.Advise(in)
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "by hand: expected settled", a.ExpectedSettled, 812.55, 1e-9)
	wantNear(t, "by hand: spread", a.SettledSigma, math.Sqrt(0.03), 1e-7)
	wantNear(t, "by hand: nearer own", a.NearerOwn, 0.5, 1e-9)
	wantNear(t, "by hand: money", a.MoneyToMean, -450, 1e-4)
	wantNear(t, "by hand: fee at risk", a.FeeAtRisk, 450, 0)
	perPPT := 37548.60 / 1000 / 31.1034768 * 0.999 * 2350.25
	wantNear(t, "by hand: worse", a.WorseThanMean, distuv.UnitNormal.CDF(450/perPPT/math.Sqrt(0.03)), 1e-9)
	wantNear(t, "by hand: once in twenty", a.WorstMoney, -1.6448536269514722*math.Sqrt(0.03)*perPPT-450, 1e-3)
	if a.GoOn {
		t.Error("going on is advised at a loss")
	}
}

// However far-fetched the figures, the answer is finite, its chances are chances, and the break-even is one.
func TestAdviceStaysFinite(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		in := dispute()
		in.Terms = anyTerms(r)
		in.Side = rapid.SampledFrom([]assay.Side{assay.Seller, assay.Refiner}).Draw(r, "side")
		in.Seller, in.Refiner, _ = anyResults(r)
		power := func(label string, low, high int) quantity.Decimal {
			return quantity.NewDecimal(rapid.Int64Range(1, 99).Draw(r, label)).Shift(rapid.IntRange(low, high).Draw(r, label+" power"))
		}
		for _, l := range []*assay.Laboratory{&in.SellerLab, &in.RefinerLab, &in.UmpireLab} {
			l.Sigma, l.Bias = power("sigma", -12, 0), power("bias", -12, 0)
		}
		in.Mass = quantity.Grams(power("mass", -9, 15))
		in.Fee, _ = quantity.NewMoney(power("fee", -9, 15), "USD")
		a, err := assay.Advise(in)
		if err != nil {
			if !refusal.Is(err, "UMPIRE_NOT_DUE") {
				r.Fatal(err)
			}
			return
		}
		if _, err := json.Marshal(a); err != nil {
			r.Fatalf("%v: %+v", err, a) // NaN and infinities have no JSON
		}
		total := 0.0
		for _, o := range a.Outcomes {
			total += o.Probability
		}
		for _, p := range []float64{a.NearerOwn, a.NearerOther, a.WorseThanMean} {
			if p < 0 || p > 1 {
				r.Fatalf("a chance of %g in %+v", p, a)
			}
		}
		if math.Abs(total-1) > 1e-9 || a.ExpectedFee < 0 || a.ExpectedFee > in.Fee.Amount().Float()*(1+1e-9) {
			r.Fatalf("outcomes add to %g, fee %g", total, a.ExpectedFee)
		}
	})
}

func TestRefusedAdvice(t *testing.T) {
	for _, row := range []struct {
		reason, field string
		change        func(*assay.AdviceInput)
	}{
		{"SIDE_UNKNOWN", "side", func(in *assay.AdviceInput) { in.Side = "" }},
		{"SIGMA_OUT_OF_RANGE", "seller_lab.sigma", func(in *assay.AdviceInput) { in.SellerLab.Sigma = dec("0") }},
		{"SIGMA_OUT_OF_RANGE", "umpire_lab.sigma", func(in *assay.AdviceInput) { in.UmpireLab.Sigma = dec("101") }},
		{"BIAS_OUT_OF_RANGE", "refiner_lab.bias", func(in *assay.AdviceInput) { in.RefinerLab.Bias = dec("-101") }},
		{"MASS_MISSING", "mass", func(in *assay.AdviceInput) { in.Mass = quantity.Mass{} }},
		{"PAYABLE_OUT_OF_RANGE", "payable", func(in *assay.AdviceInput) { in.Payable = dec("100.1") }},
		{"PRICE_NOT_POSITIVE", "price", func(in *assay.AdviceInput) { in.Price = quantity.Money{} }},
		{"FEE_MISSING", "fee", func(in *assay.AdviceInput) { in.Fee = quantity.Money{} }},
		{"FEE_MISSING", "fee", func(in *assay.AdviceInput) { in.Fee = quantity.MustMoney("-1 USD") }},
		{"CURRENCY_MIXED", "fee", func(in *assay.AdviceInput) { in.Fee = quantity.MustMoney("900 EUR") }},
		{"TERM_MISSING", "rounds", func(in *assay.AdviceInput) { in.Terms.Rounds = 0 }},
		{"FINENESS_MISSING", "seller", func(in *assay.AdviceInput) { in.Seller = quantity.Fineness{} }},
		{"UMPIRE_NOT_DUE", "", func(in *assay.AdviceInput) { in.Seller = ppt("812.70") }},
	} {
		in := dispute()
		row.change(&in)
		_, err := assay.Advise(in)
		wantReason(t, row.field, err, row.reason)
		wantField(t, err, row.field)
	}
	b, err := json.Marshal(dispute())
	if err != nil {
		t.Fatal(err)
	}
	one, err := assay.ReadAdvice(b)
	if err != nil {
		t.Fatal(err)
	}
	two, _ := assay.Advise(dispute())
	wantNear(t, "read from JSON", one.MoneyToMean, two.MoneyToMean, 0)
}

// Reference 03, section 4 (computed there): σR = 0.15 ppt.
func TestSplitShare(t *testing.T) {
	wantNear(t, "reference 03, section 4, L = 0.30", 100*assay.SplitShare(0.30, 0.15), 15.7, 0.05)
	wantNear(t, "reference 03, section 4, L = 0.50", 100*assay.SplitShare(0.50, 0.15), 1.8, 0.05)
	wantNear(t, "by hand, no limit", assay.SplitShare(0, 0.15), 1, 1e-15)
	wantNear(t, "by hand, no spread", assay.SplitShare(0.3, 0), 0, 0)
	if !math.IsNaN(assay.SplitShare(-1, 1)) {
		t.Error("a negative limit has a share")
	}
	if w := assay.LimitWarning(dec("0.42"), dec("0.15")); w != "" {
		t.Errorf("a limit equal to R = 2.8 × 0.15 is warned of: %s", w)
	}
	if w := assay.LimitWarning(dec("0.30"), dec("0.15")); w == "" {
		t.Error("a limit of 0.30 below R = 0.42 is not warned of")
	}
}
