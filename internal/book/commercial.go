package book

import (
	"encoding/json"
	"fmt"
	"sort"
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

var statementKinds = map[pb.StatementKind]settlement.Kind{
	pb.StatementKind_STATEMENT_KIND_PROVISIONAL: settlement.Provisional,
	pb.StatementKind_STATEMENT_KIND_FINAL:       settlement.Final,
	pb.StatementKind_STATEMENT_KIND_CORRECTED:   settlement.Corrected,
}

func (f *fold) advancePaid(e *pb.AdvancePaid) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if err := positiveMoney("amount", e.Amount, terms.Currency); err != nil {
		return err
	}
	if _, err := day("paid_on", e.PaidOn); err != nil {
		return err
	}
	if lot.Party != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_LOT", "lot", "an advance on lot %s is paid by %s", lot.Name, lot.Party)
	}
	if terms.Advance == nil {
		return refusal.New(refusal.Precondition, "ADVANCE_NOT_AGREED", "lot", "agreement %s has no advance; agree on one first", lot.Agreement).About(lot.Name)
	}
	if lot.State >= pb.LotState_LOT_STATE_STATED {
		return refusal.New(refusal.Precondition, "LOT_STATED", "lot", "lot %s has a final statement already; record a payment on it", lot.Name).About(lot.Name)
	}
	lot.Advances = append(lot.Advances, &pb.Advance{Amount: e.Amount, PaidOn: e.PaidOn, Entry: f.entry.Seq})
	return nil
}

func positiveMoney(field, s string, currency quantity.Currency) error {
	m, err := quantity.ParseMoney(s)
	if err != nil {
		return refusal.In(err, field)
	}
	if m.Amount().Sign() <= 0 || m.Currency() != currency {
		return refusal.Invalidf("AMOUNT_NOT_FIT", field, "an amount of %s does not fit; it is more than zero and in %s", m, currency).With("value", s)
	}
	return nil
}

// lotInput gathers everything on record that the terms ask for, each figure with the entries it rests on.
//
// A final statement settles the melt (or, bar by bar, the bars) at the settled assays. A provisional one rests on what
// the advance names: on the bars as received and what each side reported of them, or on the melt and what each side
// revealed of it.
func (s *store) lotInput(lot *pb.Lot, terms settlement.Terms, kind settlement.Kind, settledOn string) (settlement.Lot, error) {
	in := settlement.Lot{ID: lot.Name, Kind: kind, Number: lot.Name, Version: len(lot.Statements) + 1}
	paid, err := settlement.ParseDate(settledOn)
	if err != nil {
		return in, refusal.In(err, "settled_on")
	}
	in.Payment, in.PricedTo = &settlement.Event{Name: "payment", Date: paid}, paid
	advance := terms.Advance
	if kind != settlement.Provisional {
		advance = nil
	}
	switch {
	case advance != nil && advance.Weight == settlement.Received && advance.Assays != settlement.SettledAssay:
		in.Units, err = s.barUnits(lot, nil)
	case terms.Per == settlement.PerBar:
		in.Units, err = s.barUnits(lot, settledAssays(lot))
	case advance != nil:
		var opened []settlement.Assay
		if opened, err = revealedAssays(lot); err == nil {
			in.Units, err = s.meltUnit(lot, append(settledAssays(lot), opened...))
		}
	default:
		in.Units, err = s.meltUnit(lot, settledAssays(lot))
	}
	if err != nil {
		return in, err
	}
	var exchanged *pb.ExchangeStep // the step that settled the last element
	if n := len(lot.Steps); n > 0 && lot.State >= pb.LotState_LOT_STATE_ASSAYS_SETTLED {
		exchanged = lot.Steps[n-1]
	}
	for _, e := range []struct {
		name, at string
		entry    uint64
	}{{"arrival", lot.ArrivedAt, lot.ArrivedEntry}, {"melt", lot.MeltedAt, lot.MeltEntry}, {"exchange", exchanged.GetOccurredAt(), exchanged.GetEntry()}} {
		if e.at == "" {
			continue
		}
		date, err := settlement.ParseDate(e.at[:10])
		if err != nil {
			return in, err
		}
		in.Dates = append(in.Dates, settlement.Event{Name: e.name, Date: date, Refs: []settlement.Ref{settlement.Ref(ref(e.entry))}})
	}
	for _, c := range lot.Costs {
		amount, err := quantity.ParseMoney(c.Amount)
		if err != nil {
			return in, err
		}
		share, err := quantity.ParseDecimal(c.SellerSharePercent)
		if err != nil {
			return in, err
		}
		in.Costs = append(in.Costs, settlement.Cost{Kind: settlement.CostKind(c.Kind), Amount: amount, SellerShare: share, Refs: []settlement.Ref{settlement.Ref(ref(c.Entry))}})
	}
	for _, a := range lot.Advances {
		amount, err := quantity.ParseMoney(a.Amount)
		if err != nil {
			return in, err
		}
		date, err := settlement.ParseDate(a.PaidOn)
		if err != nil {
			return in, err
		}
		in.Advances = append(in.Advances, settlement.AdvancePaid{Amount: amount, Date: date, Refs: []settlement.Ref{settlement.Ref(ref(a.Entry))}})
	}
	return in, s.published(&in, terms)
}

