package quantity_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	. "barward/internal/quantity"
	"barward/internal/refusal"
)

func TestParseDecimal(t *testing.T) {
	for _, tt := range []struct{ in, out string }{
		{"0", "0"}, {"0.000", "0.000"}, {"-0.0", "0.0"}, {"12441.390", "12441.390"}, {"-0.5", "-0.5"}, {"007.10", "7.10"},
		{"123456789012345678901234567890", "123456789012345678901234567890"},            // 30 digits
		{"123456789012.345678901234567890", "123456789012.345678901234567890"},          // 30 digits, 18 places
		{"-0000000123456789012.345678901234567890", "-123456789012.345678901234567890"}, // 40 characters
		{"0.000000000000000001", "0.000000000000000001"},
	} {
		d, err := ParseDecimal(tt.in)
		if err != nil || d.String() != tt.out {
			t.Errorf("ParseDecimal(%q) = %s (%v), want %s", tt.in, d, err, tt.out)
		}
	}
}

func TestParseDecimalRefuses(t *testing.T) {
	for _, tt := range []struct{ in, reason string }{
		{"", "NUMBER_MISSING"},
		{"-", "NUMBER_MALFORMED"}, {".", "NUMBER_MALFORMED"}, {"-.", "NUMBER_MALFORMED"},
		{".5", "NUMBER_MALFORMED"}, {"-.5", "NUMBER_MALFORMED"}, {"5.", "NUMBER_MALFORMED"}, {"1.2.3", "NUMBER_MALFORMED"},
		{"+5", "NUMBER_MALFORMED"}, {"--5", "NUMBER_MALFORMED"}, {"5-", "NUMBER_MALFORMED"}, {"−5", "NUMBER_MALFORMED"},
		{"1e3", "NUMBER_MALFORMED"}, {"1E-3", "NUMBER_MALFORMED"}, {"0x1F", "NUMBER_MALFORMED"}, {"1p4", "NUMBER_MALFORMED"},
		{"NaN", "NUMBER_MALFORMED"}, {"sNaN", "NUMBER_MALFORMED"}, {"Inf", "NUMBER_MALFORMED"}, {"-Infinity", "NUMBER_MALFORMED"},
		{"1,234.5", "NUMBER_MALFORMED"}, {"1_234", "NUMBER_MALFORMED"}, {"1'234", "NUMBER_MALFORMED"}, {"1 234", "NUMBER_MALFORMED"},
		{"12,5", "NUMBER_MALFORMED"}, {" 5", "NUMBER_MALFORMED"}, {"5 ", "NUMBER_MALFORMED"}, {"5\n", "NUMBER_MALFORMED"},
		{"1\x002", "NUMBER_MALFORMED"}, {"١٢", "NUMBER_MALFORMED"}, {"１２", "NUMBER_MALFORMED"}, {"\xff", "NUMBER_MALFORMED"},
		{"400/3", "NUMBER_MALFORMED"}, {"$5", "NUMBER_MALFORMED"},
		{strings.Repeat("9", 31), "NUMBER_TOO_LONG"},
		{strings.Repeat("9", 40), "NUMBER_TOO_LONG"},
		{strings.Repeat("9", 41), "NUMBER_TOO_LONG"},
		{strings.Repeat("0", 41), "NUMBER_TOO_LONG"},
		{strings.Repeat("9", 1_000_000), "NUMBER_TOO_LONG"},
		{"0.0000000000000000001", "NUMBER_TOO_FINE"},
		{"1.0000000000000000000", "NUMBER_TOO_FINE"},
	} {
		d, err := ParseDecimal(tt.in)
		wantRefused(t, fmt.Sprintf("ParseDecimal(%.50q)", tt.in), err, tt.reason)
		if !d.IsZero() {
			t.Errorf("ParseDecimal(%.50q) returns %s beside its refusal", tt.in, d)
		}
	}
}

