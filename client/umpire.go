package main

import (
	"encoding/json"
	"strings"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// exchangeSilence declares that the other side let its day pass.
type exchangeSilence struct {
	Lot string `arg:"" help:"Lot."`
}

// Run records the declaration. Whether the day is past and our own result is in, the exchange says.
func (c *exchangeSilence) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	return a.record(&pb.SilenceDeclared{Lot: lot})
}

// exchangeUmpireAdvise forecasts what the umpire would bring: for an element of a lot on record, or from figures alone.
type exchangeUmpireAdvise struct {
	Lot     string `help:"Lot on record: results, limits, weight, payable share and last price come from there."`
	Element string `help:"Element in dispute; with --lot."`
	File    string `required:"" help:"The figures, JSON; with --lot the laboratories' precision and bias and the fee; - for standard input." type:"path"`
}

// Run asks the service only where a lot is named.
func (c *exchangeUmpireAdvise) Run(a *app) error {
	if c.Lot == "" {
		if c.Element != "" {
			return refusal.Invalidf("LOT_MISSING", "--element", "--element goes with --lot; from figures alone, the terms in the file name the element.")
		}
		return a.compute("umpire", c.File)
	}
	if c.Element == "" {
		return refusal.Invalidf("ELEMENT_MISSING", "--element", "--lot needs --element, such as Ag.")
	}
	lot, text, err := a.lotAndFile(c.Lot, c.File)
	if err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.settle.AdviseUmpire(ctx, &pb.AdviseUmpireRequest{Lot: lot, Element: c.Element, FiguresJson: string(text)})
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(json.RawMessage(answer.GetDocumentJson()))
	}
	if a.g.Output == "table" { // the words first; the figures under them
		for _, line := range strings.Split(answer.GetWords(), "\n") {
			say(a.out, "%s\n", printable(line))
		}
		say(a.out, "\n")
	}
	return a.showAdvice([]byte(answer.GetDocumentJson()))
}

// showAdvice prints the figures of an advice; its words have been said.
func (a *app) showAdvice(document []byte) error {
	figures, err := flatten(document)
	if err != nil {
		return err
	}
	t := table{columns: []string{"figure", "value"}}
	for _, f := range figures {
		if !strings.HasPrefix(f.label, "advice.words") && !strings.HasPrefix(f.label, "input.terms.") {
			t.add(f.label, f.value)
		}
	}
	return a.showTable(t)
}
