package assay_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"reflect"
	"sort"
	"strings"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
)

func mass(s string) quantity.Mass { return quantity.MustMass(s) }

func rounding(places int, mode quantity.Mode) quantity.Rounding {
	return quantity.Rounding{Places: places, Mode: mode}
}

// sheet is an invented run. By hand: the proofs lose 0.05 and 0.03 mg of 200.00 mg, so δ = 0.04 mg and they differ by
// 0.1 ppt of their gold; the portions give 1000 × 162.54/200 = 812.7 and 1000 × 162.50/200 = 812.5 ppt.
func sheet() assay.Worksheet {
	return assay.Worksheet{
		Run: "R-12", Method: "fire assay by cupellation",
		Proofs: []assay.Proof{
			{Gold: mass("200.00 mg"), Fineness: ppt("1000"), Cornet: mass("199.95 mg")},
			{Gold: mass("200.00 mg"), Fineness: ppt("1000"), Cornet: mass("199.97 mg")},
		},
		Portions: []assay.Portion{
			{Sample: mass("200.00 mg"), Cornet: mass("162.50 mg")},
			{Sample: mass("200.00 mg"), Cornet: mass("162.46 mg")},
		},
		Limits:       assay.WorksheetLimits{Proof: dec("0.2"), Duplicate: dec("0.5"), Sum: dec("1.0")},
		GoldRounding: rounding(2, quantity.HalfUp),
	}
}

