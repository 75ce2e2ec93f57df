package book

import (
	"bytes"
	"fmt"

	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// countersigned is one act with many meanings: a witness of a pour, the other party's signature under an agreement or a
// statement, consent to a correction.
func (f *fold) countersigned(e *pb.Countersigned) error {
	if err := text("note", e.Note, maxText, false); err != nil {
		return err
	}
	target, ok := notes.load(&f.store, e.EventId)
	if !ok || !f.concerns(target) {
		return unknown("event_id", "entry", e.EventId)
	}
	if !bytes.Equal(target.EventSha256, e.EventSha256) {
		return refusal.Invalidf("NOT_WHAT_WAS_SIGNED", "event_sha256", "the digest is not that of entry %d as recorded; read the entry again and sign what it says", target.Sequence).About(e.EventId)
	}
	if target.Author == f.person() {
		return refusal.New(refusal.Precondition, "OWN_ENTRY", "event_id", "entry %d is your own; a second person countersigns", target.Sequence).About(e.EventId)
	}
	if has(target.CountersignedBy, f.person()) {
		return refusal.New(refusal.Exists, "COUNTERSIGNED_ALREADY", "event_id", "you have countersigned entry %d already", target.Sequence).About(e.EventId)
	}
	switch kind := identity.EventKind(target.Kind); kind {
	case identity.AgreementSigned, identity.StatementIssued: // who may not sign it may not bind their party to it either
		if err := identity.CheckMay(f.who, kind); err != nil {
			return err
		}
	}
	notes.change(&f.store, e.EventId)
	target.CountersignedBy = append(target.CountersignedBy, f.person())
	f.note.Subject = target.Subject
	_, name := subjectOf(target)
	other := f.who.PartyID != target.Party
	switch target.Kind {
	case "pour_recorded":
		if pour, ok := pours.change(&f.store, name); ok && !other {
			pour.Witnesses = append(pour.Witnesses, f.person())
			pour.Entries = append(pour.Entries, f.entry.Seq)
		}
	case "agreement_signed":
		agreement, ok := agreements.change(&f.store, name)
		if ok && other && (f.who.PartyID == agreement.Seller || f.who.PartyID == agreement.Refiner) {
			agreement.InForce = true
			agreement.Entries = append(agreement.Entries, f.entry.Seq)
		}
	case "statement_issued":
		if st, ok := statements.change(&f.store, name); ok && other {
			st.CountersignedBy = append(st.CountersignedBy, f.person())
			st.Entries = append(st.Entries, f.entry.Seq)
		}
	case "corrected":
		c, ok := corrections.change(&f.store, target.Name)
		if ok && c.WaitsFor == f.who.PartyID {
			c.WaitsFor = ""
			c.Entries = append(c.Entries, f.entry.Seq)
			return f.correct(c, target.Sequence)
		}
	}
	return nil // for other kinds the note remembers who agreed
}

// subjectOf takes apart what a note is about.
func subjectOf(n *pb.EntryNote) (title, name string) {
	for i := 0; i < len(n.Subject); i++ {
		if n.Subject[i] == ' ' {
			return n.Subject[:i], n.Subject[i+1:]
		}
	}
	return "", n.Subject
}

// concerns reports whether the author's party may read what an entry is about.
func (f *fold) concerns(n *pb.EntryNote) bool {
	title, name := subjectOf(n)
	t := byTitle[title]
	if t == nil {
		return n.Party == f.who.PartyID
	}
	value, ok := t.get(&f.store, name)
	if !ok {
		return false
	}
	c, limited := value.(concerned)
	return !limited || has(c.GetParties(), f.who.PartyID)
}

// corrected puts a figure right. Nothing is deleted: the old figure stays, marked. Where the other party has relied on
// the figure, the correction waits for its countersignature.
func (f *fold) corrected(e *pb.Corrected) error {
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	target, ok := notes.load(&f.store, f.event.Supersedes)
	if !ok || target.Party != f.who.PartyID {
		return unknown("supersedes", "entry of your party", f.event.Supersedes)
	}
	if target.CorrectedBy != "" {
		return refusal.New(refusal.Precondition, "CORRECTED_ALREADY", "supersedes", "entry %d was corrected already; correct that correction", target.Sequence).About(target.Name)
	}
	kinds := map[string]bool{
		"weighed": e.GetWeighed() != nil, "assay_reported": e.GetAssayReported() != nil,
		"bar_received": e.GetBarReceived() != nil, "melted": e.GetMelted() != nil,
	}
	fits, correctable := kinds[target.Kind]
	if !correctable {
		return refusal.New(refusal.Precondition, "NOT_CORRECTABLE", "supersedes", "an entry of kind %s is not corrected; weighings, receipts, reports and melts are. For the rest send the event that undoes it, or report an incident", target.Kind).About(target.Name)
	}
	if !fits && (e.Replacement != nil || target.Kind == "bar_received" || target.Kind == "melted") {
		return refusal.Invalidf("REPLACEMENT_NOT_FIT", "replacement", "entry %d is of kind %s; give what stands instead, of the same kind", target.Sequence, target.Kind)
	}
	c := &pb.Correction{Name: f.event.EventId, Corrects: target.Name, Entries: []uint64{f.entry.Seq}, Corrected: e, Author: f.person()}
	waits, parties, err := f.relied(target)
	if err != nil {
		return err
	}
	c.WaitsFor, c.Parties = waits, join([]string{f.who.PartyID}, parties...)
	corrections.create(&f.store, c)
	f.about(corrections, c.Name)
	if c.WaitsFor != "" {
		return nil
	}
	return f.correct(c, f.entry.Seq)
}

// relied returns the other party if it has relied on the figure of an entry, and who may read it: a bar's figures are
// relied on once the bar was received at the refinery, a lot's once a statement was issued.
func (f *fold) relied(target *pb.EntryNote) (waitsFor string, readers []string, err error) {
	title, name := subjectOf(target)
	other := func(seller, refiner string) string {
		if f.who.PartyID == seller {
			return refiner
		}
		return seller
	}
	switch title {
	case bars.title():
		bar, ok := bars.load(&f.store, name)
		if !ok {
			return "", nil, unknown("supersedes", title, name)
		}
		c, ok := consignments.load(&f.store, bar.Consignment)
		if ok && bar.State >= pb.BarState_BAR_STATE_RECEIVED {
			waitsFor = other(c.Party, c.Refiner)
		}
		return waitsFor, bar.Parties, nil
	case samples.title():
		sample, ok := samples.load(&f.store, name)
		if !ok {
			return "", nil, unknown("supersedes", title, name)
		}
		for _, b := range f.barsOf(sample.Taken.Source) {
			if bar, ok := bars.load(&f.store, b); ok && bar.State >= pb.BarState_BAR_STATE_RECEIVED {
				if c, ok := consignments.load(&f.store, bar.Consignment); ok {
					waitsFor = other(c.Party, c.Refiner)
				}
			}
		}
		return waitsFor, sample.Parties, nil
	case consignments.title():
		c, ok := consignments.load(&f.store, name)
		if !ok {
			return "", nil, unknown("supersedes", title, name)
		}
		return "", []string{c.Party, c.Refiner}, nil // the refinery's own receipt: nobody relies on it before the lot
	case lots.title():
		lot, ok := lots.load(&f.store, name)
		if !ok {
			return "", nil, unknown("supersedes", title, name)
		}
		if len(lot.Statements) > 0 {
			waitsFor = other(lot.Seller, lot.Party)
		}
		return waitsFor, []string{lot.Seller, lot.Party}, nil
	case boxes.title():
		box, ok := boxes.load(&f.store, name)
		if !ok {
			return "", nil, unknown("supersedes", title, name)
		}
		return "", box.Parties, nil
	}
	return "", nil, refusal.New(refusal.Precondition, "NOT_CORRECTABLE", "supersedes", "entry %d is about nothing that has figures", target.Sequence).About(target.Name)
}

// correct brings a correction into effect: the figures of the old entry are marked, and those of the new one filed under
// the entry that carries it.
func (f *fold) correct(c *pb.Correction, carrier uint64) error {
	target, ok := notes.change(&f.store, c.Corrects)
	if !ok {
		return unknown("supersedes", "entry", c.Corrects)
	}
	target.CorrectedBy = c.Name
	author := f.who
	if c.Author != f.person() { // the countersignature brings it into effect; the figures are its author's
		author.PartyID, author.PersonID = target.Party, c.Author[len(target.Party)+1:]
	}
	as := *f
	as.who = author
	err := as.replace(c.Corrected, target, carrier)
	f.store, f.raised = as.store, as.raised
	return err
}

func (f *fold) replace(e *pb.Corrected, target *pb.EntryNote, carrier uint64) error {
	_, name := subjectOf(target)
	switch target.Kind {
	case "melted":
		lot, ok := lots.change(&f.store, name)
		if !ok {
			return unknown("melted.lot", "lot", name)
		}
		agreement, ok := agreements.load(&f.store, lot.Agreement)
		if !ok {
			return unknown("melted.lot", "agreement", lot.Agreement)
		}
		terms, err := termsOf(agreement)
		if err != nil {
			return err
		}
		f.lapse(target.Sequence)
		if err := f.melt(lot, terms, e.GetMelted()); err != nil {
			return refusal.In(err, "melted")
		}
		lot.MeltEntry = carrier
		lot.Entries = append(lot.Entries, carrier)
		return nil
	case "assay_reported":
		return f.replaceAssay(e.GetAssayReported(), name, target.Sequence, carrier)
	case "bar_received":
		return f.replaceReceipt(e.GetBarReceived(), target.Sequence, carrier)
	}
	return f.replaceWeighing(e.GetWeighed(), name, target.Sequence, carrier)
}

// lapse closes the open discrepancies that an entry raised: what replaces its figures raises its own.
func (f *fold) lapse(sequence uint64) {
	for _, raised := range raisedBy(f.bucket, sequence) {
		d, ok := discrepancies.load(&f.store, raised.Name)
		if !ok || d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
			continue
		}
		discrepancies.change(&f.store, d.Name)
		d.State, d.Reason, d.DecidedBy, d.DecidedEntry = pb.DiscrepancyState_DISCREPANCY_STATE_LAPSED, fmt.Sprintf("the figure was corrected by entry %d", f.entry.Seq), f.person(), f.entry.Seq
	}
}

