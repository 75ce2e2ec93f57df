package book

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// What is shown as being at stake is an estimate, at these places; nothing is settled by it.
var (
	stakeOunces = quantity.Rounding{Places: 3, Mode: quantity.HalfEven}
	stakeMoney  = quantity.Rounding{Places: 2, Mode: quantity.HalfEven}
)

// raise records that something differs beyond what was agreed and that somebody must answer. It is evidence, not a
// refusal: the event that raised it is recorded all the same.
func (f *fold) raise(d *pb.Discrepancy) *pb.Discrepancy {
	f.raised++
	d.Name = fmt.Sprintf("d%d.%d", f.entry.Seq, f.raised)
	d.State = pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	d.RaisedAt, d.Entry = f.event.OccurredAt, f.entry.Seq
	for _, e := range d.Evidence {
		if e == f.entry.Seq {
			return f.file(d)
		}
	}
	d.Evidence = append(d.Evidence, f.entry.Seq)
	return f.file(d)
}

func (f *fold) file(d *pb.Discrepancy) *pb.Discrepancy {
	discrepancies.create(&f.store, d)
	// The subject may be what somebody said they saw, such as the mark of another mine's bar; that one is not touched.
	if bar, err := alter(f, bars, "", d.Subject); err == nil {
		bar.Discrepancies = append(bar.Discrepancies, d.Name)
	}
	if box, err := alter(f, boxes, "", d.Subject); err == nil {
		box.Discrepancies = append(box.Discrepancies, d.Name)
	}
	if _, ok := consignments.load(&f.store, d.Consignment); ok {
		f.row(d.Consignment, rowDiscrepancy, d.Name)
	}
	if lot, ok := lots.change(&f.store, d.Lot); ok {
		lot.Discrepancies = append(lot.Discrepancies, d.Name)
	}
	return d
}

// Raised returns the discrepancies that an entry raised, in order, as far as a caller may see them.
func Raised(pages *ledger.Book, caller identity.Caller, sequence uint64) []*pb.Discrepancy {
	s := &store{pages: pages}
	var seen []*pb.Discrepancy
	for _, d := range raisedBy(pages, sequence) {
		if s.sight(caller, discrepancies.kind, d) != nil {
			seen = append(seen, d)
		}
	}
	return seen
}

// raisedBy returns the discrepancies that an entry raised, in order.
func raisedBy(pages *ledger.Book, sequence uint64) []*pb.Discrepancy {
	var raised []*pb.Discrepancy
	c := pages.Table(discrepancies.table).Cursor()
	for k, v := c.Seek(binary.BigEndian.AppendUint64(nil, sequence)); len(k) == 10 && binary.BigEndian.Uint64(k) == sequence; k, v = c.Next() {
		if d, err := discrepancies.decode(v); err == nil {
			raised = append(raised, d)
		}
	}
	return raised
}

// claimBy returns the last day of the agreement's claim window that opens today, or "".
func (f *fold) claimBy(terms settlement.Terms, kind settlement.ClaimKind) string {
	seen, err := settlement.ParseDate(f.at.Format("2006-01-02"))
	if err != nil {
		return ""
	}
	last, _, ok := terms.Deadline(kind, seen)
	if !ok {
		return ""
	}
	return last.String()
}

// silence says what silence until claimBy means: accepted or open; "" where the agreement has no window.
func silence(terms settlement.Terms, kind settlement.ClaimKind) string {
	claim, _ := terms.Claim(kind)
	return string(claim.Silence)
}

// late reports whether a day is after the last of a claim window in which silence accepts the figure.
func late(d *pb.Discrepancy, on string) bool {
	return d.ClaimBy != "" && d.ClaimSilence == string(settlement.SilenceAccepts) && on > d.ClaimBy
}

// atStake estimates what a difference of fine metal is worth at the last price published up to the day of the event.
func (f *fold) atStake(element assay.Element, fineGrams quantity.Decimal, terms settlement.Terms) (ounces, money string) {
	oz, err := quantity.Grams(fineGrams.Abs()).Ounces(stakeOunces)
	if err != nil {
		return "", ""
	}
	ounces = fmt.Sprintf("%s oz %s", oz, element)
	metal, _ := terms.Metal(element)
	price, err := f.lastPrice(metal, f.at.Format("2006-01-02"))
	if err != nil {
		return ounces, "" // no price is known, and none is guessed
	}
	worth, err := fineGrams.Abs().Mul(price.Amount()).Quo(quantity.GramsPerOunce, stakeMoney)
	if err != nil {
		return ounces, ""
	}
	return ounces, worth.String() + " " + string(price.Currency())
}

