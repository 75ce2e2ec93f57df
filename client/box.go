package main

import (
	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type boxCmd struct {
	Pack  boxPack  `cmd:"" help:"Record bars put into a box under seals, or many boxes from a CSV file." example:"barward box pack B-3 --bar OT-0412 --bar OT-0413 --seal SN-101 --seal SN-102 --gross '26.1 kg'"`
	Weigh weighCmd `cmd:"" help:"Record a weighing of a sealed box." example:"barward box weigh ottermere/B-3 --stage transit --balance W2 --reading '26.1 kg' --reading '26.1 kg'"`
	List  listCmd  `cmd:"" help:"List boxes." example:"barward box list"`
	Show  showCmd  `cmd:"" help:"Show a box: bars, seals, who holds it." example:"barward box show B-3"`
}

type boxPack struct {
	Number string   `arg:"" optional:"" help:"Number of the box."`
	Bar    []string `help:"Bars inside."`
	Seal   []string `help:"Numbers of its seals."`
	Gross  string   `help:"Gross mass of the sealed box."`
	File   string   `help:"CSV: box, bars, seals, gross; several bars or seals in one cell stand apart by blanks." type:"path"`
	Unit   string   `help:"Unit of gross masses written without one."`
}

// Run records the packing.
func (c *boxPack) Run(a *app) error {
	if c.File == "" {
		event, err := c.pack(a, c.Number, c.Bar, c.Seal, c.Gross)
		if err != nil {
			return err
		}
		return a.record(event)
	}
	rows, err := a.readRows(c.File, []string{"box", "bars", "seals"}, []string{"gross"})
	if err != nil {
		return err
	}
	var events []proto.Message
	for _, r := range rows {
		event, err := c.pack(a, r.cells["box"], several(r.cells["bars"]), several(r.cells["seals"]), r.cells["gross"])
		if err != nil {
			return r.wrong("gross", err)
		}
		events = append(events, event)
	}
	return a.record(events...)
}

func (c *boxPack) pack(a *app, number string, bars, seals []string, gross string) (*pb.BoxPacked, error) {
	if number == "" || len(bars) == 0 || len(seals) == 0 {
		return nil, refusal.Invalidf("BOX_INCOMPLETE", "", "A box needs its number, its bars and its seals")
	}
	full, err := a.refs(bars)
	if err != nil {
		return nil, err
	}
	if gross != "" {
		if gross, err = station.MassOf(gross, c.Unit); err != nil {
			return nil, err
		}
	}
	return &pb.BoxPacked{BoxId: number, Bars: full, Seals: seals, Gross: gross}, nil
}

type consignmentCmd struct {
	Advise consignmentAdvise `cmd:"" help:"Announce boxes to a refinery." example:"barward consignment advise C-7 --agreement quillhaven/A-7 --carrier swiftmole --box B-1 --box B-2"`
	List   listCmd           `cmd:"" help:"List consignments." example:"barward consignment list"`
	Show   showCmd           `cmd:"" help:"Show a consignment: advised, received, totals." example:"barward consignment show C-7"`
}

type consignmentAdvise struct {
	Number    string   `arg:"" help:"Number of the consignment."`
	Agreement string   `required:"" help:"Agreement it is sold under."`
	Box       []string `required:"" help:"Boxes."`
	Carrier   string   `help:"Carrier's party; not given where the mine carries it itself."`
}

// Run records the advice.
func (c *consignmentAdvise) Run(a *app) error {
	event := &pb.ConsignmentAdvised{ConsignmentId: c.Number, Carrier: c.Carrier}
	var err error
	if event.Agreement, err = a.ref(c.Agreement); err != nil {
		return err
	}
	if event.Boxes, err = a.refs(c.Box); err != nil {
		return err
	}
	return a.record(event)
}
