package weighing

import (
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// The two formulas for measured air, by name. Reference 05, section 3, computed row: 101 325 Pa, 20 °C, 50 % gives 1.199 314
// by CIPM-2007 and 1.199 294 by the approximate form of OIML R 111-1.
func TestAirForms(t *testing.T) {
	at := func(form, pressure string) (Air, error) {
		p, temperature, humidity := quantity.MustDecimal(pressure), quantity.MustDecimal("20"), quantity.MustDecimal("50")
		return PreviewAir{Pressure: &p, Temperature: &temperature, Humidity: &humidity, Form: form}.Estimate()
	}
	for form, want := range map[string]string{"": "1.199314", "cipm_2007": "1.199314", "oiml_r111": "1.199294"} {
		air, err := at(form, "101325")
		if err != nil || air.Density.String() != want {
			t.Errorf("%q gives %s (%v), want %s", form, air.Density, err, want)
		}
	}
	if _, err := at("oiml_r111", "62000"); err == nil {
		t.Error("the approximate form was used at the pressure of 3900 m, outside 900 to 1100 hPa")
	}
	if _, err := at("guess", "101325"); !refusal.Is(err, "AIR_FORM_UNKNOWN") {
		t.Errorf("got %v", err)
	}
	elevation := quantity.MustDecimal("3900")
	if _, err := (PreviewAir{Elevation: &elevation, Form: "oiml_r111"}).Estimate(); !refusal.Is(err, "AIR_FORM_UNKNOWN") {
		t.Errorf("a form without a pressure: got %v", err)
	}
}
