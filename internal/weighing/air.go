package weighing

import (
	"fmt"
	"math"
	"strconv"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Air is an estimate of the density of the air at a balance.
type Air struct {
	Density  quantity.Decimal `json:"density"` // kg/m³, to 0.000001
	Basis    string           `json:"basis"`   // how it was found, such as "standard atmosphere at 3900 m"
	Warnings []Warning        `json:"warnings,omitempty"`
}

// The standard atmosphere below 11 km: US Standard Atmosphere 1976, ISO 2533.
const (
	standardPressure    = 101_325.0   // Pa
	standardTemperature = 288.15      // K
	standardLapse       = 0.0065      // K/m
	standardGravity     = 9.80665     // m/s²
	standardMolar       = 0.0289644   // kg/mol
	standardGas         = 8.31432     // J/(mol K), the value of 1976
	earthRadius         = 6_356_766.0 // m
	zeroCelsius         = 273.15      // K
)

// StandardAir returns the density of the standard atmosphere at a geometric elevation in metres, -1000 to 9000. The
// elevation z is turned into geopotential H = r z / (r + z), r = 6 356 766 m.
//
// The standard atmosphere is cold up high (-10 °C at 3900 m): a gold room at 20 °C has air about a tenth thinner. Prefer
// RoomAir where the room's temperature is known, or CIPM2007 where the pressure is too.
func StandardAir(elevationMetres quantity.Decimal) (Air, error) {
	if err := checkElevation(elevationMetres); err != nil {
		return Air{}, err
	}
	pressure, temperature := standardAtmosphere(geopotential(elevationMetres.Float()))
	density := pressure * standardMolar / (standardGas * temperature)
	return Air{Density: round(density, airPlaces), Basis: fmt.Sprintf("standard atmosphere at %s m", elevationMetres)}, nil
}

// RoomAir returns the density of air at the standard atmosphere's pressure for an elevation in metres and at a room's own
// temperature (°C) and relative humidity (%), by CIPM-2007. Weather moves the pressure by some 3 %.
func RoomAir(elevationMetres, temperature, humidity quantity.Decimal) (Air, error) {
	if err := checkElevation(elevationMetres); err != nil {
		return Air{}, err
	}
	pressure, _ := standardAtmosphere(geopotential(elevationMetres.Float()))
	air, err := CIPM2007(round(pressure, 1), temperature, humidity)
	air.Basis = fmt.Sprintf("CIPM-2007 at the standard pressure for %s m", elevationMetres)
	return air, err
}

// MeasuredAir returns the density of moist air by the approximate form of OIML R 111-1, E.3 (from memory):
//
//	ρ = (0.34848 p − 0.009 h exp(0.061 t)) / (273.15 + t)
//
// with p in hPa here (given in Pa), h in %, t in °C. It is good to about 2 in 10 000 from 900 to 1100 hPa, 10 to 30 °C and
// below 80 %, and is refused outside; CIPM2007 reaches further.
func MeasuredAir(pressure, temperature, humidity quantity.Decimal) (Air, error) {
	if err := checkAir(pressure, temperature, humidity); err != nil {
		return Air{}, err
	}
	p, t, h := pressure.Float(), temperature.Float(), humidity.Float()
	if p < 90_000 || p > 110_000 || t < 10 || t > 30 || h >= 80 {
		return Air{}, refusal.Invalidf("AIR_OUTSIDE_FORMULA", "",
			"%s Pa, %s °C and %s %% are outside the range of the approximate form (90000 to 110000 Pa, 10 to 30 °C, below 80 %%); use CIPM-2007",
			pressure, temperature, humidity).
			With("pressure_pa", pressure.String()).With("temperature_c", temperature.String()).With("humidity_percent", humidity.String())
	}
	return Air{Density: round(approximateDensity(p, t, h), airPlaces), Basis: "approximate form of OIML R 111-1, E.3"}, nil
}

// CIPM2007 returns the density of moist air from pressure (Pa), temperature (°C) and relative humidity (%) by the formula
// CIPM-2007 (Metrologia 45 (2008) 149), at 400 ppm of carbon dioxide. It is recommended for 60 000 to 110 000 Pa and 15
// to 27 °C (from memory); outside that the result carries a warning, and beyond what a balance room can be, 30 000 to
// 115 000 Pa, -30 to 60 °C or 0 to 100 %, it is refused.
func CIPM2007(pressure, temperature, humidity quantity.Decimal) (Air, error) {
	if err := checkAir(pressure, temperature, humidity); err != nil {
		return Air{}, err
	}
	p, t, h := pressure.Float(), temperature.Float(), humidity.Float()
	air := Air{Density: round(cipmDensity(p, t, h), airPlaces), Basis: "CIPM-2007"}
	if p < 60_000 || p > 110_000 || t < 15 || t > 27 {
		air.Warnings = []Warning{{"air_outside_recommended", fmt.Sprintf(
			"%s Pa and %s °C are outside the range recommended for CIPM-2007 (60000 to 110000 Pa, 15 to 27 °C); the density is still a fair estimate", pressure, temperature)}}
	}
	return air, nil
}

func geopotential(z float64) float64 { return earthRadius * z / (earthRadius + z) }

// standardAtmosphere returns pressure (Pa) and temperature (K) at a geopotential height below 11 km.
func standardAtmosphere(height float64) (pressure, temperature float64) {
	temperature = standardTemperature - standardLapse*height
	exponent := standardGravity * standardMolar / (standardGas * standardLapse)
	return standardPressure * math.Pow(temperature/standardTemperature, exponent), temperature
}

// approximateDensity is OIML R 111-1, E.3, with p in Pa.
func approximateDensity(p, t, h float64) float64 {
	return (0.34848*p/100 - 0.009*h*math.Exp(0.061*t)) / (zeroCelsius + t)
}

// cipmDensity is CIPM-2007 with p in Pa, t in °C and h in %.
func cipmDensity(p, t, h float64) float64 {
	const (
		gas      = 8.314472      // J/(mol K)
		dryMolar = 28.96546e-3   // kg/mol at 400 ppm of carbon dioxide
		water    = 18.01528e-3   // kg/mol
		a        = 1.2378847e-5  // of the saturation vapour pressure
		b        = -1.9121316e-2 //
		c        = 33.93711047   //
		d        = -6.3431645e3  //
		a0       = 1.58123e-6    // of the compressibility
		a1       = -2.9331e-8    //
		a2       = 1.1043e-10    //
		b0       = 5.707e-6      //
		b1       = -2.051e-8     //
		c0       = 1.9898e-4     //
		c1       = -2.376e-6     //
		d0       = 1.83e-11      //
		e0       = -0.765e-8     //
	)
	k := zeroCelsius + t
	saturation := math.Exp(a*k*k + b*k + c + d/k)
	enhancement := 1.00062 + 3.14e-8*p + 5.6e-7*t*t
	vapour := h / 100 * enhancement * saturation / p // mole fraction of water
	compressibility := 1 - p/k*(a0+a1*t+a2*t*t+(b0+b1*t)*vapour+(c0+c1*t)*vapour*vapour) +
		p*p/(k*k)*(d0+e0*vapour*vapour)
	return p * dryMolar / (compressibility * gas * k) * (1 - vapour*(1-water/dryMolar))
}

func checkElevation(metres quantity.Decimal) error {
	if metres.Less(quantity.NewDecimal(minElevation)) || quantity.NewDecimal(maxElevation).Less(metres) {
		return refusal.Invalidf("ELEVATION_OUT_OF_RANGE", "", "an elevation of %s m is outside %d to %d m; state metres above sea level",
			metres, minElevation, maxElevation).With("elevation_m", metres.String())
	}
	return nil
}

func checkAir(pressure, temperature, humidity quantity.Decimal) error {
	for _, x := range []struct {
		name, field, unit string
		value             quantity.Decimal
		low, high         int64
	}{
		{"pressure", "pressure_pa", "Pa", pressure, minPressure, maxPressure},
		{"temperature", "temperature_c", "°C", temperature, minTemperature, maxTemperature},
		{"relative humidity", "humidity_percent", "%", humidity, 0, 100},
	} {
		if x.value.Less(quantity.NewDecimal(x.low)) || quantity.NewDecimal(x.high).Less(x.value) {
			return refusal.Invalidf("AIR_OUT_OF_RANGE", x.field, "a %s of %s %s is outside %d to %d %s; check the unit",
				x.name, x.value, x.unit, x.low, x.high, x.unit).With(x.field, x.value.String())
		}
	}
	return nil
}

// elements are densities near 20 °C, kg/m³, from memory of common tables of the elements; they feed an estimate only.
var elements = map[string]float64{
	"Au": 19300, "Ag": 10490, "Cu": 8960, "Zn": 7140, "Fe": 7870, "Ni": 8908, "Pb": 11340, "Hg": 13534,
	"Sn": 7290, "Bi": 9780, "Sb": 6690, "As": 5730, "Se": 4810, "Te": 6240, "Cd": 8650, "Pt": 21450, "Pd": 12020,
}

// BarDensity estimates the density of a bar in kg/m³, to 0.1, from its assay by ideal mixing: 1/ρ = Σ w/ρ over gold,
// silver and the rest, which is taken as one element, named by its symbol; "Cu" is the usual choice. Cast bars hold
// cavities, so the true density is a little lower. It refuses an unknown symbol and finenesses that add up to more than
// 1010 parts per thousand; a sum just above 1000 is brought to 1000.
func BarDensity(gold, silver quantity.Fineness, rest string) (quantity.Decimal, error) {
	density, ok := elements[rest]
	if !ok {
		return quantity.Decimal{}, refusal.Invalidf("ELEMENT_UNKNOWN", "rest",
			"%.20q is not an element whose density is known here; name what the rest of the bar mostly is, such as Cu", rest).With("rest", rest)
	}
	known := gold.PerMille().Add(silver.PerMille())
	if quantity.NewDecimal(1010).Less(known) {
		return quantity.Decimal{}, refusal.Invalidf("FINENESS_SUM", "",
			"gold of %s and silver of %s add up to %s parts per thousand, far above 1000; check both", gold, silver, known).
			With("sum_ppt", known.String())
	}
	au, ag := gold.PerMille().Float(), silver.PerMille().Float()
	other := math.Max(0, 1000-au-ag)
	volume := au/elements["Au"] + ag/elements["Ag"] + other/density
	return round((au+ag+other)/volume, densityPlaces), nil
}

// GravityShift estimates by how many grams a balance misreads a load when it was adjusted at one elevation and is used at
// another without a new adjustment: load × 0.00003 for each 100 m (National Physical Laboratory, questions on mass);
// negative where it was carried up, since gravity is weaker there. Latitude, which matters up to 0.5 %, is not in it.
func GravityShift(load quantity.Mass, adjustedMetres, usedMetres quantity.Decimal) (quantity.Decimal, error) {
	if err := load.Positive(); err != nil {
		return quantity.Decimal{}, refusal.In(err, "load")
	}
	if err := checkElevation(adjustedMetres); err != nil {
		return quantity.Decimal{}, refusal.In(err, "adjusted")
	}
	if err := checkElevation(usedMetres); err != nil {
		return quantity.Decimal{}, refusal.In(err, "used")
	}
	perMetre := quantity.MustDecimal("0.0000003")
	return load.Grams().Mul(adjustedMetres.Sub(usedMetres)).Mul(perMetre).
		Round(quantity.Rounding{Places: buoyancyPlaces, Mode: quantity.HalfEven}), nil
}

// round brings an estimate to a decimal of a fixed number of places. Callers keep x within what a decimal can hold.
func round(x float64, places int) quantity.Decimal {
	return quantity.MustDecimal(strconv.FormatFloat(x, 'f', places, 64))
}
