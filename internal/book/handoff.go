package book

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"barward/internal/custody"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// findingKinds says under which kind a finding of the custody room is filed.
var findingKinds = map[custody.FindingKind]pb.DiscrepancyKind{
	custody.SealBroken: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, custody.SealMissing: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL,
	custody.SealUnknown: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, custody.SealMismatched: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL,
	custody.SealReused: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, custody.AcceptedLate: pb.DiscrepancyKind_DISCREPANCY_KIND_ACCEPTED_LATE,
	custody.NotAccepted: pb.DiscrepancyKind_DISCREPANCY_KIND_ACCEPTED_LATE, custody.CountShort: pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT,
	custody.CountOver: pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT, custody.IncidentReported: pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT,
}

// follow takes a box one step further along its custody, keeps what the record says of it now, and files what does not
// fit. The party that must answer for a finding is the one named answerable, or who recorded the step if none is.
func (f *fold) follow(field string, box *pb.Box, step custody.Step, route *pb.RouteStep, answerable string) error {
	step.Party, step.At, step.Ref, step.Place = f.who.PartyID, f.at, fmt.Sprint(f.entry.Seq), f.event.Place
	if err := step.Check(); err != nil {
		return refusal.In(err, field)
	}
	var state custody.State
	if box.CustodyJson != "" {
		if err := json.Unmarshal([]byte(box.CustodyJson), &state); err != nil {
			return refusal.New(refusal.DataLoss, "BOOK_UNREADABLE", "", "the book's custody of box %s cannot be read; stop and rebuild it", box.Name).Because(err)
		}
	}
	state, findings := custody.Next(state, step)
	kept, err := json.Marshal(state)
	if err != nil {
		return err
	}
	box.CustodyJson, box.Holder, box.Seals = string(kept), state.Holder, state.Seals
	for _, name := range box.Bars { // what is in a box is where the box is
		if bar, ok := bars.load(&f.store, name); ok && bar.Box == box.Name && bar.State == pb.BarState_BAR_STATE_PACKED && bar.Holder != box.Holder {
			bars.change(&f.store, name)
			bar.Holder = box.Holder
		}
	}
	box.ReleasedTo, box.AcceptBy = "", ""
	if state.Release != nil {
		box.ReleasedTo = state.Release.To
		if !state.Release.Deadline.IsZero() {
			box.AcceptBy = state.Release.Deadline.Format(time.RFC3339)
		}
	}
	terms, _ := f.agreementOf(box.Consignment)
	for _, finding := range findings {
		kind, ok := findingKinds[finding.Kind]
		if !ok {
			kind = pb.DiscrepancyKind_DISCREPANCY_KIND_CUSTODY
		}
		who := answerable
		if who == "" || finding.Kind == custody.AcceptedLate {
			who = f.who.PartyID
		}
		d := &pb.Discrepancy{Kind: kind, Subject: box.Name, Rule: custodyRules[kind], Words: finding.Text, Answerable: who,
			Limit: strings.Join(finding.Expected, ", "), Observed: strings.Join(finding.Found, ", "), Parties: join(box.Parties, finding.Other), Consignment: box.Consignment}
		if kind == pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL {
			d.ClaimBy, d.ClaimSilence = f.claimBy(terms, settlement.ClaimSeal), silence(terms, settlement.ClaimSeal)
		}
		if finding.Kind == custody.AcceptedLate {
			d.Observed = f.event.OccurredAt
		}
		f.raise(d)
		if route != nil {
			route.Findings = append(route.Findings, finding.Text)
		}
	}
	if route != nil {
		if err := count("route", len(box.Route)+1, 1, maxRoute); err != nil {
			return err
		}
		box.Route = append(box.Route, route)
	}
	return nil
}

var custodyRules = map[pb.DiscrepancyKind]string{
	pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL:          "the seals read are the seals on record, whole and used once",
	pb.DiscrepancyKind_DISCREPANCY_KIND_ACCEPTED_LATE: "what is released is accepted by the agreed instant",
	pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT:     "what is counted is what was given",
	pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT:      "whatever goes wrong is reported and answered",
	pb.DiscrepancyKind_DISCREPANCY_KIND_CUSTODY:       "one party at a time holds a box, and only the holder gives it away",
	pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION:     "boxes and bars are sound",
}

