package main

import (
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type handoffCmd struct {
	Release  handoffRelease  `cmd:"" help:"Say what you gave away: boxes with their seals as you read them." example:"barward handoff release C-7 --to swiftmole --accept-by 2026-03-02T09:00:00-05:00 --box B-1=SN-101+SN-102 --box B-2=SN-103"`
	Accept   handoffAccept   `cmd:"" help:"Say what you took over, by your own count and reading." example:"barward handoff accept ottermere/C-7 --from ottermere --count 2 --box B-1=SN-101+SN-102 --box B-2=SN-103"`
	Seal     handoffSeal     `cmd:"" help:"Record a seal exchanged for another." example:"barward handoff seal ottermere/B-1 --removed SN-101 --new SN-201 --reason 'customs opened it'"`
	Incident handoffIncident `cmd:"" help:"Record anything that went wrong." example:"barward handoff incident ottermere/C-7 --describe 'truck stood two hours at the gate'"`
	List     listCmd         `cmd:"" help:"List boxes with who holds them." thing:"box" example:"barward handoff list"`
	Show     showCmd         `cmd:"" help:"Show a box with every hand-off." thing:"box" example:"barward handoff show ottermere/B-1"`
}

// boxReadings are the boxes of a hand-off: by flags, from CSV, or as a scanner types them.
type boxReadings struct {
	Box  []string `sep:"none" help:"box=seal+seal; repeat for more." placeholder:"BOX=SEAL+SEAL"`
	File string   `help:"CSV: box, seals, gross, condition. With - as a scanner types it: a box and its seals a line, on standard input." type:"path"`
	Unit string   `help:"Unit of gross masses written without one."`
}

func (c boxReadings) read(a *app, consignment string) (boxes []*pb.BoxReading, err error) {
	add := func(box string, seals []string, gross, condition string) error {
		if gross != "" {
			if gross, err = station.MassOf(gross, c.Unit); err != nil {
				return err
			}
		}
		boxes = append(boxes, &pb.BoxReading{Box: station.Beside(consignment, box), Seals: seals, Gross: gross,
			Condition: condition})
		return nil
	}
	for _, text := range c.Box {
		box, seals, _ := strings.Cut(text, "=")
		if err := add(strings.TrimSpace(box), several(seals), "", ""); err != nil {
			return nil, err
		}
	}
	switch c.File {
	case "":
		return boxes, nil
	case "-":
		for {
			text, err := a.line()
			if err != nil {
				return boxes, endOfInput(err)
			}
			if words := several(text); len(words) > 0 {
				if err := add(words[0], words[1:], "", ""); err != nil {
					return nil, err
				}
			}
		}
	}
	rows, err := a.readRows(c.File, []string{"box", "seals"}, []string{"gross", "condition"})
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		if err := add(r.cells["box"], several(r.cells["seals"]), r.cells["gross"], r.cells["condition"]); err != nil {
			return nil, r.wrong("gross", err)
		}
	}
	return boxes, nil
}

type handoffRelease struct {
	Consignment string `arg:"" help:"Consignment."`
	To          string `required:"" help:"Party that takes it."`
	AcceptBy    string `help:"Instant by which it must accept, RFC 3339." placeholder:"TIME"`
	Transport   string `help:"Vehicle, flight or waybill."`
	boxReadings `embed:""`
}

// Run records the release.
func (c *handoffRelease) Run(a *app) error {
	consignment, err := a.ref(c.Consignment)
	if err != nil {
		return err
	}
	if _, err := time.Parse(time.RFC3339, c.AcceptBy); c.AcceptBy != "" && err != nil {
		return refusal.Invalidf("TIME_MALFORMED", "--accept-by", "%q is no instant; write RFC 3339 with a zone.",
			c.AcceptBy)
	}
	boxes, err := c.read(a, consignment)
	if err != nil {
		return err
	}
	return a.record(&pb.Released{Consignment: consignment, ToParty: c.To, AcceptBy: c.AcceptBy,
		Transport: c.Transport, Boxes: boxes})
}

type handoffAccept struct {
	Consignment string `arg:"" help:"Consignment."`
	From        string `required:"" help:"Party that gave it."`
	Count       int32  `required:"" help:"Boxes that you counted yourself."`
	Remarks     string `help:"Remarks."`
	boxReadings `embed:""`
}

// Run records the acceptance.
func (c *handoffAccept) Run(a *app) error {
	consignment, err := a.ref(c.Consignment)
	if err != nil {
		return err
	}
	boxes, err := c.read(a, consignment)
	if err != nil {
		return err
	}
	return a.record(&pb.Accepted{Consignment: consignment, FromParty: c.From, Count: c.Count, Boxes: boxes,
		Remarks: c.Remarks})
}

type handoffSeal struct {
	Box     string `arg:"" help:"Box."`
	Removed string `required:"" help:"Number of the seal taken off."`
	New     string `required:"" help:"Number of the seal put on."`
	Reason  string `required:"" help:"Why."`
}

// Run records the exchange of seals.
func (c *handoffSeal) Run(a *app) error {
	box, err := a.ref(c.Box)
	if err != nil {
		return err
	}
	return a.record(&pb.SealReplaced{Box: box, RemovedSeal: c.Removed, NewSeal: c.New, Reason: c.Reason})
}

type handoffIncident struct {
	Subject  string `arg:"" help:"Bar, box or consignment."`
	Describe string `required:"" help:"What happened."`
}

// Run records the incident.
func (c *handoffIncident) Run(a *app) error {
	subject, err := a.ref(c.Subject)
	if err != nil {
		return err
	}
	return a.record(&pb.IncidentReported{Subject: subject, Description: c.Describe})
}