// finenessOf returns the last reported fineness of an element in a bar that no correction has replaced.
func finenessOf(bar *pb.Bar, element assay.Element) (quantity.Fineness, bool) {
	for i := len(bar.Assays) - 1; i >= 0; i-- {
		if bar.Assays[i].SupersededBy != 0 || bar.Assays[i].Sealed {
			continue
		}
		for _, r := range bar.Assays[i].Results {
			if r.Element == string(element) {
				fineness, err := quantity.ParseFineness(r.Fineness)
				return fineness, err == nil
			}
		}
	}
	return quantity.Fineness{}, false
}

// density estimates a bar's density from its assays; zero where they are not known.
func density(bar *pb.Bar) quantity.Decimal {
	gold, ok := finenessOf(bar, assay.Gold)
	if !ok {
		return quantity.Decimal{}
	}
	silver, ok := finenessOf(bar, assay.Silver)
	if !ok {
		return quantity.Decimal{}
	}
	d, err := weighing.BarDensity(gold, silver, "Cu")
	if err != nil {
		return quantity.Decimal{}
	}
	return d
}

// station returns a weighing on record as the weighing room compares it, with its uncertainty by the balance's class.
func (f *fold) station(w *pb.WeightRecord) weighing.Station {
	air, _ := quantity.ParseDecimal(w.AirKgM3)
	s := weighing.Station{Name: w.Party, Mass: quantity.MustMass(w.Mass), Air: air}
	if balance, ok := balances.load(&f.store, w.Balance); ok {
		if instrument, err := instrumentOf(&f.store, balance); err == nil {
			if budget, err := instrument.budget(s.Mass, len(w.Readings)); err == nil {
				s.Uncertainty = budget.Mass()
			}
		}
	}
	return s
}

// agreementOf returns the terms that a consignment travels under; false where there are none.
func (f *fold) agreementOf(consignment string) (settlement.Terms, bool) {
	c, ok := consignments.load(&f.store, consignment)
	if !ok {
		return settlement.Terms{}, false
	}
	a, ok := agreements.load(&f.store, c.Advised.Agreement)
	if !ok {
		return settlement.Terms{}, false
	}
	terms, err := termsOf(a)
	return terms, err == nil
}

// compareBar compares two weighings of one bar with the agreement's limit, and files a discrepancy where they differ by
// more: on arrival against the arrival limit, elsewhere against the hand-off limit. Weighings of a bar under no
// agreement yet have no limit to be compared with.
func (f *fold) compareBar(bar *pb.Bar, before, now *pb.WeightRecord, step *pb.RouteStep) error {
	terms, ok := f.agreementOf(bar.Consignment)
	if !ok || terms.Limits == nil {
		return nil
	}
	limit, kind, rule := terms.Limits.HandOffBar, pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_HANDOFF, "bar weights at a hand-off"
	if now.Stage == pb.WeighingStage_WEIGHING_STAGE_ARRIVAL {
		limit, kind, rule = terms.Limits.ArrivalBar, pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL, "bar weights on arrival"
	}
	first, second := f.station(before), f.station(now)
	c, err := weighing.Compare(first, second, limit, density(bar))
	if err != nil {
		return err
	}
	if c.Within {
		return nil
	}
	if step != nil {
		step.Findings = append(step.Findings, c.Verdict)
	}
	d := &pb.Discrepancy{Kind: kind, Subject: bar.Name, Rule: fmt.Sprintf("%s agree within the limit of agreement %s", rule, terms.ID),
		Limit: c.Limit.Trim().String() + " g", Observed: c.Difference.String() + " g", Words: c.Verdict,
		Answerable: before.Party, ClaimBy: f.claimBy(terms, settlement.ClaimWeight), ClaimSilence: silence(terms, settlement.ClaimWeight), Evidence: []uint64{before.Entry, now.Entry},
		Parties: join([]string{terms.Seller}, terms.Refiner), Consignment: bar.Consignment, Lot: bar.Lot}
	if c.BuoyancyKnown {
		d.Explained, d.Remaining = c.Buoyancy.String()+" g", c.Remaining.String()+" g"
	}
	if c.Uncertainty.Sign() > 0 {
		d.Uncertainty = c.Uncertainty.String() + " g"
	}
	if gold, ok := finenessOf(bar, assay.Gold); ok {
		d.FineOunces, d.Money = f.atStake(assay.Gold, quantity.Grams(c.Difference).Fine(gold), terms)
	}
	f.raise(d)
	return nil
}