func TestParseMass(t *testing.T) {
	for _, tt := range []struct{ in, out string }{
		{"12441.390 g", "12441.390 g"}, {"400.025oz", "400.025 oz"}, {"12.4 kg", "12.4 kg"}, {"-3 mg", "-3 mg"}, {"0 g", "0 g"},
	} {
		m, err := ParseMass(tt.in)
		if err != nil || m.String() != tt.out {
			t.Errorf("ParseMass(%q) = %s (%v), want %s", tt.in, m, err, tt.out)
		}
	}
	for _, tt := range []struct{ in, reason string }{
		{"", "NUMBER_MISSING"}, {"g", "NUMBER_MISSING"}, {" g", "NUMBER_MISSING"},
		{"12", "UNIT_MISSING"}, {"12 ", "UNIT_MISSING"},
		{"12 lb", "UNIT_UNKNOWN"}, {"12 G", "UNIT_UNKNOWN"}, {"12 Kg", "UNIT_UNKNOWN"}, {"12 ozt", "UNIT_UNKNOWN"},
		{"12 t", "UNIT_UNKNOWN"}, {"1e", "UNIT_UNKNOWN"}, {"12 " + strings.Repeat("g", 1_000_000), "UNIT_UNKNOWN"},
		{"12  g", "NUMBER_MALFORMED"}, {"12\tg", "NUMBER_MALFORMED"}, {"12 g ", "NUMBER_MALFORMED"}, {"12 µg", "NUMBER_MALFORMED"},
		{"1e3 g", "NUMBER_MALFORMED"}, {"1,5 g", "NUMBER_MALFORMED"}, {"12 kg 300 g", "NUMBER_MALFORMED"},
		{strings.Repeat("1", 40) + " g", "NUMBER_TOO_LONG"},
	} {
		m, err := ParseMass(tt.in)
		wantRefused(t, fmt.Sprintf("ParseMass(%.50q)", tt.in), err, tt.reason)
		if !m.IsZero() {
			t.Errorf("ParseMass(%.50q) returns %s beside its refusal", tt.in, m)
		}
	}
}

func TestParseFineness(t *testing.T) {
	for _, tt := range []struct{ in, out string }{
		{"812.440 ppt", "812.440 ppt"}, {"92.1%", "92.1 %"}, {"12 g/t", "12 g/t"}, {"1000.0 ppt", "1000.0 ppt"}, {"0 %", "0 %"},
	} {
		f, err := ParseFineness(tt.in)
		if err != nil || f.String() != tt.out {
			t.Errorf("ParseFineness(%q) = %s (%v), want %s", tt.in, f, err, tt.out)
		}
	}
	for _, tt := range []struct{ in, reason string }{
		{"", "NUMBER_MISSING"}, {"%", "NUMBER_MISSING"}, {"g/t", "NUMBER_MISSING"},
		{"812.44", "UNIT_MISSING"}, {"812.44 ", "UNIT_MISSING"},
		{"812.44 ppm", "UNIT_UNKNOWN"}, {"812.44 ‰", "UNIT_UNKNOWN"}, {"22 ct", "UNIT_UNKNOWN"}, {"92.1  %", "UNIT_UNKNOWN"},
		{"12 %" + strings.Repeat("%", 1_000_000), "UNIT_UNKNOWN"},
		{"-0.1 ppt", "FINENESS_OUT_OF_RANGE"}, {"1000.000000000000000001 ppt", "FINENESS_OUT_OF_RANGE"},
		{"100.1 %", "FINENESS_OUT_OF_RANGE"}, {"1000001 g/t", "FINENESS_OUT_OF_RANGE"},
		{"8e2 ppt", "NUMBER_MALFORMED"}, {"812,44 ppt", "NUMBER_MALFORMED"}, {"NaN ppt", "NUMBER_MISSING"},
	} {
		f, err := ParseFineness(tt.in)
		wantRefused(t, fmt.Sprintf("ParseFineness(%.50q)", tt.in), err, tt.reason)
		if !f.IsZero() {
			t.Errorf("ParseFineness(%.50q) returns %s beside its refusal", tt.in, f)
		}
	}
}

