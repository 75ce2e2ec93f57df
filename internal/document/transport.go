package document

import (
	"slices"
	"strconv"
	"strings"

	pb "barward/proto/barward/v1"
)

// ConsignmentAdvice prints what a mine announces to a refinery: boxes with seals and gross weights, bars with the
// weights and estimates that the record has.
func ConsignmentAdvice(p Paper, c *pb.Consignment, boxes []*pb.Box, bars []*pb.Bar) ([]byte, error) {
	if c.GetAdvised() == nil {
		return nil, incomplete("consignment", "A consignment advice needs the consignment as advised.")
	}
	s, err := newSheet(p, "Consignment advice", c.GetName())
	if err != nil {
		return nil, err
	}
	s.caution(sealCaution)
	s.consignment(c)
	s.heading("Boxes")
	s.boxes(boxes)
	s.heading("Bars")
	s.paragraph(smallStyle, "Weights are the last on record before arrival. Assays are the seller's estimates and "+
		"settle nothing.")
	var rows [][]string
	for i, b := range bars {
		w := beforeArrival(b)
		rows = append(rows, []string{strconv.Itoa(i + 1), b.GetName(), b.GetBox(), w.GetMass(), weighedWhen(w),
			assayWords(b.GetAssays())})
	}
	s.table("No bar is on record for these boxes.", []column{{title: "no.", right: true}, {title: "bar", strong: true},
		{title: "box"},
		{title: "weight", right: true, strong: true}, {title: "weighed"}, {title: "estimated assay"}}, rows)
	s.end(role{"Consignor", p.name(c.GetParty())}, role{"Witness at packing", ""})
	return s.output()
}

func (s *sheet) consignment(c *pb.Consignment) {
	carrier := "the consignor carries it itself"
	if c.GetAdvised().GetCarrier() != "" {
		carrier = s.paper.name(c.GetAdvised().GetCarrier())
	}
	s.fields(
		field{"consignor", s.paper.name(c.GetParty())},
		field{"consignee, refinery", s.paper.name(c.GetRefiner())},
		field{"agreement", c.GetAdvised().GetAgreement()},
		field{"carrier", carrier},
		field{"boxes and bars advised", strconv.Itoa(len(c.GetAdvised().GetBoxes())) + " boxes, " +
			strconv.Itoa(len(c.GetBars())) + " bars"},
		field{"total of last weights", c.GetAdvisedTotal()},
	)
}

func (s *sheet) boxes(boxes []*pb.Box) {
	var rows [][]string
	for i, b := range boxes {
		marks := make([]string, len(b.GetBars()))
		for j, bar := range b.GetBars() {
			marks[j] = short(bar)
		}
		rows = append(rows, []string{strconv.Itoa(i + 1), b.GetName(), strings.Join(b.GetSeals(), ", "),
			lastOf(b.GetWeights(), nil).GetMass(), strings.Join(marks, ", "), b.GetHolder()})
	}
	s.table("No box is on record.", []column{{title: "no.", right: true}, {title: "box", strong: true},
		{title: "seals on record"},
		{title: "gross", right: true}, {title: "bars inside"}, {title: "held by"}}, rows)
}

// beforeArrival is the last standing weight of a bar that was not taken at the refinery's door.
func beforeArrival(b *pb.Bar) *pb.WeightRecord {
	return lastWeight(b, pb.WeighingStage_WEIGHING_STAGE_POUR, pb.WeighingStage_WEIGHING_STAGE_RELEASE,
		pb.WeighingStage_WEIGHING_STAGE_TRANSIT)
}

