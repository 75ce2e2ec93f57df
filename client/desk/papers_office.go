package desk

import (
	"slices"
	"strconv"
	"strings"

	"barward/internal/document"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// The office's papers are printed from what the service says, each bound to the entry that its QR code leads to,
// which this desk proves before it prints.

// paperOn is what all papers have in common, resting on these entries; the first is proven. ?size=letter takes the
// other size of paper.
func (v *visit) paperOn(entries ...uint64) (document.Paper, error) {
	p := document.Paper{Printed: v.d.now(), PrintedBy: v.seat.Person}
	if v.r.URL.Query().Get("size") == "letter" {
		p.Size = document.Letter
	}
	p.Copy = v.r.URL.Query().Get("copy") != ""
	if len(entries) == 0 {
		return p, nil
	}
	first, err := v.d.station.Entry(v.ctx(), entries[0])
	if err != nil {
		return p, err
	}
	seen, ok := v.d.station.Seen()
	if !ok {
		return p, refusal.New(refusal.Unavailable, "LOG_NOT_SEEN", "",
			"This desk has not seen the log yet. Try again in a moment.")
	}
	for _, e := range entries { // an entry that came since the checkpoint was fetched
		if e >= seen.Size {
			if err := v.d.station.Advance(v.ctx()); err != nil {
				return p, err
			}
			seen, _ = v.d.station.Seen()
			break
		}
	}
	leaf := proof.LeafHash(first.GetLeaf())
	p.Proof = document.Proof{Origin: seen.Origin, Entries: entries, Leaf: leaf[:], Size: seen.Size, Root: seen.Root[:],
		At: v.d.now(), Verified: true}
	return p, nil
}

// freshThing fetches a thing from the service: a paper is not printed from what was seen before.
func (v *visit) freshThing(kind pb.ThingKind, name string) (*pb.Thing, error) {
	return v.d.station.Get(v.ctx(), kind, name)
}

func (v *visit) lotPaper(name string, print func(document.Paper, *pb.Lot) ([]byte, error)) ([]byte, error) {
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_LOT, name)
	if err != nil {
		return nil, err
	}
	lot := thing.GetLot()
	var entries []uint64
	for _, s := range lot.GetSteps() {
		entries = append(entries, s.GetEntry())
	}
	if len(entries) == 0 {
		entries = lot.GetEntries()
	}
	p, err := v.paperOn(entries...)
	if err != nil {
		return nil, err
	}
	return print(p, lot)
}

func (v *visit) exchangePaper(name string) ([]byte, error) {
	return v.lotPaper(name, document.ExchangeCertificate)
}

func (v *visit) umpirePaper(name string) ([]byte, error) {
	return v.lotPaper(name, document.UmpireCertificate)
}

func (v *visit) barsPaper(name string) ([]byte, error) {
	return v.lotPaper(name, func(p document.Paper, lot *pb.Lot) ([]byte, error) {
		bars, err := v.barsNamed(lot.GetBars())
		if err != nil {
			return nil, err
		}
		return document.BarList(p, "lot "+lot.GetName(), lot.GetReceived(), bars)
	})
}

// barsNamed fetches bars by their names.
func (v *visit) barsNamed(names []string) (bars []*pb.Bar, err error) {
	if len(names) > maxPaperBars {
		return nil, refusal.New(refusal.Exhausted, "PAPER_TOO_LONG", "",
			"A paper of %d bars is more than the %d that are printed at once. Export the list instead.", len(names), maxPaperBars)
	}
	for _, name := range names {
		thing, err := v.freshThing(pb.ThingKind_THING_KIND_BAR, name)
		if err != nil {
			return nil, err
		}
		bars = append(bars, thing.GetBar())
	}
	return bars, nil
}

func (v *visit) statementPaper(name string) ([]byte, error) {
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_STATEMENT, name)
	if err != nil {
		return nil, err
	}
	p, err := v.paperOn(thing.GetStatement().GetEntries()...)
	if err != nil {
		return nil, err
	}
	return document.SettlementStatement(p, thing.GetStatement())
}

func (v *visit) reconciliationPaper(name string) ([]byte, error) {
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_RETURN, name)
	if err != nil {
		return nil, err
	}
	p, err := v.paperOn(thing.GetReturn().GetEntry())
	if err != nil {
		return nil, err
	}
	return document.ReconciliationSheet(p, thing.GetReturn())
}

