package book

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

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
	if !ok || !f.concerns(target) || f.entry.Rules >= 2 && !f.maySee(f.who, target, nil) {
		return unknown("event_id", "entry", e.EventId)
	}
	if k := f.who.PartyKind; (k == identity.Operator || k == identity.Auditors) && target.Kind != "key_recovered" {
		return refusal.New(refusal.Forbidden, "COUNTERSIGN_NOT_YOURS", "event_id", "a party of kind %s countersigns the new key of an administrator and nothing else", k).About(e.EventId)
	}
	if !bytes.Equal(target.EventSha256, e.EventSha256) {
		return refusal.Invalidf("NOT_WHAT_WAS_SIGNED", "event_sha256", "the digest is not that of entry %d as recorded; read the entry again and sign what it says", target.Sequence).About(e.EventId)
	}
	if target.Author == f.person() {
		return refusal.New(refusal.Precondition, "OWN_ENTRY", "event_id", "entry %d is your own; a second person countersigns", target.Sequence).About(e.EventId)
	}
	if slices.Contains(target.CountersignedBy, f.person()) {
		return refusal.New(refusal.Exists, "COUNTERSIGNED_ALREADY", "event_id", "you have countersigned entry %d already", target.Sequence).About(e.EventId)
	}
	switch kind := identity.EventKind(target.Kind); kind {
	case identity.AgreementSigned, identity.StatementIssued, identity.DiscrepancyDecided: // who may not sign it may not bind their party to it either
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
		if ok && other && !agreement.InForce && (f.who.PartyID == agreement.Seller || f.who.PartyID == agreement.Refiner) {
			return f.enterIntoForce(agreement)
		}
	case "statement_issued":
		if st, ok := statements.change(&f.store, name); ok && other {
			st.CountersignedBy = append(st.CountersignedBy, f.person())
			st.Entries = append(st.Entries, f.entry.Seq)
		}
	case "discrepancy_decided":
		d, ok := discrepancies.load(&f.store, name)
		offered := ok && d.DecidedEntry == target.Sequence && d.State == pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
		if offered && other && d.Decision != pb.Decision_DECISION_REFERRED {
			discrepancies.change(&f.store, name)
			d.State = pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED
		}
	case "key_recovered":
		return f.secondForKey(target, name)
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
	title, name, _ = strings.Cut(n.Subject, " ")
	return title, name
}

// sequenceOf returns the number of an entry, by its event.
func (f *fold) sequenceOf(eventID string) uint64 {
	note, _ := notes.load(&f.store, eventID)
	return note.GetSequence()
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
	return !limited || slices.Contains(c.GetParties(), f.who.PartyID)
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
	first, err := f.first(target)
	if err != nil {
		return err
	}
	kinds := map[string]bool{
		"weighed": e.GetWeighed() != nil, "assay_reported": e.GetAssayReported() != nil,
		"bar_received": e.GetBarReceived() != nil, "melted": e.GetMelted() != nil,
	}
	fits, correctable := kinds[first.Kind]
	if !correctable {
		return refusal.New(refusal.Precondition, "NOT_CORRECTABLE", "supersedes", "an entry of kind %s is not corrected; weighings, receipts, reports and melts are. For the rest send the event that undoes it, or report an incident", first.Kind).About(target.Name)
	}
	if err := identity.CheckMay(f.who, identity.EventKind(first.Kind)); err != nil { // who may not say it may not unsay it
		return err
	}
	if !fits && (e.Replacement != nil || first.Kind == "bar_received" || first.Kind == "melted") {
		return refusal.Invalidf("REPLACEMENT_NOT_FIT", "replacement", "entry %d is of kind %s; give what stands instead, of the same kind", target.Sequence, first.Kind)
	}
	c := &pb.Correction{Name: f.event.EventId, Corrects: target.Name, Entries: []uint64{f.entry.Seq}, Corrected: e, Author: f.person()}
	waits, parties, err := f.relied(first)
	if err != nil {
		return err
	}
	c.WaitsFor, c.Parties = waits, join(join([]string{f.who.PartyID}, parties...), waits)
	corrections.create(&f.store, c)
	f.note.Subject = first.Subject // whoever may read the figure may read what became of it
	if c.WaitsFor != "" {          // tried aside, so that nobody is asked to agree to what can never take effect
		trial := newFold(f.pages, f.entry, f.prepared)
		trial.at, trial.happened, trial.who, trial.note = f.at, f.happened, f.who, new(pb.EntryNote)
		return trial.correct(c, f.entry.Seq)
	}
	return f.correct(c, f.entry.Seq)
}

