package assay_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// Reference 02, section 3, row 7 (Beringer 1904, p. 113): silver bullion by four assays and two checks of fine silver, 1 g
// each: the mean of the assays and the mean loss of the checks, times 1000. The book prints the rule and no figures; these
// are invented. By hand: assays 0.9942, 0.9940, 0.9944, 0.9942 g, mean 0.9942; checks 0.9988 and 0.9992 g, mean loss 0.0010:
// 995.2 ppt. The cornet of fine silver is next to nothing, so 0.0001 g of gold stands for it everywhere.
func TestBeringerFourAssaysAndTwoChecks(t *testing.T) {
	w := sheet()
	w.Limits.Proof, w.Limits.Duplicate = dec("1000"), dec("10")
	w.Proofs, w.Portions = nil, nil
	for _, found := range []string{"0.9988 g", "0.9992 g"} {
		w.Proofs = append(w.Proofs, assay.Proof{Gold: mass("0.0001 g"), Fineness: ppt("1000"), Cornet: mass("0.0001 g"), Silver: mass("1 g"), Bead: mass(found).Add(mass("0.0001 g"))})
	}
	for _, found := range []string{"0.9942 g", "0.9940 g", "0.9944 g", "0.9942 g"} {
		w.Portions = append(w.Portions, assay.Portion{Sample: mass("1 g"), Cornet: mass("0.0001 g"), Bead: mass(found).Add(mass("0.0001 g"))})
	}
	w.Silver = &assay.SilverSheet{Method: assay.SilverBead, Limit: dec("0.5"), Rounding: rounding(1, quantity.HalfUp)}
	wantResult(t, "Beringer p. 113, by hand", compute(t, w), assay.Silver, "995.2")
}

// Reference 02, section 3, rows 4 and 6, with the book's own rounding at each step: 1.0100 g took 100.25 c.c., so 100 c.c.
// stand for 1.0075 g; 1.0150 g of bullion took 100.55 c.c.: 1.0130 g, 998.0 ppt (recomputed 1.00748, 1.01304, 998.03).
func TestBeringerTitrationStepByStep(t *testing.T) {
	step := func(places int, a, b quantity.Decimal) quantity.Decimal {
		q, err := a.Quo(b, rounding(places, quantity.HalfUp))
		if err != nil {
			t.Fatal(err)
		}
		return q
	}
	standard := dec("1.0100").Shift(2)
	wantDecimal(t, "Beringer, row 4, recomputed", step(5, standard, dec("100.25")), "1.00748")
	printed := step(4, standard, dec("100.25"))
	wantDecimal(t, "Beringer, row 4, printed", printed, "1.0075")
	silver := printed.Mul(dec("100.55")).Shift(-2)
	wantDecimal(t, "Beringer, row 6, recomputed", silver.Round(rounding(5, quantity.HalfUp)), "1.01304")
	found := silver.Round(rounding(4, quantity.HalfUp))
	wantDecimal(t, "Beringer, row 6, printed", found, "1.0130")
	wantDecimal(t, "Beringer, row 6, recomputed", step(2, found.Shift(3), dec("1.0150")), "998.03")
	wantDecimal(t, "Beringer, row 6, printed", step(1, found.Shift(3), dec("1.0150")), "998.0")
}