func TestParseMoney(t *testing.T) {
	for _, tt := range []struct{ in, out string }{
		{"226324.11 USD", "226324.11 USD"}, {"-0.50 EUR", "-0.50 EUR"}, {"399.440 XAU", "399.440 XAU"}, {"1 JPY", "1 JPY"},
	} {
		m, err := ParseMoney(tt.in)
		if err != nil || m.String() != tt.out {
			t.Errorf("ParseMoney(%q) = %s (%v), want %s", tt.in, m, err, tt.out)
		}
	}
	for _, tt := range []struct{ in, reason string }{
		{"", "MONEY_MALFORMED"}, {"USD", "MONEY_MALFORMED"}, {"5USD", "MONEY_MALFORMED"}, {"226324.11", "MONEY_MALFORMED"},
		{"USD 226324.11", "MONEY_MALFORMED"}, {strings.Repeat("1", 1_000_000), "MONEY_MALFORMED"},
		{" USD", "MONEY_MALFORMED"}, {"- USD", "NUMBER_MALFORMED"}, {"5  USD", "NUMBER_MALFORMED"}, {"$5 USD", "NUMBER_MALFORMED"},
		{"5 usd", "CURRENCY_MALFORMED"}, {"5 US$", "CURRENCY_MALFORMED"}, {"5 U1D", "CURRENCY_MALFORMED"},
	} {
		m, err := ParseMoney(tt.in)
		wantRefused(t, fmt.Sprintf("ParseMoney(%.50q)", tt.in), err, tt.reason)
		if !m.IsZero() {
			t.Errorf("ParseMoney(%.50q) returns %s beside its refusal", tt.in, m)
		}
	}
}

func TestConstructorsRefuse(t *testing.T) {
	one := NewDecimal(1)
	_, err := NewMass(one, "")
	wantRefused(t, "mass without a unit", err, "UNIT_MISSING")
	_, err = NewMass(one, "stone")
	wantRefused(t, "mass in stones", err, "UNIT_UNKNOWN")
	_, err = NewFineness(one, "")
	wantRefused(t, "fineness without a unit", err, "UNIT_MISSING")
	_, err = NewMoney(one, "")
	wantRefused(t, "money without a currency", err, "CURRENCY_MALFORMED")
	if r := refusal.As(err); r != nil && r.Field != "currency" {
		t.Errorf("the field of a missing currency is %q", r.Field)
	}
	_, err = one.Quo(Decimal{}, Rounding{2, Down})
	wantRefused(t, "division by zero", err, "DIVISION_BY_ZERO")
	_, err = Mean(Rounding{2, Down})
	wantRefused(t, "mean of nothing", err, "MEAN_OF_NOTHING")
	_, err = MustMoney("1 USD").Add(MustMoney("1 EUR"))
	wantRefused(t, "two currencies", err, "CURRENCY_MIXED")
	wantRefused(t, "no mass", Mass{}.Positive(), "MASS_MISSING")
	wantRefused(t, "zero mass", MustMass("0.000 g").Positive(), "MASS_NOT_POSITIVE")
	wantRefused(t, "negative mass", MustMass("-0.001 g").Positive(), "MASS_NOT_POSITIVE")
	if err := MustMass("0.001 g").Positive(); err != nil {
		t.Errorf("0.001 g: %v", err)
	}
}