// CustodyReceipt prints a hand-off as both sides signed it: what the giver says it gave beside what the taker says it
// took, box by box. Either entry may be nil: nobody signs for the other. An entry without recorded_at still waits to
// be sent.
func CustodyReceipt(p Paper, gave, took *pb.Entry, discrepancies []*pb.Discrepancy) ([]byte, error) {
	released, accepted := gave.GetEvent().GetReleased(), took.GetEvent().GetAccepted()
	giver, taker, consignment, mark := accepted.GetFromParty(), released.GetToParty(), released.GetConsignment(), ""
	switch {
	case released == nil && accepted == nil:
		return nil, incomplete("hand-off", "A custody receipt needs a release or an acceptance.")
	case accepted == nil:
		mark = "NOT ACCEPTED YET"
	case released == nil:
		mark, consignment = "NO RELEASE ON RECORD", accepted.GetConsignment()
	}
	if party, _, ok := strings.Cut(gave.GetAuthor(), "/"); ok && released != nil {
		giver = party
	}
	if party, _, ok := strings.Cut(took.GetAuthor(), "/"); ok && accepted != nil {
		taker = party
	}
	s, err := newSheet(p, "Custody receipt", consignment, mark)
	if err != nil {
		return nil, err
	}
	s.caution(sealCaution)
	count, listed := "", ""
	if accepted != nil {
		count = strconv.Itoa(int(accepted.GetCount()))
	}
	if released != nil {
		listed = strconv.Itoa(len(released.GetBoxes()))
	}
	s.table("", []column{{title: "", strong: true}, {title: "given by"}, {title: "taken by"}}, [][]string{
		{"party", p.name(giver), p.name(taker)},
		{"person", p.name(gave.GetAuthor()), p.name(took.GetAuthor())},
		{"when", instant(gave.GetEvent().GetOccurredAt()), instant(took.GetEvent().GetOccurredAt())},
		{"where", p.name(gave.GetEvent().GetPlace()), p.name(took.GetEvent().GetPlace())},
		{"entry in the ledger", entryOf(gave), entryOf(took)},
		{"boxes counted", listed, count},
	})
	s.fields(field{"to be taken over by", instant(released.GetAcceptBy())},
		field{"transport, by the giver", released.GetTransport()}, field{"remarks of the taker", accepted.GetRemarks()})
	s.heading("Boxes, as each side read them")
	s.table("No box is listed.", []column{{title: "box", strong: true}, {title: "seals, giver"}, {title: "seals, taker"},
		{title: "gross, giver", right: true}, {title: "gross, taker", right: true}, {title: "condition, giver"},
		{title: "condition, taker"}}, readings(released.GetBoxes(), accepted.GetBoxes()))
	s.heading("Discrepancies")
	waits := accepted != nil && took.GetRecordedAt() == ""
	if waits {
		s.paragraph(bodyStyle, "The taker's side waits to be sent, and the record has not judged it yet: print this receipt "+
			"again once it is recorded.")
	} else {
		s.paragraph(smallStyle, "Those that this hand-off raised, as they stand now.")
	}
	if len(discrepancies) > 0 || !waits {
		s.discrepancyTable(discrepancies)
	}
	s.paragraph(smallStyle, "This receipt passes possession, not ownership. Each side signs for its own side only.")
	s.end(role{"Given by", p.name(giver)}, role{"Taken by", p.name(taker)}, role{"Witness", ""})
	return s.output()
}

// entryOf is the number of an entry; one that the ledger has not taken yet has none.
func entryOf(e *pb.Entry) string {
	switch {
	case e == nil:
		return ""
	case e.GetRecordedAt() == "":
		return "waits to be sent"
	}
	return strconv.FormatUint(e.GetSequence(), 10)
}

// readings put what both sides read beside each other, in the order of the giver, then what only the taker saw.
func readings(gave, took []*pb.BoxReading) (rows [][]string) {
	seen := map[string]*pb.BoxReading{}
	for _, b := range took {
		seen[b.GetBox()] = b
	}
	add := func(box string, g, t *pb.BoxReading) {
		rows = append(rows, []string{box, sealWords(g), sealWords(t), g.GetGross(), t.GetGross(), condition(g), condition(t)})
	}
	for _, g := range gave {
		add(g.GetBox(), g, seen[g.GetBox()])
		delete(seen, g.GetBox())
	}
	for _, t := range took {
		if seen[t.GetBox()] != nil {
			add(t.GetBox(), nil, t)
		}
	}
	return rows
}

func sealWords(b *pb.BoxReading) string {
	if b != nil && len(b.GetSeals()) == 0 {
		return "no seal read"
	}
	return strings.Join(b.GetSeals(), ", ")
}

// condition: nobody is asked for one, so a paper that both sides sign does not turn silence into "sound". A box that
// nobody read has none.
func condition(b *pb.BoxReading) string {
	if b != nil && b.GetCondition() == "" {
		return "not stated"
	}
	return b.GetCondition()
}

func (s *sheet) discrepancies(list []*pb.Discrepancy) {
	s.heading("Discrepancies")
	s.discrepancyTable(list)
}

func (s *sheet) discrepancyTable(list []*pb.Discrepancy) {
	var rows [][]string
	for _, d := range list {
		state := word(d.GetState(), "DISCREPANCY_STATE_")
		if d.GetState() == pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED {
			state += ": " + word(d.GetDecision(), "DECISION_")
		}
		rows = append(rows, []string{d.GetName(), d.GetSubject(), d.GetWords(), empty(d.GetObserved()),
			empty(d.GetLimit()), state, d.GetAnswerable(), empty(d.GetClaimBy())})
	}
	s.table("None is on record.", []column{{title: "no.", strong: true}, {title: "of"}, {title: "what"},
		{title: "observed", right: true}, {title: "limit", right: true}, {title: "state"}, {title: "must answer"},
		{title: "claim by"}}, rows)
}

