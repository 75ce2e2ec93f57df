// Package reckoning lists the computations that run from figures alone, JSON in and JSON out, and draws what they give.
//
// The client runs them without a service, and the service runs them for programs that are not this client; both find them
// here by one name, so that they cannot differ. The rules are those of the pure rooms that it calls; none is here.
package reckoning

import (
	"encoding/json"
	"fmt"
	"slices"

	"barward/internal/assay"
	"barward/internal/chart"
	"barward/internal/settlement"
	"barward/internal/weighing"
)

// Compute are the computations by name. Each refuses figures that it cannot read with a *refusal.Error.
var Compute = map[string]func([]byte) (any, error){
	"balance_check": func(b []byte) (any, error) { return raw(weighing.CheckPreview(b)) },
	"weighings":     func(b []byte) (any, error) { return raw(weighing.ComparePreview(b)) },
	"fine_mass":     func(b []byte) (any, error) { return raw(weighing.FineMassPreview(b)) },
	"worksheet":     func(b []byte) (any, error) { return Worksheet(b) },
	"replicates":    func(b []byte) (any, error) { return assay.ReadAccept(b) },
	"parting":       func(b []byte) (any, error) { return assay.ReadParting(b) },
	"homogeneity":   func(b []byte) (any, error) { return assay.ReadHomogeneity(b) },
	"blend":         func(b []byte) (any, error) { return assay.ReadBlend(b) },
	"scores":        func(b []byte) (any, error) { return assay.ReadScores(b) },
	"bias":          func(b []byte) (any, error) { return assay.ReadBias(b) },
	"exchange":      func(b []byte) (any, error) { return assay.ExchangePreview(b) },
	"umpire":        func(b []byte) (any, error) { return assay.ReadAdvice(b) },
	"statement":     func(b []byte) (any, error) { return settlement.Preview(b) },
	"return":        func(b []byte) (any, error) { return settlement.ComparePreview(b) },
}

func raw(text []byte, err error) (any, error) {
	if err != nil {
		return nil, err
	}
	return json.RawMessage(text), nil
}

// Worksheet reads and computes a fire assay worksheet.
func Worksheet(b []byte) (assay.WorksheetResult, error) {
	sheet, err := assay.ReadWorksheet(b)
	if err != nil {
		return assay.WorksheetResult{}, err
	}
	return sheet.Compute()
}

// Words returns what a document says in plain words: its "words" or "verdict"; empty where it has none.
func Words(document []byte) string {
	var said struct {
		Words   any    `json:"words"`
		Verdict string `json:"verdict"`
	}
	if json.Unmarshal(document, &said) != nil {
		return ""
	}
	switch words := said.Words.(type) {
	case string:
		return words
	case []any:
		text := ""
		for i, w := range words {
			if i > 0 {
				text += " "
			}
			text += fmt.Sprint(w)
		}
		return text
	}
	return said.Verdict
}

// BiasChart draws a bias report: the differences with their mean, the limits of the chart of individuals and the moving
// average above; the two cumulative sums with their decision interval below. The signal is marked through both.
func BiasChart(s assay.Series, r assay.BiasReport) string {
	c := chart.Chart{Title: fmt.Sprintf("%s: %s less %s", s.What, s.First, s.Second), Description: r.Words}
	above := chart.Panel{
		Title: "differences (● inside their limit, □ beyond it), and their moving average", Unit: s.Unit,
		Lines: []chart.Line{{Label: "moving average", Values: r.Average.Values, Dash: "8 3"}},
		Rules: []chart.Rule{{Label: "0", Value: 0}, {Label: "mean", Value: r.Mean, Dash: "12 4"},
			{Label: "mean + 3 s", Value: r.Charted.Upper, Dash: "2 3"}, {Label: "mean − 3 s", Value: r.Charted.Lower, Dash: "2 3"}},
	}
	if limit := s.Points[0].Limit; limit.Sign() > 0 && !slices.ContainsFunc(s.Points, func(p assay.Paired) bool { return !p.Limit.Equal(limit) }) {
		above.Rules = append(above.Rules, chart.Rule{Label: "limit agreed", Value: limit.Float(), Dash: "10 2 2 2"}, chart.Rule{Label: "limit agreed", Value: -limit.Float(), Dash: "10 2 2 2"})
	}
	for _, p := range s.Points {
		above.Points = append(above.Points, chart.Point{Label: p.Of, Value: p.Difference.Float(), Outside: p.Limit.Sign() > 0 && p.Limit.Less(p.Difference.Abs())})
		c.Places = append(c.Places, p.Of)
	}
	low := make([]float64, len(r.Cusum.Low))
	for i, v := range r.Cusum.Low {
		low[i] = -v
	}
	below := chart.Panel{
		Title: "cumulative sums: upward above 0, downward below", Unit: s.Unit,
		Lines: []chart.Line{{Label: "upward", Values: r.Cusum.High}, {Label: "downward", Values: low, Dash: "6 2"}},
		Rules: []chart.Rule{{Label: "0", Value: 0}, {Label: "signal above", Value: r.Interval, Dash: "2 3"}, {Label: "signal below", Value: -r.Interval, Dash: "2 3"}},
	}
	c.Panels = []chart.Panel{above, below}
	if r.Found {
		c.Marks = []chart.Mark{{Label: "signal at " + r.SignalLot, At: r.Cusum.Signal}}
	}
	return c.SVG()
}