func (f *fold) replaceAssay(e *pb.AssayReported, sampleName string, old, carrier uint64) error {
	sample, ok := samples.change(&f.store, sampleName)
	if !ok {
		return unknown("assay_reported.sample", "sample", sampleName)
	}
	f.lapse(old)
	var record *pb.AssayRecord
	if e != nil {
		if e.Sample != sampleName {
			return refusal.Invalidf("REPLACEMENT_NOT_FIT", "assay_reported.sample", "the report was on sample %s; a correction does not move it", sampleName)
		}
		name := f.who.PartyID + "/" + e.AssayId
		made, found, err := f.assayRecord(e, name)
		if err != nil {
			return refusal.In(err, "assay_reported")
		}
		made.Entry = carrier
		record = made
		f.checkSum(sampleName, found, sample.Parties)
	}
	swap := func(list []*pb.AssayRecord) []*pb.AssayRecord {
		for _, a := range list {
			if a.Entry == old {
				a.SupersededBy = carrier
			}
		}
		if record != nil {
			list = append(list, record)
		}
		return list
	}
	sample.Assays = swap(sample.Assays)
	sample.Entries = append(sample.Entries, carrier)
	for _, b := range f.barsOf(sample.Taken.Source) {
		if bar, ok := bars.change(&f.store, b); ok {
			bar.Assays = swap(bar.Assays)
		}
	}
	return nil
}