// consigned fetches a consignment with its boxes and bars.
func (v *visit) consigned(name string) (c *pb.Consignment, boxes []*pb.Box, bars []*pb.Bar, err error) {
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_CONSIGNMENT, name)
	if err != nil {
		return nil, nil, nil, err
	}
	c = thing.GetConsignment()
	for _, box := range c.GetAdvised().GetBoxes() {
		one, err := v.freshThing(pb.ThingKind_THING_KIND_BOX, box)
		if err != nil {
			return nil, nil, nil, err
		}
		boxes = append(boxes, one.GetBox())
	}
	bars, err = v.barsNamed(c.GetBars())
	return c, boxes, bars, err
}

func (v *visit) advicePaper(name string) ([]byte, error) {
	c, boxes, bars, err := v.consigned(name)
	if err != nil {
		return nil, err
	}
	p, err := v.paperOn(c.GetEntries()...)
	if err != nil {
		return nil, err
	}
	return document.ConsignmentAdvice(p, c, boxes, bars)
}

func (v *visit) arrivalPaper(name string) ([]byte, error) {
	c, boxes, bars, err := v.consigned(name)
	if err != nil {
		return nil, err
	}
	var raised []*pb.Discrepancy
	err = v.d.station.Walk(v.ctx(), pb.ThingKind_THING_KIND_DISCREPANCY, filterOf("consignment", c.GetName()),
		func(t *pb.Thing) bool {
			raised = append(raised, t.GetDiscrepancy())
			return len(raised) < maxPaperBars
		})
	if err != nil {
		return nil, err
	}
	p, err := v.paperOn(c.GetEntries()...)
	if err != nil {
		return nil, err
	}
	return document.ArrivalReport(p, c, boxes, bars, raised)
}

// receiptPaper prints a hand-off by the number of either side's entry. The other side's is found on the route of a box.
func (v *visit) receiptPaper(name string) ([]byte, error) {
	number, err := strconv.ParseUint(name, 10, 64)
	if err != nil {
		return nil, refusal.New(refusal.NotFound, "RECEIPT_UNKNOWN", "",
			"A receipt is named by the number of the entry by which a box was released or accepted.")
	}
	entry, err := v.d.station.Entry(v.ctx(), number)
	if err != nil {
		return nil, err
	}
	var released, accepted *pb.Entry
	var read []*pb.BoxReading
	switch e := entry.GetEvent(); {
	case e.GetReleased() != nil:
		released, read = entry, e.GetReleased().GetBoxes()
	case e.GetAccepted() != nil:
		accepted, read = entry, e.GetAccepted().GetBoxes()
	default:
		return nil, refusal.New(refusal.NotFound, "RECEIPT_UNKNOWN", "", "Entry %d is no hand-off.", number)
	}
	entries := []uint64{number}
	var raised []*pb.Discrepancy
	if len(read) > 0 {
		thing, err := v.freshThing(pb.ThingKind_THING_KIND_BOX, read[0].GetBox())
		if err != nil {
			return nil, err
		}
		if number, found := otherSide(thing.GetBox().GetRoute(), entry); found {
			other, err := v.d.station.Entry(v.ctx(), number)
			if err != nil {
				return nil, err
			}
			if entries = append(entries, number); other.GetEvent().GetReleased() != nil {
				released = other
			} else {
				accepted = other
			}
		}
	}
	// What a hand-off raised may be about any of its boxes, or about their count.
	consignment := entry.GetEvent().GetReleased().GetConsignment() + entry.GetEvent().GetAccepted().GetConsignment()
	err = v.d.station.Walk(v.ctx(), pb.ThingKind_THING_KIND_DISCREPANCY, filterOf("consignment", consignment),
		func(t *pb.Thing) bool {
			if d := t.GetDiscrepancy(); slices.Contains(entries, d.GetEntry()) {
				raised = append(raised, d)
			}
			return len(raised) < maxPaperBars
		})
	if err != nil {
		return nil, err
	}
	p, err := v.paperOn(entries...)
	if err != nil {
		return nil, err
	}
	return document.CustodyReceipt(p, released, accepted, raised)
}

// otherSide finds the entry by which the other side of a hand-off signed: the release before an acceptance, the
// acceptance after a release.
func otherSide(route []*pb.RouteStep, e *pb.Entry) (entry uint64, found bool) {
	party, _, _ := strings.Cut(e.GetAuthor(), "/")
	for _, s := range route {
		if r := e.GetEvent().GetReleased(); r != nil && s.GetAction() == "accepted" && s.GetParty() == r.GetToParty() &&
			s.GetCounterparty() == party && s.GetEntry() > e.GetSequence() {
			return s.GetEntry(), true
		}
		if a := e.GetEvent().GetAccepted(); a != nil && s.GetAction() == "released" && s.GetParty() == a.GetFromParty() &&
			s.GetCounterparty() == party && s.GetEntry() < e.GetSequence() {
			entry, found = s.GetEntry(), true // the latest before it
		}
	}
	return entry, found
}
