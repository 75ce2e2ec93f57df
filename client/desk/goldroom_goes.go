package desk

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"

	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// consignmentLine is a consignment of this mine, where it stands and what can be printed of it.
type consignmentLine struct {
	Name, Number, Refiner string
	Here                  bool // it lies here and can be released
	Waits                 bool // its advice waits in the outbox
	Words                 string
}

// consignmentLines says where consignments stand: by the record, and by what waits in the outbox.
func (v *visit) consignmentLines(things []*pb.Thing) ([]consignmentLine, error) {
	boxes, _, err := v.boxesAtHand()
	if err != nil {
		return nil, err
	}
	here := func(name string) bool {
		return slices.ContainsFunc(boxes, func(b boxAtHand) bool { return b.Consignment == name })
	}
	var lines []consignmentLine
	known := map[string]bool{}
	for _, thing := range things {
		c := thing.GetConsignment()
		known[c.GetName()] = true
		line := consignmentLine{Name: c.GetName(), Number: shortName(v.seat.Party, c.GetName()), Refiner: c.GetRefiner(),
			Here: here(c.GetName())}
		switch {
		case line.Here:
			line.Words = "lies here, not released yet"
		case c.GetBarsReceived() > 0:
			line.Words = fmt.Sprintf("%d of %s received", c.GetBarsReceived(), count(int(c.GetBarsAdvised()), "bar"))
		default:
			line.Words = "released, none of " + count(int(c.GetBarsAdvised()), "bar") + " received yet"
		}
		lines = append(lines, line)
	}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, err
	}
	for _, w := range waiting {
		name := v.seat.Party + "/" + w.event.GetConsignmentAdvised().GetConsignmentId()
		if w.event.GetConsignmentAdvised() != nil && !known[name] {
			lines = append(lines, consignmentLine{Name: name, Number: shortName(v.seat.Party, name), Here: here(name),
				Waits: true, Words: "its advice waits to be sent"})
		}
	}
	return lines, nil
}

// consignmentsLately are the last consignments, the latest first. Without a link and without a memory of them it shows
// those that wait.
func (v *visit) consignmentsLately() ([]consignmentLine, error) {
	things, _, err := v.collect(pb.ThingKind_THING_KIND_CONSIGNMENT, filterOf("party", v.seat.Party))
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	lines, err := v.consignmentLines(things[max(0, len(things)-lately):])
	slices.Reverse(lines)
	return lines, err
}

// consignments lists the consignments of the party, a page at a time.
func (v *visit) consignments() error {
	token := v.r.URL.Query().Get("after")
	list, seen, err := v.page(pb.ThingKind_THING_KIND_CONSIGNMENT, filterOf("party", v.seat.Party), token, pageSize)
	if err != nil {
		return err
	}
	lines, err := v.consignmentLines(list.GetThings())
	if err != nil {
		return err
	}
	return v.show("goldroom_goes.html", "Consignments", map[string]any{"Lines": lines,
		"Next": list.GetNextPageToken(), "First": token == "", "Seen": seen})
}

// handedPaper is the custody receipt of a consignment's release, found on the route of its first box.
func (v *visit) handedPaper(name string) ([]byte, error) {
	thing, err := v.freshThing(pb.ThingKind_THING_KIND_CONSIGNMENT, name)
	if err != nil {
		return nil, err
	}
	if boxes := thing.GetConsignment().GetAdvised().GetBoxes(); len(boxes) > 0 {
		box, err := v.freshThing(pb.ThingKind_THING_KIND_BOX, boxes[0])
		if err != nil {
			return nil, err
		}
		for _, step := range box.GetBox().GetRoute() {
			if step.GetAction() == "released" {
				return v.receiptPaper(strconv.FormatUint(step.GetEntry(), 10))
			}
		}
	}
	return nil, refusal.New(refusal.Precondition, "NOT_RELEASED", "",
		"Consignment %s is not on record as released yet, so there is no receipt. Release it, or wait for the link.", name)
}

// unwitnessed are the pours that no second person has signed, as far as their bars are still held here: after that the
// metal itself can no longer be looked at.
func (v *visit) unwitnessed() ([]Option, error) {
	if v.seat.Kind != identity.Mine || !v.seat.May(identity.Countersigned) || !mayWitness(roleNames(v.seat.Roles)) {
		return nil, nil
	}
	bars, _, err := v.collect(pb.ThingKind_THING_KIND_BAR, filterOf("holder", v.seat.Party))
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, err
	}
	var list []Option
	asked := map[string]bool{}
	for _, thing := range bars {
		bar := thing.GetBar()
		name := bar.GetPour()
		if asked[name] || bar.GetParty() != v.seat.Party {
			continue
		}
		asked[name] = true
		of, _, err := v.get(pb.ThingKind_THING_KIND_POUR, name)
		if station.Unreachable(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		pour := of.GetPour()
		signed := slices.ContainsFunc(waiting, func(w waitingEvent) bool {
			return w.event.GetCountersigned() != nil && v.isOf(w, pour)
		})
		if party, number, ok := cutName(name); ok && len(pour.GetWitnesses()) == 0 && !signed {
			list = append(list, Option{Value: "/goldroom/pours/" + party + "/" + url.PathEscape(number),
				Text: "Pour " + number + ", " + count(len(pour.GetBars()), "bar") + ", " + instantWords(pour.GetPouredAt())})
		}
	}
	return list, nil
}
