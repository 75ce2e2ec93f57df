package station

import (
	"testing"

	"barward/internal/refusal"
)

func TestMassOf(t *testing.T) {
	for _, tt := range []struct{ text, unit, want, reason string }{
		{"12441.390 g", "", "12441.390 g", ""}, // the last zero is evidence
		{"12441.390", "g", "12441.390 g", ""},
		{" 400.025oz ", "", "400.025 oz", ""},
		{"400.025 oz", "g", "400.025 oz", ""}, // the written unit counts
		{"12441.390", "", "", "UNIT_MISSING"},
		{"12441.390", "lb", "", "UNIT_UNKNOWN"},
		{"1e3 g", "", "", "NUMBER_MALFORMED"},
		{"", "g", "", "NUMBER_MISSING"},
	} {
		got, err := MassOf(tt.text, tt.unit)
		if tt.reason != "" && !refusal.Is(err, tt.reason) || tt.reason == "" && (err != nil || got != tt.want) {
			t.Errorf("MassOf(%q, %q) = %q, %v; want %q %s", tt.text, tt.unit, got, err, tt.want, tt.reason)
		}
	}
}
