package quantity

import (
	"encoding/json"
	"strings"

	"barward/internal/refusal"
)

// Unit is a unit of mass.
type Unit string

const (
	Gram      Unit = "g"
	Kilogram  Unit = "kg"
	Milligram Unit = "mg"
	// TroyOunce is 31.1034768 g exactly.
	TroyOunce Unit = "oz"
)

// GramsPerOunce is one troy ounce in grams, exactly: Weights and Measures Act 1985 (UK), Schedule 1, Part V.
var GramsPerOunce = MustDecimal("31.1034768")

// Mass is a mass as it was entered: its digits and its unit. The zero value is no mass at all (see IsZero), not 0 g.
type Mass struct {
	value Decimal
	unit  Unit
}

// NewMass joins a number and a unit; it refuses an unknown unit.
func NewMass(value Decimal, unit Unit) (Mass, error) {
	switch unit {
	case Gram, Kilogram, Milligram, TroyOunce:
		return Mass{value, unit}, nil
	case "":
		return Mass{}, refusal.Invalidf("UNIT_MISSING", "unit", "a mass has no unit; state g, kg, mg or oz (troy ounce)")
	}
	return Mass{}, refusal.Invalidf("UNIT_UNKNOWN", "unit", "%s is not a unit of mass; use g, kg, mg or oz (troy ounce)",
		refusal.Quote(string(unit))).With("value", string(unit))
}

// ParseMass reads a number, an optional space and a unit, such as "12441.390 g" or "400.025oz". The sign is allowed, for
// differences; where a weight must not be negative its reader says so (see Positive).
func ParseMass(s string) (Mass, error) {
	end := len(s)
	for end > 0 && (s[end-1]|0x20) >= 'a' && (s[end-1]|0x20) <= 'z' {
		end--
	}
	number := s[:end]
	value, err := ParseDecimal(strings.TrimSuffix(number, " "))
	if err != nil {
		return Mass{}, err
	}
	return NewMass(value, Unit(s[len(number):]))
}

// MustMass is ParseMass for constants in code; it panics on what ParseMass refuses.
func MustMass(s string) Mass {
	m, err := ParseMass(s)
	if err != nil {
		panic(err)
	}
	return m
}

// Grams returns a mass in grams.
func Grams(value Decimal) Mass { return Mass{value, Gram} }

// Value returns the number as entered.
func (m Mass) Value() Decimal { return m.value }

// Unit returns the unit as entered, empty for the zero Mass.
func (m Mass) Unit() Unit { return m.unit }

// IsZero reports whether m is the zero Mass: nothing was entered.
func (m Mass) IsZero() bool { return m.unit == "" }

// Grams returns m in grams, exactly.
func (m Mass) Grams() Decimal {
	switch m.unit {
	case Kilogram:
		return m.value.Shift(3)
	case Milligram:
		return m.value.Shift(-3)
	case TroyOunce:
		return m.value.Mul(GramsPerOunce)
	}
	return m.value
}

// Ounces returns m in troy ounces. Grams to ounces does not terminate, so it takes a Rounding; a mass that was entered
// in ounces is rounded as well. It refuses a Rounding that names no mode.
func (m Mass) Ounces(r Rounding) (Decimal, error) {
	if m.unit == TroyOunce {
		return m.value.Quo(NewDecimal(1), r)
	}
	return m.Grams().Quo(GramsPerOunce, r)
}

// Add returns m + n, in their unit if they share one, else in grams; exactly.
func (m Mass) Add(n Mass) Mass {
	switch {
	case m.IsZero():
		return n
	case n.IsZero():
		return m
	case m.unit == n.unit:
		return Mass{m.value.Add(n.value), m.unit}
	}
	return Grams(m.Grams().Add(n.Grams()))
}

// Sub returns m - n, in their unit if they share one, else in grams; exactly.
func (m Mass) Sub(n Mass) Mass { return m.Add(Mass{n.value.Neg(), n.unit}) }

// Abs returns |m|.
func (m Mass) Abs() Mass { return Mass{m.value.Abs(), m.unit} }

// Cmp compares the masses exactly: 1 kg equals 1000.0 g.
func (m Mass) Cmp(n Mass) int { return m.Grams().Cmp(n.Grams()) }

// Sign returns -1, 0 or +1.
func (m Mass) Sign() int { return m.value.Sign() }

// Positive refuses a mass that is missing, zero or negative, for weights that must exist.
func (m Mass) Positive() error {
	if m.IsZero() {
		return refusal.Invalidf("MASS_MISSING", "", "a mass is missing; give a number and a unit, such as 12441.390 g")
	}
	if m.Sign() <= 0 {
		return refusal.Invalidf("MASS_NOT_POSITIVE", "",
			"a mass of %s is not possible here; it must be more than zero", m).With("value", m.String())
	}
	return nil
}

// Fine returns the fine content of gross mass m at fineness f, in grams, exactly.
func (m Mass) Fine(f Fineness) Decimal { return m.Grams().Mul(f.PerMille()).Shift(-3) }

// String writes the number, a space and the unit.
func (m Mass) String() string {
	if m.IsZero() {
		return ""
	}
	return m.value.String() + " " + string(m.unit)
}

// MarshalJSON writes m as a JSON string such as "12441.390 g".
func (m Mass) MarshalJSON() ([]byte, error) { return json.Marshal(m.String()) }

// UnmarshalJSON reads what MarshalJSON writes; an empty string is the zero Mass.
func (m *Mass) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return refusal.Invalidf("MASS_MALFORMED", "", "a mass is a string with a number and a unit, such as \"12441.390 g\"")
	}
	if s == "" {
		*m = Mass{}
		return nil
	}
	mass, err := ParseMass(s)
	if err != nil {
		return err
	}
	*m = mass
	return nil
}