// ArrivalReport prints what came out of the boxes at the refinery's door, bar by bar, with what is missing and what
// was not advised.
func ArrivalReport(p Paper, c *pb.Consignment, boxes []*pb.Box, bars []*pb.Bar,
	discrepancies []*pb.Discrepancy) ([]byte, error) {
	if c.GetAdvised() == nil {
		return nil, incomplete("consignment", "An arrival report needs the consignment as advised.")
	}
	mark := ""
	missing := slices.DeleteFunc(slices.Clone(c.GetBars()), func(bar string) bool {
		return slices.Contains(c.GetReceived(), bar)
	})
	if len(missing) > 0 {
		mark = "NOT COMPLETE"
	}
	s, err := newSheet(p, "Arrival report", c.GetName(), mark)
	if err != nil {
		return nil, err
	}
	s.caution(cavityCaution)
	s.consignment(c)
	s.fields(field{"total of arrival weights", c.GetReceivedTotal()},
		field{"bars received", strconv.Itoa(len(c.GetReceived()))},
		field{"not received so far", none(strings.Join(missing, ", "))},
		field{"received, not advised", none(strings.Join(c.GetExtra(), ", "))})
	s.heading("Bars")
	var rows [][]string
	for i, b := range bars {
		step, w := lastStep(b, "received"), lastWeight(b, pb.WeighingStage_WEIGHING_STAGE_ARRIVAL)
		received, found := "not received", ""
		if step != nil {
			received, found = instant(step.GetOccurredAt())+"\n"+step.GetPerson(), none(findings(step))
		}
		rows = append(rows, []string{strconv.Itoa(i + 1), b.GetName(), b.GetBox(), beforeArrival(b).GetMass(), w.GetMass(),
			received, found})
	}
	s.table("No bar is on record.", []column{{title: "no.", right: true}, {title: "bar", strong: true}, {title: "box"},
		{title: "weight before", right: true}, {title: "weight on arrival", right: true, strong: true}, {title: "received"},
		{title: "findings"}}, rows)
	s.heading("Boxes and their seals")
	s.boxSeals(boxes)
	s.discrepancies(discrepancies)
	s.end(role{"Receiving clerk", ""}, role{"Second person at the opening", ""})
	return s.output()
}

// boxSeals prints the seals of each box as they were put on, as they were read at the last taking over, and as they
// were read at the opening: who signs the report sees where they part.
func (s *sheet) boxSeals(boxes []*pb.Box) {
	var rows [][]string
	for i, b := range boxes {
		var packed, taken, opened []string
		takenBy, openedBy := "", ""
		for _, step := range b.GetRoute() {
			switch step.GetAction() {
			case "packed":
				packed = append(packed, sealsOf(step))
			case "seal_replaced":
				packed = append(packed, sealsOf(step)+"; "+step.GetNote())
			case "accepted":
				taken, takenBy = []string{sealsOf(step)}, "by "+step.GetParty()
			case "received":
				if len(opened) == 0 {
					opened, openedBy = []string{sealsOf(step)}, step.GetPerson()
				}
			}
		}
		if opened == nil {
			opened = []string{"not opened"}
		}
		rows = append(rows, []string{strconv.Itoa(i + 1), b.GetName(), strings.Join(packed, "\n"),
			strings.TrimSpace(strings.Join(taken, "\n") + "\n" + takenBy),
			strings.TrimSpace(strings.Join(opened, "\n") + "\n" + openedBy), lastOf(b.GetWeights(), nil).GetMass()})
	}
	s.table("No box is on record.", []column{{title: "no.", right: true}, {title: "box", strong: true},
		{title: "seals, packed"}, {title: "seals, taken over"}, {title: "seals, read at opening"},
		{title: "gross", right: true}}, rows)
}

func sealsOf(step *pb.RouteStep) string {
	if len(step.GetSeals()) == 0 {
		return "no seal read"
	}
	return strings.Join(step.GetSeals(), ", ")
}

func findings(step *pb.RouteStep) string {
	said := slices.Clone(step.GetFindings())
	if step.GetNote() != "" {
		said = append(said, step.GetNote())
	}
	return strings.Join(said, "\n")
}