// settledAssays returns what the exchange has settled.
func settledAssays(lot *pb.Lot) (settled []settlement.Assay) {
	for _, a := range lot.Assays {
		fineness, err := quantity.ParseFineness(a.Settled)
		if err != nil {
			continue // not settled yet: the settlement says what is missing
		}
		one := settlement.Assay{Element: assay.Element(a.Element), Fineness: fineness, Of: settlement.SettledAssay}
		for _, e := range a.Entries {
			one.Refs = append(one.Refs, settlement.Ref(ref(e)))
		}
		settled = append(settled, one)
	}
	return settled
}

// revealedAssays returns what each side last revealed of the melt in the exchange.
func revealedAssays(lot *pb.Lot) (list []settlement.Assay, err error) {
	seen := map[string]bool{}
	for i := len(lot.Steps) - 1; i >= 0; i-- {
		step := lot.Steps[i]
		if step.Action != string(assay.StepRevealed) {
			continue
		}
		found, err := results(step.Results)
		if err != nil {
			return nil, err
		}
		for _, r := range found {
			if key := step.Side + " " + string(r.Element); !seen[key] {
				seen[key] = true
				list = append(list, settlement.Assay{Element: r.Element, Fineness: r.Fineness, Of: settlement.AssayOf(step.Side), Refs: []settlement.Ref{settlement.Ref(ref(step.Entry))}})
			}
		}
	}
	return list, nil
}

// received returns a bar as it came to the refinery.
func (s *store) received(name string) (settlement.Bar, *pb.Bar, error) {
	bar, ok := bars.load(s, name)
	if !ok {
		return settlement.Bar{}, nil, unknown("bars", "bar", name)
	}
	_, arrival := aroundArrival(bar)
	if arrival == nil {
		return settlement.Bar{}, nil, refusal.New(refusal.Precondition, "BAR_NOT_WEIGHED", "", "bar %s has no weight on arrival", name).About(name)
	}
	mass, err := quantity.ParseMass(arrival.Mass)
	return settlement.Bar{ID: name, Mass: mass, Refs: []settlement.Ref{settlement.Ref(ref(arrival.Entry))}}, bar, err
}

// barUnits makes each bar a unit: at the settled assays, or where there are none at what either side reported of it.
func (s *store) barUnits(lot *pb.Lot, settled []settlement.Assay) ([]settlement.Unit, error) {
	var units []settlement.Unit
	for _, name := range lot.Bars {
		came, bar, err := s.received(name)
		if err != nil {
			return nil, err
		}
		unit := settlement.Unit{ID: name, Received: []settlement.Bar{came}, Assays: settled}
		if settled == nil {
			for _, side := range []struct {
				party string
				of    settlement.AssayOf
			}{{lot.Seller, settlement.SellerAssay}, {lot.Party, settlement.RefinerAssay}} {
				unit.Assays = append(unit.Assays, reported(bar, side.party, side.of)...)
			}
		}
		units = append(units, unit)
	}
	return units, nil
}

