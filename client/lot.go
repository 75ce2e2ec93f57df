package main

import (
	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type lotCmd struct {
	Open lotOpen `cmd:"" help:"Put received bars together for melting and settlement." example:"barward lot open L-1 --agreement A-7 --consignment ottermere/C-7 --bar OT-0412 --bar OT-0413"`
	List listCmd `cmd:"" help:"List lots." example:"barward lot list"`
	Show showCmd `cmd:"" help:"Show a lot." example:"barward lot show L-1"`
}

type lotOpen struct {
	Number      string   `arg:"" help:"Number of the lot."`
	Agreement   string   `required:"" help:"Agreement."`
	Consignment string   `help:"Consignment whose bars these are: short marks are then the consignor's."`
	Bar         []string `help:"Bars."`
	AllReceived bool     `help:"Every bar of the consignment that was received so far."`
	File        string   `help:"CSV: bar." type:"path"`
}

// Run records the opening.
func (c *lotOpen) Run(a *app) error {
	event := &pb.LotOpened{LotId: c.Number}
	var err error
	if event.Agreement, err = a.ref(c.Agreement); err != nil {
		return err
	}
	bars := c.Bar
	if c.File != "" {
		rows, err := a.readRows(c.File, []string{"bar"}, nil)
		if err != nil {
			return err
		}
		for _, r := range rows {
			bars = append(bars, r.cells["bar"])
		}
	}
	for _, bar := range bars {
		full := station.Beside(c.Consignment, bar)
		if full, err = a.ref(full); err != nil {
			return err
		}
		event.Bars = append(event.Bars, full)
	}
	if c.AllReceived {
		if c.Consignment == "" {
			return refusal.Invalidf("CONSIGNMENT_MISSING", "--consignment", "--all-received needs --consignment.")
		}
		thing, err := a.get(pb.ThingKind_THING_KIND_CONSIGNMENT, c.Consignment)
		if err != nil {
			return err
		}
		event.Bars = append(event.Bars, thing.GetConsignment().GetReceived()...)
	}
	return a.record(event)
}

type meltCmd struct {
	Record meltRecord `cmd:"" help:"Record the melt of a whole lot: weight before, weight after, slag." example:"barward melt record L-1 --balance M1 --before '99540.1 g' --after '99461.0 g' --slag '60.0 g'"`
	List   listCmd    `cmd:"" help:"List lots with their weights." thing:"lot" example:"barward melt list --filter 'state = \"MELTED\"'"`
	Show   showCmd    `cmd:"" help:"Show a lot with its melt." thing:"lot" example:"barward melt show L-1"`
}

type meltRecord struct {
	Lot     string `arg:"" help:"Lot."`
	Balance string `required:"" help:"Balance."`
	Before  string `required:"" help:"Mass charged."`
	After   string `required:"" help:"Mass of clean metal after the melt."`
	Slag    string `help:"Mass of slag and dross."`
	Unit    string `help:"Unit of masses written without one."`
}

// Run records the melt.
func (c *meltRecord) Run(a *app) error {
	say(a.complain, "%s", moltenCaution)
	event := &pb.Melted{}
	var err error
	if event.Lot, err = a.ref(c.Lot); err != nil {
		return err
	}
	if event.Balance, err = a.ref(c.Balance); err != nil {
		return err
	}
	for _, m := range []struct {
		flag, text string
		into       *string
	}{{"--before", c.Before, &event.Before}, {"--after", c.After, &event.After}, {"--slag", c.Slag, &event.Slag}} {
		if m.text == "" {
			continue
		}
		if *m.into, err = station.MassOf(m.text, c.Unit); err != nil {
			return refusal.In(err, m.flag)
		}
	}
	return a.record(event)
}

// lotAndFile returns the full name of a lot and the text of a file that is asked about together with it.
func (a *app) lotAndFile(lot, path string) (string, []byte, error) {
	text, err := a.input(path)
	if err != nil {
		return "", nil, err
	}
	if err := a.open(); err != nil {
		return "", nil, err
	}
	full, err := a.ref(lot)
	return full, text, err
}