// Reference 02, section 3, row 9 (Beringer 1904): clean lead 14 t 5 cwt at 32 oz a ton and dross 15 cwt at 20 oz a ton hold
// 456 + 15 = 471 oz, 31.4 oz a ton. Grams and tonnes stand for ounces and tons: the rule has no unit.
func TestBeringerCleanLeadAndDross(t *testing.T) {
	in := assay.BlendInput{Rounding: rounding(4, quantity.HalfEven), Parts: []assay.Part{
		{Name: "clean lead", Mass: mass("14250 kg"), Fineness: quantity.MustFineness("32 g/t")},
		{Name: "dross", Mass: mass("750 kg"), Fineness: quantity.MustFineness("20 g/t")},
	}}
	b, err := assay.Blend(in)
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "Beringer, clean lead", b.Fines[0], "456")
	wantDecimal(t, "Beringer, dross", b.Fines[1], "15")
	wantDecimal(t, "Beringer, together", b.Fine, "471")
	wantFineness(t, "Beringer, 31.4 a ton", b.Fineness, "0.0314")
	for reason, change := range map[string]func(*assay.BlendInput){
		"PARTS_COUNT":       func(in *assay.BlendInput) { in.Parts = nil },
		"NAME_MISSING":      func(in *assay.BlendInput) { in.Parts[0].Name = "" },
		"MASS_NOT_POSITIVE": func(in *assay.BlendInput) { in.Parts[1].Mass = mass("0 g") },
		"FINENESS_MISSING":  func(in *assay.BlendInput) { in.Parts[1].Fineness = quantity.Fineness{} },
		"ROUNDING_MISSING":  func(in *assay.BlendInput) { in.Rounding = quantity.Rounding{} },
	} {
		wrong := in
		wrong.Parts = append([]assay.Part{}, in.Parts...)
		change(&wrong)
		_, err := assay.Blend(wrong)
		wantReason(t, "parts", err, reason)
	}
}

// Reference 02, section 3, row 10 (Beringer 1904): an ore of 20 g with returns from slag and cupel and less the gold in the
// flux: 0.2893 + 0.0060 + 0.0100 − 0.0017 = 0.3036 g; 495.9 oz a long ton of 2240 lb (495.88). A long ton is 1016.0469088
// kg exactly (2240 × 0.45359237).
func TestBeringerOreWithReturns(t *testing.T) {
	found := mass("0.2893 g").Add(mass("0.0060 g")).Add(mass("0.0100 g")).Sub(mass("0.0017 g"))
	wantDecimal(t, "Beringer, row 10", found.Grams(), "0.3036")
	w := sheet()
	w.GoldRounding = rounding(2, quantity.HalfUp)
	for i := range w.Proofs {
		w.Proofs[i].Cornet = w.Proofs[i].Gold
	}
	for i := range w.Portions {
		w.Portions[i] = assay.Portion{Sample: mass("20 g"), Cornet: found}
	}
	r := compute(t, w)
	wantResult(t, "by hand, 0.3036 g of 20 g", r, assay.Gold, "15.18")
	if !strings.Contains(r.Words, "outside the 100 to 999.5 ppt") {
		t.Errorf("an ore is not said to be outside the standard: %s", r.Words)
	}
	gold, _ := assay.Find(r.Results, assay.Gold)
	ounces, err := quantity.Grams(mass("1016.0469088 kg").Fine(gold)).Ounces(rounding(2, quantity.HalfUp))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "Beringer, row 10, oz a long ton", ounces, "495.88")
}

// Reference 02, section 3, row 12 (Beringer 1904): one bar, dip 334; sawn sections 333, 335, 331, mean 333.
func TestBeringerDipAgainstSections(t *testing.T) {
	h, err := assay.ReadHomogeneity([]byte(`{"positions": [{"name": "dip", "values": ["334 ppt"]}, {"name": "sections", "values": ["333 ppt", "335 ppt", "331 ppt"]}], "limit": "1"}`))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "Beringer, row 12", h.Positions[1].Mean, "333")
	wantDecimal(t, "by hand, dip less sections", h.Range, "1")
	if !h.Within || h.Highest != "dip" {
		t.Errorf("%+v", h)
	}
}

// season is 500 invented lots with a splitting limit of 0.50 ppt whose differences have a spread of 0.21 ppt about bias,
// and a CUSUM that looks for a third of the limit with a decision interval of 10 sigma, as suits a series of that length.
func season(seed uint64, bias float64) assay.BiasInput {
	in := history(seed, 0, 500)
	in.Sigma, in.Shift, in.Decision = dec("0.21"), dec("0.1667"), dec("10")
	normal := distuv.Normal{Mu: bias, Sigma: 0.21, Src: newSource(seed)}
	for i := range in.Lots {
		in.Lots[i].Own, in.Lots[i].Limit = quantity.MustFineness(fmt.Sprintf("%.4f ppt", 812+normal.Rand())), dec("0.50")
	}
	return in
}

