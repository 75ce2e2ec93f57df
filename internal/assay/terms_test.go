package assay_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Every field that is left out is named, all of them at once.
func TestMissingTerms(t *testing.T) {
	err := assay.ExchangeTerms{}.Check()
	wantReason(t, "no terms", err, "TERM_MISSING")
	const all = "element, splitting_limits, rounds, umpire_rule, cost_rule, panel, report_days, reveal_days, umpire_days, no_report_rule, mean_rounding, settled_rounding"
	if got := refusal.As(err).Values["missing"]; got != all {
		t.Errorf("missing: %s", got)
	}
	terms := goldTerms()
	terms.UmpireRule = assay.TwoClosest
	if got := strings.Join(terms.Missing(), " "); got != "tie_rule" {
		t.Errorf("two closest without a tie rule misses %q", got)
	}
	if got := goldTerms().Missing(); len(got) != 0 {
		t.Errorf("complete terms miss %v", got)
	}
}

func TestRefusedTerms(t *testing.T) {
	band := func(from, limit string) assay.LimitBand {
		return assay.LimitBand{From: ppt(from), Limit: dec(limit), Unit: assay.LimitAbsolute}
	}
	for _, row := range []struct {
		reason, field string
		change        func(*assay.ExchangeTerms)
	}{
		{"ELEMENT_UNKNOWN", "element", func(t *assay.ExchangeTerms) { t.Element = "AU" }},
		{"ELEMENT_UNKNOWN", "element", func(t *assay.ExchangeTerms) { t.Element = "Au Ag" }},
		{"TERM_UNKNOWN", "umpire_rule", func(t *assay.ExchangeTerms) { t.UmpireRule = "toss" }},
		{"TERM_OUT_OF_PLACE", "tie_rule", func(t *assay.ExchangeTerms) { t.TieRule = assay.TieUmpireAlone }},
		{"TERM_UNKNOWN", "tie_rule", func(t *assay.ExchangeTerms) { t.UmpireRule, t.TieRule = assay.TwoClosest, "toss" }},
		{"TERM_UNKNOWN", "cost_rule", func(t *assay.ExchangeTerms) { t.CostRule = "nobody" }},
		{"TERM_UNKNOWN", "no_report_rule", func(t *assay.ExchangeTerms) { t.NoReportRule = "wait" }},
		{"TERM_OUT_OF_RANGE", "rounds", func(t *assay.ExchangeTerms) { t.Rounds = 6 }},
		{"TERM_OUT_OF_RANGE", "report_days", func(t *assay.ExchangeTerms) { t.ReportDays = -1 }},
		{"TERM_OUT_OF_RANGE", "reveal_days", func(t *assay.ExchangeTerms) { t.RevealDays = 366 }},
		{"TERM_OUT_OF_RANGE", "umpire_days", func(t *assay.ExchangeTerms) { t.UmpireDays = 366 }},
		{"ROUNDING_PLACES", "mean_rounding.places", func(t *assay.ExchangeTerms) { t.MeanRounding.Places = 13 }},
		{"ROUNDING_PLACES", "settled_rounding.places", func(t *assay.ExchangeTerms) { t.SettledRounding.Places = -1 }},
		{"NAME_MISSING", "panel[1]", func(t *assay.ExchangeTerms) { t.Panel = []string{"a", " "} }},
		{"LABORATORY_REPEATED", "panel[1]", func(t *assay.ExchangeTerms) { t.Panel = []string{"a", "a"} }},
		{"PANEL_TOO_LONG", "panel", func(t *assay.ExchangeTerms) { t.Panel = make([]string, 21) }},
		{"BANDS_TOO_MANY", "splitting_limits", func(t *assay.ExchangeTerms) { t.SplittingLimits = make([]assay.LimitBand, 21) }},
		{"BANDS_GAP", "splitting_limits[0].from", func(t *assay.ExchangeTerms) { t.SplittingLimits = []assay.LimitBand{band("0.01", "1")} }},
		{"BANDS_ORDER", "splitting_limits[1].from", func(t *assay.ExchangeTerms) { t.SplittingLimits = []assay.LimitBand{band("0", "1"), band("0", "2")} }},
		{"TERM_MISSING", "splitting_limits[0].from", func(t *assay.ExchangeTerms) { t.SplittingLimits = []assay.LimitBand{{Limit: dec("1"), Unit: "ppt"}} }},
		{"LIMIT_NOT_POSITIVE", "splitting_limits[0].limit", func(t *assay.ExchangeTerms) { t.SplittingLimits = []assay.LimitBand{band("0", "0")} }},
		{"LIMIT_OUT_OF_RANGE", "splitting_limits[0].limit", func(t *assay.ExchangeTerms) { t.SplittingLimits = []assay.LimitBand{band("0", "1000.1")} }},
		{"TERM_UNKNOWN", "splitting_limits[0].unit", func(t *assay.ExchangeTerms) {
			t.SplittingLimits = []assay.LimitBand{{From: ppt("0"), Limit: dec("1"), Unit: "%"}}
		}},
		{"ELEMENT_UNKNOWN", "splitting_limits[0].base.element", func(t *assay.ExchangeTerms) {
			t.SplittingLimits = []assay.LimitBand{{Base: "Q", From: ppt("0"), Limit: dec("1"), Unit: "ppt"}}
		}},
		{"BANDS_GAP", "splitting_limits", func(t *assay.ExchangeTerms) {
			t.SplittingLimits = []assay.LimitBand{{Base: "Ag", From: ppt("0"), Limit: dec("1"), Unit: "ppt"}}
		}},
	} {
		terms := goldTerms()
		row.change(&terms)
		err := terms.Check()
		wantReason(t, row.field, err, row.reason)
		wantField(t, err, row.field)
		_, err = assay.Split(ppt("1"), ppt("1"), terms)
		wantReason(t, "split under "+row.field, err, row.reason)
	}
	wantReason(t, "gold twice", assay.CheckTerms([]assay.ExchangeTerms{goldTerms(), goldTerms()}), "ELEMENT_REPEATED")
	wantReason(t, "too many", assay.CheckTerms(make([]assay.ExchangeTerms, 11)), "ELEMENTS_TOO_MANY")
	_, err := assay.ReadTerms([]byte(`[{"element":"Au","halving_limits":[]}]`))
	wantReason(t, "a field that is not a term", err, "JSON_MALFORMED")
	_, err = assay.ReadTerms([]byte(`[{"mean_rounding":{"places":2,"mode":"up"}}]`))
	wantReason(t, "a mode that is none", err, "ROUNDING_UNKNOWN")
}

