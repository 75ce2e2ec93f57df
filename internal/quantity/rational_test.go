package quantity_test

import (
	"math/big"
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// By hand: thirds and exact halves in each mode, both signs; a fraction a hair beside a half goes to its own side.
func TestFromRat(t *testing.T) {
	hair := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(60), nil))
	near := func(x *big.Rat, sign int64) *big.Rat {
		return new(big.Rat).Add(x, new(big.Rat).Mul(hair, big.NewRat(sign, 1)))
	}
	for _, row := range []struct {
		x                      *big.Rat
		places                 int
		halfUp, halfEven, down string
	}{
		{big.NewRat(1, 3), 3, "0.333", "0.333", "0.333"},
		{big.NewRat(2, 3), 3, "0.667", "0.667", "0.666"},
		{big.NewRat(-2, 3), 3, "-0.667", "-0.667", "-0.666"},
		{big.NewRat(5, 2), 0, "3", "2", "2"},
		{big.NewRat(-5, 2), 0, "-3", "-2", "-2"},
		{big.NewRat(7, 2), 0, "4", "4", "3"},
		{near(big.NewRat(5, 2), 1), 0, "3", "3", "2"},
		{near(big.NewRat(5, 2), -1), 0, "2", "2", "2"},
		{big.NewRat(-1, 1000), 2, "0.00", "0.00", "0.00"},
		{new(big.Rat), 4, "0.0000", "0.0000", "0.0000"},
		{big.NewRat(12345, 1), 2, "12345.00", "12345.00", "12345.00"},
	} {
		for mode, want := range map[quantity.Mode]string{quantity.HalfUp: row.halfUp, quantity.HalfEven: row.halfEven, quantity.Down: row.down} {
			got, err := quantity.FromRat(row.x, quantity.Rounding{Places: row.places, Mode: mode})
			if err != nil || got.String() != want {
				t.Errorf("%s to %d places %s: got %s, %v; want %s", row.x, row.places, mode, got, err, want)
			}
		}
	}
	if _, err := quantity.FromRat(big.NewRat(1, 3), quantity.Rounding{Places: 3}); !refusal.Is(err, "ROUNDING_MISSING") {
		t.Errorf("no mode: %v", err)
	}
	huge := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(300), nil))
	if _, err := quantity.FromRat(huge, quantity.Rounding{Places: 3, Mode: quantity.Down}); !refusal.Is(err, "NUMBER_TOO_LONG") {
		t.Errorf("300 digits: %v", err)
	}
}
