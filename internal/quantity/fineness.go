package quantity

import (
	"encoding/json"
	"strings"

	"barward/internal/refusal"
)

// Share is a unit of fineness.
type Share string

const (
	// PerMille is parts per thousand, in which bullion is reported.
	PerMille Share = "ppt"
	// Percent is parts per hundred.
	Percent Share = "%"
	// GramsPerTonne is parts per million, for traces.
	GramsPerTonne Share = "g/t"
)

// Fineness is the share of one element in an alloy, as it was entered: from 0 to 1000 parts per thousand. The zero value
// is no fineness at all (see IsZero), not 0 ppt.
type Fineness struct {
	value Decimal
	share Share
}

// NewFineness joins a number and a unit; it refuses an unknown unit, a negative share and one above 1000 parts per
// thousand.
func NewFineness(value Decimal, share Share) (Fineness, error) {
	switch share {
	case PerMille, Percent, GramsPerTonne:
	case "":
		return Fineness{}, refusal.Invalidf("UNIT_MISSING", "unit",
			"a fineness has no unit; state ppt (parts per thousand), %% or g/t")
	default:
		return Fineness{}, refusal.Invalidf("UNIT_UNKNOWN", "unit",
			"%s is not a unit of fineness; use ppt (parts per thousand), %% or g/t", refusal.Quote(string(share))).
			With("value", string(share))
	}
	f := Fineness{value, share}
	if value.Sign() < 0 || f.PerMille().Cmp(NewDecimal(1000)) > 0 {
		return Fineness{}, refusal.Invalidf("FINENESS_OUT_OF_RANGE", "",
			"a fineness of %s is not possible; it lies from 0 to 1000 parts per thousand", f).With("value", f.String())
	}
	return f, nil
}

// ParseFineness reads a number, an optional space and a unit, such as "812.44 ppt", "92.1 %" or "12 g/t".
func ParseFineness(s string) (Fineness, error) {
	end := strings.LastIndexAny(s, "0123456789.") + 1
	value, err := ParseDecimal(s[:end])
	if err != nil {
		return Fineness{}, err
	}
	return NewFineness(value, Share(strings.TrimPrefix(s[end:], " ")))
}

// MustFineness is ParseFineness for constants in code; it panics on what ParseFineness refuses.
func MustFineness(s string) Fineness {
	f, err := ParseFineness(s)
	if err != nil {
		panic(err)
	}
	return f
}

// PartsPerThousand returns a fineness in parts per thousand; it refuses one outside 0 to 1000.
func PartsPerThousand(value Decimal) (Fineness, error) { return NewFineness(value, PerMille) }

// Value returns the number as entered.
func (f Fineness) Value() Decimal { return f.value }

// Share returns the unit as entered, empty for the zero Fineness.
func (f Fineness) Share() Share { return f.share }

// IsZero reports whether f is the zero Fineness: nothing was entered.
func (f Fineness) IsZero() bool { return f.share == "" }

// PerMille returns f in parts per thousand, exactly.
func (f Fineness) PerMille() Decimal {
	switch f.share {
	case Percent:
		return f.value.Shift(1)
	case GramsPerTonne:
		return f.value.Shift(-3)
	}
	return f.value
}

// Cmp compares finenesses exactly: 92.1 % equals 921 ppt.
func (f Fineness) Cmp(g Fineness) int { return f.PerMille().Cmp(g.PerMille()) }

// String writes the number, a space and the unit.
func (f Fineness) String() string {
	if f.IsZero() {
		return ""
	}
	return f.value.String() + " " + string(f.share)
}

// MarshalJSON writes f as a JSON string such as "812.44 ppt".
func (f Fineness) MarshalJSON() ([]byte, error) { return json.Marshal(f.String()) }

// UnmarshalJSON reads what MarshalJSON writes; an empty string is the zero Fineness.
func (f *Fineness) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return refusal.Invalidf("FINENESS_MALFORMED", "",
			"a fineness is a string with a number and a unit, such as \"812.44 ppt\"")
	}
	if s == "" {
		*f = Fineness{}
		return nil
	}
	parsed, err := ParseFineness(s)
	if err != nil {
		return err
	}
	*f = parsed
	return nil
}