func TestElementsAndResults(t *testing.T) {
	for _, e := range []assay.Element{"Au", "Ag", "Cu", "Pt", "Pd", "Ir", "Rh", "Ru", "Hg", "As", "Sb", "Bi", "Cd", "Pb", "Se", "Te", "Fe", "Zn", "Ni"} {
		if err := e.Check(); err != nil {
			t.Errorf("%s: %v", e, err)
		}
	}
	for _, e := range []assay.Element{"Ax", "au", "Gold", "A", " ", "Og", " Au "} {
		wantReason(t, string(e), e.Check(), "ELEMENT_UNKNOWN")
	}
	wantReason(t, "none", assay.Element("").Check(), "ELEMENT_MISSING")
	wantReason(t, "a long one", assay.Element(strings.Repeat("é", 500)).Check(), "ELEMENT_UNKNOWN")
	if assay.Seller.Other() != assay.Refiner || assay.Refiner.Other() != assay.Seller {
		t.Error("the other side of a side is not the other")
	}
	for _, row := range []struct {
		reason, field string
		results       []assay.Result
	}{
		{"RESULTS_MISSING", "results", nil},
		{"RESULTS_TOO_MANY", "results", make([]assay.Result, 41)},
		{"ELEMENT_MISSING", "results[0].element", []assay.Result{{}}},
		{"FINENESS_MISSING", "results[0].fineness", []assay.Result{{Element: "Au"}}},
		{"ELEMENT_REPEATED", "results[1].element", append(report(t, "Au 1"), report(t, "Au 1")...)},
	} {
		err := assay.CheckResults(row.results)
		wantReason(t, row.field, err, row.reason)
		wantField(t, err, row.field)
	}
}

// Terms print and read back to the same terms.
func TestTermsRoundTrip(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		terms := []assay.ExchangeTerms{anyTerms(r)}
		b, err := json.Marshal(terms)
		if err != nil {
			r.Fatal(err)
		}
		back, err := assay.ReadTerms(b)
		if err != nil {
			r.Fatalf("%s: %v", b, err)
		}
		again, _ := json.Marshal(back)
		if string(again) != string(b) {
			r.Fatalf("%s came back as %s", b, again)
		}
	})
}