// reported returns the last figure of each element that a party reported of a bar.
func reported(bar *pb.Bar, party string, of settlement.AssayOf) (list []settlement.Assay) {
	seen := map[string]bool{}
	for i := len(bar.Assays) - 1; i >= 0; i-- {
		a := bar.Assays[i]
		if a.Party != party || a.SupersededBy != 0 || a.Sealed {
			continue
		}
		for _, r := range a.Results {
			fineness, err := quantity.ParseFineness(r.Fineness)
			if seen[r.Element] || err != nil {
				continue
			}
			seen[r.Element] = true
			list = append(list, settlement.Assay{Element: assay.Element(r.Element), Fineness: fineness, Of: of, Refs: []settlement.Ref{settlement.Ref(ref(a.Entry))}})
		}
	}
	return list
}

// meltUnit makes the whole lot one unit, melted together.
func (s *store) meltUnit(lot *pb.Lot, settled []settlement.Assay) ([]settlement.Unit, error) {
	unit := settlement.Unit{ID: lot.Name, Assays: settled}
	for _, name := range lot.Bars {
		came, _, err := s.received(name)
		if err != nil {
			return nil, err
		}
		unit.Received = append(unit.Received, came)
	}
	for _, m := range []struct {
		text string
		into *quantity.Mass
	}{{lot.AfterMelt, &unit.AfterMelt}, {lot.Slag, &unit.Slag}} {
		if m.text == "" {
			continue
		}
		mass, err := quantity.ParseMass(m.text)
		if err != nil {
			return nil, err
		}
		*m.into = mass
	}
	if lot.AfterMelt != "" {
		unit.MeltRefs = []settlement.Ref{settlement.Ref(ref(lot.MeltEntry))}
	}
	return []settlement.Unit{unit}, nil
}

// published adds the price series and the calendars on record that the terms may name.
func (s *store) published(in *settlement.Lot, terms settlement.Terms) error {
	wanted := map[string]bool{}
	for _, m := range terms.Metals {
		if m.Price != nil {
			wanted[m.Price.Series] = true
		}
	}
	names := make([]string, 0, len(wanted)+1)
	for name := range wanted {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		prices, err := s.points(name)
		if err != nil {
			return err
		}
		in.Prices = append(in.Prices, prices)
	}
	if terms.Conversion != nil {
		rates, err := s.points(terms.Conversion.Series)
		if err != nil {
			return err
		}
		in.Rates = append(in.Rates, rates)
	}
	return calendars.each(s.pages, func(c *pb.HolidayCalendar) error {
		calendar := settlement.Calendar{Name: c.Name}
		for _, d := range c.Dates {
			date, err := settlement.ParseDate(d)
			if err != nil {
				return err
			}
			calendar.Days = append(calendar.Days, date)
		}
		for _, e := range c.Entries {
			calendar.Refs = append(calendar.Refs, settlement.Ref(ref(e)))
		}
		in.Holidays = append(in.Holidays, calendar)
		return nil
	})
}

func (s *store) points(name string) (settlement.Series, error) {
	out := settlement.Series{Name: name}
	known, ok := series.load(s, name)
	if !ok {
		return out, refusal.New(refusal.Precondition, "PRICES_UNKNOWN", "", "no prices of series %q are on record; publish them first", name).About(name)
	}
	for i, p := range known.Prices {
		date, err := settlement.ParseDate(p.Date)
		if err != nil {
			return out, err
		}
		value, err := quantity.ParseDecimal(p.Price)
		if err != nil {
			return out, err
		}
		out.Points = append(out.Points, settlement.Point{Date: date, Value: value, Refs: []settlement.Ref{settlement.Ref(ref(known.PriceEntries[i]))}})
	}
	return out, nil
}

