package weighing

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// The examples of ComparePreview's and CheckPreview's own documentation.
const (
	compareInput = `{
  "first":  {"name": "mine",     "mass": "20000.0 g", "air": {"elevation_m": "4000"}},
  "second": {"name": "refinery", "mass": "20000.5 g", "air": {"pressure_pa": "101325", "temperature_c": "20", "humidity_percent": "50"}},
  "bar":    {"gold": "700 ppt", "silver": "250 ppt", "rest": "Cu"},
  "limit":  {"absolute": "0.4 g", "relative_permille": "0.01", "rule": "larger"}
}`
	checkInput = `{
  "balance": {"class": "II", "capacity": "32000 g", "readability": "0.1 g", "interval": "1 g",
              "repeatability": "0.2 g", "check_every_days": 1},
  "points": [
    {"nominal": "20 kg", "weight_class": "F1", "observed": "20000.1 g"},
    {"nominal": "25 kg", "weight_class": "F1", "observed": "25000.2 g", "weights": ["20 kg", "5 kg"]}
  ],
  "occasion": "in_service"
}`
)

func TestComparePreview(t *testing.T) {
	out, err := ComparePreview([]byte(compareInput))
	if err != nil {
		t.Fatal(err)
	}
	var reply CompareReply
	if err := json.Unmarshal(out, &reply); err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, cipm, "the second air", reply.SecondAir.Density, "1.199314")
	near(t, standard+"; geometric 4000 m is geopotential 3997.5 m", "the first air", reply.FirstAir.Density.Float(), 0.81935, 0.00002)
	near(t, "by hand: 1000 / (700/19300 + 250/10490 + 50/8960)", "the bar", reply.BarDensity.Float(), 15224.9, 0.06)
	near(t, "by hand: 20000 × (0.81935 − 1.199314) × (1/15224.9 − 1/8000)", "buoyancy", reply.Buoyancy.Float(), 0.4508, 0.0001)
	if reply.Within || reply.Explained != Wholly {
		t.Errorf("within %t, explained %s, want beyond and wholly: %s", reply.Within, reply.Explained, reply.Verdict)
	}
	for name, change := range map[string]func(string) string{
		"density": func(s string) string {
			return strings.Replace(s, `{"elevation_m": "4000"}`, `{"density": "0.81935"}`, 1)
		},
		"bar's density": func(s string) string {
			return strings.Replace(s, `{"gold": "700 ppt", "silver": "250 ppt", "rest": "Cu"}`, `{"density": "15224.9"}`, 1)
		},
	} {
		out, err := ComparePreview([]byte(change(compareInput)))
		if err != nil {
			t.Fatal(err)
		}
		var same CompareReply
		if err := json.Unmarshal(out, &same); err != nil {
			t.Fatal(err)
		}
		near(t, "the figures stated instead", name, same.Buoyancy.Float(), reply.Buoyancy.Float(), 0.0001)
	}
	room := strings.Replace(compareInput, `{"elevation_m": "4000"}`, `{"elevation_m": "4000", "temperature_c": "20", "humidity_percent": "50"}`, 1)
	if out, err = ComparePreview([]byte(room)); err != nil || !bytes.Contains(out, []byte("standard pressure for 4000 m")) {
		t.Errorf("a room's temperature: %s, %v", out, err)
	}
	bare := `{"first":{"mass":"1 kg"},"second":{"mass":"1001 g"},"limit":{"absolute":"1 g","rule":"larger"}}`
	if out, err = ComparePreview([]byte(bare)); err != nil || !bytes.Contains(out, []byte(`"buoyancy_known":false`)) || !bytes.Contains(out, []byte(`"within":true`)) {
		t.Errorf("without air: %s, %v", out, err)
	}
}

func TestCheckPreview(t *testing.T) {
	out, err := CheckPreview([]byte(checkInput))
	if err != nil {
		t.Fatal(err)
	}
	var reply CheckReply
	if err := json.Unmarshal(out, &reply); err != nil {
		t.Fatal(err)
	}
	if !reply.Passed || len(reply.Points) != 2 || len(reply.BalanceWarnings) != 1 || reply.BalanceWarnings[0].Reason != "adjustment_unknown" {
		t.Errorf("the documented example: %s", out)
	}
	wantDecimal(t, r76+", 25 000 e: 1.5 e, doubled in service", "permitted", reply.Points[1].Permitted, "3")
}

