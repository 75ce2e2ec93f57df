package main

import (
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type sampleCompare struct {
	Bar     string `arg:"" help:"Bar."`
	Element string `required:"" help:"Au, Ag and so on."`
	Limit   string `required:"" help:"Largest range of the means that still counts as alike, parts per thousand." placeholder:"PPT"`
}

// Run puts the standing reports on a bar, and on the pour that it came from, sample by sample, to the room's comparison.
func (c *sampleCompare) Run(a *app) error {
	limit, err := quantity.ParseDecimal(c.Limit)
	if err != nil {
		return refusal.In(err, "--limit")
	}
	if err := assay.Element(c.Element).Check(); err != nil {
		return refusal.In(err, "--element")
	}
	thing, err := a.get(pb.ThingKind_THING_KIND_BAR, c.Bar)
	if err != nil {
		return err
	}
	var positions []assay.Position
	at := map[string]int{} // by sample
	for _, report := range thing.GetBar().GetAssays() {
		fineness, found := fineness(report, c.Element)
		if report.GetSupersededBy() != 0 || !found {
			continue
		}
		i, known := at[report.GetSample()]
		if !known {
			sample, err := a.get(pb.ThingKind_THING_KIND_SAMPLE, report.GetSample())
			if err != nil {
				return err
			}
			i = len(positions)
			at[report.GetSample()] = i
			positions = append(positions, assay.Position{Name: sampleWords(sample.GetSample())})
		}
		positions[i].Values = append(positions[i].Values, fineness)
	}
	compared, err := assay.Compare(positions, limit)
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(compared)
	}
	return a.showFigures(compared)
}

// sampleWords names a sample by how and where it was taken, such as `drill top A1 (ottermere/S-1)`.
func sampleWords(s *pb.Sample) string {
	return join(" ", word(s.GetTaken().GetMethod()), strings.Join(s.GetTaken().GetPositions(), ", "), "("+s.GetName()+")")
}

// fineness finds what a report says of an element.
func fineness(report *pb.AssayRecord, element string) (quantity.Fineness, bool) {
	for _, r := range report.GetResults() {
		if r.GetElement() == element {
			f, err := quantity.ParseFineness(r.GetFineness())
			return f, err == nil
		}
	}
	return quantity.Fineness{}, false
}