// compute makes the statement of a lot as the book stands. A corrected statement corrects the last final one.
func (s *store) compute(lot *pb.Lot, kind pb.StatementKind, settledOn string) (settlement.Statement, *pb.Statement, error) {
	k, ok := statementKinds[kind]
	if !ok {
		return settlement.Statement{}, nil, refusal.Invalidf("KIND_MISSING", "kind", "a statement has no kind; state provisional, final or corrected")
	}
	agreement, ok := agreements.load(s, lot.Agreement)
	if !ok {
		return settlement.Statement{}, nil, unknown("agreement", "agreement", lot.Agreement)
	}
	terms, err := termsOf(agreement)
	if err != nil {
		return settlement.Statement{}, nil, err
	}
	var last *pb.Statement // the last that is not provisional
	for _, name := range lot.Statements {
		if st, ok := statements.load(s, name); ok && st.Kind != pb.StatementKind_STATEMENT_KIND_PROVISIONAL {
			last = st
		}
	}
	switch {
	case k == settlement.Provisional && last != nil, k == settlement.Final && last != nil:
		return settlement.Statement{}, nil, refusal.New(refusal.Precondition, "LOT_STATED", "kind", "lot %s has the final statement %s; issue a corrected one", lot.Name, last.Name).About(lot.Name)
	case k == settlement.Corrected && last == nil:
		return settlement.Statement{}, nil, refusal.New(refusal.Precondition, "NOTHING_TO_CORRECT", "kind", "lot %s has no final statement to correct", lot.Name).About(lot.Name)
	case k != settlement.Provisional && lot.State < pb.LotState_LOT_STATE_ASSAYS_SETTLED:
		return settlement.Statement{}, nil, refusal.New(refusal.Precondition, "ASSAYS_OPEN", "lot", "the assays of lot %s are not all settled; see where each element stands with the lot", lot.Name).About(lot.Name)
	}
	asked := k
	if k == settlement.Corrected {
		asked = settlement.Final
	}
	in, err := s.lotInput(lot, terms, asked, settledOn)
	if err != nil {
		return settlement.Statement{}, nil, err
	}
	st, err := settlement.Settle(in, terms)
	if err != nil || k != settlement.Corrected {
		return st, nil, err
	}
	previous, err := settlement.ParseStatement([]byte(last.DocumentJson))
	if err != nil {
		return st, nil, err
	}
	correction, err := settlement.Correct(previous, st)
	return correction.Statement, last, err
}

// statementProto shows a statement as readers see it.
func statementProto(st settlement.Statement, lot *pb.Lot, kind pb.StatementKind, settledOn string) *pb.Statement {
	out := &pb.Statement{Lot: lot.GetName(), Kind: kind, SettledOn: settledOn, Net: st.Net.String(), DocumentJson: string(st.JSON()), Digest: st.Digest(), Parties: []string{lot.GetSeller(), lot.GetParty()}}
	for _, l := range st.Lines {
		line := &pb.StatementLine{Code: l.Path(), Description: describe(l), Element: string(l.Element), Amount: l.Amount.String(), Exact: l.Exact}
		if l.Quantity != nil {
			line.Quantity = l.Quantity.String() + " " + l.QuantityUnit
		}
		if l.Rate != nil {
			line.Rate = l.Rate.String() + " " + l.RateUnit
		}
		if l.Step != "" {
			line.Rounding = fmt.Sprintf("%s: %d places, %s", l.Step, l.Rounding.Places, l.Rounding.Mode)
		}
		for _, r := range l.Refs {
			line.Refs = append(line.Refs, string(r))
		}
		out.Lines = append(out.Lines, line)
		if l.Code == settlement.PayableTotal {
			out.Payable = append(out.Payable, line.Quantity+" "+string(l.Element))
		}
	}
	return out
}

// describe says what a line states, of which metal and of which bar or melt.
func describe(l settlement.Line) string {
	words := l.Text
	for _, of := range []string{string(l.Element), l.Unit} {
		if of != "" && !strings.Contains(words, of) {
			words += ", " + of
		}
	}
	return words
}