// Done when 3 of the issue: over 500 lots a bias of a third of the splitting limit is found in every history, at a named
// lot, with what it has cost; without a bias the report is silent but for the false alarms that it states.
func TestBiasOfAThirdOfTheLimitIsFound(t *testing.T) {
	for seed := range uint64(20) {
		r, err := assay.Bias(season(seed+1, 0.50/3))
		if err != nil {
			t.Fatal(err)
		}
		// By hand: 30 kg × 0.1667 / 1000 × half / 31.1035 g = 0.0804 oz a lot, 40.2 oz in 500, give or take
		// 3.5 × 0.21/√500 of 0.1667, that is a fifth.
		if ounces := r.Ounces.Float(); !r.Found || r.SignalLot == "" || math.Abs(ounces-40.2) > 8.1 || math.Abs(r.Cost[0].Amount().Float()-2000*ounces) > 1 {
			t.Fatalf("seed %d: found %v at %q, cost %s and %v", seed, r.Found, r.SignalLot, r.Ounces, r.Cost)
		}
		for _, part := range []string{"lastingly higher", r.SignalLot, r.SinceLot, r.Ounces.String() + " oz", r.Cost[0].String()} {
			if !strings.Contains(r.Words, part) {
				t.Errorf("seed %d: %q is not said: %s", seed, part, r.Words)
			}
		}
		// Found while the run is under way, and dated back to about its beginning, which was the first lot.
		if r.Cusum.Signal > 150 || r.Test.Low < 0 || r.Test.Low > 0.50/3 && r.Test.High < 0.50/3 {
			t.Errorf("seed %d: signal at lot %d, interval %g to %g", seed, r.Cusum.Signal+1, r.Test.Low, r.Test.High)
		}
	}
}

func TestSilenceAtTheStatedRate(t *testing.T) {
	const seeds = 400
	alarms, stated := 0, 0.0
	for seed := range uint64(seeds) {
		in := season(seed+5000, 0)
		series, err := in.Series()
		if err != nil {
			t.Fatal(err)
		}
		var differences []float64
		for _, p := range series.Points {
			differences = append(differences, p.Difference.Float())
		}
		c, err := assay.CUSUM(differences, 0, in.Shift.Float()/2, in.Decision.Float()*in.Sigma.Float())
		if err != nil {
			t.Fatal(err)
		}
		if c.Signal >= 0 {
			alarms++
		}
		if seed%30 != 0 { // the whole report is slower, and is asked of some
			continue
		}
		r, err := assay.Bias(in)
		if err != nil {
			t.Fatal(err)
		}
		if stated = r.FalseAlarm; r.Found != (c.Signal >= 0) || !r.Found && (!strings.Contains(r.Words, "no lasting bias") || r.SignalLot != "") {
			t.Errorf("seed %d: %s", seed, r.Words)
		}
	}
	// Binomial bounds: outside them by luck alone once in ten thousand on each side.
	binomial := distuv.Binomial{N: seeds, P: stated}
	if stated <= 0.001 || stated > 0.1 || binomial.CDF(float64(alarms)) < 1e-4 || 1-binomial.CDF(float64(alarms)-1) < 1e-4 {
		t.Errorf("%d alarms in %d histories without a bias; stated is %.3f", alarms, seeds, stated)
	}
}

