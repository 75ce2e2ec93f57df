package quantity_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	. "barward/internal/quantity"
	"barward/internal/refusal"
)

// wellFormed holds of every refusal, whatever was refused: it can be sent, matched on and shown.
func wellFormed(t *testing.T, err error) {
	t.Helper()
	r := refusal.As(err)
	if r == nil {
		t.Fatalf("%v is not a refusal", err)
	}
	if !regexp.MustCompile(`^[A-Z]+(_[A-Z]+)+$`).MatchString(r.Reason) || !utf8.ValidString(r.Text) || len(r.Text) > 500 {
		t.Fatalf("refused as %q with %q", r.Reason, r.Text)
	}
	for name, value := range r.Values {
		if !utf8.ValidString(value) || len(value) > 200 {
			t.Fatalf("%s carries %q as %s", r.Reason, value, name)
		}
	}
}

// roundTrip holds that what parses prints and parses back to itself, in text and in JSON.
func roundTrip[T fmt.Stringer](t *testing.T, s string, parse func(string) (T, error)) (T, bool) {
	t.Helper()
	v, err := parse(s)
	if err != nil {
		wellFormed(t, err)
		return v, false
	}
	printed := v.String()
	if again, err := parse(printed); err != nil || again.String() != printed {
		t.Fatalf("%q prints as %q, which parses to %q (%v)", s, printed, again, err)
	}
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var back T
	if err := json.Unmarshal(text, &back); err != nil || back.String() != printed {
		t.Fatalf("%q is %s in JSON, which reads as %q (%v)", s, text, back, err)
	}
	return v, true
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"0", "-0.0", "12441.390", "007", "1e3", "NaN", "+5", "1,5", strings.Repeat("9", 30), "-0.000000000000000001"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, ok := roundTrip(t, s, ParseDecimal)
		if !ok {
			return
		}
		want, ok := new(big.Rat).SetString(s)
		if !ok || d.Rat().Cmp(want) != 0 {
			t.Fatalf("%q is read as %s", s, d)
		}
		if _, fraction, _ := strings.Cut(s, "."); d.Places() != len(fraction) {
			t.Fatalf("%q is read as %s: %d places", s, d, d.Places())
		}
	})
}

func FuzzParseMass(f *testing.F) {
	for _, s := range []string{"12441.390 g", "400.025oz", "-3 mg", "12  kg", "12 lb", "1e3 g", " g"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s, ParseMass) })
}

func FuzzParseFineness(f *testing.F) {
	for _, s := range []string{"812.440 ppt", "92.1%", "12 g/t", "1000.1 ppt", "-1 %", "% 5"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, ok := roundTrip(t, s, ParseFineness); ok && (v.PerMille().Sign() < 0 || v.PerMille().Cmp(NewDecimal(1000)) > 0) {
			t.Fatalf("%q is read as %s", s, v)
		}
	})
}

func FuzzParseMoney(f *testing.F) {
	for _, s := range []string{"226324.11 USD", "-0.50 EUR", "5USD", "5 usd", " USD", strings.Repeat("\xff", 90)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s, ParseMoney) })
}

func FuzzQuo(f *testing.F) {
	f.Add("1", "3", 3, 1)
	f.Add("-2.5", "1", 0, 2)
	f.Add("12441.390", "31.1034768", 12, 3)
	f.Add("1", "0.000", 3, 1)
	f.Fuzz(func(t *testing.T, a, b string, places, mode int) {
		x, errX := ParseDecimal(a)
		y, errY := ParseDecimal(b)
		if errX != nil || errY != nil {
			return
		}
		r := Rounding{places, Mode(mode)}
		quotient, err := x.Quo(y, r)
		if err != nil {
			wellFormed(t, err)
			return
		}
		checkRounded(t, a+" / "+b, new(big.Rat).Quo(x.Rat(), y.Rat()), r, quotient)
	})
}

// BenchmarkChain is a line of a statement: parse, multiply, divide, round to three places, print.
func BenchmarkChain(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		gross, err := ParseMass("12441.390 g")
		if err != nil {
			b.Fatal(err)
		}
		fineness, err := ParseFineness("812.44 ppt")
		if err != nil {
			b.Fatal(err)
		}
		ounces, err := Grams(gross.Fine(fineness)).Ounces(Rounding{3, HalfUp})
		if err != nil || len(ounces.String()) != 7 {
			b.Fatal(ounces, err)
		}
	}
}
