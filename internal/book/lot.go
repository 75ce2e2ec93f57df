package book

import (
	"fmt"
	"strconv"
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

func (f *fold) lotOpened(e *pb.LotOpened) error {
	name, err := f.own("lot_id", e.LotId)
	if err != nil {
		return err
	}
	if err := lots.free(&f.store, "lot_id", name); err != nil {
		return err
	}
	agreement, terms, err := f.inForce("agreement", e.Agreement)
	if err != nil {
		return err
	}
	if agreement.Refiner != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_METAL", "agreement", "under %s the refiner is %s; only the refiner opens a lot", e.Agreement, agreement.Refiner)
	}
	if err := count("bars", len(e.Bars), 1, maxLotBars); err != nil {
		return err
	}
	lot := &pb.Lot{Name: name, Party: f.who.PartyID, Seller: agreement.Seller, Agreement: agreement.Name, State: pb.LotState_LOT_STATE_OPENED, Bars: e.Bars,
		OpenedAt: f.event.OccurredAt, Entries: []uint64{f.entry.Seq}, Parties: []string{agreement.Seller, agreement.Refiner}}
	lots.create(&f.store, lot)
	f.about(lots, name)
	var received quantity.Mass
	var from []string
	for i, b := range e.Bars {
		at := fmt.Sprintf("bars[%d]", i)
		bar, err := alter(f, bars, at, b)
		if err != nil {
			return err
		}
		if bar.State != pb.BarState_BAR_STATE_RECEIVED || bar.Holder != f.who.PartyID {
			return refusal.New(refusal.Precondition, "BAR_NOT_RECEIVED", at, "bar %s is not free at your refinery (lot %q, held by %s); receive it first", b, bar.Lot, bar.Holder).About(b)
		}
		c, ok := consignments.load(&f.store, bar.Consignment)
		if !ok || c.Advised.Agreement != agreement.Name {
			return refusal.New(refusal.Precondition, "BAR_UNDER_OTHER_AGREEMENT", at, "bar %s did not come under agreement %s; a lot is settled under one agreement", b, agreement.Name).About(b)
		}
		from = join(from, c.Name)
		bar.State, bar.Lot = pb.BarState_BAR_STATE_IN_LOT, name
		step := f.step("lot")
		step.Note = "in lot " + name
		bar.Route = append(bar.Route, step)
		_, arrival := aroundArrival(bar)
		if arrival == nil {
			return refusal.New(refusal.Precondition, "BAR_NOT_WEIGHED", at, "bar %s has no weight on arrival; weigh it first", b).About(b)
		}
		received = received.Add(quantity.MustMass(arrival.Mass))
		if first, err := instant("", arrival.WeighedAt); err == nil {
			if known, err := instant("", lot.ArrivedAt); err != nil || first.Before(known) {
				lot.ArrivedAt, lot.ArrivedEntry = arrival.WeighedAt, arrival.Entry
			}
		}
	}
	lot.Received = received.String()
	if len(from) == 1 {
		lot.Consignment = from[0]
	}
	for _, name := range from {
		f.missing(name)
	}
	if terms.Weight == settlement.Received {
		return f.openExchange(lot, terms)
	}
	return nil
}

// missing flags the bars of a consignment that have not arrived by the time a lot is made of it, each once.
func (f *fold) missing(consignment string) {
	c, ok := consignments.load(&f.store, consignment)
	if !ok {
		return
	}
	if c.BarsReceived == c.BarsAdvised {
		return
	}
	for _, name := range f.of(consignment, rowBar) {
		bar, ok := bars.load(&f.store, name)
		if !ok || bar.State >= pb.BarState_BAR_STATE_RECEIVED {
			continue
		}
		if _, flagged := f.find("missing", name); flagged {
			continue
		}
		d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_MISSING, Subject: name, Rule: "every bar that was advised arrives", Observed: "not received",
			Words: fmt.Sprintf("bar %s of consignment %s was advised in box %s and has not been received", name, consignment, bar.Box), Answerable: bar.Holder,
			Parties: []string{c.Party, c.Refiner}, Consignment: consignment}
		if box, ok := boxes.load(&f.store, bar.Box); ok {
			d.Answerable = box.Holder
		}
		terms, ok := f.agreementOf(consignment)
		if w := standing(bar.Weights); ok && w != nil {
			d.ClaimBy, d.ClaimSilence = f.claimBy(terms, settlement.ClaimWeight), silence(terms, settlement.ClaimWeight)
			if gold, ok := finenessOf(bar, assay.Gold); ok {
				d.FineOunces, d.Money = f.atStake(assay.Gold, quantity.MustMass(w.Mass).Fine(gold), terms)
			}
		}
		f.set("missing", name, f.raise(d).Name)
	}
}

