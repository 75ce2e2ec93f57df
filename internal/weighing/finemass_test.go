package weighing

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"barward/internal/quantity"
)

// Reference 06, section 1: F = 20 000.0 g × 0.85000, u(m) = 0.10 g, u(w) = 0.15 ppt: u(F) = 3.0012 g, U = 6.0 g, and the
// assay gives 99.9 % of the variance.
func TestFineMassPreview(t *testing.T) {
	const file = `{"mass": "20000.0 g", "uncertainty": "0.10 g", "fineness": "850.00 ppt", "assay_uncertainty": "0.15", "k": "2"}`
	of := func(text string) (reply FineMassReply) {
		t.Helper()
		b, err := FineMassPreview([]byte(text))
		if err == nil {
			err = json.Unmarshal(b, &reply)
		}
		if err != nil {
			t.Fatal(err)
		}
		return reply
	}
	r := of(file)
	wantDecimal(t, "reference 06", "fine mass", r.FineMass, "17000")
	near(t, "reference 06", "u(F)", r.Budget.Standard.Float(), 3.0012, 0.00005)
	near(t, "reference 06", "the assay's share", r.Budget.Contributions[1].Share.Float(), 99.9, 0.05)
	if !strings.Contains(r.Words, "± 6.0 g (k = 2)") || !strings.Contains(r.Words, "The assay makes") || !strings.Contains(r.Words, "only a better one") {
		t.Error(r.Words)
	}
	// By hand: sampling of 0.15 ppt doubles the variance of the fineness: u = √(0.085² + 3² + 3²) = 4.2435 g.
	r = of(strings.Replace(file, `"k"`, `"sampling_uncertainty": "0.15", "k"`, 1))
	near(t, "by hand", "u with sampling", r.Budget.Standard.Float(), math.Sqrt(0.085*0.085+18), 0.00001)
	if len(r.Budget.Contributions) != 3 || strings.Contains(r.Words, "only a better one") {
		t.Errorf("%+v", r)
	}
	// The mass's own part from its balance: bench is class II with e = 1 g, 18 450 e in service: √(0.1²/12 + (0.2/2.8)²/2 + 2²/3).
	withBalance := `{"mass": "18450.0 g", "balance": {"class": "II", "capacity": "32000 g", "readability": "0.1 g", "interval": "1 g", "repeatability": "0.2 g", "check_every_days": 1},
		"readings": 2, "occasion": "in_service", "fineness": "850.00 ppt", "assay_uncertainty": "0.15", "k": "2"}`
	r = of(withBalance)
	near(t, "by hand", "u(m)", r.Weighing.Standard.Float(), math.Sqrt(0.01/12+math.Pow(0.2/2.8, 2)/2+4.0/3), 0.000001)
	near(t, "by hand", "the weighing's part", r.Budget.Contributions[0].Standard.Float(), r.Weighing.Standard.Float()*0.85, 0.00001)
	for _, tt := range []struct{ text, reason, field string }{
		{`{}`, "MASS_MISSING", "mass"},
		{strings.Replace(file, `"fineness": "850.00 ppt", `, "", 1), "FINENESS_MISSING", "fineness"},
		{strings.Replace(file, `"850.00 ppt"`, `"0 ppt"`, 1), "FINENESS_MISSING", "fineness"},
		{strings.Replace(file, `"0.15"`, `"0"`, 1), "UNCERTAINTY_MISSING", "assay_uncertainty"},
		{strings.Replace(file, `"uncertainty": "0.10 g", `, "", 1), "UNCERTAINTY_UNCLEAR", "uncertainty"},
		{strings.Replace(withBalance, `"mass"`, `"uncertainty": "0.1 g", "mass"`, 1), "UNCERTAINTY_UNCLEAR", "uncertainty"},
		{strings.Replace(withBalance, `"in_service"`, `"someday"`, 1), "OCCASION_UNKNOWN", "occasion"},
		{strings.Replace(file, `"k": "2"`, `"k": "9"`, 1), "COVERAGE_FACTOR", "k"},
		{strings.Replace(file, `"k"`, `"kay"`, 1), "JSON_MALFORMED", ""},
	} {
		_, err := FineMassPreview([]byte(tt.text))
		wantRefusal(t, err, tt.reason, tt.field)
	}
}