// "Always inside the limit, always on one side" is said when it is so, and only then.
func TestAlwaysOnOneSide(t *testing.T) {
	of := func(differences ...string) assay.BiasReport {
		t.Helper()
		in := history(1, 0, len(differences))
		for i, d := range differences {
			in.Lots[i].Own = quantity.MustFineness(dec("812").Add(dec(d)).String() + " ppt")
			in.Lots[i].Limit = dec("0.50")
		}
		r, err := assay.Bias(in)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, tt := range []struct {
		differences string
		says        string
		not         string
	}{
		{"0.10 0.05 0.12 0.07 0.11", "Always inside the limit, always on one side: our own results are higher in all 5", ""},
		{"-0.10 -0.05 -0.12 -0.07 -0.50", "our own results are lower in all 5", "1 of"}, // equal to the limit is inside it
		{"0.10 0.05 0.12 0.07 0.51", "Always on one side", "Always inside the limit"},
		{"0.10 0.05 0.12 0.07", "Our own results are higher in 4 and lower in 0 of 4", "Always"}, // too few to say so
		{"0.10 0.05 -0.12 0.07 0.11", "higher in 4 and lower in 1 of 5", "Always"},
		{"0 0 0", "no difference at all", "Always"},
		{"0.2 0.2 0.2", "+0.2 ppt each time", "confidence between"},
	} {
		r := of(strings.Fields(tt.differences)...)
		if !strings.Contains(r.Words, tt.says) || tt.not != "" && strings.Contains(r.Words, tt.not+" ") {
			t.Errorf("%s: %s", tt.differences, r.Words)
		}
	}
	// By hand: five tosses on one side have a chance of 2/32.
	if r := of("0.1", "0.2", "0.1", "0.2", "0.1"); math.Abs(r.Chance-2.0/32) > 1e-12 || r.Inside != 5 || r.Limited != 5 {
		t.Errorf("%+v", r)
	}
	// By hand: one of five on the other side, 2 × (1 + 5)/32.
	if r := of("0.1", "0.2", "-0.1", "0.2", "0.1"); math.Abs(r.Chance-12.0/32) > 1e-12 {
		t.Errorf("chance %g", r.Chance)
	}
}

// A sum that comes to the decision interval is not beyond it, whatever its binary fractions say.
func TestASumEqualToItsIntervalDoesNotSignal(t *testing.T) {
	c, err := assay.CUSUM([]float64{0.3, 0.4, 0.25, 0.35, 0.3, 0.2, 0.45}, 0, 0.15, 1.2) // by hand: 1.20 at the end
	if err != nil || c.Signal != -1 || c.High[6] <= 1.2 {
		t.Errorf("%+v, %v; the check is idle where the sum does not come out above 1.2", c, err)
	}
}

// A series whose lots have prices in two currencies, or none, states what it can.
func TestCostInSeveralCurrencies(t *testing.T) {
	s := assay.Series{What: "Au", First: "ours", Second: "theirs", Unit: "oz", Element: assay.Gold, BiasSettings: history(1, 0, 2).BiasSettings}
	for i, price := range []string{"2000 USD", "1800 EUR", "", "2000 USD"} {
		p := assay.Paired{Of: fmt.Sprint(i), Difference: dec("1"), Moved: quantity.GramsPerOunce, Explained: dec("0.5")}
		if price != "" {
			p.Price = quantity.MustMoney(price)
		}
		s.Points = append(s.Points, p)
	}
	r, err := assay.BiasOf(s)
	if err != nil {
		t.Fatal(err)
	}
	// By hand: an ounce a lot, half of it borne.
	if len(r.Cost) != 2 || r.Cost[0].String() != "900.000 EUR" || r.Cost[1].String() != "2000.000 USD" || r.Priced != 3 || r.CostInterval != nil {
		t.Errorf("%v, %d priced", r.Cost, r.Priced)
	}
	wantDecimal(t, "by hand, ounces", r.Ounces, "2")
	for _, part := range []string{"900.000 EUR and 2000.000 USD (a price is known for 3 of 4)", "explains 2.0 oz in all, +0.5 a difference"} {
		if !strings.Contains(r.Words, part) {
			t.Errorf("%q is not said: %s", part, r.Words)
		}
	}
	s.Points = s.Points[:1]
	_, err = assay.BiasOf(s)
	wantReason(t, "one difference", err, "COUNT_OUT_OF_RANGE")
	s.Element = "Xx"
	_, err = assay.BiasOf(s)
	wantReason(t, "no element", err, "ELEMENT_UNKNOWN")
}