// lotFor returns a lot that the author's party is concerned in, to be changed, with its agreement and terms.
func (f *fold) lotFor(field, name string) (*pb.Lot, *pb.Agreement, settlement.Terms, error) {
	lot, err := alter(f, lots, field, name)
	if err != nil {
		return nil, nil, settlement.Terms{}, err
	}
	agreement, ok := agreements.load(&f.store, lot.Agreement)
	if !ok {
		return nil, nil, settlement.Terms{}, unknown("agreement", "agreement", lot.Agreement)
	}
	terms, err := termsOf(agreement)
	f.about(lots, lot.Name)
	lot.Entries = append(lot.Entries, f.entry.Seq)
	return lot, agreement, terms, err
}

func (f *fold) melted(e *pb.Melted) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if lot.Party != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_LOT", "lot", "lot %s is melted by %s", lot.Name, lot.Party)
	}
	if lot.MeltEntry != 0 { // the state does not say: settled as received, a lot may be in exchange before its melt
		return refusal.New(refusal.Precondition, "LOT_MELTED", "lot", "lot %s has been melted already (entry %d); send a correction", lot.Name, lot.MeltEntry).About(lot.Name)
	}
	if err := f.melt(lot, terms, e); err != nil {
		return err
	}
	if lot.State == pb.LotState_LOT_STATE_OPENED {
		lot.State = pb.LotState_LOT_STATE_MELTED
	}
	for _, name := range lot.Bars {
		if bar, ok := bars.change(&f.store, name); ok {
			bar.State = pb.BarState_BAR_STATE_MELTED
			step := f.step("melted")
			step.Note = "with lot " + lot.Name
			bar.Route = append(bar.Route, step)
		}
	}
	if terms.Weight != settlement.Received {
		return f.openExchange(lot, terms)
	}
	return nil
}

// melt checks and files the weights of a melt, first or corrected.
func (f *fold) melt(lot *pb.Lot, terms settlement.Terms, e *pb.Melted) error {
	balance, err := f.ownBalance("balance", e.Balance)
	if err != nil {
		return err
	}
	before, err := requiredMass("before", e.Before)
	if err != nil {
		return err
	}
	after, err := requiredMass("after", e.After)
	if err != nil {
		return err
	}
	slag, err := optionalMass("slag", e.Slag)
	if err != nil {
		return err
	}
	lot.BeforeMelt, lot.AfterMelt, lot.Slag, lot.MeltedAt, lot.MeltEntry = e.Before, e.After, e.Slag, f.happened, f.entry.Seq
	instrument, err := instrumentOf(&f.store, balance)
	if err != nil {
		return err
	}
	for _, w := range []struct {
		field string
		mass  quantity.Mass
	}{{"before", before}, {"after", after}} {
		// Two equal readings: what a balance cannot show, it cannot have shown for a melt either.
		if _, err := weighing.Read(instrument.Balance, []quantity.Mass{w.mass, w.mass}); err != nil {
			return refusal.In(err, w.field)
		}
	}
	lot.MeltBalance = balance.Name // a melt states one figure; two readings stand behind it as behind any weight
	if lot.MeltDoubt, lot.MeltUncertainty, err = f.judged(instrument, after, 2); err != nil {
		return err
	}
	f.inDoubt(balance, lot.Name, lot.MeltDoubt, lot.Parties)
	return f.meltLoss(lot, terms, after, slag)
}