// readBoxes checks the list of boxes that somebody saw at a hand-off.
func (f *fold) readBoxes(list []*pb.BoxReading, least int) error {
	if err := count("boxes", len(list), least, maxBoxes); err != nil {
		return err
	}
	seen := map[string]bool{}
	for i, r := range list {
		at := fmt.Sprintf("boxes[%d]", i)
		if seen[r.Box] {
			return refusal.Invalidf("BOX_REPEATED", at+".box", "box %s is listed twice; list each once", clip(r.Box))
		}
		seen[r.Box] = true
		if err := count(at+".seals", len(r.Seals), 0, maxSeals); err != nil {
			return err
		}
		for n, seal := range r.Seals {
			if err := number(fmt.Sprintf("%s.seals[%d]", at, n), seal); err != nil {
				return err
			}
		}
		if _, err := optionalMass(at+".gross", r.Gross); err != nil {
			return err
		}
		if err := text(at+".condition", r.Condition, maxCondition, false); err != nil {
			return err
		}
	}
	return nil
}

// weighBox files the gross weight of a box that somebody stated at a hand-off, compared with the one before.
func (f *fold) weighBox(box *pb.Box, r *pb.BoxReading, stage pb.WeighingStage, step *pb.RouteStep) error {
	if r.Gross == "" {
		return nil
	}
	if err := count("weights", len(box.Weights)+1, 1, maxWeights); err != nil {
		return err
	}
	now := &pb.WeightRecord{Stage: stage, Mass: r.Gross, Party: f.who.PartyID, Site: f.event.Place, WeighedAt: f.event.OccurredAt, Entry: f.entry.Seq}
	step.Mass = r.Gross
	if err := f.compareBox(box, standing(box.Weights), now, step); err != nil {
		return err
	}
	box.Weights = append(box.Weights, now)
	return nil
}

func (f *fold) released(e *pb.Released) error {
	c, err := alter(f, consignments, "consignment", e.Consignment)
	if err != nil {
		return err
	}
	if _, ok := parties.load(&f.store, e.ToParty); !ok {
		return unknown("to_party", "party", e.ToParty)
	}
	if e.ToParty == f.who.PartyID {
		return refusal.Invalidf("HANDOFF_TO_ONESELF", "to_party", "a hand-off has two sides; name the party that takes the boxes")
	}
	var deadline time.Time
	if e.AcceptBy != "" {
		if deadline, err = instant("accept_by", e.AcceptBy); err != nil {
			return err
		}
	}
	if err := text("transport", e.Transport, maxName, false); err != nil {
		return err
	}
	if err := f.readBoxes(e.Boxes, 1); err != nil {
		return err
	}
	c.Parties = join(c.Parties, e.ToParty)
	f.row(c.Name, rowEntry, "")
	f.about(consignments, c.Name)
	for i, r := range e.Boxes {
		at := fmt.Sprintf("boxes[%d]", i)
		box, err := f.boxOf(at, r.Box, c)
		if err != nil {
			return err
		}
		box.Parties = join(box.Parties, e.ToParty)
		step := f.step("released")
		step.Counterparty, step.Seals, step.AcceptBy, step.Note = e.ToParty, r.Seals, e.AcceptBy, e.Transport
		if err := f.weighBox(box, r, pb.WeighingStage_WEIGHING_STAGE_RELEASE, step); err != nil {
			return err
		}
		if err := f.follow(at, box, custody.Step{Kind: custody.Released, Counterparty: e.ToParty, Seals: r.Seals, Deadline: deadline, Condition: r.Condition}, step, ""); err != nil {
			return err
		}
		f.condition(box, r.Condition, "")
	}
	return nil
}

// boxOf returns a box of a consignment to be changed.
func (f *fold) boxOf(field, name string, c *pb.Consignment) (*pb.Box, error) {
	box, err := alter(f, boxes, field+".box", name)
	if err != nil {
		return nil, err
	}
	return box, inConsignment(field, box, c)
}

func inConsignment(field string, box *pb.Box, c *pb.Consignment) error {
	if box.Consignment != c.Name {
		return refusal.New(refusal.Precondition, "BOX_NOT_IN_CONSIGNMENT", field+".box", "box %s does not travel in consignment %s but in %q", box.Name, c.Name, box.Consignment).About(box.Name)
	}
	return nil
}

// condition flags a condition that is not sound.
func (f *fold) condition(box *pb.Box, condition, answerable string) {
	if condition == "" {
		return
	}
	if answerable == "" {
		answerable = f.who.PartyID
	}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION, Subject: box.Name, Rule: custodyRules[pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION],
		Observed: condition, Words: fmt.Sprintf("box %s was not sound: %s", box.Name, condition), Answerable: answerable, Parties: box.Parties, Consignment: box.Consignment})
}