func compute(t *testing.T, w assay.Worksheet) assay.WorksheetResult {
	t.Helper()
	r, err := w.Compute()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func wantResult(t *testing.T, what string, r assay.WorksheetResult, e assay.Element, want string) {
	t.Helper()
	f, found := assay.Find(r.Results, e)
	if !found {
		t.Errorf("%s: %s is not reported: %s", what, e, r.Words)
		return
	}
	wantFineness(t, what, f, want)
}

func TestWorksheetGold(t *testing.T) {
	r := compute(t, sheet())
	wantResult(t, "by hand, mean of 812.7 and 812.5", r, assay.Gold, "812.60")
	wantDecimal(t, "by hand, δ in mg", r.Correction, "0.04")
	wantDecimal(t, "by hand, proofs, ppt", r.ProofSpread, "0.1")
	wantDecimal(t, "by hand, first portion", r.GoldPortions[0], "812.7")
	if r.Blocked || !r.ProofsAgree || len(r.Findings) != 0 || r.Sum != nil {
		t.Errorf("%+v", r)
	}

	// Beringer, A Text-Book of Assaying, 9th ed. 1904, p. 154 (reference 02, section 3, row 1): a check of 0.45016 g came
	// out as 0.45025 g, so 0.00009 g is taken off each assay: 0.18 ppt of a 0.5 g charge.
	w := sheet()
	for i := range w.Proofs {
		w.Proofs[i] = assay.Proof{Gold: mass("0.45016 g"), Fineness: ppt("1000"), Cornet: mass("0.45025 g")}
	}
	for i := range w.Portions {
		w.Portions[i] = assay.Portion{Sample: mass("0.5 g"), Cornet: mass("0.45000 g")}
	}
	r = compute(t, w)
	wantDecimal(t, "Beringer p. 154, mg", r.Correction, "-0.09")
	wantResult(t, "Beringer p. 154: 900 less 0.18", r, assay.Gold, "899.82")

	// Proof gold of 999.9 ppt holds 199.98 mg in 200 mg. By hand: δ = 199.98 - 199.96 = 0.02 mg.
	w = sheet()
	for i := range w.Proofs {
		w.Proofs[i].Fineness, w.Proofs[i].Cornet = ppt("999.9"), mass("199.96 mg")
	}
	wantDecimal(t, "by hand, fineness of the proof gold", compute(t, w).Correction, "0.02")
}

// Exact boundaries of the three limits: equal is within, one digit more is not.
func TestWorksheetLimits(t *testing.T) {
	w := sheet()
	w.Limits.Proof = dec("0.1")
	if r := compute(t, w); r.Blocked {
		t.Error("proofs that differ by exactly the limit block the run")
	}
	w.Limits.Proof = dec("0.0999")
	r := compute(t, w)
	if !r.Blocked || len(r.Results) != 0 || len(r.Findings) != 1 || !strings.Contains(r.Words, "blocked") {
		t.Errorf("proofs outside their limit do not block the run: %+v", r) // reference 02, section 5
	}
	w = sheet()
	w.Limits.Duplicate = dec("0.2")
	wantResult(t, "duplicates that differ by exactly the limit", compute(t, w), assay.Gold, "812.60")
	w.Limits.Duplicate = dec("0.1999")
	if r := compute(t, w); len(r.Results) != 0 || r.GoldAccepted.Needed != 2 || len(r.Findings) != 1 {
		t.Errorf("duplicates outside their limit are reported: %+v", r)
	}
	// One rounding at the end: by hand, 812.7 and 812.51 have the mean 812.605.
	w = sheet()
	w.Portions[1].Cornet = mass("162.462 mg")
	for mode, want := range map[quantity.Mode]string{quantity.HalfUp: "812.61", quantity.HalfEven: "812.60", quantity.Down: "812.60"} {
		w.GoldRounding = rounding(2, mode)
		wantResult(t, "by hand, 812.605 "+mode.String(), compute(t, w), assay.Gold, want)
	}
}

// The example of reference 03, section 2, as a worksheet: portions of 1000 mg whose proofs lost nothing.
func TestWorksheetReplicates(t *testing.T) {
	w := sheet()
	w.Limits.Duplicate = quantity.Decimal{}
	w.Limits.Replicates = &assay.WorksheetReplicates{Repeatability: dec("0.10"), Procedure: assay.TwoMore}
	w.GoldRounding = rounding(4, quantity.HalfUp)
	for i := range w.Proofs {
		w.Proofs[i].Cornet = w.Proofs[i].Gold
	}
	for _, row := range []struct {
		cornets string
		want    string // empty: two more
	}{
		{"750.10 750.38", "750.24"},
		{"750.10 750.39", ""},
		{"750.10 750.39 750.20 750.30", "750.2475"},
		{"750.10 750.55 750.20 750.30", "750.25"},
	} {
		w.Portions = nil
		for _, c := range strings.Fields(row.cornets) {
			w.Portions = append(w.Portions, assay.Portion{Sample: mass("1000 mg"), Cornet: mass(c + " mg")})
		}
		r := compute(t, w)
		if row.want == "" {
			if r.GoldAccepted.Needed != 2 || len(r.Results) != 0 {
				t.Errorf("reference 03, section 2: %s: %+v", row.cornets, r.GoldAccepted)
			}
			continue
		}
		wantResult(t, "reference 03, section 2: "+row.cornets, r, assay.Gold, row.want)
	}
}

func TestWorksheetSilver(t *testing.T) {
	w := sheet()
	w.BaseMetals = report(t, "Cu 30.00, Fe 9.50")
	w.Silver = &assay.SilverSheet{Method: assay.SilverDifference, Rounding: rounding(1, quantity.HalfUp)}
	r := compute(t, w)
	wantResult(t, "by hand, 1000 - 812.6 - 39.5", r, assay.Silver, "147.9")
	if r.Sum == nil || !r.Sum.Within || !strings.Contains(r.Words, "proves nothing") {
		t.Errorf("%+v", r)
	}
	// Silver is taken from the unrounded gold. By hand: gold 812.6, rounded to 813; silver 1000 - 812.6 - 39.5.
	w.GoldRounding = rounding(0, quantity.HalfUp)
	wantResult(t, "by hand, gold not rounded twice", compute(t, w), assay.Silver, "147.9")

	// Beringer 1904 (reference 02, section 3, row 3): silver chloride from 1.5054 g of alloy; the charge is chosen so that
	// half its milligrams are the fineness, which is a factor of 0.5 × 1.5054 = 0.7527.
	w = sheet()
	w.Silver = &assay.SilverSheet{Method: assay.SilverChloride, Factor: dec("0.7527"), Limit: dec("0.2"), Rounding: rounding(1, quantity.HalfUp)}
	for _, row := range []struct{ chloride, want string }{{"1.8500 g", "925.0"}, {"1.8498 g", "924.9"}, {"1.8502 g", "925.1"}} {
		w.Silver.Portions = []assay.Titration{{Mass: mass("1.5054 g"), Chloride: mass(row.chloride)}}
		wantResult(t, "Beringer, silver chloride "+row.chloride, compute(t, w), assay.Silver, row.want)
	}
	w.Silver.Portions = []assay.Titration{
		{Mass: mass("1.5054 g"), Chloride: mass("1.8500 g")}, {Mass: mass("1.5054 g"), Chloride: mass("1.8498 g")}, {Mass: mass("1.5054 g"), Chloride: mass("1.8502 g")},
	}
	r = compute(t, w)
	wantResult(t, "Beringer, mean; 0.2 apart is within 0.2", r, assay.Silver, "925.0")
	if r.Sum.PreciousOK || len(r.Findings) != 1 {
		t.Errorf("gold 812.6 and silver 925 are not flagged: %+v", r.Sum)
	}
	w.Silver.Limit = dec("0.1999")
	if r = compute(t, w); r.SilverAgrees || len(r.Findings) != 1 {
		t.Errorf("silver outside its limit: %+v", r)
	}

	// Beringer 1904 (reference 02, section 3, rows 4 and 6): 1.0100 g of silver took 100.25 mL; 1.0150 g of bullion took
	// 100.55 mL. Printed 998.0 with a rounding at each step (998.03); without them it is 1.0100 × 100.55/100.25/1.0150 =
	// 998.0517.
	w.Silver = &assay.SilverSheet{
		Method: assay.SilverTitration, Limit: dec("0.5"), Rounding: rounding(4, quantity.HalfUp),
		Standards: []assay.Titration{{Mass: mass("1.0100 g"), Volume: dec("100.25")}},
		Portions:  []assay.Titration{{Mass: mass("1.0150 g"), Volume: dec("100.55")}},
	}
	wantResult(t, "Beringer, titration, unrounded chain", compute(t, w), assay.Silver, "998.0517")

	// By hand: bead 292.0 = 162.5 gold + 100 added + 29.5 silver; the proofs lost 0.5 mg of 400; 1000 × 30/200 = 150.
	w = sheet()
	for i := range w.Proofs {
		w.Proofs[i].Silver, w.Proofs[i].Bead = mass("400 mg"), w.Proofs[i].Cornet.Add(mass("399.5 mg"))
	}
	for i := range w.Portions {
		w.Portions[i].Added, w.Portions[i].Bead = mass("100 mg"), w.Portions[i].Cornet.Add(mass("129.5 mg"))
	}
	w.Silver = &assay.SilverSheet{Method: assay.SilverBead, Limit: dec("1"), Rounding: rounding(1, quantity.HalfUp)}
	r = compute(t, w)
	wantResult(t, "by hand, silver by bead", r, assay.Silver, "150.0")
	if r.Sum == nil || r.Sum.Within || len(r.Findings) != 1 {
		t.Errorf("a sum of 962.6 within 1.0 of 1000: %+v", r.Sum)
	}
}

// What a reader is told beside the figures.
func TestWorksheetWords(t *testing.T) {
	w := sheet()
	w.BaseMetals = report(t, "Cu 30.00")
	w.Silver = &assay.SilverSheet{Method: assay.SilverDifference, Rounding: places3}
	w.Limits.Duplicate = dec("0.1")
	if r := compute(t, w); len(r.Results) != 0 || len(r.Findings) != 2 {
		t.Errorf("silver by difference without gold: %+v", r)
	}
	w = sheet()
	w.Portions = w.Portions[:1]
	if r := compute(t, w); len(r.Results) != 0 || r.GoldAccepted.Needed != 1 {
		t.Errorf("one portion is reported: %+v", r)
	}
	for cornet, outside := range map[string]bool{"199.96 mg": true, "199.86 mg": false, "19.96 mg": false, "19.95 mg": true} { // 1000, 999.5, 100 and 99.95 ppt
		w = sheet()
		for i := range w.Portions {
			w.Portions[i].Cornet = mass(cornet)
		}
		if r := compute(t, w); strings.Contains(r.Words, "standardised") != outside {
			t.Errorf("ISO 11426:2021, scope: %s", r.Words)
		}
	}
	w = sheet()
	w.Limits.Duplicate, w.Limits.Replicates = quantity.Decimal{}, &assay.WorksheetReplicates{Repeatability: dec("0.1"), Procedure: assay.TwoMore}
	w.Portions[0].Position, w.Portions[1].Position = "top", "bottom"
	if r := compute(t, w); r.Homogeneity == nil || r.Homogeneity.Words == "" {
		t.Errorf("%+v", r.Homogeneity)
	}
	w.Portions[1].Position = "top"
	if r := compute(t, w); r.Homogeneity != nil {
		t.Error("one position was compared with itself")
	}
}

// Reference 02, section 5: gold, silver and base metals lie within a tolerance of 1000; gold and silver never above it.
func TestSumCheck(t *testing.T) {
	for _, row := range []struct {
		results, tolerance string
		within, precious   bool
	}{
		{"Au 812.44, Ag 148.25, Cu 38.31", "1", true, true},  // 999.00
		{"Au 812.44, Ag 148.25, Cu 38.30", "1", false, true}, // 998.99
		{"Au 812.45, Ag 148.25, Cu 40.30", "1", true, true},  // 1001.00
		{"Au 812.45, Ag 148.25, Cu 40.31", "1", false, true},
		{"Au 812.45, Ag 187.55", "0.1", true, true},  // 1000.00
		{"Au 812.45, Ag 187.56", "0.1", true, false}, // 1000.01
		{"Ag 1000, Au 0.0001", "0.01", true, false},
		{"Au 812.45, Hg 250", "1", false, true},
	} {
		v := assay.SumCheck(report(t, row.results), dec(row.tolerance))
		if v.Within != row.within || v.PreciousOK != row.precious || v.Words == "" {
			t.Errorf("%s: %+v", row.results, v)
		}
	}
}

// Random worksheets recomputed with big rationals.
func TestWorksheetAgainstRationals(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		mg := func(label string, low, high int64) quantity.Mass {
			m, err := quantity.NewMass(quantity.NewDecimal(rapid.Int64Range(low, high).Draw(r, label)).Shift(-3), quantity.Milligram)
			if err != nil {
				r.Fatal(err)
			}
			if rapid.Bool().Draw(r, "in grams") {
				m = quantity.Grams(m.Grams())
			}
			return m
		}
		w := sheet()
		w.Proofs, w.Portions = nil, nil
		w.Limits.Proof, w.Limits.Duplicate = dec("0.2"), dec("3")
		w.GoldRounding = anyRounding(r)
		for range rapid.IntRange(2, 5).Draw(r, "proofs") {
			w.Proofs = append(w.Proofs, assay.Proof{Gold: mg("gold", 199_990, 200_010), Fineness: ppt("999.9"), Cornet: mg("proof cornet", 199_960, 200_010)})
		}
		for range rapid.IntRange(1, 6).Draw(r, "portions") {
			w.Portions = append(w.Portions, assay.Portion{Sample: mg("sample", 199_900, 200_100), Cornet: mg("cornet", 160_000, 160_400)})
		}
		got, err := w.Compute()
		if err != nil {
			r.Fatal(err)
		}
		gram := func(m quantity.Mass) *big.Rat { return m.Grams().Rat() }
		delta := new(big.Rat)
		var shares []*big.Rat
		for _, p := range w.Proofs {
			in := new(big.Rat).Mul(gram(p.Gold), big.NewRat(9999, 10000))
			d := new(big.Rat).Sub(in, gram(p.Cornet))
			delta.Add(delta, d)
			shares = append(shares, d.Quo(d, in))
		}
		delta.Quo(delta, big.NewRat(int64(len(w.Proofs)), 1))
		sort.Slice(shares, func(i, j int) bool { return shares[i].Cmp(shares[j]) < 0 })
		spread := new(big.Rat).Sub(shares[len(shares)-1], shares[0])
		if blocked := spread.Cmp(big.NewRat(2, 10_000)) > 0; blocked != got.Blocked {
			r.Fatalf("spread %s: blocked %v", spread.FloatString(9), got.Blocked)
		}
		if got.Blocked {
			if len(got.Results) > 0 {
				r.Fatal("a blocked run reports")
			}
			return
		}
		sum := new(big.Rat)
		var low, high *big.Rat
		for _, p := range w.Portions {
			f := new(big.Rat).Add(gram(p.Cornet), delta)
			f.Quo(f, gram(p.Sample)).Mul(f, big.NewRat(1000, 1))
			sum.Add(sum, f)
			if low == nil || f.Cmp(low) < 0 {
				low = f
			}
			if high == nil || f.Cmp(high) > 0 {
				high = f
			}
		}
		f, found := assay.Find(got.Results, assay.Gold)
		agree := len(w.Portions) > 1 && new(big.Rat).Sub(high, low).Cmp(big.NewRat(3, 1)) <= 0
		if found != agree {
			r.Fatalf("reported %v, agree %v", found, agree)
		}
		if !found {
			return
		}
		exact := sum.Quo(sum, big.NewRat(int64(len(w.Portions)), 1))
		// The reported figure is the nearest on its grid, or the one below when cut.
		off := new(big.Rat).Sub(f.PerMille().Rat(), exact)
		step := w.GoldRounding.Step().Rat()
		half := new(big.Rat).Quo(step, big.NewRat(2, 1))
		if w.GoldRounding.Mode == quantity.Down {
			if off.Sign() > 0 || off.Abs(off).Cmp(step) >= 0 {
				r.Fatalf("%s is not %s cut", f, exact.FloatString(9))
			}
			return
		}
		if off.Abs(off).Cmp(half) > 0 {
			r.Fatalf("%s is not %s rounded", f, exact.FloatString(9))
		}
	})
}