// meltLoss files a melt loss outside its range.
func (f *fold) meltLoss(lot *pb.Lot, terms settlement.Terms, after, slag quantity.Mass) error {
	if terms.Limits == nil || terms.Limits.MeltLoss.Least == nil || terms.Limits.MeltLoss.Most == nil {
		return nil
	}
	expected := weighing.LossRange{Low: terms.Limits.MeltLoss.Least.Shift(1), High: terms.Limits.MeltLoss.Most.Shift(1)}
	// Of what was received, as the agreement means it and the statement shows it: what went missing between arrival and
	// melt must not hide in a smaller weight before the melt.
	loss, err := weighing.MeltLoss(quantity.MustMass(lot.Received), after, slag, expected)
	if err != nil || loss.Within {
		return err
	}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_MELT_LOSS, Subject: lot.Name, Rule: fmt.Sprintf("the melt loss lies in the range of agreement %s", terms.ID),
		Limit: fmt.Sprintf("%s to %s %%", terms.Limits.MeltLoss.Least, terms.Limits.MeltLoss.Most), Observed: loss.Loss.String() + " g", Words: loss.Verdict, Answerable: lot.Party,
		ClaimBy: f.claimBy(terms, settlement.ClaimWeight), ClaimSilence: silence(terms, settlement.ClaimWeight), Parties: lot.Parties, Consignment: lot.Consignment, Lot: lot.Name})
	return nil
}

// exchangeTerms lists the exchange terms of an agreement's metals in its order.
func exchangeTerms(terms settlement.Terms) []assay.ExchangeTerms {
	list := make([]assay.ExchangeTerms, len(terms.Metals))
	for i, m := range terms.Metals {
		list[i] = m.Exchange
	}
	return list
}

// openExchange begins the exchange of assays: the settlement weight is known and the packets are out.
func (f *fold) openExchange(lot *pb.Lot, terms settlement.Terms) error {
	return f.exchange(lot, terms, &pb.ExchangeStep{Action: string(assay.StepOpened)})
}

// exchangeSteps returns the steps on record as the assay room knows them.
func exchangeSteps(steps []*pb.ExchangeStep) ([]assay.Step, error) {
	list := make([]assay.Step, len(steps))
	for i, s := range steps {
		at, err := instant("occurred_at", s.OccurredAt)
		if err != nil {
			return nil, err
		}
		list[i] = assay.Step{Kind: assay.StepKind(s.Action), Side: assay.Side(s.Side), Round: int(s.Round), Laboratory: s.Laboratory, Turn: int(s.Turn), Ref: ref(s.Entry), At: at}
		copy(list[i].Commitment[:], s.Commitment)
		copy(list[i].Nonce[:], s.Nonce)
		if len(s.Results) > 0 {
			if list[i].Results, err = results(s.Results); err != nil {
				return nil, err
			}
		}
	}
	return list, nil
}

// ref names an entry on a statement.
func ref(entry uint64) string { return "entry " + strconv.FormatUint(entry, 10) }

// entriesOf is the other way of ref.
func entriesOf(refs []string) []uint64 {
	var entries []uint64
	for _, r := range refs {
		number, ours := strings.CutPrefix(r, "entry ")
		if n, err := strconv.ParseUint(number, 10, 64); ours && err == nil {
			entries = append(entries, n)
		}
	}
	return entries
}

// exchange takes a lot's exchange one step further, by the assay room's rules, and files where each element stands.
func (f *fold) exchange(lot *pb.Lot, terms settlement.Terms, step *pb.ExchangeStep) error {
	step.OccurredAt, step.Entry = f.event.OccurredAt, f.entry.Seq
	done, err := exchangeSteps(append(lot.Steps, step))
	if err != nil {
		return err
	}
	before, err := assay.Progress(lot.Name, done[:len(done)-1], exchangeTerms(terms), f.at)
	if err != nil {
		return err
	}
	if err := before.Allowed(done[len(done)-1]); err != nil {
		return err
	}
	x, err := assay.Progress(lot.Name, done, exchangeTerms(terms), f.at)
	if err != nil {
		return err
	}
	lot.Steps = append(lot.Steps, step)
	lot.Assays = nil
	for _, e := range x.Elements {
		s := &pb.SettledAssay{Element: string(e.Element), State: string(e.State), Words: e.Words, Entries: entriesOf(e.Refs)}
		if n := len(e.Splits); n > 0 {
			last := e.Splits[n-1]
			s.Seller, s.Refiner, s.Difference, s.Limit = last.Seller.String(), last.Refiner.String(), last.Difference.String(), last.Limit.String()
			if old, _ := before.Element(e.Element); !last.Within && len(old.Splits) < n {
				f.split(lot, terms, e, last)
			}
		}
		if e.Decision != nil {
			s.Umpire = e.Decision.Umpire.String()
		}
		if e.State == assay.StateSettled {
			s.Settled = e.Settled.String()
			if e.SellerCost.Add(e.RefinerCost).Sign() > 0 {
				s.SellerCostShare = e.SellerCost.String()
			}
			f.endSplit(lot, e)
		}
		lot.Assays = append(lot.Assays, s)
	}
	switch {
	case x.Settled:
		lot.State = pb.LotState_LOT_STATE_ASSAYS_SETTLED
		f.unseal(lot)
	case len(lot.Steps) > 1:
		lot.State = pb.LotState_LOT_STATE_IN_EXCHANGE
	}
	return nil
}