// A rounding that nobody named must stop whoever would round by it.
func TestRoundingMustBeNamed(t *testing.T) {
	for _, tt := range []struct {
		r      Rounding
		reason string
	}{
		{Rounding{}, "ROUNDING_MISSING"}, {Rounding{Places: 3}, "ROUNDING_MISSING"}, {Rounding{3, Down + 1}, "ROUNDING_MISSING"},
		{Rounding{3, -1}, "ROUNDING_MISSING"}, {Rounding{-1, Down}, "ROUNDING_PLACES"}, {Rounding{13, Down}, "ROUNDING_PLACES"},
	} {
		name := fmt.Sprintf("%+v", tt.r)
		wantRefused(t, name, tt.r.Check(), tt.reason)
		_, err := NewDecimal(1).Quo(NewDecimal(3), tt.r)
		wantRefused(t, "Quo by "+name, err, tt.reason)
		_, err = MustMass("1 kg").Ounces(tt.r)
		wantRefused(t, "Ounces by "+name, err, tt.reason)
		_, err = MustMass("1 oz").Ounces(tt.r)
		wantRefused(t, "Ounces of an ounce by "+name, err, tt.reason)
		_, err = Mean(tt.r, NewDecimal(1))
		wantRefused(t, "Mean by "+name, err, tt.reason)
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("Round by %s does not panic, though it cannot refuse", name)
				}
			}()
			NewDecimal(1).Round(tt.r)
		}()
	}
	if err := (Rounding{0, HalfEven}).Check(); err != nil {
		t.Error(err)
	}
	if !(Rounding{}).IsZero() || (Rounding{0, Down}).IsZero() {
		t.Error("IsZero does not tell a rounding that was stated from one that was not")
	}
}

func TestJSON(t *testing.T) {
	type all struct {
		D Decimal
		M Mass
		F Fineness
		V Money
		R Rounding
	}
	for _, text := range []string{
		`{"D":"12441.390","M":"12441.390 g","F":"812.440 ppt","V":"226324.10 USD","R":{"places":3,"mode":"half_up"}}`,
		`{"D":"-0.50","M":"-400.025 oz","F":"92.10 %","V":"-1 XAU","R":{"places":0,"mode":"half_even"}}`,
		`{"D":"0","M":"","F":"","V":"","R":{"places":0,"mode":""}}`, // nothing was stated
		`{"D":"0.00","M":"0 kg","F":"0 g/t","V":"0.00 EUR","R":{"places":12,"mode":"down"}}`,
	} {
		var v all
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		if back, err := json.Marshal(v); err != nil || string(back) != text {
			t.Errorf("%s comes back as %s (%v)", text, back, err)
		}
	}
	for _, tt := range []struct{ in, reason string }{
		{`{"D":1e3}`, "NUMBER_MALFORMED"}, {`{"D":"1e3"}`, "NUMBER_MALFORMED"}, {`{"D":null}`, "NUMBER_MALFORMED"},
		{`{"D":""}`, "NUMBER_MISSING"}, {`{"D":true}`, "NUMBER_MALFORMED"}, {`{"D":[1]}`, "NUMBER_MALFORMED"},
		{`{"M":12}`, "MASS_MALFORMED"}, {`{"M":"12"}`, "UNIT_MISSING"}, {`{"M":{"value":"1"}}`, "MASS_MALFORMED"},
		{`{"F":812.44}`, "FINENESS_MALFORMED"}, {`{"F":"1001 ppt"}`, "FINENESS_OUT_OF_RANGE"},
		{`{"V":12}`, "MONEY_MALFORMED"}, {`{"V":"12 usd"}`, "CURRENCY_MALFORMED"},
		{`{"R":{"mode":"up"}}`, "ROUNDING_UNKNOWN"}, {`{"R":{"mode":1}}`, "ROUNDING_UNKNOWN"},
	} {
		var v all
		wantRefused(t, tt.in, json.Unmarshal([]byte(tt.in), &v), tt.reason)
	}
	var d Decimal
	if err := json.Unmarshal([]byte(`12441.390`), &d); err != nil || d.String() != "12441.390" {
		t.Errorf("a JSON number is read as %s (%v); its digits must be kept", d, err)
	}
}

func wantRefused(t *testing.T, what string, err error, reason string) {
	t.Helper()
	r := refusal.As(err)
	if r == nil {
		t.Errorf("%s: got %v, want the refusal %s", what, err, reason)
		return
	}
	if r.Reason != reason || r.Kind != refusal.Invalid {
		t.Errorf("%s: refused as %s, kind %d, want %s: %s", what, r.Reason, r.Kind, reason, r.Text)
	}
	if len(r.Text) == 0 || len(r.Text) > 500 {
		t.Errorf("%s: the refusal's sentence has %d bytes", what, len(r.Text))
	}
}