func TestRefusedWorksheets(t *testing.T) {
	for _, row := range []struct {
		reason, field string
		change        func(*assay.Worksheet)
	}{
		{"NAME_MISSING", "run", func(w *assay.Worksheet) { w.Run = "" }},
		{"NAME_TOO_LONG", "method", func(w *assay.Worksheet) { w.Method = strings.Repeat("m", 121) }},
		{"PROOFS_COUNT", "proofs", func(w *assay.Worksheet) { w.Proofs = w.Proofs[:1] }},
		{"PORTIONS_COUNT", "portions", func(w *assay.Worksheet) { w.Portions = nil }},
		{"MASS_MISSING", "proofs[1].gold", func(w *assay.Worksheet) { w.Proofs[1].Gold = quantity.Mass{} }},
		{"MASS_NOT_POSITIVE", "proofs[0].cornet", func(w *assay.Worksheet) { w.Proofs[0].Cornet = mass("-1 mg") }},
		{"MASS_NOT_POSITIVE", "proofs[0].bead", func(w *assay.Worksheet) { w.Proofs[0].Bead = mass("-1 mg") }},
		{"FINENESS_MISSING", "proofs[0].fineness", func(w *assay.Worksheet) { w.Proofs[0].Fineness = ppt("0") }},
		{"MASS_NOT_POSITIVE", "portions[0].sample", func(w *assay.Worksheet) { w.Portions[0].Sample = mass("0 mg") }},
		{"MASS_MISSING", "portions[1].cornet", func(w *assay.Worksheet) { w.Portions[1].Cornet = quantity.Mass{} }},
		{"MASS_NOT_POSITIVE", "portions[1].added", func(w *assay.Worksheet) { w.Portions[1].Added = mass("-0.1 mg") }},
		{"NAME_TOO_LONG", "portions[0].position", func(w *assay.Worksheet) { w.Portions[0].Position = strings.Repeat("p", 121) }},
		{"FINENESS_OUT_OF_RANGE", "portions[0]", func(w *assay.Worksheet) { w.Portions[0].Sample = mass("162 mg") }},
		{"LIMIT_NOT_POSITIVE", "limits.proof", func(w *assay.Worksheet) { w.Limits.Proof = quantity.Decimal{} }},
		{"LIMIT_NOT_POSITIVE", "limits.sum", func(w *assay.Worksheet) { w.Limits.Sum = quantity.Decimal{} }},
		{"LIMIT_NOT_POSITIVE", "limits.duplicate", func(w *assay.Worksheet) { w.Limits.Duplicate = quantity.Decimal{} }},
		{"TERM_OUT_OF_PLACE", "limits.duplicate", func(w *assay.Worksheet) {
			w.Limits.Replicates = &assay.WorksheetReplicates{Repeatability: dec("0.1"), Procedure: assay.TwoMore}
		}},
		{"REPEATABILITY_OUT_OF_RANGE", "limits.replicates.repeatability", func(w *assay.Worksheet) {
			w.Limits.Duplicate, w.Limits.Replicates = quantity.Decimal{}, &assay.WorksheetReplicates{Procedure: assay.TwoMore}
		}},
		{"REPLICATES_COUNT", "limits.replicates", func(w *assay.Worksheet) {
			w.Limits.Duplicate, w.Limits.Replicates = quantity.Decimal{}, &assay.WorksheetReplicates{Repeatability: dec("0.1"), Procedure: assay.TwoMore}
			w.Portions = append(w.Portions, w.Portions[0], w.Portions[0], w.Portions[0])
		}},
		{"ROUNDING_MISSING", "gold_rounding.mode", func(w *assay.Worksheet) { w.GoldRounding.Mode = 0 }},
		{"ELEMENT_UNKNOWN", "base_metals[0].element", func(w *assay.Worksheet) { w.BaseMetals = []assay.Result{{Element: "cu", Fineness: ppt("3")}} }},
		{"ELEMENT_REPEATED", "base_metals[0].element", func(w *assay.Worksheet) { w.BaseMetals = []assay.Result{{Element: "Ag", Fineness: ppt("3")}} }},
		{"TERM_UNKNOWN", "silver.method", func(w *assay.Worksheet) { w.Silver = &assay.SilverSheet{Method: "guess"} }},
		{"ROUNDING_MISSING", "silver.rounding.mode", func(w *assay.Worksheet) { w.Silver = &assay.SilverSheet{Method: assay.SilverBead} }},
		{"BASE_METALS_MISSING", "silver.method", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverDifference, Rounding: places3}
		}},
		{"LIMIT_NOT_POSITIVE", "silver.limit", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverBead, Rounding: places3}
		}},
		{"MASS_MISSING", "silver.method", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverBead, Rounding: places3, Limit: dec("1")}
		}},
		{"MASS_MISSING", "silver.method", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverBead, Rounding: places3, Limit: dec("1")}
			w.Portions[0].Bead, w.Portions[1].Bead = mass("190 mg"), mass("190 mg")
		}},
		{"PORTIONS_COUNT", "silver.portions", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverTitration, Rounding: places3, Limit: dec("1")}
		}},
		{"STANDARDS_COUNT", "silver.standards", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverTitration, Rounding: places3, Limit: dec("1"), Portions: []assay.Titration{{Mass: mass("1 g"), Volume: dec("100")}}}
		}},
		{"MASS_MISSING", "silver.standards[0].mass", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverTitration, Rounding: places3, Limit: dec("1"), Standards: []assay.Titration{{}}, Portions: []assay.Titration{{Mass: mass("1 g"), Volume: dec("100")}}}
		}},
		{"VOLUME_NOT_POSITIVE", "silver.portions[0].volume", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverTitration, Rounding: places3, Limit: dec("1"), Portions: []assay.Titration{{Mass: mass("1 g")}}}
		}},
		{"MASS_MISSING", "silver.portions[0].chloride", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverChloride, Rounding: places3, Limit: dec("1"), Portions: []assay.Titration{{Mass: mass("1 g")}}}
		}},
		{"FACTOR_OUT_OF_RANGE", "silver.factor", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverChloride, Rounding: places3, Limit: dec("1"), Portions: []assay.Titration{{Mass: mass("1 g"), Chloride: mass("1 g")}}}
		}},
		{"FINENESS_OUT_OF_RANGE", "silver", func(w *assay.Worksheet) {
			w.Silver = &assay.SilverSheet{Method: assay.SilverChloride, Factor: dec("0.75"), Rounding: places3, Limit: dec("1"), Portions: []assay.Titration{{Mass: mass("1 g"), Chloride: mass("2 g")}}}
		}},
	} {
		w := sheet()
		row.change(&w)
		_, err := w.Compute()
		wantReason(t, row.field, err, row.reason)
		wantField(t, err, row.field)
	}
	for text, reason := range map[string]string{
		`{"run": 3}`: "JSON_MALFORMED", `{"runs": "x"}`: "JSON_MALFORMED", `{} {}`: "JSON_MALFORMED", `{}`: "NAME_MISSING", ``: "JSON_MALFORMED",
		`{"proofs":[{"gold":"1 stone"}]}`: "UNIT_UNKNOWN", `{"proofs":[{"gold":"NaN g"}]}`: "NUMBER_MALFORMED",
		`{"run":"` + strings.Repeat("x", 1<<20) + `"}`: "JSON_TOO_LONG",
	} {
		_, err := assay.ReadWorksheet([]byte(text))
		wantReason(t, text[:min(len(text), 40)], err, reason)
	}
}