func (f *fold) statementIssued(e *pb.StatementIssued) error {
	name, err := f.own("statement_id", e.StatementId)
	if err != nil {
		return err
	}
	if err := statements.free(&f.store, "statement_id", name); err != nil {
		return err
	}
	lot, _, _, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if err := text("reason", e.Reason, maxText, e.Kind == pb.StatementKind_STATEMENT_KIND_CORRECTED); err != nil {
		return err
	}
	st, corrects, err := f.compute(lot, e.Kind, e.SettledOn)
	if err != nil {
		return err
	}
	if st.Digest() != e.Digest {
		return refusal.New(refusal.Aborted, "FIGURES_MOVED", "digest", "the record gives another statement now than the one you read; preview it again, and issue that").About(lot.Name).
			With("yours", clip(e.Digest)).With("record", st.Digest())
	}
	out := statementProto(st, lot, e.Kind, e.SettledOn)
	out.Name, out.Issuer, out.Reason, out.TreeSize, out.Entries = name, f.who.PartyID, e.Reason, f.entry.Seq, []uint64{f.entry.Seq}
	if err := f.restsOn(e); err != nil {
		return err
	}
	out.CheckpointSize, out.CheckpointRoot = e.CheckpointSize, e.CheckpointRoot
	if corrects != nil {
		out.Corrects, out.Paid = corrects.Name, corrects.Paid
		corrects, _ = statements.change(&f.store, corrects.Name)
		corrects.CorrectedBy = name
	}
	statements.create(&f.store, out)
	lot.Statements = append(lot.Statements, name)
	if e.Kind != pb.StatementKind_STATEMENT_KIND_PROVISIONAL {
		lot.State = pb.LotState_LOT_STATE_STATED
		if out.Paid != "" && out.Paid == out.Net {
			lot.State = pb.LotState_LOT_STATE_PAID // what was paid on the corrected one covers it
		}
		for _, flag := range st.Flags {
			f.flagged(lot, flag)
		}
	}
	f.about(statements, name)
	return nil
}

// restsOn checks the checkpoint that a statement names. That its root is the log's the book cannot know: the author's
// desk has verified it, and whoever countersigns compares it with the log as they know it.
func (f *fold) restsOn(e *pb.StatementIssued) error {
	switch {
	case e.CheckpointSize == 0 && len(e.CheckpointRoot) == 0:
		f.remark("the statement names no checkpoint that it rests on; issue it from a desk that has verified the log")
	case e.CheckpointSize == 0 || len(e.CheckpointRoot) != 32:
		return refusal.Invalidf("CHECKPOINT_HALF_STATED", "checkpoint_root", "a checkpoint is a size above 0 and a root of 32 bytes; %d and %d bytes are given", e.CheckpointSize, len(e.CheckpointRoot))
	case e.CheckpointSize > f.entry.Seq:
		return refusal.Invalidf("CHECKPOINT_AHEAD", "checkpoint_size", "the checkpoint has %d entries and the log %d; if you have seen that checkpoint signed, this log was rolled back: keep it and tell the other parties", e.CheckpointSize, f.entry.Seq).
			With("found", fmt.Sprint(e.CheckpointSize)).With("allowed", fmt.Sprint(f.entry.Seq))
	}
	return nil
}

// flagged files what a statement found to be outside what the terms allow and nothing has filed before.
func (f *fold) flagged(lot *pb.Lot, flag settlement.Flag) {
	if flag.Reason != "ASSAY_SUM_OUTSIDE_TOLERANCE" {
		return // the melt loss was filed with the melt
	}
	if _, done := f.find("assay_sum", lot.Name); done {
		return
	}
	f.set("assay_sum", lot.Name, f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM, Subject: lot.Name, Rule: "the settled assays add up to 1000 parts per thousand within the agreed tolerance",
		Limit: flag.Allowed, Observed: flag.Observed, Words: flag.Text, Answerable: lot.Party, Parties: []string{lot.Seller, lot.Party}, Lot: lot.Name}).Name)
}

