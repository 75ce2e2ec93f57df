package quantity

import (
	"math/big"
	"strings"
	"testing"

	"github.com/cockroachdb/apd/v3"
	"pgregory.net/rapid"
)

// What the shortcuts give is what the decimal library gives, digit for digit and place for place, on both sides of every
// bound at which they give up. The library itself is held against math/big elsewhere.
func TestShortcutsAgainstTheLibrary(t *testing.T) {
	edges := []string{"0", "0.000000000000000000", "9", "9.99", "4611686018427387903", "4611686018427387904", "9223372036854775807",
		"9223372036854775808", "18446744073709551615", "18446744073709551616", "9007199254740992", "9007199254740993", "900719925474099.3",
		"999999999999999999", "1000000000000000000", "0.5", "0.25", "2.5"}
	number := rapid.Custom(func(t *rapid.T) Decimal {
		text := rapid.OneOf(rapid.SampledFrom(edges), rapid.StringMatching(`[0-9]{1,20}(\.[0-9]{1,10})?`)).Draw(t, "digits")
		if rapid.Bool().Draw(t, "negative") {
			text = "-" + text
		}
		d, err := ParseDecimal(text)
		if err != nil {
			t.Fatal(err)
		}
		var library apd.Decimal
		if _, _, err := library.SetString(text); err != nil {
			t.Fatal(err)
		}
		if library.IsZero() {
			library.Negative = false
		}
		same(t, "parsing "+text, d, &library)
		return d.Shift(rapid.IntRange(-12, 6).Draw(t, "shift"))
	})
	taken := 0
	count := func(ok bool) bool {
		if ok {
			taken++
		}
		return ok
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := number.Draw(t, "a"), number.Draw(t, "b")
		var library apd.Decimal
		unsigned := func() *apd.Decimal {
			if library.IsZero() {
				library.Negative = false
			}
			return &library
		}
		if sum, ok := addSmall(&a, &b, false); count(ok) {
			must(exact.Add(&library, &a.d, &b.d))
			same(t, "a + b", sum, unsigned())
		}
		if difference, ok := addSmall(&a, &b, true); count(ok) {
			must(exact.Sub(&library, &a.d, &b.d))
			same(t, "a - b", difference, unsigned())
		}
		if product, ok := mulSmall(&a, &b); count(ok) {
			must(exact.Mul(&library, &a.d, &b.d))
			same(t, "a × b", product, unsigned())
		}
		if order, ok := cmpSmall(&a, &b); count(ok) && order != a.d.Cmp(&b.d) {
			t.Fatalf("%s against %s is %d, the library says %d", a, b, order, a.d.Cmp(&b.d))
		}
		if s, ok := a.small(); count(ok && s.exponent <= 0) && s.text() != a.d.Text('f') {
			t.Fatalf("%q, the library writes %q", s.text(), a.d.Text('f'))
		}
		if s, ok := a.small(); ok {
			if f, ok := s.float(); count(ok) {
				if want, _ := a.Rat().Float64(); f != want {
					t.Fatalf("%s is %g, the nearest is %g", a, f, want)
				}
			}
		}
		if !b.IsZero() && a.MultipleOf(b) != new(big.Rat).Quo(a.Rat(), b.Rat()).IsInt() {
			t.Fatalf("%s is a multiple of %s: %v", a, b, a.MultipleOf(b))
		}
		trimmed, text := a.Trim(), a.d.Text('f')
		if strings.Contains(text, ".") {
			text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
		}
		if got := trimmed.d.Text('f'); got != text {
			t.Fatalf("%s trimmed is %s", a, got)
		}
		places := rapid.IntRange(0, 30).Draw(t, "places")
		if padded := a.Pad(places); padded.d.Cmp(&a.d) != 0 || padded.Places() != max(places, a.Places()) {
			t.Fatalf("%s padded to %d places is %s", a, places, &padded.d)
		}
	})
	if taken == 0 {
		t.Fatal("no shortcut was ever taken")
	}
}

// same fails unless a decimal and the library's are the same digits with the same exponent and sign.
func same(t *rapid.T, what string, got Decimal, want *apd.Decimal) {
	t.Helper()
	if got.d.Coeff.Cmp(&want.Coeff) != 0 || got.d.Exponent != want.Exponent || got.d.Negative != want.Negative {
		t.Fatalf("%s: %s (exponent %d), the library says %s (exponent %d)", what, &got.d, got.d.Exponent, want, want.Exponent)
	}
}