// Reference 02, section 3, rows 2 and 5 (Beringer 1904): silver to add and sample size.
func TestParting(t *testing.T) {
	m, err := assay.SilverToAdd(mass("0.5 g"), quantity.MustFineness("92 %"), quantity.MustFineness("1 %"), dec("2.5"), places3)
	if err != nil || m.Cmp(mass("1.145 g")) != 0 {
		t.Errorf("Beringer p. 146: silver to add is %s, %v; want 1.145 g", m, err)
	}
	m, err = assay.SilverToAdd(mass("0.5 g"), ppt("200"), ppt("600"), dec("2.5"), places3)
	if err != nil || m.Sign() != 0 {
		t.Errorf("by hand, 3 parts silver to 1 gold: %s, %v", m, err)
	}
	m, err = assay.PortionFor(mass("1.00748 g"), quantity.MustFineness("99.5 %"), rounding(5, quantity.HalfUp))
	if err != nil || m.Cmp(mass("1.01254 g")) != 0 {
		t.Errorf("by hand, 1.00748 / 0.995 = 1.012543: %s, %v", m, err)
	}
	m, err = assay.PortionFor(mass("1.0075 g"), quantity.MustFineness("99.5 %"), rounding(5, quantity.HalfUp))
	if err != nil || m.Cmp(mass("1.01256 g")) != 0 {
		t.Errorf("Beringer, sample size: %s, %v; want 1.01256 g, printed 1.0125", m, err)
	}
	// Row 8, practice set: fineness = 1000 × found / taken.
	for _, row := range []struct{ taken, found, want string }{
		{"1.1 g", "1.017 g", "924.545"}, {"1.14 g", "1.026 g", "900.000"}, {"0.6 g", "0.5500 g", "916.667"},
	} {
		w := sheet()
		w.GoldRounding = places3
		for i := range w.Portions {
			w.Proofs[i].Cornet, w.Portions[i] = w.Proofs[i].Gold, assay.Portion{Sample: mass(row.taken), Cornet: mass(row.found)}
		}
		wantResult(t, "Beringer, practice set", compute(t, w), assay.Gold, row.want)
	}
	for reason, call := range map[string]func() error{
		"MASS_MISSING": func() error {
			_, err := assay.SilverToAdd(quantity.Mass{}, ppt("1"), ppt("1"), dec("2"), places3)
			return err
		},
		"FINENESS_MISSING": func() error {
			_, err := assay.SilverToAdd(mass("1 g"), ppt("1"), quantity.Fineness{}, dec("2"), places3)
			return err
		},
		"RATIO_OUT_OF_RANGE": func() error {
			_, err := assay.SilverToAdd(mass("1 g"), ppt("1"), ppt("1"), dec("0"), places3)
			return err
		},
		"ROUNDING_MISSING": func() error {
			_, err := assay.SilverToAdd(mass("1 g"), ppt("1"), ppt("1"), dec("2"), quantity.Rounding{})
			return err
		},
		"MASS_NOT_POSITIVE": func() error { _, err := assay.PortionFor(mass("0 g"), ppt("1"), places3); return err },
	} {
		wantReason(t, "parting", call(), reason)
	}
	_, err = assay.PortionFor(mass("1 g"), ppt("0"), places3)
	wantReason(t, "a portion of nothing", err, "FINENESS_MISSING")
}