func (f *fold) accepted(e *pb.Accepted) error {
	c, err := alter(f, consignments, "consignment", e.Consignment)
	if err != nil {
		return err
	}
	if _, ok := parties.load(&f.store, e.FromParty); !ok {
		return unknown("from_party", "party", e.FromParty)
	}
	if e.FromParty == f.who.PartyID {
		return refusal.Invalidf("HANDOFF_TO_ONESELF", "from_party", "a hand-off has two sides; name the party that gave the boxes")
	}
	if e.Count < 0 || e.Count > maxBoxes {
		return refusal.Invalidf("COUNT_OUT_OF_RANGE", "count", "a count of %d boxes is outside 0 to %d", e.Count, maxBoxes)
	}
	if err := text("remarks", e.Remarks, maxText, false); err != nil {
		return err
	}
	if err := f.readBoxes(e.Boxes, 0); err != nil {
		return err
	}
	f.row(c.Name, rowEntry, "")
	f.about(consignments, c.Name)
	if due := f.dueTo(c); due > 0 && int(e.Count) != due {
		f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT, Subject: c.Name, Rule: custodyRules[pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT],
			Limit: fmt.Sprintf("%d boxes", due), Observed: fmt.Sprintf("%d boxes", e.Count), Answerable: e.FromParty, Parties: c.Parties, Consignment: c.Name,
			Words: fmt.Sprintf("%s counted %d boxes where %s released %d", f.who.PartyID, e.Count, e.FromParty, due)})
	}
	for i, r := range e.Boxes {
		at := fmt.Sprintf("boxes[%d]", i)
		box, err := f.boxOf(at, r.Box, c)
		if err != nil {
			return err
		}
		step := f.step("accepted")
		step.Counterparty, step.Seals, step.Note = e.FromParty, r.Seals, e.Remarks
		stage := pb.WeighingStage_WEIGHING_STAGE_TRANSIT
		if f.who.PartyID == c.Refiner {
			stage = pb.WeighingStage_WEIGHING_STAGE_ARRIVAL
		}
		if err := f.weighBox(box, r, stage, step); err != nil {
			return err
		}
		if err := f.follow(at, box, custody.Step{Kind: custody.Accepted, Counterparty: e.FromParty, Seals: r.Seals, Condition: r.Condition}, step, e.FromParty); err != nil {
			return err
		}
		f.condition(box, r.Condition, e.FromParty)
	}
	return nil
}

// dueTo counts the boxes of a consignment that were released to the author's party and that it has not accepted.
func (f *fold) dueTo(c *pb.Consignment) (n int) {
	for _, name := range f.of(c.Name, rowBox) {
		if box, ok := boxes.load(&f.store, name); ok && box.ReleasedTo == f.who.PartyID {
			n++
		}
	}
	return n
}

func (f *fold) sealReplaced(e *pb.SealReplaced) error {
	box, err := alter(f, boxes, "box", e.Box)
	if err != nil {
		return err
	}
	if err := number("removed_seal", e.RemovedSeal); err != nil {
		return err
	}
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	if err := f.newSeal("new_seal", e.NewSeal, box.Name); err != nil {
		return err
	}
	step := f.step("seal_replaced")
	step.Seals, step.Note = []string{e.NewSeal}, fmt.Sprintf("%s taken off: %s", e.RemovedSeal, e.Reason)
	f.about(boxes, box.Name)
	return f.follow("", box, custody.Step{Kind: custody.SealReplaced, Seals: []string{e.NewSeal}, OldSeals: []string{e.RemovedSeal}}, step, "")
}

func (f *fold) incidentReported(e *pb.IncidentReported) error {
	if err := text("description", e.Description, maxText, true); err != nil {
		return err
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT, Subject: e.Subject, Rule: custodyRules[pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT],
		Observed: e.Description, Words: e.Description}
	step := f.step("incident")
	step.Note = e.Description
	if box, err := alter(f, boxes, "subject", e.Subject); err == nil {
		if err := count("route", len(box.Route)+1, 1, maxRoute); err != nil {
			return err
		}
		box.Route = append(box.Route, step)
		d.Parties, d.Consignment, d.Answerable = box.Parties, box.Consignment, box.Holder
		f.about(boxes, box.Name)
	} else if bar, err := alter(f, bars, "subject", e.Subject); err == nil {
		if err := count("route", len(bar.Route)+1, 1, maxRoute); err != nil {
			return err
		}
		bar.Route = append(bar.Route, step)
		d.Parties, d.Consignment, d.Answerable = bar.Parties, bar.Consignment, bar.Holder
		f.about(bars, bar.Name)
	} else if c, err := alter(f, consignments, "subject", e.Subject); err == nil {
		f.row(c.Name, rowEntry, "")
		d.Parties, d.Consignment, d.Answerable = c.Parties, c.Name, f.who.PartyID
		f.about(consignments, c.Name)
	} else {
		return unknown("subject", "bar, box or consignment", e.Subject)
	}
	f.raise(d)
	return nil
}
