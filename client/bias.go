package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"

	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/chart"
	"barward/internal/reckoning"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type biasCmd struct {
	Report biasReport `cmd:"" help:"Two laboratories, balances or accounts over many lots: whether one is always ahead, since when, and what it has cost. From the record with --of, or from figures alone with --file." offline:"bias" example:"barward bias report --of exchange --element Au --settings settings.json --svg bias.svg"`
}

type biasReport struct {
	Of         string `help:"exchange, mine_against_settled, arrival_weight or statement_against_return."`
	Element    string `help:"Au, Ag and so on; not for arrival_weight."`
	Settings   string `help:"Settings of the statistics, JSON: sigma, confidence, shift, decision, lambda, width, borne, rounding." type:"path"`
	With       string `help:"Other party, to look at one only."`
	Balance    string `help:"Balance of the second weighing; arrival_weight only."`
	Laboratory string `help:"Party whose reports are taken instead of the mine's; mine_against_settled only."`
	Method     string `help:"Method of the reports taken; mine_against_settled only."`
	From       string `help:"First date of the lots or arrivals."`
	To         string `help:"Last date."`
	File       string `help:"Lots with both results and the settings, JSON, instead of the record; - for standard input." type:"path"`
	SVG        string `name:"svg" help:"File to write the control chart to." type:"path"`
}

// Run reports from the record or from figures.
func (c *biasReport) Run(a *app) error {
	if (c.File == "") == (c.Of == "") {
		return refusal.Invalidf("SOURCE_UNCLEAR", "--of", "Say either --of, to look at the record, or --file, for figures alone.")
	}
	if c.File != "" {
		return c.alone(a)
	}
	of, err := choose(pb.BiasOf_value, "BIAS_OF_", c.Of, "--of")
	if err != nil {
		return err
	}
	if c.Settings == "" {
		return refusal.Invalidf("SETTINGS_MISSING", "--settings", "What counts as a bias is not guessed. Give --settings FILE; testdata/examples/measurement/bias-settings.json is one to begin with.")
	}
	settings, err := a.input(c.Settings)
	if err != nil {
		return err
	}
	request := &pb.ReportBiasRequest{Of: pb.BiasOf(of), Element: c.Element, Counterparty: c.With, FromDate: c.From, ToDate: c.To,
		SettingsJson: string(settings), Laboratory: c.Laboratory, Method: c.Method}
	if request.Balance, err = a.ref(c.Balance); err != nil {
		return err
	}
	if err := a.open(); err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	report, err := a.book.ReportBias(ctx, request)
	if err != nil {
		return err
	}
	if err := a.writeChart(c.SVG, report.GetChartSvg()); err != nil {
		return err
	}
	t := table{columns: []string{"of", "date", "difference", "limit"}}
	var differences []float64
	for _, p := range report.GetPoints() {
		number, _, _ := strings.Cut(p.GetDifference(), " ")
		if v, err := strconv.ParseFloat(number, 64); err == nil {
			differences = append(differences, v)
		}
		t.add(p.GetOf(), p.GetDate(), p.GetDifference(), p.GetLimit())
	}
	switch a.g.Output {
	case "json":
		return a.show(t, report)
	case "csv":
		return a.showTable(t)
	}
	say(a.out, "%s\n\n", printable(report.GetWords()))
	a.sparkline("differences, oldest first", differences)
	a.sparkline("cumulative sum", running(differences))
	if n := report.GetLeftOut(); n > 0 {
		say(a.out, "%d left out: one of their two figures is missing.\n", n)
	}
	say(a.out, "\n")
	return a.showTable(t)
}