func TestPreviewsRefuse(t *testing.T) {
	replace := func(old, new string) string {
		if !strings.Contains(compareInput, old) {
			t.Fatalf("the example has no %s", old)
		}
		return strings.Replace(compareInput, old, new, 1)
	}
	for _, tt := range []struct{ input, reason, field string }{
		{"", "JSON_MALFORMED", ""},
		{"{", "JSON_MALFORMED", ""},
		{"null []", "JSON_MALFORMED", ""},
		{compareInput + "{}", "JSON_MALFORMED", ""},
		{`{"first": 5}`, "JSON_MALFORMED", "first"},
		{replace(`"name": "mine"`, `"nam": "mine"`), "JSON_MALFORMED", ""},
		{replace(`"20000.0 g"`, `20000.0`), "MASS_MALFORMED", ""},
		{replace(`"20000.0 g"`, `"2e4 g"`), "NUMBER_MALFORMED", ""},
		{replace(`"20000.0 g"`, `"20000.0 lb"`), "UNIT_UNKNOWN", "unit"},
		{replace(`"4000"`, `"9999"`), "ELEVATION_OUT_OF_RANGE", "first.air.elevation_m"},
		{replace(`{"elevation_m": "4000"}`, `{}`), "AIR_UNCLEAR", "first.air"},
		{replace(`{"elevation_m": "4000"}`, `{"elevation_m": "4000", "density": "1.2"}`), "AIR_UNCLEAR", "first.air"},
		{replace(`{"elevation_m": "4000"}`, `{"elevation_m": "4000", "temperature_c": "20"}`), "AIR_UNCLEAR", "first.air"},
		{replace(`{"elevation_m": "4000"}`, `{"density": "0"}`), "AIR_DENSITY_OUT_OF_RANGE", "first.air.density"},
		{replace(`{"elevation_m": "4000"}`, `{"density": "1200"}`), "AIR_DENSITY_OUT_OF_RANGE", "first.air.density"},
		{replace(`"101325"`, `"1013.25"`), "AIR_OUT_OF_RANGE", "second.air.pressure_pa"},
		{replace(`"rest": "Cu"`, `"rest": "Xx"`), "ELEMENT_UNKNOWN", "bar.rest"},
		{replace(`"rest": "Cu"`, `"rest": "Cu", "density": "16000"`), "DENSITY_UNCLEAR", "bar"},
		{replace(`, "rule": "larger"`, ``), "LIMIT_RULE_MISSING", "limit.rule"},
	} {
		_, err := ComparePreview([]byte(tt.input))
		wantRefusal(t, err, tt.reason, tt.field)
	}
	_, err := CheckPreview([]byte(strings.Replace(checkInput, "in_service", "soon", 1)))
	wantRefusal(t, err, "OCCASION_UNKNOWN", "occasion")
	_, err = CheckPreview([]byte(`[]`))
	wantRefusal(t, err, "JSON_MALFORMED", "")
	_, err = CheckPreview(bytes.Repeat([]byte(" "), maxPreview+1))
	wantRefusal(t, err, "JSON_TOO_LARGE", "")
	if refusal.As(err).Kind != refusal.Exhausted {
		t.Error("an input too large is no malformed one")
	}
}

// FuzzComparePreview: whatever comes in, the answer is a refusal or a comparison that agrees with fractions.
func FuzzComparePreview(f *testing.F) {
	f.Add([]byte(compareInput))
	f.Add([]byte(`{"first":{"mass":"1 kg"},"second":{"mass":"400.025oz"},"limit":{"absolute":"1 mg","rule":"larger"}}`))
	f.Add([]byte(`{"first":{"mass":"-1 kg","air":{"density":"1e9"}},"limit":{"relative_permille":0.05,"rule":"smaller"}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		out, err := ComparePreview(b)
		if err != nil {
			if refusal.As(err) == nil {
				t.Fatalf("not a refusal: %v", err)
			}
			return
		}
		var reply CompareReply
		if err := json.Unmarshal(out, &reply.Comparison); err != nil {
			t.Fatalf("own output is refused: %v\n%s", err, out)
		}
		difference := reply.Second.Grams().Rat()
		difference.Sub(difference, reply.First.Grams().Rat())
		if difference.Cmp(reply.Difference.Rat()) != 0 {
			t.Fatalf("%s less %s is not %s", reply.Second, reply.First, reply.Difference)
		}
		if within := difference.Abs(difference).Cmp(reply.Limit.Rat()) <= 0; within != reply.Within {
			t.Fatalf("|%s| against %s is within %t", reply.Difference, reply.Limit, reply.Within)
		}
	})
}

// FuzzCheckPreview: whatever comes in, the answer is a refusal or a result whose points decide it.
func FuzzCheckPreview(f *testing.F) {
	f.Add([]byte(checkInput))
	f.Add([]byte(`{"balance":{"class":"I"},"points":[{}],"occasion":"at_verification"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		out, err := CheckPreview(b)
		if err != nil {
			if refusal.As(err) == nil {
				t.Fatalf("not a refusal: %v", err)
			}
			return
		}
		var reply struct {
			Passed bool
			Points []struct{ Passed bool }
		}
		if err := json.Unmarshal(out, &reply); err != nil {
			t.Fatal(err)
		}
		all := len(reply.Points) > 0
		for _, p := range reply.Points {
			all = all && p.Passed
		}
		if all != reply.Passed {
			t.Fatalf("the points do not decide the result: %s", out)
		}
	})
}

func TestMassesSurviveJSON(t *testing.T) {
	w, err := Read(bench(), []quantity.Mass{mass("18450.0 g"), mass("18450.0 g")})
	if err != nil {
		t.Fatal(err)
	}
	out, err := json.Marshal(w)
	if err != nil || !bytes.Contains(out, []byte(`"mass":"18450.0 g"`)) {
		t.Errorf("the last zero is evidence: %s, %v", out, err)
	}
}