// Reference 02, section 3, rows 11 and 12 (Beringer 1904): dips of a pour and sawn sections of a bar, in the book's own
// unit; here as parts per thousand.
func TestHomogeneity(t *testing.T) {
	dips := func(values ...string) (positions []assay.Position) {
		for i, v := range values {
			positions = append(positions, assay.Position{Name: fmt.Sprint("place ", i+1), Values: []quantity.Fineness{ppt(v)}})
		}
		return positions
	}
	h, err := assay.Compare(dips("475", "472", "466"), dec("9"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "Beringer, mean of the dips", h.Mean, "471")
	wantDecimal(t, "by hand, range of the dips", h.Range, "9")
	if !h.Within || h.Highest != "place 1" || h.Lowest != "place 3" {
		t.Errorf("%+v", h)
	}
	if h, err = assay.Compare(dips("333", "335", "331"), dec("3.99")); err != nil || h.Within {
		t.Errorf("sections 4 apart within 3.99: %+v, %v", h, err)
	}
	wantDecimal(t, "Beringer, mean of the sections", h.Mean, "333")

	// Top against bottom from a worksheet. By hand: top (812.7 + 812.5)/2, bottom 812.45 and 812.35.
	w := sheet()
	w.Portions = append(w.Portions, assay.Portion{Sample: mass("200 mg"), Cornet: mass("162.45 mg")}, assay.Portion{Sample: mass("200 mg"), Cornet: mass("162.43 mg")})
	for i := range w.Portions {
		w.Portions[i].Position = []string{"top", "top", "bottom", "bottom"}[i]
	}
	r := compute(t, w)
	if r.Homogeneity == nil || r.Homogeneity.Highest != "top" {
		t.Fatalf("%+v", r.Homogeneity)
	}
	wantDecimal(t, "by hand, top less bottom", r.Homogeneity.Range, "0.2")
	w.Portions[3].Position = ""
	if r = compute(t, w); r.Homogeneity != nil {
		t.Error("a portion without a position was compared")
	}
	for reason, bad := range map[string][]assay.Position{
		"POSITIONS_COUNT":   dips("475"),
		"NAME_MISSING":      {{Name: "top", Values: []quantity.Fineness{ppt("1")}}, {Values: []quantity.Fineness{ppt("1")}}},
		"POSITION_REPEATED": append(dips("475"), dips("472")...),
		"POSITION_VALUES":   {{Name: "top"}, {Name: "bottom"}},
		"FINENESS_MISSING":  {{Name: "top", Values: []quantity.Fineness{{}}}, {Name: "bottom"}},
	} {
		_, err := assay.Compare(bad, dec("1"))
		wantReason(t, "positions", err, reason)
	}
	_, err = assay.Compare(dips("1", "2"), dec("0"))
	wantReason(t, "no limit", err, "LIMIT_NOT_POSITIVE")
}

// Reference 03, section 2: the computed example, every row and both dear branches (by hand).
func TestAccept(t *testing.T) {
	for _, row := range []struct {
		source    string
		values    string
		procedure assay.Procedure
		limit     string
		quote     assay.Quote
		want      string // or how many more
	}{
		{"reference 03, equal is accepted", "750.10 750.38", assay.TwoMore, "0.28", assay.QuoteMean, "750.24"},
		{"by hand, a digit more is not", "750.10 750.3800001", assay.TwoMore, "0.28", assay.QuoteNone, "2"},
		{"reference 03, mean of four", "750.10 750.39 750.20 750.30", assay.TwoMore, "0.36", assay.QuoteMean, "750.2475"},
		{"by hand, four exactly within 0.36", "750.10 750.46 750.20 750.30", assay.TwoMore, "0.36", assay.QuoteMean, "750.265"},
		{"reference 03, median", "750.10 750.55 750.20 750.30", assay.TwoMore, "0.36", assay.QuoteMedianOfFour, "750.25"},
		{"by hand, a third of four", "750.10 750.55 750.20", assay.TwoMore, "0", assay.QuoteNone, "1"},
		{"by hand, one result", "750.10", assay.TwoMore, "0", assay.QuoteNone, "1"},
		{"by hand, three exactly within 0.33", "750.10 750.43 750.31", assay.OneMoreMedian, "0.33", assay.QuoteMean, "750.28"},
		{"by hand, three outside", "750.10 750.44 750.31", assay.OneMoreMedian, "0.33", assay.QuoteMedianThree, "750.31"},
		{"by hand, a fourth", "750.10 750.44 750.31", assay.OneMoreFourth, "0.33", assay.QuoteNone, "1"},
		{"by hand, four of that", "750.10 750.44 750.31 750.11", assay.OneMoreFourth, "0.36", assay.QuoteMean, "750.24"},
		{"by hand, median of that", "750.10 750.47 750.31 750.11", assay.OneMoreFourth, "0.36", assay.QuoteMedianOfFour, "750.21"},
		{"by hand, one more", "750.10 750.44", assay.OneMoreFourth, "0.28", assay.QuoteNone, "1"},
	} {
		var values []quantity.Fineness
		for _, v := range strings.Fields(row.values) {
			values = append(values, ppt(v))
		}
		r, err := assay.Accept(values, assay.ReplicateTerms{Repeatability: dec("0.10"), Procedure: row.procedure, Rounding: rounding(4, quantity.HalfUp)})
		if err != nil {
			t.Fatalf("%s: %v", row.source, err)
		}
		wantDecimal(t, row.source+": limit", r.Limit, row.limit)
		if r.Quote != row.quote || r.Words == "" {
			t.Errorf("%s: quote %q, want %q", row.source, r.Quote, row.quote)
		}
		if row.quote == assay.QuoteNone {
			if fmt.Sprint(r.Needed) != row.want {
				t.Errorf("%s: %d more, want %s", row.source, r.Needed, row.want)
			}
			continue
		}
		wantFineness(t, row.source, r.Value, row.want)
	}
	terms := assay.ReplicateTerms{Repeatability: dec("0.1"), Procedure: assay.TwoMore, Rounding: places3}
	_, err := assay.Accept([]quantity.Fineness{ppt("750"), ppt("750"), ppt("760")}, terms)
	wantReason(t, "a result too many", err, "REPLICATES_SURPLUS")
	_, err = assay.Accept(nil, terms)
	wantReason(t, "no results", err, "REPLICATES_COUNT")
	_, err = assay.Accept([]quantity.Fineness{{}}, terms)
	wantReason(t, "no fineness", err, "FINENESS_MISSING")
	_, err = assay.Accept([]quantity.Fineness{ppt("1")}, assay.ReplicateTerms{Repeatability: dec("0.1"), Procedure: "best"})
	wantReason(t, "an unknown procedure", err, "TERM_UNKNOWN")
	_, err = assay.Accept([]quantity.Fineness{ppt("1")}, assay.ReplicateTerms{Repeatability: dec("0.1"), Procedure: assay.TwoMore})
	wantReason(t, "no rounding", err, "ROUNDING_MISSING")
}

// Adding a replicate equal to the mean does not move it.
func TestReplicateEqualToTheMean(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		a := quantity.NewDecimal(rapid.Int64Range(750_000, 750_400).Draw(r, "a")).Shift(-3)
		b := quantity.NewDecimal(rapid.Int64Range(750_000, 750_400).Draw(r, "b")).Shift(-3)
		middle := a.Add(b).Mul(dec("0.5"))
		terms := assay.ReplicateTerms{Repeatability: dec("0.13"), Procedure: assay.OneMoreMedian, Rounding: rounding(6, quantity.HalfEven)}
		f := func(d quantity.Decimal) quantity.Fineness { x, _ := quantity.PartsPerThousand(d); return x }
		three, err := assay.Accept([]quantity.Fineness{f(a), f(b), f(middle)}, terms)
		if err != nil {
			return // the first two agree already
		}
		if !three.Value.PerMille().Equal(middle) {
			r.Fatalf("%s, %s and their mean: %s", a, b, three.Value)
		}
	})
}