// alone reports from figures.
func (c *biasReport) alone(a *app) error {
	for _, flag := range []string{c.Element, c.Settings, c.With, c.Balance, c.Laboratory, c.Method, c.From, c.To} {
		if flag != "" {
			return refusal.Invalidf("SOURCE_UNCLEAR", "--file", "A file of figures says all; the flags that choose from the record do not fit beside it.")
		}
	}
	text, err := a.input(c.File)
	if err != nil {
		return err
	}
	in, err := assay.ReadBiasInput(text)
	if err != nil {
		return err
	}
	series, err := in.Series()
	if err != nil {
		return err
	}
	report, err := assay.BiasOf(series)
	if err != nil {
		return err
	}
	if err := a.writeChart(c.SVG, reckoning.BiasChart(series, report)); err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(report)
	}
	t := table{columns: []string{"of", "difference", "limit"}}
	var differences []float64
	for _, p := range series.Points {
		limit := ""
		if p.Limit.Sign() > 0 {
			limit = p.Limit.String() + " ppt"
		}
		t.add(p.Of, p.Difference.String()+" ppt", limit)
		differences = append(differences, p.Difference.Float())
	}
	if a.g.Output == "csv" {
		return a.showTable(t)
	}
	say(a.out, "%s\n\n", printable(report.Words))
	a.sparkline("differences, oldest first", differences)
	a.sparkline("cumulative sum", running(differences))
	say(a.out, "\n")
	return a.showTable(t)
}

func running(values []float64) []float64 {
	sums, sum := make([]float64, len(values)), 0.0
	for i, v := range values {
		sum += v
		sums[i] = sum
	}
	return sums
}

// sparkline prints a series as one line with its ends in figures, so that it says something without its heights too.
func (a *app) sparkline(name string, values []float64) {
	line, low, high := chart.Sparkline(values, min(60, a.width()-40))
	if line == "" {
		return
	}
	say(a.out, "%-26s %s  %.4g to %.4g\n", name, line, low, high)
}

// writeChart writes an SVG where a file was named.
func (a *app) writeChart(path, svg string) error {
	if path == "" {
		return nil
	}
	if err := os.WriteFile(path, []byte(svg), 0o600); err != nil {
		return refusal.Invalidf("FILE_NOT_WRITTEN", "--svg", "%s cannot be written: %v.", path, err).Because(err)
	}
	say(a.complain, "The chart is in %s.\n", path)
	return nil
}

type assayRecompute struct {
	Report string `arg:"" help:"Report, as number (ours) or party/number."`
}

// Run takes the signed entry from the log, proves that it is there, and computes its worksheet on this machine: the
// service is believed in nothing but which entry the report is.
func (c *assayRecompute) Run(a *app) error {
	if err := a.open(); err != nil {
		return err
	}
	name, err := a.ref(c.Report)
	if err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.book.RecomputeAssay(ctx, &pb.RecomputeAssayRequest{Report: name})
	if err != nil {
		return err
	}
	entry, err := a.entry(fmt.Sprint(answer.GetEntry()))
	if err != nil {
		return err
	}
	if _, err := a.included(entry); err != nil {
		return err
	}
	event := entry.GetEvent()
	reported := event.GetAssayReported()
	if reported == nil {
		reported = event.GetCorrected().GetAssayReported()
	}
	if party, number, _ := strings.Cut(name, "/"); reported.GetAssayId() != number || !strings.HasPrefix(entry.GetAuthor(), party+"/") {
		return a.station.Accuse(entry, fmt.Errorf("entry %d is not report %s", entry.GetSequence(), name))
	}
	computed, err := reckoning.Worksheet([]byte(reported.GetWorksheetJson()))
	if err != nil {
		return refusal.In(err, "worksheet")
	}
	results := reported.GetResults()
	if len(results) == 0 { // only the worksheet was signed; what it gave then, the book remembers
		results = answer.GetReported()
	}
	stated, err := station.PureResults(results)
	if err != nil {
		return err
	}
	same, words := assay.SameResults(stated, computed.Results)
	if a.g.Output == "json" {
		return a.showValue(map[string]any{"report": name, "entry": entry.GetSequence(), "agrees": same, "words": words,
			"reported": stated, "computed": computed, "worksheet": json.RawMessage(reported.GetWorksheetJson())})
	}
	mark := "✓"
	if !same {
		mark = "✗"
	}
	say(a.out, "%s %s, entry %d, signed by %s: %s\n\n", mark, name, entry.GetSequence(), entry.GetAuthor(), printable(words))
	return a.showFigures(computed)
}
