package assay_test

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/assay"
)

// exampleOf is a file of testdata/examples/measurement.
func exampleOf(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "examples", "measurement", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func TestReadParting(t *testing.T) {
	p, err := assay.ReadParting([]byte(exampleOf(t, "parting")))
	if err != nil || p.Silver.Cmp(mass("1.145 g")) != 0 || !strings.Contains(p.Lead, "by your own method") || strings.Contains(p.Words, "outside") {
		t.Errorf("Beringer p. 146: %+v, %v; want 1.145 g", p, err)
	}
	// ISO 11426:2014, 7.2.1 (reference 02): 4 g up to 200 mg, 6 g up to 300 mg; 2.3 to 3 times the gold.
	for portion, lead := range map[string]string{"200 mg": "4 g of lead foil or more", "200.01 mg": "6 g of lead foil", "300 mg": "6 g of lead foil"} {
		text := strings.Replace(exampleOf(t, "parting"), `"0.5 g"`, `"`+portion+`"`, 1)
		if p, err = assay.ReadParting([]byte(text)); err != nil || p.Lead != lead {
			t.Errorf("%s: %q, %v; want %s", portion, p.Lead, err, lead)
		}
	}
	for ratio, warned := range map[string]bool{"2.29": true, "2.3": false, "3": false, "3.01": true} {
		p, err = assay.ReadParting([]byte(strings.Replace(exampleOf(t, "parting"), `"2.5"`, `"`+ratio+`"`, 1)))
		if err != nil || strings.Contains(p.Words, "outside the 2.3 to 3") != warned {
			t.Errorf("ratio %s: %s, %v", ratio, p.Words, err)
		}
	}
	// Row 5 of reference 02: a button of 99.5 % that shall hold 1.0075 g weighs 1.01256 g.
	p, err = assay.ReadParting([]byte(`{"fine": "1.0075 g", "gold": "99.5 %", "silver": "0 ppt", "ratio": "2.5", "rounding": {"places": 5, "mode": "half_up"}}`))
	if err != nil || p.Portion.Cmp(mass("1.01256 g")) != 0 {
		t.Errorf("Beringer, sample size: %+v, %v", p, err)
	}
	for text, reason := range map[string]string{
		`{"gold": "1 %", "silver": "0 ppt", "ratio": "2.5", "rounding": {"places": 5, "mode": "half_up"}}`:                                  "PORTION_UNCLEAR",
		`{"portion": "1 g", "fine": "1 g", "gold": "1 %", "silver": "0 ppt", "ratio": "2.5", "rounding": {"places": 5, "mode": "half_up"}}`: "PORTION_UNCLEAR",
		`{"fine": "1 g", "gold": "0 %", "silver": "0 ppt", "ratio": "2.5", "rounding": {"places": 5, "mode": "half_up"}}`:                   "FINENESS_MISSING",
		`{"portion": "1 g", "gold": "1 %", "silver": "0 ppt", "rounding": {"places": 5, "mode": "half_up"}}`:                                "RATIO_OUT_OF_RANGE",
	} {
		_, err := assay.ReadParting([]byte(text))
		wantReason(t, text, err, reason)
	}
}

func TestReadAcceptAndHomogeneity(t *testing.T) {
	// Reference 03, section 2: two disagree, two more are taken; the mean of four.
	r, err := assay.ReadAccept([]byte(exampleOf(t, "replicates")))
	if err != nil {
		t.Fatal(err)
	}
	wantFineness(t, "reference 03", r.Value, "750.2475")
	two := strings.Replace(exampleOf(t, "replicates"), `"750.20 ppt",`, "", 1)
	two = strings.Replace(two, `"750.39 ppt",`, `"750.39 ppt"`, 1)
	two = strings.Replace(two, `"750.30 ppt"`, "", 1)
	if r, err = assay.ReadAccept([]byte(two)); err != nil || r.Needed != 2 || r.Quote != assay.QuoteNone {
		t.Errorf("two that disagree: %+v, %v", r, err)
	}
	// Drill top and bottom, dip and pin of one bar. By hand: 812.2 less 811.3.
	h, err := assay.ReadHomogeneity([]byte(exampleOf(t, "positions")))
	if err != nil || h.Within || h.Highest != "drill top" || h.Lowest != "drill bottom" || len(h.Positions) != 4 {
		t.Fatalf("%+v, %v", h, err)
	}
	wantDecimal(t, "by hand", h.Range, "0.9")
}

// The figures of reference 03 and 06 through the file that a laboratory would keep.
func TestReadScores(t *testing.T) {
	s, err := assay.ReadScores([]byte(exampleOf(t, "round-robin")))
	if err != nil {
		t.Fatal(err)
	}
	wantNear(t, "by hand, z", s.Scores[0].Z.Value, 0.05/0.15, 1e-9)
	wantNear(t, "by hand, z′", s.Scores[0].ZPrime.Value, 0.05/math.Hypot(0.15, 0.05), 1e-9)
	wantNear(t, "by hand, zeta", s.Scores[1].Zeta.Value, 0.30/math.Hypot(0.08, 0.05), 1e-9)
	wantNear(t, "by hand, En", s.Scores[1].En.Value, 0.30/math.Hypot(0.16, 0.10), 1e-9)
	wantNear(t, "reference 03, CD of two and two", s.Pairs[0].Critical, 0.459130, 5e-7)
	if within := []bool{s.Pairs[0].Within, s.Pairs[1].Within, s.Pairs[2].Within}; !within[0] || within[1] || within[2] {
		t.Errorf("0.25, 0.55 and 0.80 against 0.459: %v", within)
	}
	// Reference 06: NIST GEAR.DAT, x = 1.006, sigma 0.00628, u 0.001: 0.955 and 0.943.
	s, err = assay.ReadScores([]byte(`{"unit": "inch", "sigma": "0.00628", "assigned": {"value": "1", "uncertainty": "0.001"}, "results": [{"laboratory": "batch 1", "value": "1.006"}]}`))
	if err != nil || s.Robust != nil || s.Scores[0].Zeta != nil || s.Scores[0].En != nil {
		t.Fatalf("%+v, %v", s, err)
	}
	wantNear(t, "NIST Dataplot, z", s.Scores[0].Z.Value, 0.955, 0.0011)
	wantNear(t, "NIST Dataplot, z′", s.Scores[0].ZPrime.Value, 0.943, 0.0011)
	// Reference 06: AMC Technical Brief 6, without an assigned value: the robust mean stands for it.
	text := `{"unit": "ppt", "results": [`
	for i, v := range strings.Fields("4.5 4.9 5.6 4.2 6.2 5.2 9.9") {
		if i > 0 {
			text += ", "
		}
		text += `{"laboratory": "l` + v + `", "value": "` + v + `"}`
	}
	if s, err = assay.ReadScores([]byte(text + "]}")); err != nil {
		t.Fatal(err)
	}
	wantNear(t, "AMC Technical Brief 6, robust mean", s.Assigned, 5.3865, 5.1e-5)
	// With one result each CD is R; a difference equal to it is within, and not lost to the last bit of a root.
	s, err = assay.ReadScores([]byte(`{"unit": "ppt", "assigned": {"value": "1"}, "critical": {"repeatability_limit": "0.28", "reproducibility_limit": "0.50"},
		"results": [{"laboratory": "a", "value": "812.50", "repeats": 1}, {"laboratory": "b", "value": "812.00", "repeats": 1}, {"laboratory": "c", "value": "811.9999", "repeats": 1}]}`))
	if err != nil || !s.Pairs[0].Within || s.Pairs[1].Within {
		t.Errorf("%+v, %v", s.Pairs, err)
	}
	for text, reason := range map[string]string{
		`{"results": [{"laboratory": "a", "value": "1"}]}`: "NAME_MISSING",
		`{"unit": "ppt"}`: "COUNT_OUT_OF_RANGE",
		`{"unit": "ppt", "results": [{"value": "1"}]}`:                                                                                                   "NAME_MISSING",
		`{"unit": "ppt", "results": [{"laboratory": "a", "value": "1"}]}`:                                                                                "ASSIGNED_MISSING",
		`{"unit": "ppt", "sigma": "-1", "assigned": {"value": "1"}, "results": [{"laboratory": "a", "value": "1"}]}`:                                     "SPREAD_NOT_POSITIVE",
		`{"unit": "ppt", "assigned": {"value": "1"}, "critical": {}, "results": [{"laboratory": "a", "value": "1"}, {"laboratory": "b", "value": "1"}]}`: "SPREAD_NOT_POSITIVE",
	} {
		_, err := assay.ReadScores([]byte(text))
		wantReason(t, text, err, reason)
	}
}

func TestSameResults(t *testing.T) {
	reported := func(s string) []assay.Result { return report(t, s) }
	for _, tt := range []struct {
		reported, computed string
		same               bool
		says               string
	}{
		{"Au 812.24, Ag 148.1", "Au 812.24, Ag 148.1", true, "still gives exactly what was reported"},
		{"Au 812.240", "Au 812.24", true, "exactly"},
		{"Au 812.24, Cu 3", "Au 812.24", true, "not from the worksheet: Cu"},
		{"Au 812.25", "Au 812.24", false, "Au was reported as 812.25 ppt and computes to 812.24 ppt"},
		{"Au 812.24", "Au 812.24, Ag 1", false, "Ag computes to 1 ppt and was not reported"},
	} {
		same, words := assay.SameResults(reported(tt.reported), reported(tt.computed))
		if same != tt.same || !strings.Contains(words, tt.says) {
			t.Errorf("%s against %s: %v, %s", tt.reported, tt.computed, same, words)
		}
	}
	if same, words := assay.SameResults(reported("Au 812"), nil); same || !strings.Contains(words, "no result") {
		t.Errorf("nothing computed: %v, %s", same, words)
	}
}

// The settings of a report from the record are read strictly.
func TestReadBiasSettings(t *testing.T) {
	if _, err := assay.ReadBiasSettings([]byte(exampleOf(t, "bias-settings"))); err != nil {
		t.Error(err)
	}
	for _, row := range []struct{ from, to, reason string }{
		{`"lambda": "0.2"`, `"lambda": "1.01"`, "SETTING_OUT_OF_RANGE"},
		{`"width": "3"`, `"width": "0"`, "SETTING_OUT_OF_RANGE"},
		{`"borne": "0.5"`, `"borne": "2"`, "SETTING_OUT_OF_RANGE"},
		{`"confidence": "0.95",`, ``, "CONFIDENCE_OUT_OF_RANGE"},
		{`"sigma"`, `"sigmas"`, "JSON_MALFORMED"},
	} {
		_, err := assay.ReadBiasSettings([]byte(strings.Replace(exampleOf(t, "bias-settings"), row.from, row.to, 1)))
		wantReason(t, row.to, err, row.reason)
	}
}
