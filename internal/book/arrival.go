package book

import (
	"fmt"

	"barward/internal/custody"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

func (f *fold) barReceived(e *pb.BarReceived) error {
	c, err := alter(f, consignments, "consignment", e.Consignment)
	if err != nil {
		return err
	}
	if c.Refiner != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_CONSIGNMENT", "consignment", "consignment %s is advised to %s; only that refinery receives its bars", c.Name, c.Refiner).About(c.Name)
	}
	if err := text("condition", e.Condition, maxCondition, false); err != nil {
		return err
	}
	if err := text("bar", e.Bar, maxName, false); err != nil {
		return err
	}
	if err := count("seals", len(e.Seals), 0, maxSeals); err != nil {
		return err
	}
	box, err := need(f, boxes, ".box", e.Box) // it is opened once, and read for each of its bars
	if err != nil {
		return err
	}
	if err := inConsignment("", box, c); err != nil {
		return err
	}
	f.about(consignments, c.Name)
	step := f.step("received")
	step.Note = "out of box " + box.Name
	if !box.Opened {
		boxes.change(&f.store, box.Name)
		opened := f.step("received")
		opened.Seals, opened.Note = e.Seals, "opened"
		if err := f.follow("", box, custody.Step{Kind: custody.Received, Seals: e.Seals}, opened, c.Party); err != nil {
			return err
		}
		box.Opened = true
	}
	subject := e.Bar
	if subject == "" {
		subject = box.Name
	}
	record, err := f.weigh("", subject, e.Balance, e.Readings, e.Air, pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, c.Parties)
	if err != nil {
		return err
	}
	step.Mass = record.Mass
	flag := func(kind pb.DiscrepancyKind, rule, observed, words string) {
		f.raise(&pb.Discrepancy{Kind: kind, Subject: subject, Rule: rule, Observed: observed, Words: words, Answerable: c.Party, Parties: []string{c.Party, c.Refiner}, Consignment: c.Name})
		step.Findings = append(step.Findings, words)
	}
	if e.Condition != "" {
		flag(pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION, custodyRules[pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION], e.Condition, fmt.Sprintf("%s was not sound: %s", subject, e.Condition))
	}
	if e.Bar == "" {
		f.row(c.Name, rowEntry, "")
		c.Extra = append(c.Extra, fmt.Sprintf("unreadable mark in %s, %s (entry %d)", box.Name, record.Mass, f.entry.Seq))
		flag(pb.DiscrepancyKind_DISCREPANCY_KIND_MARK_UNREADABLE, "every bar bears its mark", record.Mass, fmt.Sprintf("a bar of %s in box %s bears no readable mark", record.Mass, box.Name))
		return nil
	}
	bar, err := alter(f, bars, "bar", e.Bar)
	if err != nil || bar.Consignment != c.Name {
		f.row(c.Name, rowEntry, "")
		c.Extra = join(c.Extra, e.Bar)
		flag(pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_EXTRA, "only bars that were advised arrive", e.Bar, fmt.Sprintf("bar %s arrived in box %s and was not advised in consignment %s", clip(e.Bar), box.Name, c.Name))
		return nil
	}
	if bar.State >= pb.BarState_BAR_STATE_RECEIVED {
		return refusal.New(refusal.Exists, "BAR_RECEIVED_ALREADY", "bar", "bar %s has been received already; if the first scan was wrong, send a correction", bar.Name).About(bar.Name)
	}
	if bar.Box != box.Name {
		flag(pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_EXTRA, "every bar arrives in the box that it was packed in", box.Name, fmt.Sprintf("bar %s was packed in box %s and came out of box %s", bar.Name, bar.Box, box.Name))
	}
	before := standing(bar.Weights)
	if before != nil {
		if err := f.compareBar(bar, before, record, step); err != nil {
			return err
		}
	}
	if missed, ok := f.find("missing", bar.Name); ok {
		f.lapseOne(missed, fmt.Sprintf("the bar was received by entry %d", f.entry.Seq))
	}
	bar.State, bar.Holder = pb.BarState_BAR_STATE_RECEIVED, f.who.PartyID
	bar.Weights, bar.Route = append(bar.Weights, record), append(bar.Route, step)
	f.row(c.Name, rowReceived, bar.Name)
	c.BarsReceived++
	total := quantity.MustMass(record.Mass)
	if c.ReceivedTotal != "" {
		total = quantity.MustMass(c.ReceivedTotal).Add(total)
	}
	c.ReceivedTotal = total.String()
	if c.BarsReceived == c.BarsAdvised {
		return f.compareTotal(c)
	}
	return nil
}

// compareTotal compares the total of a consignment with its own limit once every advised bar is there.
func (f *fold) compareTotal(c *pb.Consignment) error {
	terms, ok := f.agreementOf(c.Name)
	if !ok || terms.Limits == nil {
		return nil
	}
	var comparisons []weighing.Comparison
	evidence := map[uint64]bool{}
	var entries []uint64
	for _, name := range f.of(c.Name, rowBar) {
		bar, ok := bars.load(&f.store, name)
		if !ok {
			continue
		}
		before, now := aroundArrival(bar)
		if before == nil || now == nil {
			continue
		}
		one, err := weighing.Compare(f.station(before), f.station(now), terms.Limits.ArrivalBar, density(bar))
		if err != nil {
			return err
		}
		comparisons = append(comparisons, one)
		for _, e := range []uint64{before.Entry, now.Entry} {
			if !evidence[e] {
				evidence[e] = true
				entries = append(entries, e)
			}
		}
	}
	total, err := weighing.CompareTotal(comparisons, terms.Limits.ConsignmentSum)
	if err != nil || total.Within {
		return err
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL, Subject: c.Name, Rule: fmt.Sprintf("the total of a consignment agrees within the limit of agreement %s", terms.ID),
		Limit: total.Limit.Trim().String() + " g", Observed: total.Difference.String() + " g", Words: total.Verdict, Answerable: c.Party,
		ClaimBy: f.claimBy(terms, settlement.ClaimWeight), ClaimSilence: silence(terms, settlement.ClaimWeight), Evidence: entries, Parties: []string{c.Party, c.Refiner}, Consignment: c.Name}
	if total.BuoyancyKnown {
		d.Explained, d.Remaining = total.Buoyancy.String()+" g", total.Remaining.String()+" g"
	}
	if total.Uncertainty.Sign() > 0 {
		d.Uncertainty = total.Uncertainty.String() + " g"
	}
	f.raise(d)
	return nil
}

// aroundArrival returns the weighing on arrival that stands and the last one before it.
func aroundArrival(bar *pb.Bar) (before, arrival *pb.WeightRecord) {
	for _, w := range bar.Weights {
		if w.SupersededBy != 0 {
			continue
		}
		if w.Stage == pb.WeighingStage_WEIGHING_STAGE_ARRIVAL {
			return before, w
		}
		before = w
	}
	return before, nil
}