// supersede marks the weighings of an entry and returns the last that stands before them.
func supersede(weights []*pb.WeightRecord, old, carrier uint64) (before, replaced *pb.WeightRecord) {
	for _, w := range weights {
		if w.Entry == old {
			w.SupersededBy = carrier
			return before, w
		}
		if w.SupersededBy == 0 {
			before = w
		}
	}
	return before, nil
}

func (f *fold) replaceWeighing(e *pb.Weighed, name string, old, carrier uint64) error {
	f.lapse(old)
	step := f.step("weighed")
	if bar, ok := bars.change(&f.store, name); ok {
		before, replaced := supersede(bar.Weights, old, carrier)
		if e == nil || replaced == nil {
			return nil
		}
		record, err := f.weigh("weighed", bar.Name, e.Balance, e.Readings, e.Air, replaced.Stage, bar.Parties)
		if err != nil {
			return err
		}
		record.Entry = carrier
		bar.Weights = append(bar.Weights, record)
		if before == nil {
			return nil
		}
		return f.compareBar(bar, before, record, step)
	}
	box, ok := boxes.change(&f.store, name)
	if !ok {
		return unknown("weighed.subject", "bar or box", name)
	}
	_, replaced := supersede(box.Weights, old, carrier)
	if e == nil || replaced == nil {
		return nil
	}
	record, err := f.weigh("weighed", box.Name, e.Balance, e.Readings, e.Air, replaced.Stage, box.Parties)
	if err != nil {
		return err
	}
	record.Entry = carrier
	if err := f.compareBox(box, record, step); err != nil {
		return err
	}
	box.Weights = append(box.Weights, record)
	return nil
}

