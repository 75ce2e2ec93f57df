package weighing

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// PreviewAir is the air at a balance, in one of three ways: its density; an elevation (with or without the room's
// temperature and humidity); or pressure, temperature and humidity, by CIPM-2007.
type PreviewAir struct {
	Density     *quantity.Decimal `json:"density,omitempty"`          // kg/m³
	Elevation   *quantity.Decimal `json:"elevation_m,omitempty"`      // metres
	Pressure    *quantity.Decimal `json:"pressure_pa,omitempty"`      // Pa
	Temperature *quantity.Decimal `json:"temperature_c,omitempty"`    // °C
	Humidity    *quantity.Decimal `json:"humidity_percent,omitempty"` // %
	// Form is the formula for pressure, temperature and humidity: cipm_2007, which an empty one means too, or oiml_r111,
	// the approximate one, refused outside its validity.
	Form string `json:"form,omitempty"`
}

// Estimate returns the air density. It refuses what is none of the three ways, or two at once.
func (a PreviewAir) Estimate() (Air, error) {
	room := a.Temperature != nil && a.Humidity != nil
	dry := a.Temperature == nil && a.Humidity == nil
	if a.Form != "" && a.Form != "cipm_2007" && a.Form != "oiml_r111" || a.Form != "" && a.Pressure == nil {
		return Air{}, refusal.Invalidf("AIR_FORM_UNKNOWN", "form", "%s does not fit; with a pressure use cipm_2007 or oiml_r111, else leave it out", refusal.Quote(a.Form))
	}
	switch {
	case a.Density != nil && a.Elevation == nil && a.Pressure == nil && dry:
		if a.Density.IsZero() {
			return Air{}, refusal.Invalidf("AIR_DENSITY_OUT_OF_RANGE", "density", "an air density of 0 is not possible; leave the air out where it is not known")
		}
		err := inRange("AIR_DENSITY_OUT_OF_RANGE", "density", "kg/m³", *a.Density, minAir, maxAir)
		return Air{Density: *a.Density, Basis: "as given"}, err
	case a.Density == nil && a.Elevation != nil && a.Pressure == nil && dry:
		air, err := StandardAir(*a.Elevation)
		return air, refusal.In(err, "elevation_m")
	case a.Density == nil && a.Elevation != nil && a.Pressure == nil && room:
		return RoomAir(*a.Elevation, *a.Temperature, *a.Humidity)
	case a.Density == nil && a.Elevation == nil && a.Pressure != nil && room:
		if a.Form == "oiml_r111" {
			return MeasuredAir(*a.Pressure, *a.Temperature, *a.Humidity)
		}
		return CIPM2007(*a.Pressure, *a.Temperature, *a.Humidity)
	}
	return Air{}, refusal.Invalidf("AIR_UNCLEAR", "",
		"the air is stated in no single way; give density, or elevation_m (with temperature_c and humidity_percent or without both), or pressure_pa with temperature_c and humidity_percent")
}

// PreviewStation is one weighing of a comparison.
type PreviewStation struct {
	Name        string        `json:"name"`
	Mass        quantity.Mass `json:"mass"`
	Uncertainty quantity.Mass `json:"uncertainty"` // standard
	Air         *PreviewAir   `json:"air"`
}

// PreviewBar is what the bar is made of, for its density.
type PreviewBar struct {
	Gold    quantity.Fineness `json:"gold"`
	Silver  quantity.Fineness `json:"silver"`
	Rest    string            `json:"rest"`    // symbol of what the rest mostly is, such as Cu
	Density quantity.Decimal  `json:"density"` // kg/m³, instead of the assay
}

// CompareRequest is the input of ComparePreview.
type CompareRequest struct {
	First  PreviewStation `json:"first"`
	Second PreviewStation `json:"second"`
	Bar    *PreviewBar    `json:"bar"`
	Limit  Limit          `json:"limit"`
}

// CompareReply is the output of ComparePreview.
type CompareReply struct {
	Comparison
	FirstAir   *Air             `json:"first_air,omitempty"`
	SecondAir  *Air             `json:"second_air,omitempty"`
	BarDensity quantity.Decimal `json:"bar_density,omitzero"` // kg/m³
}