// reconcile compares a return with the lot's latest statement, within the tolerances of the agreement that it was
// computed under.
func (s *store) reconcile(lot *pb.Lot, document string) (*pb.Statement, settlement.Reconciliation, error) {
	if len(document) > maxDocument {
		return nil, settlement.Reconciliation{}, refusal.Invalidf("DOCUMENT_TOO_LARGE", "document", "a return of %d bytes is larger than the %d allowed", len(document), maxDocument)
	}
	theirs, err := settlement.ParseReturn([]byte(document))
	if err != nil {
		return nil, settlement.Reconciliation{}, refusal.In(err, "document")
	}
	if len(lot.Statements) == 0 {
		return nil, settlement.Reconciliation{}, refusal.New(refusal.Precondition, "NO_STATEMENT", "lot", "lot %s has no statement to compare a return with; issue one first", lot.Name).About(lot.Name)
	}
	st, ok := statements.load(s, lot.Statements[len(lot.Statements)-1])
	if !ok {
		return nil, settlement.Reconciliation{}, unknown("lot", "statement", lot.Statements[len(lot.Statements)-1])
	}
	ours, err := settlement.ParseStatement([]byte(st.DocumentJson))
	if err != nil {
		return nil, settlement.Reconciliation{}, err
	}
	if ours.Terms.Returns == nil {
		return nil, settlement.Reconciliation{}, refusal.New(refusal.Precondition, "TOLERANCES_MISSING", "lot", "agreement %s does not say up to which difference a return agrees; sign its next version with return_tolerances", lot.Agreement).About(lot.Name)
	}
	r, err := settlement.Reconcile(ours, theirs, *ours.Terms.Returns)
	return st, r, err
}

// reconciliationProto shows a comparison as readers see it.
func reconciliationProto(r settlement.Reconciliation) *pb.Reconciliation {
	code := " " + string(r.Money.Currency)
	out := &pb.Reconciliation{Ours: r.Money.Ours.String() + code, Theirs: r.Money.Theirs.String() + code, Difference: r.Money.Difference.String() + code}
	for _, p := range r.Money.Parts {
		out.Parts = append(out.Parts, &pb.ReconciliationPart{Cause: string(p.Part), Amount: p.Amount.String() + code})
	}
	for _, m := range r.Metal {
		for _, p := range m.Parts {
			if !p.Amount.IsZero() {
				out.Parts = append(out.Parts, &pb.ReconciliationPart{Cause: string(p.Part), Element: string(m.Element), Ounces: p.Amount.String() + " " + string(m.Unit)})
			}
		}
	}
	for _, l := range r.Lines {
		if l.Verdict != settlement.Same && l.Verdict != settlement.WithinLimit {
			words := l.Words
			if words == "" {
				words = fmt.Sprintf("%s: ours %s, theirs %s", l.Path, l.Ours, l.Theirs)
			}
			out.Findings = append(out.Findings, words)
		}
	}
	if document, err := json.Marshal(r); err == nil {
		out.DocumentJson = string(document)
	}
	return out
}