// termsText is a valid agreement part, the starting point of the fuzzers.
const termsText = `[{"element":"Au","splitting_limits":[{"from":"0 ppt","limit":"0.50","unit":"ppt"},{"base":"Ag","from":"0 ppt","limit":"0.3","unit":"ppt"}],
"rounds":2,"umpire_rule":"two_closest","tie_rule":"middle_of_three","cost_rule":"farther_pays","panel":["Quillow Assay"],"report_days":10,"reveal_days":2,"umpire_days":20,
"no_report_rule":"other_conclusive","mean_rounding":{"places":3,"mode":"half_up"},"settled_rounding":{"places":3,"mode":"down"}}]`

func FuzzTerms(f *testing.F) {
	f.Add([]byte(termsText))
	f.Add([]byte(`[{}]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		terms, err := assay.ReadTerms(b)
		if err != nil {
			wantRefusal(t, err)
			return
		}
		printed, err := json.Marshal(terms)
		if err != nil {
			t.Fatal(err)
		}
		back, err := assay.ReadTerms(printed)
		if err != nil {
			t.Fatalf("%s: %v", printed, err)
		}
		if again, _ := json.Marshal(back); string(again) != string(printed) {
			t.Fatalf("%s came back as %s", printed, again)
		}
		for _, term := range terms {
			for _, base := range []assay.Element{assay.Gold, assay.Silver} {
				if _, err := assay.Split(ppt("812.90"), ppt("812.20"), term.ForBase(base)); err != nil {
					t.Fatalf("terms that were read do not split: %v", err)
				}
			}
		}
	})
}

// wantRefusal fails on an error that a caller could not show.
func wantRefusal(t *testing.T, err error) {
	t.Helper()
	if r := refusal.As(err); r == nil || r.Reason == "" || r.Text == "" || len(r.Text) > 2000 {
		t.Fatalf("not a refusal that can be shown: %#v", err)
	}
}

func FuzzWorksheet(f *testing.F) {
	w := sheet()
	w.BaseMetals = []assay.Result{{Element: "Cu", Fineness: ppt("30")}}
	w.Silver = &assay.SilverSheet{Method: assay.SilverDifference, Rounding: places3}
	for _, s := range []assay.Worksheet{sheet(), w} {
		b, err := json.Marshal(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		w, err := assay.ReadWorksheet(b)
		if err != nil {
			wantRefusal(t, err)
			return
		}
		printed, err := json.Marshal(w)
		if err != nil {
			t.Fatal(err)
		}
		back, err := assay.ReadWorksheet(printed)
		if err != nil {
			t.Fatalf("%s: %v", printed, err)
		}
		one, err := w.Compute()
		two, err2 := back.Compute()
		if (err == nil) != (err2 == nil) || !reflect.DeepEqual(one, two) {
			t.Fatalf("%s computes to something else after printing", printed)
		}
		if err != nil {
			wantRefusal(t, err)
			return
		}
		for _, r := range one.Results {
			if p := r.Fineness.PerMille(); p.Sign() < 0 || p.Cmp(quantity.NewDecimal(1000)) > 0 {
				t.Fatalf("%s of %s", r.Element, p)
			}
		}
		if one.Blocked && len(one.Results) > 0 {
			t.Fatal("a blocked run reports")
		}
	})
}

func FuzzExchangePreview(f *testing.F) {
	f.Add([]byte(fmt.Sprintf(`{"lot":"L","terms":%s,"rounds":[{"seller":[{"element":"Au","fineness":"812.9 ppt"}],"refiner":[{"element":"Au","fineness":"812.2 ppt"}]}]}`, termsText)))
	f.Fuzz(func(t *testing.T, b []byte) {
		x, err := assay.ExchangePreview(b)
		if err != nil {
			wantRefusal(t, err)
			return
		}
		for _, e := range x.Elements {
			if (e.State == assay.StateSettled) == e.Settled.IsZero() {
				t.Fatalf("%+v", e)
			}
		}
	})
}

func FuzzAdvice(f *testing.F) {
	b, err := json.Marshal(dispute())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Fuzz(func(t *testing.T, b []byte) {
		a, err := assay.ReadAdvice(b)
		if err != nil {
			wantRefusal(t, err)
			return
		}
		if _, err := json.Marshal(a); err != nil {
			t.Fatalf("advice that cannot be printed: %v", err) // NaN and infinities cannot
		}
	})
}