// ComparePreview compares two weighings without a ledger: JSON in, JSON out (see CompareRequest and CompareReply), such as
//
//	{
//	  "first":  {"name": "mine",     "mass": "20000.0 g", "air": {"elevation_m": "4000"}},
//	  "second": {"name": "refinery", "mass": "20000.5 g", "air": {"pressure_pa": "101325", "temperature_c": "20", "humidity_percent": "50"}},
//	  "bar":    {"gold": "700 ppt", "silver": "250 ppt", "rest": "Cu"},
//	  "limit":  {"absolute": "0.4 g", "relative_permille": "0.01", "rule": "larger"}
//	}
//
// air and bar may be left out; buoyancy then explains nothing. Unknown fields, a second document and more than a
// megabyte are refused.
func ComparePreview(b []byte) ([]byte, error) {
	var request CompareRequest
	if err := decode(b, &request); err != nil {
		return nil, err
	}
	var reply CompareReply
	stations := [2]Station{}
	for i, p := range []PreviewStation{request.First, request.Second} {
		field := [2]string{"first", "second"}[i]
		stations[i] = Station{Name: p.Name, Mass: p.Mass, Uncertainty: p.Uncertainty}
		if p.Air == nil {
			continue
		}
		air, err := p.Air.Estimate()
		if err != nil {
			return nil, refusal.In(err, field+".air")
		}
		stations[i].Air = air.Density
		if i == 0 {
			reply.FirstAir = &air
		} else {
			reply.SecondAir = &air
		}
	}
	if bar := request.Bar; bar != nil {
		if bar.Density.IsZero() {
			density, err := BarDensity(bar.Gold, bar.Silver, bar.Rest)
			if err != nil {
				return nil, refusal.In(err, "bar")
			}
			reply.BarDensity = density
		} else {
			if !bar.Gold.IsZero() || !bar.Silver.IsZero() || bar.Rest != "" {
				return nil, refusal.Invalidf("DENSITY_UNCLEAR", "bar", "a bar has both a density and an assay; give one of them")
			}
			reply.BarDensity = bar.Density
		}
	}
	comparison, err := Compare(stations[0], stations[1], request.Limit, reply.BarDensity)
	if err != nil {
		return nil, err
	}
	reply.Comparison = comparison
	return json.Marshal(reply)
}

// CheckRequest is the input of CheckPreview.
type CheckRequest struct {
	Balance  Balance      `json:"balance"`
	Points   []CheckPoint `json:"points"`
	Occasion Occasion     `json:"occasion"`
}

// CheckReply is the output of CheckPreview.
type CheckReply struct {
	CheckResult
	BalanceWarnings []Warning `json:"balance_warnings,omitempty"`
}

// CheckPreview judges a balance check without a ledger: JSON in, JSON out (see CheckRequest and CheckReply), such as
//
//	{
//	  "balance": {"class": "II", "capacity": "32000 g", "readability": "0.1 g", "interval": "1 g",
//	              "repeatability": "0.2 g", "check_every_days": 1},
//	  "points": [
//	    {"nominal": "20 kg", "weight_class": "F1", "observed": "20000.1 g"},
//	    {"nominal": "25 kg", "weight_class": "F1", "observed": "25000.2 g", "weights": ["20 kg", "5 kg"]}
//	  ],
//	  "occasion": "in_service"
//	}
func CheckPreview(b []byte) ([]byte, error) {
	var request CheckRequest
	if err := decode(b, &request); err != nil {
		return nil, err
	}
	result, err := CheckBalance(request.Balance, request.Points, request.Occasion)
	if err != nil {
		return nil, err
	}
	return json.Marshal(CheckReply{result, request.Balance.Warnings()})
}

// decode reads one JSON document strictly.
func decode(b []byte, into any) error {
	if len(b) > maxPreview {
		return refusal.New(refusal.Exhausted, "JSON_TOO_LARGE", "", "an input of %d bytes is larger than the %d allowed", len(b), maxPreview)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			return refusal.Invalidf("JSON_MALFORMED", "", "the input goes on after its first JSON document; give one document")
		}
		return nil
	}
	if refusal.As(err) != nil {
		return err
	}
	if wrong := (*json.UnmarshalTypeError)(nil); errors.As(err, &wrong) {
		return refusal.Invalidf("JSON_MALFORMED", wrong.Field, "a JSON %s stands where something else is needed; compare it with the example in the help", wrong.Value).
			Because(err)
	}
	return refusal.Invalidf("JSON_MALFORMED", "", "the input is not the JSON document asked for (%s); compare it with the example in the help",
		strings.TrimPrefix(err.Error(), "json: ")).Because(err)
}