// ISO 5725-6:1994, table 1 (reference 03, section 1, row "printed", from memory), and that row against numerical
// integration of the range of n normal values: P(W <= w) = n ∫ φ(x) (Φ(x + w) - Φ(x))^(n-1) dx = 0.95.
func TestCriticalFactors(t *testing.T) {
	for _, row := range []struct {
		n              int
		printed, exact string
	}{
		{2, "2.8", "2.772"}, {3, "3.3", "3.314"}, {4, "3.6", "3.633"}, {5, "3.9", "3.858"}, {6, "4.0", "4.030"}, {7, "4.2", "4.170"},
		{8, "4.3", "4.286"}, {9, "4.4", "4.387"}, {10, "4.5", "4.474"}, {11, "4.6", "4.552"}, {12, "4.6", "4.622"}, {15, "4.8", "4.796"}, {20, "5.0", "5.012"},
	} {
		got, err := assay.CriticalRange(row.n, dec("1"))
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, fmt.Sprintf("ISO 5725-6 table 1, f(%d)", row.n), got, row.printed)
		normal := distuv.UnitNormal
		low, high := 2.0, 6.0
		for range 60 {
			w := (low + high) / 2
			p := quad.Fixed(func(x float64) float64 {
				return float64(row.n) * normal.Prob(x) * math.Pow(normal.CDF(x+w)-normal.CDF(x), float64(row.n-1))
			}, -12, 12, 400, nil, 0)
			if p < 0.95 {
				low = w
			} else {
				high = w
			}
		}
		if math.Abs(high-dec(row.exact).Float()) > 0.00051 {
			t.Errorf("f(%d) by integration is %.4f, the check value %s", row.n, high, row.exact)
		}
		if math.Round(high*10)/10 != dec(row.printed).Float() {
			t.Errorf("f(%d) = %.4f does not round to %s", row.n, high, row.printed)
		}
	}
	for _, n := range []int{0, 1, 13, 21} {
		_, err := assay.CriticalRange(n, dec("1"))
		wantReason(t, fmt.Sprint(n), err, "FACTOR_UNKNOWN")
	}
}