// first returns the entry at the beginning of a row of corrections: what they put right. A correction that waits still has
// put nothing right, and one that withdrew an entry left nothing to be put right.
func (f *fold) first(target *pb.EntryNote) (*pb.EntryNote, error) {
	for target.Kind == "corrected" {
		c, ok := corrections.load(&f.store, target.Name)
		if !ok {
			return nil, unknown("supersedes", "correction", target.Name)
		}
		if c.WaitsFor != "" || c.Corrected.Replacement == nil {
			return nil, refusal.New(refusal.Precondition, "NOT_CORRECTABLE", "supersedes", "correction %d is not in effect yet or withdrew an entry; there is no figure of it to put right", target.Sequence).About(target.Name)
		}
		if target, ok = notes.load(&f.store, c.Corrects); !ok {
			return nil, unknown("supersedes", "entry", c.Corrects)
		}
	}
	return target, nil
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
		for _, a := range sample.Assays {
			if a.Entry == f.sequenceOf(f.event.Supersedes) && a.Sealed {
				return "", []string{f.who.PartyID}, nil // nobody else has seen it yet
			}
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
		// The refinery's own receipt: nobody relies on it before the lot is stated.
		if bar, ok := bars.load(&f.store, f.event.GetCorrected().GetBarReceived().GetBar()); ok {
			if lot, ok := lots.load(&f.store, bar.Lot); ok && len(lot.Statements) > 0 {
				waitsFor = other(c.Party, c.Refiner)
			}
		}
		return waitsFor, []string{c.Party, c.Refiner}, nil
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
	if target.CorrectedBy != "" {
		return refusal.New(refusal.Precondition, "CORRECTED_ALREADY", "event_id", "entry %d was corrected meanwhile by another correction; this one can no longer take effect", target.Sequence).About(target.Name)
	}
	target.CorrectedBy = c.Name
	first, err := f.first(target)
	if err != nil {
		return err
	}
	author := f.who
	if c.Author != f.person() { // the countersignature brings it into effect; the figures are its author's
		author.PartyID, author.PersonID = target.Party, c.Author[len(target.Party)+1:]
	}
	as := *f
	as.who = author
	as.happened = first.OccurredAt // the figure was misread or misspelt; when it was weighed or melted stays
	err = as.replace(c.Corrected, first, target.Sequence, carrier)
	f.store, f.raised = as.store, as.raised
	return err
}

// replace files what stands instead of the figures of entry old, which the entry first gave or a correction of it.
func (f *fold) replace(e *pb.Corrected, first *pb.EntryNote, old, carrier uint64) error {
	title, name := subjectOf(first)
	switch first.Kind {
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
		if e.GetMelted().Lot != name {
			return refusal.Invalidf("REPLACEMENT_NOT_FIT", "melted.lot", "the melt was of lot %s; a correction does not move it", name)
		}
		f.lapse(old)
		if err := f.melt(lot, terms, e.GetMelted()); err != nil {
			return refusal.In(err, "melted")
		}
		lot.MeltEntry = carrier
		lot.Entries = append(lot.Entries, carrier)
		return nil
	case "assay_reported":
		return f.replaceAssay(e.GetAssayReported(), name, old, carrier)
	case "bar_received":
		return f.replaceReceipt(e.GetBarReceived(), old, carrier)
	}
	return f.replaceWeighing(e.GetWeighed(), title, name, old, carrier)
}

// figures are the kinds of discrepancy that rest on a figure, and so may lapse when it is put right. A broken seal or a
// missing bar does not become whole or present by the correction of a weight.
var figures = map[pb.DiscrepancyKind]bool{
	pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_HANDOFF: true, pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL: true,
	pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL: true, pb.DiscrepancyKind_DISCREPANCY_KIND_MELT_LOSS: true,
	pb.DiscrepancyKind_DISCREPANCY_KIND_BALANCE_IN_DOUBT: true, pb.DiscrepancyKind_DISCREPANCY_KIND_READINGS_DISAGREE: true,
	pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM: true, pb.DiscrepancyKind_DISCREPANCY_KIND_DUPLICATES_DISAGREE: true,
}

// lapse closes the open discrepancies of figures that an entry raised: what replaces its figures raises its own.
func (f *fold) lapse(old uint64) {
	for _, raised := range raisedBy(f.pages, old) {
		if figures[raised.Kind] {
			f.lapseOne(raised.Name, fmt.Sprintf("the figure was corrected by entry %d", f.entry.Seq))
		}
	}
}

// lapseOn closes those of the discrepancies named that compared a weight of entry old with another.
func (f *fold) lapseOn(names []string, old uint64) {
	for _, name := range names {
		d, ok := discrepancies.load(&f.store, name)
		if ok && figures[d.Kind] && slices.Contains(d.Evidence, old) {
			f.lapseOne(name, fmt.Sprintf("a figure that it compares was corrected by entry %d", f.entry.Seq))
		}
	}
}

// lapseOne closes a discrepancy that is open.
func (f *fold) lapseOne(name, reason string) {
	d, ok := discrepancies.load(&f.store, name)
	if !ok || d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		return
	}
	discrepancies.change(&f.store, name)
	d.State, d.Reason, d.DecidedBy, d.DecidedEntry = pb.DiscrepancyState_DISCREPANCY_STATE_LAPSED, reason, f.person(), f.entry.Seq
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
		name, err := f.own("assay_reported.assay_id", e.AssayId)
		if err != nil {
			return err
		}
		if taken, ok := f.find("assay", name); ok && taken != sampleName {
			return refusal.New(refusal.Exists, "NAME_IN_USE", "assay_reported.assay_id", "report %s is on record already, for %s; number each report once", name, taken)
		} else if !ok {
			f.set("assay", name, sampleName)
		}
		made, found, err := f.assayRecord(e, name)
		if err != nil {
			return refusal.In(err, "assay_reported")
		}
		made.Entry = carrier
		made.Sealed = slices.ContainsFunc(sample.Assays, func(a *pb.AssayRecord) bool { return a.Entry == old && a.Sealed })
		record = made
		f.checkSum(sampleName, found, readersOf(made, sample))
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

// supersede marks the weighing of an entry, and returns where it lies; -1 where the entry weighed nothing of this.
func supersede(weights []*pb.WeightRecord, old, carrier uint64) int {
	for i, w := range weights {
		if w.Entry == old {
			w.SupersededBy = carrier
			return i
		}
	}
	return -1
}

func (f *fold) replaceWeighing(e *pb.Weighed, title, name string, old, carrier uint64) error {
	if e != nil && e.Subject != name {
		return refusal.Invalidf("REPLACEMENT_NOT_FIT", "weighed.subject", "the weighing was of %s; a correction does not move it", name)
	}
	f.lapse(old)
	if title == bars.title() {
		bar, ok := bars.change(&f.store, name)
		if !ok {
			return unknown("weighed.subject", title, name)
		}
		at := supersede(bar.Weights, old, carrier)
		if at < 0 {
			return unknown("supersedes", "weighing of "+name, fmt.Sprint(old))
		}
		if e != nil {
			record, err := f.weigh("weighed", bar.Name, e.Balance, e.Readings, e.Air, bar.Weights[at].Stage, bar.Parties)
			if err != nil {
				return err
			}
			record.Entry = carrier
			at++
			bar.Weights = slices.Insert(bar.Weights, at, record)
		}
		return f.compareAgain(bar, at, old)
	}
	box, ok := boxes.change(&f.store, name)
	if !ok {
		return unknown("weighed.subject", title, name)
	}
	at := supersede(box.Weights, old, carrier)
	if at < 0 {
		return unknown("supersedes", "weighing of "+name, fmt.Sprint(old))
	}
	if e != nil {
		record, err := f.weigh("weighed", box.Name, e.Balance, e.Readings, e.Air, box.Weights[at].Stage, box.Parties)
		if err != nil {
			return err
		}
		record.Entry = carrier
		at++
		box.Weights = slices.Insert(box.Weights, at, record)
	}
	f.lapseOn(box.Discrepancies, old)
	before, is, after := around(box.Weights, at)
	if is != nil && before != nil {
		if err := f.compareBox(box, before, is, nil); err != nil {
			return err
		}
	}
	if is != nil {
		before = is
	}
	if before == nil || after == nil {
		return nil
	}
	return f.compareBox(box, before, after, nil)
}

// around returns the weighing at a place, nil where it does not stand, and those that stand before and after it.
func around(weights []*pb.WeightRecord, at int) (before, is, after *pb.WeightRecord) {
	before = standing(weights[:at])
	if weights[at].SupersededBy == 0 {
		is = weights[at]
	}
	for _, w := range weights[at+1:] {
		if w.SupersededBy == 0 {
			return before, is, w
		}
	}
	return before, is, nil
}

// compareAgain compares the weighings of a bar around the place where one was put right or withdrawn, as if it had been
// so from the beginning: what rested on the entry old lapses, and is raised anew where the weights still differ.
func (f *fold) compareAgain(bar *pb.Bar, at int, old uint64) error {
	f.lapseOn(bar.Discrepancies, old)
	before, is, after := around(bar.Weights, at)
	if is != nil && before != nil {
		if err := f.compareBar(bar, before, is, nil); err != nil {
			return err
		}
	}
	if after != nil {
		if is != nil {
			before = is
		}
		if before != nil {
			if err := f.compareBar(bar, before, after, nil); err != nil {
				return err
			}
		}
	}
	return f.totalAgain(bar)
}

// totalAgain compares the total of a bar's consignment again after one of the weights in it was put right.
func (f *fold) totalAgain(bar *pb.Bar) error {
	c, ok := consignments.load(&f.store, bar.Consignment)
	if !ok || c.BarsReceived < c.BarsAdvised {
		return nil
	}
	for _, name := range f.of(c.Name, rowDiscrepancy) {
		d, ok := discrepancies.load(&f.store, name)
		if ok && d.Kind == pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL {
			f.lapseOne(name, "a weight in the total was corrected")
		}
	}
	return f.compareTotal(c)
}

// replaceReceipt puts the weight of a received bar right; which bar it was and that it came stay as they are.
func (f *fold) replaceReceipt(e *pb.BarReceived, old, carrier uint64) error {
	bar, err := alter(f, bars, "bar_received.bar", e.Bar)
	if err != nil {
		return err
	}
	at := supersede(bar.Weights, old, carrier)
	if at < 0 {
		return refusal.Invalidf("REPLACEMENT_NOT_FIT", "bar_received.bar", "that entry received another bar than %s; a correction puts the weight right and does not move a bar", e.Bar)
	}
	was := bar.Weights[at]
	f.lapse(old)
	record, err := f.weigh("bar_received", bar.Name, e.Balance, e.Readings, e.Air, pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, bar.Parties)
	if err != nil {
		return err
	}
	record.Entry = carrier
	bar.Weights = slices.Insert(bar.Weights, at+1, record)
	if err := f.moveTotals(bar, was, record); err != nil {
		return err
	}
	return f.compareAgain(bar, at+1, old)
}

// moveTotals carries a corrected arrival weight into the totals of its consignment and of its lot.
func (f *fold) moveTotals(bar *pb.Bar, was, is *pb.WeightRecord) error {
	move := func(total string) string {
		return quantity.MustMass(total).Add(quantity.MustMass(is.Mass)).Sub(quantity.MustMass(was.Mass)).String()
	}
	if c, ok := consignments.change(&f.store, bar.Consignment); ok && c.ReceivedTotal != "" {
		c.ReceivedTotal = move(c.ReceivedTotal)
	}
	lot, ok := lots.change(&f.store, bar.Lot)
	if !ok {
		return nil
	}
	lot.Received = move(lot.Received)
	agreement, ok := agreements.load(&f.store, lot.Agreement)
	if !ok || lot.MeltEntry == 0 {
		return nil
	}
	terms, err := termsOf(agreement)
	if err != nil {
		return err
	}
	for _, name := range lot.Discrepancies { // the loss is of what was received
		if d, ok := discrepancies.load(&f.store, name); ok && d.Kind == pb.DiscrepancyKind_DISCREPANCY_KIND_MELT_LOSS {
			f.lapseOne(name, "a weight received was corrected")
		}
	}
	slag := quantity.Mass{}
	if lot.Slag != "" {
		slag = quantity.MustMass(lot.Slag)
	}
	return f.meltLoss(lot, terms, quantity.MustMass(lot.AfterMelt), slag)
}
