package quantity

import (
	"encoding/json"

	"barward/internal/refusal"
)

// Mode is a direction of rounding. Its zero value names none and is refused: rounding moves metal and money, so it is
// always a term that somebody agreed to.
type Mode int

const (
	// HalfUp rounds to the nearest, a half away from zero.
	HalfUp Mode = iota + 1
	// HalfEven rounds to the nearest, a half to the even digit.
	HalfEven
	// Down cuts, toward zero.
	Down
)

var modeNames = map[Mode]string{HalfUp: "half_up", HalfEven: "half_even", Down: "down"}

// String returns half_up, half_even or down.
func (m Mode) String() string { return modeNames[m] }

// MarshalJSON writes the mode's name, empty where none is named.
func (m Mode) MarshalJSON() ([]byte, error) { return json.Marshal(m.String()) }

// UnmarshalJSON reads half_up, half_even or down. An empty string names no mode, as a missing one does; Rounding.Check
// refuses both.
func (m *Mode) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return refusal.Invalidf("ROUNDING_UNKNOWN", "", "a rounding mode is one of half_up, half_even, down")
	}
	if s == "" {
		*m = 0
		return nil
	}
	for mode, name := range modeNames {
		if s == name {
			*m = mode
			return nil
		}
	}
	return refusal.Invalidf("ROUNDING_UNKNOWN", "",
		"%s is not a rounding mode; use half_up, half_even or down", refusal.Quote(s)).With("value", s)
}

// Rounding is one named step of an agreement: how many places, in which direction.
type Rounding struct {
	Places int  `json:"places"` // 0 to 12
	Mode   Mode `json:"mode"`   // required
}

// Check refuses a Rounding that names no mode or a place outside 0 to 12.
func (r Rounding) Check() error {
	if r.Mode < HalfUp || r.Mode > Down {
		return refusal.Invalidf("ROUNDING_MISSING", "mode", "a rounding names no mode; state half_up, half_even or down")
	}
	if r.Places < 0 || r.Places > maxRounding {
		return refusal.Invalidf("ROUNDING_PLACES", "places",
			"%d places of rounding are outside 0 to %d; name a number of places within it", r.Places, maxRounding)
	}
	return nil
}

// IsZero reports whether nothing was stated.
func (r Rounding) IsZero() bool { return r == Rounding{} }

// Step returns the unit in the last place that r keeps, such as 0.001 for three places.
func (r Rounding) Step() Decimal { return NewDecimal(1).Shift(-r.Places) }