// replaceReceipt puts the weight of a received bar right; which bar it was and that it came stay as they are.
func (f *fold) replaceReceipt(e *pb.BarReceived, old, carrier uint64) error {
	bar, ok := bars.change(&f.store, e.Bar)
	if !ok {
		return unknown("bar_received.bar", "bar", e.Bar)
	}
	before, replaced := supersede(bar.Weights, old, carrier)
	if replaced == nil {
		return refusal.Invalidf("REPLACEMENT_NOT_FIT", "bar_received.bar", "that entry received another bar than %s; a correction puts the weight right and does not move a bar", e.Bar)
	}
	f.lapse(old)
	record, err := f.weigh("bar_received", bar.Name, e.Balance, e.Readings, e.Air, pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, bar.Parties)
	if err != nil {
		return err
	}
	record.Entry = carrier
	bar.Weights = append(bar.Weights, record)
	if before != nil {
		if err := f.compareBar(bar, before, record, nil); err != nil {
			return err
		}
	}
	return f.moveTotals(bar, replaced, record)
}

// moveTotals carries a corrected arrival weight into the totals of its consignment and of its lot.
func (f *fold) moveTotals(bar *pb.Bar, was, is *pb.WeightRecord) error {
	move := func(total string) string {
		return quantity.MustMass(total).Add(quantity.MustMass(is.Mass)).Sub(quantity.MustMass(was.Mass)).String()
	}
	if lot, ok := lots.change(&f.store, bar.Lot); ok && lot.Received != "" {
		lot.Received = move(lot.Received)
	}
	c, ok := consignments.change(&f.store, bar.Consignment)
	if !ok || c.ReceivedTotal == "" {
		return nil
	}
	c.ReceivedTotal = move(c.ReceivedTotal)
	for _, name := range c.Discrepancies {
		d, ok := discrepancies.load(&f.store, name)
		if ok && d.Kind == pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL && d.State == pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
			discrepancies.change(&f.store, name)
			d.State, d.Reason, d.DecidedBy, d.DecidedEntry = pb.DiscrepancyState_DISCREPANCY_STATE_LAPSED, "a weight in the total was corrected", f.person(), f.entry.Seq
		}
	}
	if len(c.Received) == len(c.Bars) {
		return f.compareTotal(c)
	}
	return nil
}