// split files results that differ beyond the splitting limit.
func (f *fold) split(lot *pb.Lot, terms settlement.Terms, e assay.ElementExchange, s assay.Splitting) {
	weight := lot.AfterMelt
	if terms.Weight == settlement.Received {
		weight = lot.Received
	}
	if name, ok := f.find("split", lot.Name+" "+string(e.Element)); ok {
		f.lapseOne(name, "the re-assay differs as well and has a discrepancy of its own")
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SPLIT, Subject: lot.Name, Rule: fmt.Sprintf("the results of seller and refiner for %s agree within the splitting limit of agreement %s", e.Element, terms.ID),
		Limit: s.Limit.String() + " ppt", Observed: s.Difference.String() + " ppt", Words: s.Words, Answerable: lot.Seller + ", " + lot.Party,
		ClaimBy: f.claimBy(terms, settlement.ClaimAssay), ClaimSilence: silence(terms, settlement.ClaimAssay), Parties: lot.Parties, Consignment: lot.Consignment, Lot: lot.Name}
	for _, n := range entriesOf(e.Refs) {
		if n != f.entry.Seq {
			d.Evidence = append(d.Evidence, n)
		}
	}
	if mass, err := quantity.ParseMass(weight); err == nil {
		d.FineOunces, d.Money = f.atStake(e.Element, mass.Grams().Mul(s.Difference).Shift(-3), terms)
	}
	f.set("split", lot.Name+" "+string(e.Element), f.raise(d).Name)
}

// endSplit closes the difference of an element that has been settled.
func (f *fold) endSplit(lot *pb.Lot, e assay.ElementExchange) {
	name, ok := f.find("split", lot.Name+" "+string(e.Element))
	if !ok {
		return
	}
	d, ok := discrepancies.load(&f.store, name)
	if !ok || d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		return
	}
	discrepancies.change(&f.store, name)
	d.State, d.Decision, d.Reason = pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED, pb.Decision_DECISION_UMPIRE, e.Words
	if e.Basis == assay.BasisMean {
		d.State, d.Decision = pb.DiscrepancyState_DISCREPANCY_STATE_LAPSED, pb.Decision_DECISION_UNSPECIFIED // a re-assay agreed
	}
	d.DecidedBy, d.DecidedEntry = f.person(), f.entry.Seq
}

// side says for whom the author speaks in a lot.
func (f *fold) side(lot *pb.Lot) (assay.Side, error) {
	switch f.who.PartyID {
	case lot.Seller:
		return assay.Seller, nil
	case lot.Party:
		return assay.Refiner, nil
	}
	return "", refusal.New(refusal.Forbidden, "NOT_A_SIDE", "lot", "the exchange of lot %s is between %s and %s", lot.Name, lot.Seller, lot.Party).About(lot.Name)
}

func (f *fold) resultCommitted(e *pb.ResultCommitted) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	side, err := f.side(lot)
	if err != nil {
		return err
	}
	if len(e.Commitment) != 32 {
		return refusal.Invalidf("COMMITMENT_MALFORMED", "commitment", "a commitment of %d bytes is given; SHA-256 has 32", len(e.Commitment))
	}
	if err := elements(e.Elements); err != nil {
		return err
	}
	return f.exchange(lot, terms, &pb.ExchangeStep{Action: string(assay.StepCommitted), Side: string(side), Round: e.Round, Elements: e.Elements, Commitment: e.Commitment})
}