// compareBox does the same for the gross weight of a box, whose density nobody knows.
func (f *fold) compareBox(box *pb.Box, before, now *pb.WeightRecord, step *pb.RouteStep) error {
	terms, ok := f.agreementOf(box.Consignment)
	if before == nil || !ok || terms.Limits == nil {
		return nil
	}
	c, err := weighing.Compare(f.station(before), f.station(now), terms.Limits.HandOffBar, quantity.Decimal{})
	if err != nil || c.Within {
		return err
	}
	if step != nil {
		step.Findings = append(step.Findings, c.Verdict)
	}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_HANDOFF, Subject: box.Name,
		Rule: fmt.Sprintf("gross weights at a hand-off agree within the limit of agreement %s", terms.ID), Limit: c.Limit.Trim().String() + " g",
		Observed: c.Difference.String() + " g", Words: c.Verdict, Answerable: before.Party, ClaimBy: f.claimBy(terms, settlement.ClaimWeight), ClaimSilence: silence(terms, settlement.ClaimWeight),
		Evidence: []uint64{before.Entry, now.Entry}, Parties: join([]string{terms.Seller, terms.Refiner}, before.Party, now.Party), Consignment: box.Consignment})
	return nil
}

func (f *fold) discrepancyDecided(e *pb.DiscrepancyDecided) error {
	d, err := alter(f, discrepancies, "discrepancy", e.Discrepancy)
	if err != nil {
		return err
	}
	if d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		return refusal.New(refusal.Precondition, "DISCREPANCY_CLOSED", "discrepancy", "%s is closed already (entry %d); if that was wrong, agree on it by a new statement or payment", d.Name, d.DecidedEntry).About(d.Name)
	}
	if _, ok := pb.Decision_name[int32(e.Decision)]; !ok || e.Decision == pb.Decision_DECISION_UNSPECIFIED || e.Decision == pb.Decision_DECISION_UMPIRE {
		return refusal.Invalidf("DECISION_MISSING", "decision", "no decision is stated; choose accepted, made good, shared, waived or referred")
	}
	if err := text("reason", e.Reason, maxText, true); err != nil {
		return err
	}
	if e.Conceded != "" {
		conceded, err := quantity.ParseMoney(e.Conceded)
		if err != nil {
			return refusal.In(err, "conceded")
		}
		stake, err := quantity.ParseMoney(d.Money)
		if conceded.Amount().Sign() < 0 || err == nil && stake.Currency() != conceded.Currency() {
			return refusal.Invalidf("AMOUNT_NOT_FIT", "conceded", "%s cannot be conceded; give zero or more, in the currency of what is at stake", conceded).With("value", e.Conceded)
		}
	}
	// Who must answer may own up or offer to share, and the other side agrees by countersigning that; it does not close a
	// claim against itself. What is referred goes on, and is decided when it comes back.
	answers := len(d.Parties) > 1 && slices.Contains(strings.Split(d.Answerable, ", "), f.who.PartyID)
	if answers && (e.Decision == pb.Decision_DECISION_ACCEPTED || e.Decision == pb.Decision_DECISION_WAIVED) {
		return refusal.New(refusal.Forbidden, "DECISION_NOT_YOURS", "decision", "%s must answer for %s and cannot let it go itself; have the other party accept or waive it", d.Answerable, d.Name).About(d.Name)
	}
	// Nobody concedes in another's name: who holds the claim may let it go or refer it, and agrees to what it is offered.
	offers := e.Decision == pb.Decision_DECISION_MADE_GOOD || e.Decision == pb.Decision_DECISION_SHARED || e.Conceded != ""
	if f.entry.Rules >= 2 && offers && !answers && len(d.Parties) > 1 && d.Answerable != "" {
		return refusal.New(refusal.Forbidden, "DECISION_NOT_YOURS", "decision",
			"%s must answer for %s, and only they can make it good, share it or concede an amount; have them sign that, and countersign it. You may accept what they say, waive the claim or refer it",
			d.Answerable, d.Name).About(d.Name)
	}
	d.Decision, d.Reason, d.Conceded, d.DecidedBy, d.DecidedEntry = e.Decision, e.Reason, e.Conceded, f.person(), f.entry.Seq
	if !answers && e.Decision != pb.Decision_DECISION_REFERRED {
		d.State = pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED
	}
	// The parties may agree on a claim at any time; what is shown is that the agreement had settled it by silence before. The
	// ledger's clock says when: an author's own date could be put back.
	d.DecidedLate = late(d, f.entry.RecordedAt.Format("2006-01-02"))
	f.about(discrepancies, d.Name)
	return nil
}
