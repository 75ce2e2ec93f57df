package desk

import (
	"barward/client/station"
	"barward/internal/document"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// The gold room's papers. What still waits in the outbox is printed too, because the bars lie on the bench now: the
// paper then says on every page that it is provisional and not in the ledger.

// pourPaper is the pour sheet.
func (v *visit) pourPaper(name string) ([]byte, error) {
	p, pour, bars, err := v.pourForPaper(name)
	if err != nil {
		return nil, err
	}
	return document.PourSheet(p, pour, bars)
}

// barLabelsPaper are the labels of a pour's bars.
func (v *visit) barLabelsPaper(name string) ([]byte, error) {
	p, _, bars, err := v.pourForPaper(name)
	if err != nil {
		return nil, err
	}
	var labels []document.BarLabel
	for _, bar := range bars {
		labels = append(labels, document.BarLabel{Bar: bar})
	}
	return document.BarLabels(p, labels)
}

// pourForPaper is a pour with its bars: from the record, or from what waits here.
func (v *visit) pourForPaper(name string) (document.Paper, *pb.Pour, []*pb.Bar, error) {
	party, number, ok := cutName(name)
	if !ok {
		return document.Paper{}, nil, nil, notHere("Pour " + name)
	}
	seen, err := v.pourSeen(party, number)
	if err != nil {
		return document.Paper{}, nil, nil, err
	}
	if seen.Waits {
		p, err := v.paperOn()
		p.Provisional = true
		pour, bars := v.pourThatWaits(seen)
		return p, pour, bars, err
	}
	p, err := v.paperOn(seen.Pour.GetEntries()...)
	if err != nil {
		return p, nil, nil, err
	}
	bars, err := v.barsNamed(seen.Pour.GetBars())
	return p, seen.Pour, bars, err
}

// pourThatWaits writes a pour that is not recorded yet as the book will, by the same room's rules.
func (v *visit) pourThatWaits(seen *pourView) (*pb.Pour, []*pb.Bar) {
	pour := &pb.Pour{Name: seen.Name, Party: v.seat.Party, Recorded: seen.Recorded, PouredAt: seen.at}
	var bars []*pb.Bar
	var total quantity.Mass
	b := v.balanceKnown(seen.Recorded.GetBalance())
	for _, poured := range seen.Recorded.GetBars() {
		bar := &pb.Bar{Name: v.seat.Party + "/" + poured.GetMark(), Party: v.seat.Party, Pour: seen.Name, State: pb.BarState_BAR_STATE_POURED}
		weight, words := station.Judge(b, poured.GetReadings())
		record := &pb.WeightRecord{Stage: pb.WeighingStage_WEIGHING_STAGE_POUR, Readings: poured.GetReadings(),
			Balance: seen.Recorded.GetBalance(), Party: v.seat.Party, WeighedAt: seen.at, Doubt: words}
		if b != nil {
			record.Mass, record.Spread = weight.Mass.String(), weight.Spread.String()
			total = total.Add(weight.Mass)
		}
		bar.Weights = []*pb.WeightRecord{record}
		bars = append(bars, bar)
		pour.Bars = append(pour.Bars, bar.GetName())
	}
	if b != nil {
		pour.Total = total.String()
		if expected, err := quantity.ParseMass(seen.Recorded.GetExpected()); err == nil {
			pour.AgainstExpected = total.Sub(expected).String()
		}
	}
	return pour, bars
}

// boxPaper is the label of a box. With a GS1 company prefix it bears an SSCC, whose serial number is that of the entry
// by which the box was packed.
func (v *visit) boxPaper(name string) ([]byte, error) {
	party, number, ok := cutName(name)
	if !ok {
		return nil, notHere("Box " + name)
	}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, err
	}
	for _, w := range waiting {
		if packed := w.event.GetBoxPacked(); packed.GetBoxId() == number && party == v.seat.Party {
			p, err := v.paperOn()
			if err != nil {
				return nil, err
			}
			p.Provisional = true
			return document.BoxLabels(p, []document.BoxLabel{{Box: &pb.Box{Name: name, Party: party, Bars: packed.GetBars(),
				Seals: packed.GetSeals()}}})
		}
	}
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_BOX, name)
	if err != nil {
		return nil, err
	}
	label := document.BoxLabel{Box: thing.GetBox()}
	var entry uint64
	for _, step := range thing.GetBox().GetRoute() {
		if step.GetAction() == "packed" {
			entry = step.GetEntry()
		}
	}
	p, err := v.paperOn(entry)
	if err != nil {
		return nil, err
	}
	if v.d.c.GS1Prefix != "" {
		if label.SSCC, err = document.NewSSCC(v.d.c.GS1Prefix, 0, entry); err != nil {
			return nil, err
		}
	}
	if c := thing.GetBox().GetConsignment(); c != "" {
		if of, _, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, c); err == nil {
			label.Consignee = of.GetConsignment().GetRefiner()
		}
	}
	return document.BoxLabels(p, []document.BoxLabel{label})
}

// packetPaper are the labels of a sample's packets.
func (v *visit) packetPaper(name string) ([]byte, error) {
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, err
	}
	for _, w := range waiting {
		if taken := w.event.GetSampleTaken(); taken != nil && v.seat.Party+"/"+taken.GetSampleId() == name {
			p, err := v.paperOn()
			if err != nil {
				return nil, err
			}
			p.Provisional = true
			return document.PacketLabels(p, &pb.Sample{Name: name, Party: v.seat.Party, Taken: taken,
				TakenAt: w.event.GetOccurredAt()})
		}
	}
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_SAMPLE, name)
	if err != nil {
		return nil, err
	}
	entries := thing.GetSample().GetEntries()
	if len(entries) == 0 {
		return nil, refusal.New(refusal.NotFound, "SAMPLE_UNKNOWN", "", "The record names no entry of sample %s.", name)
	}
	p, err := v.paperOn(entries[0])
	if err != nil {
		return nil, err
	}
	return document.PacketLabels(p, thing.GetSample())
}