func (f *fold) returnReceived(e *pb.ReturnReceived) error {
	name, err := f.own("return_id", e.ReturnId)
	if err != nil {
		return err
	}
	if err := returns.free(&f.store, "return_id", name); err != nil {
		return err
	}
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	st, r, err := f.reconcile(lot, e.Document)
	if err != nil {
		return err
	}
	out := &pb.Return{Name: name, Lot: lot.Name, Document: e.Document, Statement: st.Name, Reconciliation: reconciliationProto(r), Entry: f.entry.Seq, Parties: []string{lot.Seller, lot.Party}}
	returns.create(&f.store, out)
	lot.Returns = append(lot.Returns, name)
	f.about(returns, name)
	if r.Agrees {
		return nil
	}
	var parts []string
	for _, p := range r.Money.Parts {
		if !p.Amount.IsZero() {
			parts = append(parts, fmt.Sprintf("%s %s", strings.ReplaceAll(string(p.Part), "_", " "), p.Amount))
		}
	}
	words := fmt.Sprintf("return %s credits %s where statement %s comes to %s: %s in all", name, out.Reconciliation.Theirs, st.Name, out.Reconciliation.Ours, out.Reconciliation.Difference)
	if len(parts) > 0 {
		words += " (" + strings.Join(parts, ", ") + ")"
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_RETURN_DIFFERS, Subject: lot.Name, Rule: "a return agrees with the statement line by line within the tolerances of agreement " + terms.ID, Limit: fmt.Sprintf("%s %s", terms.Returns.Money, terms.Currency), Observed: out.Reconciliation.Difference,
		Words: words, Money: r.Money.Difference.Abs().String() + " " + string(r.Money.Currency), Answerable: lot.Party, ClaimBy: f.claimBy(terms, settlement.ClaimStatement), ClaimSilence: silence(terms, settlement.ClaimStatement),
		Evidence: []uint64{st.Entries[0]}, Parties: []string{lot.Seller, lot.Party}, Consignment: lot.Consignment, Lot: lot.Name}
	for _, m := range r.Metal {
		if m.Difference.IsZero() {
			continue
		}
		if d.FineOunces != "" {
			d.FineOunces += ", "
		}
		d.FineOunces += fmt.Sprintf("%s %s %s", m.Difference.Abs(), m.Unit, m.Element)
	}
	f.raise(d)
	return nil
}

func (f *fold) paymentRecorded(e *pb.PaymentRecorded) error {
	st, err := alter(f, statements, "statement", e.Statement)
	if err != nil {
		return err
	}
	amount, err := quantity.ParseMoney(e.Amount)
	if err != nil {
		return refusal.In(err, "amount")
	}
	net, err := quantity.ParseMoney(st.Net)
	if err != nil {
		return err
	}
	if amount.Amount().IsZero() || amount.Currency() != net.Currency() {
		return refusal.Invalidf("AMOUNT_NOT_FIT", "amount", "a payment of %s does not fit; it is not zero and in %s", amount, net.Currency()).With("value", e.Amount)
	}
	if _, err := day("paid_on", e.PaidOn); err != nil {
		return err
	}
	if err := text("reference", e.Reference, maxName, false); err != nil {
		return err
	}
	if st.CorrectedBy != "" {
		return refusal.New(refusal.Precondition, "STATEMENT_CORRECTED", "statement", "statement %s was corrected by %s; record the payment on that one", st.Name, st.CorrectedBy).About(st.Name)
	}
	lot, _, _, err := f.lotFor("statement", st.Lot)
	if err != nil {
		return err
	}
	payer := lot.Party // one side records a payment, or it would count twice
	if amount.Amount().Sign() < 0 {
		payer = lot.Seller
	}
	if f.who.PartyID != payer {
		return refusal.New(refusal.Forbidden, "PAYER_RECORDS", "amount", "a payment of %s is recorded by %s, who pays it; the other side countersigns", amount, payer).About(st.Name)
	}
	paid := amount
	if st.Paid != "" {
		before, err := quantity.ParseMoney(st.Paid)
		if err != nil {
			return err
		}
		if paid, err = before.Add(amount); err != nil {
			return err
		}
	}
	if over := paid.Amount().Sub(net.Amount()); over.Sign() == net.Amount().Sign() && over.Sign() != 0 {
		return refusal.New(refusal.Precondition, "PAYMENT_BEYOND_NET", "amount", "with %s, %s would be paid on a net of %s; check the amount, or issue a corrected statement first", amount, paid, net).About(st.Name).With("value", e.Amount)
	}
	st.Paid, st.Entries = paid.String(), append(st.Entries, f.entry.Seq)
	last := lot.Statements[len(lot.Statements)-1]
	if st.Kind != pb.StatementKind_STATEMENT_KIND_PROVISIONAL && last == st.Name && paid.Amount().Equal(net.Amount()) {
		lot.State = pb.LotState_LOT_STATE_PAID
	}
	f.about(statements, st.Name)
	return nil
}
