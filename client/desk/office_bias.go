package desk

import (
	"context"
	"strconv"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// biasPage compares two laboratories, balances or accounts over time.
type biasPage struct {
	Form   *Form
	Of     []Option
	Mode   []Option
	Report *pb.ReportBiasResponse
	Chart  string
	Points []*pb.BiasPoint
	More   int
	Seen   Seen
}

// biasNames are the inputs of the settings. None has a value that is filled in: what counts as a bias is stated.
var biasNames = []string{"of", "element", "counterparty", "balance", "from_date", "to_date", "laboratory", "method",
	"sigma", "confidence", "shift", "decision", "lambda", "width", "borne", "places", "mode"}

var biasNeeded = []string{"of", "sigma", "confidence", "shift", "decision", "lambda", "width", "borne", "places",
	"mode"}

// bias shows the report and its chart.
func (v *visit) bias() error {
	f := v.queryForm(biasNames...)
	p := biasPage{Form: f, Of: choicesOf(pb.BiasOf_name, "BIAS_OF_", "choose"), Mode: []Option{{Value: "", Text: "choose"},
		{Value: "half_even", Text: "half to even"}, {Value: "half_up", Text: "half up"}, {Value: "down", Text: "down"}}}
	if v.r.URL.Query().Get("ask") != "" {
		for _, name := range biasNeeded {
			f.need(name, "State it; nothing is guessed.")
		}
		request, err := biasRequest(f)
		if err != nil && !f.refuse(err) {
			return err
		}
		if f.Good() {
			report, err := v.reportBias(request)
			if err != nil && !f.refuse(err) {
				return err
			}
			if err == nil {
				p.Report, p.Points, p.Chart = report, report.GetPoints(), "/office/bias.svg?"+f.query()
				if p.More = len(p.Points) - maxShownBars; p.More > 0 {
					p.Points = p.Points[p.More:]
				}
			}
		}
	}
	return v.show("office_bias.html", "Bias over time", p)
}

func biasRequest(f *Form) (*pb.ReportBiasRequest, error) {
	places, err := strconv.Atoi(f.Get("places"))
	if err != nil {
		return nil, refusal.Invalidf("PLACES_MALFORMED", "places", "Give a number of places, such as 3.")
	}
	settings := map[string]any{"rounding": map[string]any{"places": places, "mode": f.Get("mode")}}
	for _, name := range []string{"sigma", "confidence", "shift", "decision", "lambda", "width", "borne"} {
		settings[name] = f.Get(name)
	}
	return &pb.ReportBiasRequest{Of: pb.BiasOf(pb.BiasOf_value["BIAS_OF_"+f.Get("of")]), Element: f.Get("element"),
		Counterparty: f.Get("counterparty"), Balance: f.Get("balance"), FromDate: f.Get("from_date"), ToDate: f.Get("to_date"),
		Laboratory: f.Get("laboratory"), Method: f.Get("method"), SettingsJson: asJSON(settings)}, nil
}

func (v *visit) reportBias(request *pb.ReportBiasRequest) (*pb.ReportBiasResponse, error) {
	book, err := v.d.station.Book(v.ctx())
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(v.ctx(), v.d.c.Timeout)
	defer cancel()
	return book.ReportBias(ctx, request)
}

// biasChart draws the report of the same address.
func (v *visit) biasChart() error {
	request, err := biasRequest(v.queryForm(biasNames...))
	if err != nil {
		return v.nowhere()
	}
	report, err := v.reportBias(request)
	if err != nil {
		return err
	}
	return v.svg(report.GetChartSvg())
}