// elements checks a list of element symbols.
func elements(list []string) error {
	if err := count("elements", len(list), 1, 30); err != nil {
		return err
	}
	for i, e := range list {
		if err := assay.Element(e).Check(); err != nil {
			return refusal.In(err, fmt.Sprintf("elements[%d]", i))
		}
	}
	return nil
}

func (f *fold) resultRevealed(e *pb.ResultRevealed) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	side, err := f.side(lot)
	if err != nil {
		return err
	}
	if len(e.Nonce) != 32 {
		return refusal.Invalidf("NONCE_MALFORMED", "nonce", "a nonce of %d bytes is given; it has 32", len(e.Nonce))
	}
	if _, err := results(e.Results); err != nil {
		return err
	}
	err = f.exchange(lot, terms, &pb.ExchangeStep{Action: string(assay.StepRevealed), Side: string(side), Round: e.Round, Results: e.Results, Nonce: e.Nonce})
	if refusal.Is(err, "REVEAL_MISMATCH") {
		f.mismatched(lot, side, int(e.Round), refusal.As(err).Text)
		return nil
	}
	return err
}

// mismatched keeps a reveal that is not what was committed as evidence against its author. It counts for nothing: the
// exchange waits for the reveal as before, and the agreement's rule of silence applies when its day is past.
func (f *fold) mismatched(lot *pb.Lot, side assay.Side, round int, words string) {
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_REVEAL_MISMATCH, Subject: lot.Name, Rule: "a result is revealed as it was committed",
		Observed: fmt.Sprintf("another result or nonce in round %d", round), Words: words, Answerable: f.who.PartyID,
		Parties: []string{lot.Seller, lot.Party}, Consignment: lot.Consignment, Lot: lot.Name}
	for _, s := range lot.Steps {
		if s.Action == string(assay.StepCommitted) && s.Side == string(side) && int(s.Round) == round {
			d.Limit, d.Evidence = fmt.Sprintf("SHA-256 %x", s.Commitment), []uint64{s.Entry}
		}
	}
	f.raise(d)
}

func (f *fold) umpireAppointed(e *pb.UmpireAppointed) error {
	lot, agreement, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if _, err := f.side(lot); err != nil {
		return err
	}
	if err := elements(e.Elements); err != nil {
		return err
	}
	laboratory, ok := parties.load(&f.store, e.Laboratory)
	if !ok || laboratory.Kind != pb.PartyKind_PARTY_KIND_LABORATORY {
		return unknown("laboratory", "laboratory", e.Laboratory)
	}
	if err := number("packet_seal", e.PacketSeal); err != nil {
		return err
	}
	drawn := true // a laboratory that holds the umpire packet of this lot already takes another element out of turn
	for _, s := range lot.Steps {
		drawn = drawn && !(s.Action == string(assay.StepUmpireAppointed) && s.Laboratory == e.Laboratory)
	}
	step := &pb.ExchangeStep{Action: string(assay.StepUmpireAppointed), Side: "umpire", Elements: e.Elements, Laboratory: e.Laboratory, Turn: agreement.UmpiresCalled}
	if err := f.exchange(lot, terms, step); err != nil {
		return err
	}
	if drawn {
		f.umpireCalled(agreement)
	}
	lot.Parties = join(lot.Parties, e.Laboratory)
	f.set("umpire_seal", lot.Name+" "+e.Laboratory, e.PacketSeal)
	if f.entry.Rules >= 2 {
		f.packetSent(lot, e.Laboratory, e.PacketSeal)
	}
	return nil
}

// packetSent gives the umpire sight of the packet that is sent to it, and compares the packet's seal with those under
// which the lot's packets were put on record: a packet that nobody sealed when the sample was split may hold anything.
func (f *fold) packetSent(lot *pb.Lot, laboratory, seal string) {
	var known []string
	for _, name := range lot.Samples {
		sample, ok := samples.load(&f.store, name)
		if !ok {
			continue
		}
		for _, p := range sample.Taken.Packets {
			if p.Seal == seal {
				f.sendPacket(sample, p.PacketId, laboratory)
				return
			}
			if p.Seal != "" && (p.Holder == pb.PacketHolder_PACKET_HOLDER_UMPIRE || p.Holder == pb.PacketHolder_PACKET_HOLDER_RESERVE) {
				known = append(known, p.Seal)
			}
		}
	}
	if len(lot.Samples) == 0 {
		return // the samples were not put on record, so there is nothing to compare
	}
	d := &pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, Subject: lot.Name, Rule: "the umpire gets a packet that was sealed when the sample was split",
		Limit: strings.Join(known, ", "), Observed: seal, Words: fmt.Sprintf("no packet of the samples of lot %s was put under seal %s", lot.Name, seal),
		Answerable: f.who.PartyID, Parties: []string{lot.Seller, lot.Party}, Consignment: lot.Consignment, Lot: lot.Name}
	f.raise(d)
}

