package weighing

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"barward/internal/quantity"
)

const (
	cipm     = "CIPM-2007 (Metrologia 45 (2008) 149), constants read in public source code; values computed from them"
	appendix = "OIML R 111-1, E.3, from memory; values computed"
	standard = "US Standard Atmosphere 1976, constants read; values computed"
)

func near(t *testing.T, source, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: %s is %v, want %v within %v", source, what, got, want, tolerance)
	}
}

func TestDensityOfMoistAir(t *testing.T) {
	for _, tt := range []struct{ p, t, h, cipm, approximate string }{
		{"101325", "20", "50", "1.199314", "1.199294"},
		{"101325", "20", "0", "1.204557", "1.204494"},
		{"100000", "20", "50", "1.183557", "1.183543"},
		{"101325", "22", "45", "1.191071", "1.191081"},
		{"99992", "21", "40", "1.180204", "1.180201"},
		{"84556", "20", "50", "0.999903", "0.999954"},
	} {
		p, temperature, h := number(tt.p), number(tt.t), number(tt.h)
		air, err := CIPM2007(p, temperature, h)
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, cipm, "air at "+tt.p+" Pa", air.Density, tt.cipm)
		if len(air.Warnings) != 0 {
			t.Errorf("%s Pa warns: %v", tt.p, air.Warnings)
		}
		// The formula itself, beyond its range of validity too.
		if got := fmt.Sprintf("%.6f", approximateDensity(p.Float(), temperature.Float(), h.Float())); got != tt.approximate {
			t.Errorf("%s: air at %s Pa is %s, want %s", appendix, tt.p, got, tt.approximate)
		}
		measured, err := MeasuredAir(p, temperature, h)
		if tt.p == "84556" {
			wantRefusal(t, err, "AIR_OUTSIDE_FORMULA", "")
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, appendix, "air at "+tt.p+" Pa", measured.Density, tt.approximate)
	}
	// A calibration glossary: 1.200 mg/cm³ at 20 °C, 760.5 mmHg, 50 %; CIPM-2007 gives 1.2001 there.
	air, err := CIPM2007(number("101391.67"), number("20"), number("50"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a calibration glossary, 760.5 mmHg", "air", air.Density.Float(), 1.2001, 0.00005)
}

func TestAirOutsideItsRange(t *testing.T) {
	for _, tt := range []struct{ p, t, h string }{
		{"89999", "20", "50"}, {"110001", "20", "50"}, {"101325", "9.9", "50"}, {"101325", "30.1", "50"}, {"101325", "20", "80"},
	} {
		_, err := MeasuredAir(number(tt.p), number(tt.t), number(tt.h))
		wantRefusal(t, err, "AIR_OUTSIDE_FORMULA", "")
	}
	for _, tt := range []struct{ p, t, h string }{{"90000", "10", "0"}, {"110000", "30", "79.9"}} {
		if _, err := MeasuredAir(number(tt.p), number(tt.t), number(tt.h)); err != nil {
			t.Errorf("the ends of the range are in it: %v", err)
		}
	}
	for _, tt := range []struct { // the recommended range is from memory
		p, t  string
		warns bool
	}{{"60000", "15", false}, {"110000", "27", false}, {"59999", "20", true}, {"110001", "20", true}, {"101325", "14.9", true}, {"101325", "27.1", true}} {
		air, err := CIPM2007(number(tt.p), number(tt.t), number("50"))
		if err != nil || (len(air.Warnings) == 1) != tt.warns {
			t.Errorf("%s Pa, %s °C: warnings %v (%v), want %t", tt.p, tt.t, air.Warnings, err, tt.warns)
		}
	}
	for _, tt := range []struct{ p, t, h, field string }{
		{"29999", "20", "50", "pressure_pa"}, {"1013.25", "20", "50", "pressure_pa"}, {"115001", "20", "50", "pressure_pa"},
		{"101325", "-31", "50", "temperature_c"}, {"101325", "293.15", "50", "temperature_c"},
		{"101325", "20", "-1", "humidity_percent"}, {"101325", "20", "101", "humidity_percent"},
	} {
		_, err := CIPM2007(number(tt.p), number(tt.t), number(tt.h))
		wantRefusal(t, err, "AIR_OUT_OF_RANGE", tt.field)
		_, err = MeasuredAir(number(tt.p), number(tt.t), number(tt.h))
		wantRefusal(t, err, "AIR_OUT_OF_RANGE", tt.field)
	}
	for _, metres := range []string{"-1001", "9001"} {
		_, err := StandardAir(number(metres))
		wantRefusal(t, err, "ELEVATION_OUT_OF_RANGE", "")
		_, err = RoomAir(number(metres), number("20"), number("50"))
		wantRefusal(t, err, "ELEVATION_OUT_OF_RANGE", "")
	}
	_, err := RoomAir(number("0"), number("99"), number("50"))
	wantRefusal(t, err, "AIR_OUT_OF_RANGE", "temperature_c")
}

func TestStandardAtmosphere(t *testing.T) {
	for _, tt := range []struct{ height, pressure, temperature, density float64 }{ // geopotential
		{0, 101325.0, 288.15, 1.22500},
		{500, 95460.8, 284.90, 1.16727},
		{1000, 89874.6, 281.65, 1.11164},
		{1500, 84556.0, 278.40, 1.05807},
		{2000, 79495.2, 275.15, 1.00649},
		{2500, 74682.5, 271.90, 0.95686},
		{3000, 70108.5, 268.65, 0.90912},
		{4000, 61640.2, 262.15, 0.81913},
	} {
		p, temperature := standardAtmosphere(tt.height)
		near(t, standard, "pressure", p, tt.pressure, 0.05)
		near(t, standard, "temperature", temperature, tt.temperature, 0.005)
		// The geometric elevation z = r H / (r − H) has this geopotential.
		z := earthRadius * tt.height / (earthRadius - tt.height)
		near(t, standard, "geopotential", geopotential(z), tt.height, 1e-6)
		air, err := StandardAir(number(fmt.Sprintf("%.3f", z)))
		if err != nil {
			t.Fatal(err)
		}
		near(t, standard, "density", air.Density.Float(), tt.density, 0.0000051)
	}
	p, _ := standardAtmosphere(geopotential(1000))
	near(t, standard+", geometric 1000 m", "pressure", p, 89876.3, 0.05)
	// p = p0 (1 − h/44 329)^5.255876, a university's page; its rounded constants agree to some 3 Pa
	p, _ = standardAtmosphere(3000)
	near(t, "scipp.ucsc.edu", "pressure at 3000 m", p, 101325*math.Pow(1-3000/44329.0, 5.255876), 3)
}

func TestRoomAir(t *testing.T) {
	air, err := RoomAir(number("0"), number("20"), number("50"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, cipm, "air at sea level, the first row of its table", air.Density, "1.199314")
	// At geopotential 1500 m the pressure is 84 556.0 Pa, and the last row of the table applies.
	air, err = RoomAir(number("1500.354"), number("20"), number("50"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, cipm, "air at 1500 m", air.Density.Float(), 0.999903, 0.000002)
}

// TestTrueMass sets the expected difference between two readings against the exact formula for the mass behind each.
func TestTrueMass(t *testing.T) {
	steel := big.NewRat(8000, 1)
	trueMass := func(reading, air, density *big.Rat) *big.Rat { // m = R (1 − a/8000) / (1 − a/ρ); from memory
		one := big.NewRat(1, 1)
		up := new(big.Rat).Sub(one, new(big.Rat).Quo(air, steel))
		down := new(big.Rat).Sub(one, new(big.Rat).Quo(air, density))
		return new(big.Rat).Quo(new(big.Rat).Mul(reading, up), down)
	}
	reading := big.NewRat(20000, 1)
	errors := map[string]float64{}
	for _, tt := range []struct {
		density, air string
		mass, error  string // by hand, from the formula above
	}{
		{"16000", "1.20", "19998.4999", "-1.5001"},
		{"16000", "0.95", "19998.8124", "-1.1876"},
		{"12000", "1.20", "19998.9999", "-1.0001"},
		{"12000", "0.95", "19999.2083", "-0.7917"},
	} {
		m := trueMass(reading, number(tt.air).Rat(), number(tt.density).Rat())
		if got := m.FloatString(4); got != tt.mass {
			t.Errorf("true mass at %s, %s: %s, want %s", tt.density, tt.air, got, tt.mass)
		}
		off := new(big.Rat).Sub(m, reading)
		if got := off.FloatString(4); got != tt.error {
			t.Errorf("mass less reading at %s, %s: %s, want %s", tt.density, tt.air, got, tt.error)
		}
		errors[tt.density+" "+tt.air], _ = off.Float64()
	}
	for _, density := range []string{"16000", "12000"} {
		got, err := buoyancy(number("20000"), number("1.20"), number("0.95"), number(density))
		if err != nil {
			t.Fatal(err)
		}
		// The same mass reads by (error in thin air − error in thick air) less when it is carried up.
		want := errors[density+" 1.20"] - errors[density+" 0.95"]
		near(t, "the rows above", "the change of the reading on the way up", got.Float(), want, 0.0001)
		if got.Sign() >= 0 {
			t.Errorf("a bar denser than the weights reads less in thin air, got %s", got)
		}
	}
	// A balance manual: aluminium (2.7), 2000 mg conventional, corrected reading 2000.589 mg: 2000 × (1/2.7 − 1/8.0) × 0.0012.
	got, err := buoyancy(number("2000"), number("1.2"), number("0"), number("2700"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "a balance manual's example", "the correction for aluminium", got, "0.5889")
}

func TestBarDensity(t *testing.T) {
	ppt := func(s string) quantity.Fineness { return quantity.MustFineness(s + " ppt") }
	for _, tt := range []struct{ gold, silver, rest, want, source string }{
		{"1000", "0", "Cu", "19300.0", "the element, from memory"},
		{"0", "1000", "Cu", "10490.0", "the element, from memory"},
		{"0", "0", "Cu", "8960.0", "the element, from memory"},
		{"0", "0", "Pb", "11340.0", "the element, from memory"},
		{"500", "500", "Cu", "13592.3", "by hand: 2 × 19300 × 10490 / 29790"},
		{"800", "150", "Cu", "16305.1", "by hand: 1000 / (800/19300 + 150/10490 + 50/8960)"},
		{"900", "105", "Cu", "17743.1", "by hand: 1005 / (900/19300 + 105/10490)"},
	} {
		got, err := BarDensity(ppt(tt.gold), ppt(tt.silver), tt.rest)
		if err != nil {
			t.Fatal(err)
		}
		wantDecimal(t, tt.source, "density of "+tt.gold+"/"+tt.silver, got, tt.want)
	}
	_, err := BarDensity(ppt("900"), ppt("110.1"), "Cu")
	wantRefusal(t, err, "FINENESS_SUM", "")
	_, err = BarDensity(ppt("900"), ppt("50"), "")
	wantRefusal(t, err, "ELEMENT_UNKNOWN", "rest")
}

func TestGravityShift(t *testing.T) {
	// National Physical Laboratory, questions on mass: 0.003 % for each 100 m, so 0.6 g per 100 m on 20 kg.
	got, err := GravityShift(mass("20 kg"), number("0"), number("100"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "National Physical Laboratory", "shift on the way up", got, "-0.6")
	got, err = GravityShift(mass("20 kg"), number("3900"), number("0"))
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "by hand: 39 × 0.6", "shift on the way down", got, "23.4")
	_, err = GravityShift(mass("0 g"), number("0"), number("0"))
	wantRefusal(t, err, "MASS_NOT_POSITIVE", "load")
	_, err = GravityShift(mass("1 g"), number("-2000"), number("0"))
	wantRefusal(t, err, "ELEVATION_OUT_OF_RANGE", "adjusted")
	_, err = GravityShift(mass("1 g"), number("0"), number("10000"))
	wantRefusal(t, err, "ELEVATION_OUT_OF_RANGE", "used")
}