// Two significant digits, to the nearest (GUM 7.2.6).
func TestStated(t *testing.T) {
	for expanded, want := range map[string]string{
		"0.231509": "0.23", "6.002408": "6.0", "0.000005": "0.000005", "99.5": "100", "99.4": "99", "12345.678901": "12000", "0.0099": "0.0099", "0.00995": "0.0100", "0": "0",
	} {
		if got := (Budget{Expanded: number(expanded)}).Stated(); got.String() != want {
			t.Errorf("%s is stated as %s, want %s", expanded, got, want)
		}
	}
}

// Reference 06: the flask's own uncertainty in EURACHEM/CITAC example A1, 0.066 473 mL: 0.1 mL triangular (a/√6), 0.02 mL,
// 0.084 mL rectangular (a/√3).
func TestVolumeOfAFlask(t *testing.T) {
	b, err := budget("mL", quantity.NewDecimal(2), []part{{"calibration", 0.1 / math.Sqrt(6)}, {"repeatability", 0.02}, {"temperature", 0.084 / math.Sqrt(3)}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "an uncertainty program's example file", "u(V)", b.Standard.Float(), 0.066473, 0.0000006)
}

// The older form of the density of air (reference 05, section 3; constants from copies that differ), as a second opinion
// on CIPM-2007: ρ = (0.464554 p − h (0.00252 t − 0.020582)) / (273.15 + t), p in mmHg, mg/cm³.
func TestDensityOfAirBySecondOpinion(t *testing.T) {
	for _, tt := range []struct{ p, t, h, older float64 }{
		{101325, 20, 50, 1.199284}, {101325, 20, 0, 1.204370}, {100000, 20, 50, 1.183535}, {101325, 22, 45, 1.190894}, {99992, 21, 40, 1.180087}, {84556, 20, 50, 0.999964},
	} {
		older := (0.464554*tt.p/133.322387 - tt.h*(0.00252*tt.t-0.020582)) / (273.15 + tt.t)
		near(t, "reference 05, older NIST form", "air", older, tt.older, 0.0000015)
		near(t, "the older form, 2 in 10 000", "CIPM-2007", cipmDensity(tt.p, tt.t, tt.h), older, 0.0002*older)
	}
}

func TestStandingOf(t *testing.T) {
	b := bench() // checked every day
	at := time.Date(2025, 3, 3, 7, 10, 0, 0, time.FixedZone("", -4*3600))
	for _, tt := range []struct {
		name   string
		checks []DatedResult
		state  State
		words  string
	}{
		{"none", nil, Never, "never checked"},
		{"passed an hour ago", []DatedResult{{at.Add(-time.Hour), true}}, InDate, "in date until 2025-03-04T06:10:00-04:00"},
		{"passed two days ago", []DatedResult{{at.AddDate(0, 0, -2), true}}, Lapsed, "lapsed since 2025-03-02T07:10:00-04:00"},
		{"failed after it passed", []DatedResult{{at.Add(-time.Hour), true}, {at.Add(-time.Minute), false}}, Failed, "failed on 2025-03-03T07:09:00-04:00"},
	} {
		s := StandingOf(at, tt.checks, b)
		if s.State != tt.state || !strings.HasPrefix(s.Words, tt.words) || s.Until.IsZero() != (tt.state == Never || tt.state == Failed) {
			t.Errorf("%s: %+v, want %s, %q", tt.name, s, tt.state, tt.words)
		}
	}
	for _, d := range []Doubt{DoubtNever, DoubtLapsed, DoubtFailed, DoubtFailedLater} {
		if d.Words() == "" {
			t.Errorf("%s is not said in words", d)
		}
	}
	if Doubt("").Words() != "" {
		t.Error("no doubt has words")
	}
}