// sendPacket lets a laboratory read of a packet.
func (f *fold) sendPacket(sample *pb.Sample, packet, laboratory string) {
	key := sample.Name + " " + laboratory
	ids, _ := f.find("packets", key)
	f.set("packets", key, strings.Join(join(strings.Fields(ids), packet), " "))
	samples.change(&f.store, sample.Name)
	sample.Parties = join(sample.Parties, laboratory)
}

func (f *fold) umpireReported(e *pb.UmpireReported) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if _, err := results(e.Results); err != nil {
		return err
	}
	if err := text("packet_seal", e.PacketSeal, maxName, false); err != nil {
		return err
	}
	var fee quantity.Money
	if e.Fee != "" {
		if fee, err = quantity.ParseMoney(e.Fee); err != nil {
			return refusal.In(err, "fee")
		}
		if fee.Amount().Sign() < 0 || fee.Currency() != terms.Currency {
			return refusal.Invalidf("FEE_NOT_FIT", "fee", "a fee of %s does not fit; it is not negative and in %s", fee, terms.Currency)
		}
		// Who bears the fee of an element depends on the parties' results. Were it refused only where they bear it differently,
		// an umpire could learn from refusals which side is nearer to a figure before it reports one.
		if f.entry.Rules >= 2 && len(e.Results) > 1 {
			return refusal.Invalidf("FEE_OF_SEVERAL", "fee", "a fee is borne element by element; report each element by itself with its own fee")
		}
	}
	if err := f.exchange(lot, terms, &pb.ExchangeStep{Action: string(assay.StepUmpireReported), Side: "umpire", Results: e.Results, Laboratory: f.who.PartyID}); err != nil {
		return err
	}
	if seal, ok := f.find("umpire_seal", lot.Name+" "+f.who.PartyID); ok && seal != e.PacketSeal {
		f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, Subject: lot.Name, Rule: "the umpire's packet arrives under the seal it left with", Limit: seal, Observed: e.PacketSeal,
			Words: fmt.Sprintf("the umpire's packet left under seal %s and was read as %s", seal, e.PacketSeal), Answerable: lot.Party, Parties: lot.Parties, Lot: lot.Name})
	}
	if !fee.IsZero() && fee.Amount().Sign() > 0 {
		share, err := umpireShare(lot, e)
		if err != nil {
			return err
		}
		lot.Costs = append(lot.Costs, &pb.LotCost{Kind: string(settlement.CostUmpire), Amount: fee.String(), SellerSharePercent: share.String(), Entry: f.entry.Seq})
	}
	return nil
}

// umpireShare is the seller's part of the umpire's fee in percent. One fee covers the elements of one report; where the
// parties bear them differently the fee cannot be one figure, and nothing here averages it.
func umpireShare(lot *pb.Lot, e *pb.UmpireReported) (quantity.Decimal, error) {
	var share string
	for _, r := range e.Results {
		for _, a := range lot.Assays {
			if a.Element != r.Element || a.SellerCostShare == "" {
				continue
			}
			if share != "" && share != a.SellerCostShare {
				return quantity.Decimal{}, refusal.New(refusal.Precondition, "FEE_NOT_DIVISIBLE", "fee", "the parties bear the umpire's cost differently for the elements reported; report each element by itself with its own fee").About(lot.Name)
			}
			share = a.SellerCostShare
		}
	}
	part, err := quantity.ParseDecimal(share)
	if err != nil {
		return part, refusal.New(refusal.Precondition, "FEE_BEARER_UNKNOWN", "fee", "the results reported do not settle who bears the fee; report the fee with the results that do").About(lot.Name)
	}
	return part.Shift(2), nil
}