func TestDuplicates(t *testing.T) {
	d, err := assay.Duplicates(ppt("812.70"), ppt("812.20"), dec("0.5"), places3)
	if err != nil || !d.Within {
		t.Errorf("by hand, equal to the limit: %+v, %v", d, err)
	}
	wantFineness(t, "by hand", d.Mean, "812.45")
	if d, err = assay.Duplicates(ppt("812.20"), ppt("812.7001"), dec("0.5"), places3); err != nil || d.Within {
		t.Errorf("by hand, beyond the limit: %+v, %v", d, err)
	}
	_, err = assay.Duplicates(ppt("1"), quantity.Fineness{}, dec("1"), places3)
	wantReason(t, "one result", err, "FINENESS_MISSING")
	_, err = assay.Duplicates(ppt("1"), ppt("1"), dec("0"), places3)
	wantReason(t, "no limit", err, "LIMIT_NOT_POSITIVE")
	_, err = assay.Duplicates(ppt("1"), ppt("1"), dec("1"), quantity.Rounding{})
	wantReason(t, "no rounding", err, "ROUNDING_MISSING")
}

// What a sheet prints is read back to the same sheet, and comes to the same result.
func TestWorksheetRoundTrip(t *testing.T) {
	w := sheet()
	w.Limits.Duplicate, w.Limits.Replicates = quantity.Decimal{}, &assay.WorksheetReplicates{Repeatability: dec("0.10"), Procedure: assay.OneMoreMedian}
	w.BaseMetals = report(t, "Cu 30.00")
	w.Silver = &assay.SilverSheet{Method: assay.SilverDifference, Rounding: rounding(1, quantity.Down)}
	b, err := json.Marshal(w)
	if err != nil {
		t.Fatal(err)
	}
	back, err := assay.ReadWorksheet(b)
	if err != nil {
		t.Fatalf("%s: %v", b, err)
	}
	if !reflect.DeepEqual(compute(t, w), compute(t, back)) {
		t.Errorf("%s computes to something else", b)
	}
}
