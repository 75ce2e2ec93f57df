package book

import (
	"fmt"

	"barward/internal/assay"
	"barward/internal/custody"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// masses parses readings.
func masses(field string, readings []string) ([]quantity.Mass, error) {
	parsed := make([]quantity.Mass, len(readings))
	for i, r := range readings {
		m, err := quantity.ParseMass(r)
		if err != nil {
			return nil, refusal.In(err, fmt.Sprintf("%s[%d]", field, i))
		}
		parsed[i] = m
	}
	return parsed, nil
}

// optionalMass parses a mass that may be empty; what is there must be positive.
func optionalMass(field, s string) (quantity.Mass, error) {
	if s == "" {
		return quantity.Mass{}, nil
	}
	m, err := quantity.ParseMass(s)
	if err == nil {
		err = m.Positive()
	}
	return m, refusal.In(err, field)
}

// requiredMass parses a mass that must be there and positive.
func requiredMass(field, s string) (quantity.Mass, error) {
	if s == "" {
		return quantity.Mass{}, refusal.In(quantity.Mass{}.Positive(), field)
	}
	return optionalMass(field, s)
}

// weigh turns readings on one of the author's balances into a weight on record, and flags a balance in doubt and
// readings that disagree. subject is the bar or box weighed.
func (f *fold) weigh(field, subject, balanceName string, readings []string, air *pb.Air, stage pb.WeighingStage, related []string) (*pb.WeightRecord, error) {
	balance, err := f.ownBalance("balance", balanceName)
	if err != nil {
		return nil, err
	}
	instrument, err := instrumentOf(&f.store, balance)
	if err != nil {
		return nil, err
	}
	weight, taken, err := f.prepared.read(instrument, readings)
	if err != nil {
		return nil, refusal.In(err, field)
	}
	density, err := f.airAt(balance.Registered.Site, air)
	if err != nil {
		return nil, err
	}
	record := &pb.WeightRecord{Stage: stage, Mass: weight.Mass.String(), Readings: readings, Spread: weight.Spread.String(), Balance: balance.Name,
		Party: f.who.PartyID, Site: balance.Registered.Site, WeighedAt: f.happened, AirKgM3: density.String(), Entry: f.entry.Seq}
	if record.Doubt, record.Uncertainty, err = f.judged(instrument, weight.Mass, taken); err != nil {
		return nil, err
	}
	f.inDoubt(balance, subject, record.Doubt, related)
	for _, w := range weight.Warnings {
		record.Notes = append(record.Notes, w.Text)
	}
	if words := f.gravity(balance, instrument.Balance, weight.Mass); words != "" {
		record.Notes = append(record.Notes, words)
	}
	for _, words := range record.Notes {
		f.remark(subject + ": " + words)
	}
	if !weight.Agree {
		f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_READINGS_DISAGREE, Subject: subject,
			Rule: "replicate readings agree within the balance's repeatability", Limit: instrument.Repeatability.String(), Observed: weight.Spread.String(),
			Words:      fmt.Sprintf("the readings of %s lie %s apart, beyond %s. Take a fresh pair.", subject, weight.Spread, instrument.Repeatability),
			Answerable: f.who.PartyID, Parties: join([]string{f.who.PartyID}, related...)})
	}
	return record, nil
}

// airAt estimates the density of the air at a site: from what was measured, else from the site's elevation.
func (f *fold) airAt(siteName string, air *pb.Air) (quantity.Decimal, error) {
	site, err := f.site("site", siteName)
	if err != nil {
		return quantity.Decimal{}, err
	}
	if air == nil {
		return standardAir.of(site.ElevationM, func() (quantity.Decimal, error) {
			elevation, err := quantity.ParseDecimal(site.ElevationM)
			if err != nil {
				return quantity.Decimal{}, err
			}
			estimate, err := weighing.StandardAir(elevation)
			return estimate.Density, err
		})
	}
	var measured [3]quantity.Decimal
	for i, m := range []struct{ field, value string }{{"pressure_hpa", air.PressureHpa}, {"temperature_c", air.TemperatureC}, {"humidity_percent", air.HumidityPercent}} {
		if measured[i], err = quantity.ParseDecimal(m.value); err != nil {
			return quantity.Decimal{}, refusal.In(err, "air."+m.field)
		}
	}
	estimate, err := weighing.CIPM2007(measured[0].Shift(2), measured[1], measured[2])
	return estimate.Density, refusal.In(err, "air")
}

var standardAir memo[quantity.Decimal] // by elevation

func (f *fold) pourRecorded(e *pb.PourRecorded) error {
	name, err := f.own("pour_id", e.PourId)
	if err != nil {
		return err
	}
	if err := pours.free(&f.store, "pour_id", name); err != nil {
		return err
	}
	if err := text("charge_description", e.ChargeDescription, maxText, false); err != nil {
		return err
	}
	for _, m := range []struct{ field, value string }{{"charge", e.Charge}, {"slag", e.Slag}} {
		if _, err := optionalMass(m.field, m.value); err != nil {
			return err
		}
	}
	expected, err := optionalMass("expected", e.Expected)
	if err != nil {
		return err
	}
	if err := count("bars", len(e.Bars), 1, maxPourBars); err != nil {
		return err
	}
	pour := &pb.Pour{Name: name, Party: f.who.PartyID, Recorded: e, PouredAt: f.event.OccurredAt, Entries: []uint64{f.entry.Seq}, Parties: []string{f.who.PartyID}}
	pours.create(&f.store, pour)
	f.about(pours, name)
	var total quantity.Mass
	for i, b := range e.Bars {
		at := fmt.Sprintf("bars[%d]", i)
		barName, err := f.own(at+".mark", b.Mark)
		if err != nil {
			return err
		}
		if err := bars.free(&f.store, at+".mark", barName); err != nil {
			return err
		}
		if err := boxes.free(&f.store, at+".mark", barName); err != nil { // a weighing names either by its number alone
			return err
		}
		bar := &pb.Bar{Name: barName, Party: f.who.PartyID, State: pb.BarState_BAR_STATE_POURED, Pour: name, Holder: f.who.PartyID, Parties: []string{f.who.PartyID}}
		bars.create(&f.store, bar)
		record, err := f.weigh(at, barName, e.Balance, b.Readings, e.Air, pb.WeighingStage_WEIGHING_STAGE_POUR, nil)
		if err != nil {
			return err
		}
		step := f.step("poured")
		step.Mass = record.Mass
		bar.Weights, bar.Route = []*pb.WeightRecord{record}, []*pb.RouteStep{step}
		pour.Bars = append(pour.Bars, barName)
		total = total.Add(quantity.MustMass(record.Mass))
	}
	pour.Total = total.String()
	if !expected.IsZero() {
		pour.AgainstExpected = total.Sub(expected).String()
	}
	return nil
}

func (f *fold) weighed(e *pb.Weighed) error {
	if _, ok := pb.WeighingStage_name[int32(e.Stage)]; !ok || e.Stage == pb.WeighingStage_WEIGHING_STAGE_UNSPECIFIED || e.Stage == pb.WeighingStage_WEIGHING_STAGE_POUR {
		return refusal.Invalidf("STAGE_NOT_FIT", "stage", "a weighing by itself is at release, in transit, on arrival or a recheck; the pour records its own")
	}
	step := f.step("weighed")
	if bar, err := alter(f, bars, "subject", e.Subject); err == nil {
		if e.Stage == pb.WeighingStage_WEIGHING_STAGE_ARRIVAL {
			return refusal.Invalidf("STAGE_NOT_FIT", "stage", "the weight of a bar on arrival settles it, so only the refinery's receipt of the bar records one; weigh it as a recheck, or receive it")
		}
		record, err := f.weigh("", bar.Name, e.Balance, e.Readings, e.Air, e.Stage, bar.Parties)
		if err != nil {
			return err
		}
		if err := count("weights", len(bar.Weights)+1, 1, maxWeights); err != nil {
			return err
		}
		f.about(bars, bar.Name)
		step.Mass = record.Mass
		if before := standing(bar.Weights); before != nil {
			if err := f.compareBar(bar, before, record, step); err != nil {
				return err
			}
		}
		bar.Weights, bar.Route = append(bar.Weights, record), append(bar.Route, step)
		return nil
	}
	box, err := alter(f, boxes, "subject", e.Subject)
	if err != nil {
		return unknown("subject", "bar or box", e.Subject)
	}
	record, err := f.weigh("", box.Name, e.Balance, e.Readings, e.Air, e.Stage, box.Parties)
	if err != nil {
		return err
	}
	if err := count("weights", len(box.Weights)+1, 1, maxWeights); err != nil {
		return err
	}
	f.about(boxes, box.Name)
	step.Mass = record.Mass
	if err := f.compareBox(box, standing(box.Weights), record, step); err != nil {
		return err
	}
	box.Weights, box.Route = append(box.Weights, record), append(box.Route, step)
	return nil
}

// standing returns the last weighing that no correction has replaced.
func standing(weights []*pb.WeightRecord) *pb.WeightRecord {
	for i := len(weights) - 1; i >= 0; i-- {
		if weights[i].SupersededBy == 0 {
			return weights[i]
		}
	}
	return nil
}

func (f *fold) sampleTaken(e *pb.SampleTaken) error {
	name, err := f.own("sample_id", e.SampleId)
	if err != nil {
		return err
	}
	if err := samples.free(&f.store, "sample_id", name); err != nil {
		return err
	}
	if _, ok := pb.SampleMethod_name[int32(e.Method)]; !ok || e.Method == pb.SampleMethod_SAMPLE_METHOD_UNSPECIFIED {
		return refusal.Invalidf("METHOD_MISSING", "method", "a sample has no method; state drill, dip, pin, saw or granulate")
	}
	if err := count("positions", len(e.Positions), 0, maxPositions); err != nil {
		return err
	}
	for i, p := range e.Positions {
		if err := text(fmt.Sprintf("positions[%d]", i), p, 64, true); err != nil {
			return err
		}
	}
	if _, err := optionalMass("mass", e.Mass); err != nil {
		return err
	}
	if err := count("packets", len(e.Packets), 0, maxPackets); err != nil {
		return err
	}
	readers := []string{f.who.PartyID}
	step := f.step("sampled")
	step.Note = fmt.Sprintf("sample %s", name)
	if bar, err := alter(f, bars, "source", e.Source); err == nil {
		bar.Route = append(bar.Route, step)
		readers = join(readers, bar.Parties...)
	} else if pour, err := need(f, pours, "source", e.Source); err == nil {
		readers = join(readers, pour.Parties...)
		for _, b := range pour.Bars {
			if bar, ok := bars.change(&f.store, b); ok {
				bar.Route = append(bar.Route, step)
			}
		}
	} else if lot, err := alter(f, lots, "source", e.Source); err == nil {
		readers = join(readers, lot.Parties...)
		lot.Entries, lot.Samples = append(lot.Entries, f.entry.Seq), append(lot.Samples, name)
	} else {
		return unknown("source", "bar, pour or lot", e.Source)
	}
	for i, p := range e.Packets {
		at := fmt.Sprintf("packets[%d]", i)
		if err := number(at+".packet_id", p.PacketId); err != nil {
			return err
		}
		if _, ok := pb.PacketHolder_name[int32(p.Holder)]; !ok || p.Holder == pb.PacketHolder_PACKET_HOLDER_UNSPECIFIED {
			return refusal.Invalidf("HOLDER_MISSING", at+".holder", "a packet is for the seller, the refiner, the umpire or reserve; state which")
		}
		if p.Seal != "" {
			if err := f.newSeal(at+".seal", p.Seal, name+"/"+p.PacketId); err != nil {
				return err
			}
		}
	}
	sample := &pb.Sample{Name: name, Party: f.who.PartyID, Taken: e, TakenAt: f.event.OccurredAt, Entries: []uint64{f.entry.Seq}, Parties: readers}
	samples.create(&f.store, sample)
	f.about(samples, name)
	for i, p := range e.Packets {
		if p.Laboratory == "" {
			continue
		}
		if laboratory, ok := parties.load(&f.store, p.Laboratory); !ok || laboratory.Kind != pb.PartyKind_PARTY_KIND_LABORATORY {
			return unknown(fmt.Sprintf("packets[%d].laboratory", i), "laboratory", p.Laboratory)
		}
		f.sendPacket(sample, p.PacketId, p.Laboratory)
	}
	return nil
}

// results parses assay results.
func results(list []*pb.AssayResult) ([]assay.Result, error) {
	parsed := make([]assay.Result, len(list))
	for i, r := range list {
		fineness, err := quantity.ParseFineness(r.Fineness)
		if err != nil {
			return nil, refusal.In(err, fmt.Sprintf("results[%d].fineness", i))
		}
		parsed[i] = assay.Result{Element: assay.Element(r.Element), Fineness: fineness}
	}
	return parsed, assay.CheckResults(parsed)
}

// written is the other way of results.
func written(list []assay.Result) []*pb.AssayResult {
	out := make([]*pb.AssayResult, len(list))
	for i, r := range list {
		out[i] = &pb.AssayResult{Element: string(r.Element), Fineness: r.Fineness.String()}
	}
	return out
}

func (f *fold) assayReported(e *pb.AssayReported) error {
	name, err := f.own("assay_id", e.AssayId)
	if err != nil {
		return err
	}
	if taken, ok := f.find("assay", name); ok {
		return refusal.New(refusal.Exists, "NAME_IN_USE", "assay_id", "report %s is on record already, for %s; number each report once", name, taken)
	}
	if err := text("method", e.Method, maxName, false); err != nil {
		return err
	}
	sample, err := alter(f, samples, "sample", e.Sample)
	if err != nil {
		return err
	}
	record, found, err := f.assayRecord(e, name)
	if err != nil {
		return err
	}
	if err := count("reports", len(sample.Assays)+1, 1, maxAssays); err != nil {
		return err
	}
	f.set("assay", name, sample.Name)
	record.Sealed = f.sealed(sample.Taken.Source)
	sample.Assays = append(sample.Assays, record)
	sample.Entries = append(sample.Entries, f.entry.Seq)
	f.about(samples, sample.Name)
	f.checkSum(sample.Name, found, readersOf(record, sample))
	for _, b := range f.barsOf(sample.Taken.Source) {
		bar, ok := bars.change(&f.store, b)
		if !ok || len(bar.Assays) >= maxAssays {
			continue
		}
		step := f.step("assayed")
		step.Note = fmt.Sprintf("report %s", name)
		bar.Assays, bar.Route = append(bar.Assays, record), append(bar.Route, step)
		sample.Parties = join(sample.Parties, bar.Parties...)
	}
	return nil
}

// sealed reports whether a report on a source would show one side's result before the exchange has settled it: on a lot,
// or on a bar that has arrived. What the mine declared of its bars before is open: the advance rests on it.
func (f *fold) sealed(source string) bool {
	settled := func(name string) bool {
		lot, ok := lots.load(&f.store, name)
		return ok && lot.State >= pb.LotState_LOT_STATE_ASSAYS_SETTLED
	}
	if _, ok := lots.load(&f.store, source); ok {
		return !settled(source)
	}
	for _, b := range f.barsOf(source) {
		if bar, ok := bars.load(&f.store, b); ok && bar.State >= pb.BarState_BAR_STATE_RECEIVED && !settled(bar.Lot) {
			return true
		}
	}
	return false
}

// unseal opens the reports on a lot and its bars, once its assays are settled.
func (f *fold) unseal(lot *pb.Lot) {
	opened := append([]string(nil), lot.Samples...)
	for _, name := range lot.Bars {
		bar, ok := bars.load(&f.store, name)
		if !ok {
			continue
		}
		for _, a := range bar.Assays {
			if a.Sealed {
				bars.change(&f.store, name)
				a.Sealed = false
				opened = join(opened, a.Sample)
			}
		}
	}
	for _, name := range opened {
		if sample, ok := samples.change(&f.store, name); ok {
			for _, a := range sample.Assays {
				a.Sealed = false
			}
		}
	}
}

// readersOf says who may read what a report gives rise to.
func readersOf(record *pb.AssayRecord, sample *pb.Sample) []string {
	if record.Sealed {
		return []string{record.Party}
	}
	return sample.Parties
}

// assayRecord checks a report and returns it as the book keeps it, with its results. Where a worksheet is given the
// results are what it computes to, and results given beside it must say the same.
func (f *fold) assayRecord(e *pb.AssayReported, name string) (*pb.AssayRecord, []assay.Result, error) {
	var found []assay.Result
	var err error
	if e.WorksheetJson != "" {
		if len(e.WorksheetJson) > maxWorksheet {
			return nil, nil, refusal.Invalidf("DOCUMENT_TOO_LARGE", "worksheet_json", "a worksheet of %d bytes is larger than the %d allowed", len(e.WorksheetJson), maxWorksheet)
		}
		if found, err = f.fromWorksheet(e.WorksheetJson, name); err != nil {
			return nil, nil, err
		}
	}
	if len(e.Results) > 0 || e.WorksheetJson == "" {
		stated, err := results(e.Results)
		if err != nil {
			return nil, nil, err
		}
		for _, r := range found {
			if s, ok := assay.Find(stated, r.Element); ok && s.Cmp(r.Fineness) != 0 {
				return nil, nil, refusal.Invalidf("WORKSHEET_DISAGREES", "results", "%s is reported as %s, but the worksheet computes to %s; put one of them right", r.Element, s, r.Fineness)
			}
		}
		found = stated
	}
	return &pb.AssayRecord{Report: name, Sample: e.Sample, Party: f.who.PartyID, Results: written(found), Method: e.Method, ReportedAt: f.event.OccurredAt, Entry: f.entry.Seq}, found, nil
}

// checkSum flags elements that add up to more than the whole. The agreement's own tolerance is applied where a lot is
// settled; here gold and silver together above 1000 cannot be.
func (f *fold) checkSum(subject string, found []assay.Result, readers []string) {
	verdict := assay.SumCheck(found, quantity.NewDecimal(1000))
	if verdict.PreciousOK && verdict.Sum.Cmp(quantity.NewDecimal(1010)) <= 0 {
		return
	}
	f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM, Subject: subject,
		Rule: "the elements of an alloy add up to 1000 parts per thousand", Limit: "1010 ppt", Observed: verdict.Sum.String() + " ppt",
		Words: "the reported elements add up to " + verdict.Sum.String() + " ppt, which is more than the whole; one of them is too high", Answerable: f.who.PartyID, Parties: readers})
}

// barsOf returns the bars that a sample's source stands for: itself, or all of a pour; none of a lot.
func (s *store) barsOf(source string) []string {
	if bar, ok := bars.load(s, source); ok { // in the order in which sampleTaken looks
		return []string{bar.Name}
	}
	if pour, ok := pours.load(s, source); ok {
		return pour.Bars
	}
	return nil
}

// newSeal refuses a seal number that was used before by the same party, and remembers it.
func (f *fold) newSeal(field, seal, on string) error {
	if err := number(field, seal); err != nil {
		return err
	}
	key := f.who.PartyID + "/" + seal
	if used, ok := f.find("seal", key); ok {
		return refusal.New(refusal.Exists, "SEAL_IN_USE", field, "seal %s was used before, on %s; a seal number is never used twice, so take another seal", seal, used).With("seal", seal)
	}
	f.set("seal", key, on)
	return nil
}

func (f *fold) boxPacked(e *pb.BoxPacked) error {
	name, err := f.own("box_id", e.BoxId)
	if err != nil {
		return err
	}
	if err := boxes.free(&f.store, "box_id", name); err != nil {
		return err
	}
	if err := bars.free(&f.store, "box_id", name); err != nil {
		return err
	}
	if err := count("bars", len(e.Bars), 1, maxBoxBars); err != nil {
		return err
	}
	if err := count("seals", len(e.Seals), 1, maxSeals); err != nil {
		return err
	}
	gross, err := optionalMass("gross", e.Gross)
	if err != nil {
		return err
	}
	for i, seal := range e.Seals {
		if err := f.newSeal(fmt.Sprintf("seals[%d]", i), seal, name); err != nil {
			return err
		}
	}
	step := f.step("packed")
	step.Seals, step.Mass = e.Seals, e.Gross
	box := &pb.Box{Name: name, Party: f.who.PartyID, Bars: e.Bars, Parties: []string{f.who.PartyID}}
	boxes.create(&f.store, box)
	if err := f.follow("", box, custody.Step{Kind: custody.Packed, Seals: e.Seals, Counted: true, Count: len(e.Bars)}, step, ""); err != nil {
		return err
	}
	f.about(boxes, name)
	var inside quantity.Decimal
	for i, b := range e.Bars {
		at := fmt.Sprintf("bars[%d]", i)
		bar, err := alter(f, bars, at, b)
		if err != nil {
			return err
		}
		if bar.Holder != f.who.PartyID || bar.State != pb.BarState_BAR_STATE_POURED {
			return refusal.New(refusal.Precondition, "BAR_NOT_AT_HAND", at, "bar %s is not free in your gold room (it is in box %q, held by %s); a bar is in one place only", b, bar.Box, bar.Holder).About(b)
		}
		bar.State, bar.Box = pb.BarState_BAR_STATE_PACKED, name
		packed := f.step("packed")
		packed.Note, packed.Seals = "into box "+name, e.Seals
		bar.Route = append(bar.Route, packed)
		if w := standing(bar.Weights); w != nil {
			inside = inside.Add(quantity.MustMass(w.Mass).Grams())
		}
	}
	if !gross.IsZero() {
		if gross.Grams().Cmp(inside) < 0 {
			return refusal.Invalidf("GROSS_BELOW_NET", "gross", "the box is said to weigh %s, less than the %s g of the bars in it; weigh it again", gross, inside).With("gross", gross.String()).With("bars", inside.String())
		}
		box.Weights = []*pb.WeightRecord{{Stage: pb.WeighingStage_WEIGHING_STAGE_RELEASE, Mass: e.Gross, Party: f.who.PartyID, Site: f.event.Place, WeighedAt: f.event.OccurredAt, Entry: f.entry.Seq}}
	}
	return nil
}

func (f *fold) consignmentAdvised(e *pb.ConsignmentAdvised) error {
	name, err := f.own("consignment_id", e.ConsignmentId)
	if err != nil {
		return err
	}
	if err := consignments.free(&f.store, "consignment_id", name); err != nil {
		return err
	}
	agreement, _, err := f.inForce("agreement", e.Agreement)
	if err != nil {
		return err
	}
	if err := current("agreement", agreement); err != nil {
		return err
	}
	if agreement.Seller != f.who.PartyID {
		return refusal.New(refusal.Forbidden, "NOT_YOUR_METAL", "agreement", "under %s the seller is %s; only the seller advises a consignment", e.Agreement, agreement.Seller)
	}
	if e.Carrier != "" {
		if _, ok := parties.load(&f.store, e.Carrier); !ok {
			return unknown("carrier", "party", e.Carrier)
		}
	}
	if err := count("boxes", len(e.Boxes), 1, maxBoxes); err != nil {
		return err
	}
	c := &pb.Consignment{Name: name, Party: f.who.PartyID, Refiner: agreement.Refiner,
		Advised: &pb.ConsignmentAdvised{ConsignmentId: e.ConsignmentId, Agreement: e.Agreement, Carrier: e.Carrier},
		Parties: join([]string{f.who.PartyID, agreement.Refiner}, e.Carrier)}
	consignments.create(&f.store, c)
	f.about(consignments, name)
	var total quantity.Mass
	seenPours := map[string]bool{}
	for i, b := range e.Boxes {
		at := fmt.Sprintf("boxes[%d]", i)
		box, err := alter(f, boxes, at, b)
		if err != nil {
			return err
		}
		if box.Party != f.who.PartyID || box.Consignment != "" || box.Holder != f.who.PartyID {
			return refusal.New(refusal.Precondition, "BOX_NOT_AT_HAND", at, "box %s is not free in your gold room (consignment %q, held by %s)", b, box.Consignment, box.Holder).About(b)
		}
		f.row(name, rowBox, b)
		box.Consignment = name
		box.Parties = join(box.Parties, c.Parties...)
		step := f.step("advised")
		step.Note, step.Counterparty = "in consignment "+name, agreement.Refiner
		box.Route = append(box.Route, step)
		for _, barName := range box.Bars {
			bar, ok := bars.change(&f.store, barName)
			if !ok {
				continue
			}
			bar.Consignment = name
			bar.Parties = join(bar.Parties, agreement.Refiner)
			for _, a := range bar.Assays { // what is reported of the bar, with the entries that report it
				if sample, ok := samples.change(&f.store, a.Sample); ok {
					sample.Parties = join(sample.Parties, agreement.Refiner)
				}
			}
			f.row(name, rowBar, barName)
			c.BarsAdvised++
			if w := standing(bar.Weights); w != nil {
				total = total.Add(quantity.MustMass(w.Mass))
			}
			if seenPours[bar.Pour] {
				continue
			}
			seenPours[bar.Pour] = true
			pour, ok := pours.change(&f.store, bar.Pour)
			if !ok {
				continue
			}
			pour.Parties = join(pour.Parties, agreement.Refiner)
			if len(pour.Witnesses) == 0 {
				f.raise(&pb.Discrepancy{Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_UNWITNESSED_POUR, Subject: pour.Name, Consignment: name,
					Rule: "a second person countersigns a pour before its bars leave the gold room", Observed: "no countersignature",
					Words: fmt.Sprintf("nobody but its author has signed pour %s, and its bars are on the way", pour.Name), Answerable: f.who.PartyID, Parties: c.Parties[:2]})
			}
		}
	}
	c.AdvisedTotal = total.String()
	return nil
}

// fromWorksheet recomputes a laboratory's raw sheet: what it comes to is what is reported. Duplicates or proofs that
// disagree are flagged, and a run that its proofs block reports nothing.
func (f *fold) fromWorksheet(sheet, report string) ([]assay.Result, error) {
	w, err := assay.ReadWorksheet([]byte(sheet))
	if err != nil {
		return nil, refusal.In(err, "worksheet_json")
	}
	result, err := w.Compute()
	if err != nil {
		return nil, refusal.In(err, "worksheet_json")
	}
	for _, finding := range result.Findings {
		kind, rule := pb.DiscrepancyKind_DISCREPANCY_KIND_DUPLICATES_DISAGREE, "portions, proofs and positions of a run agree within the worksheet's limits"
		if result.Sum != nil && finding == result.Sum.Words {
			kind, rule = pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM, "the elements of a run add up to 1000 parts per thousand within the worksheet's tolerance"
		}
		f.raise(&pb.Discrepancy{Kind: kind, Subject: report, Rule: rule,
			Observed: finding, Words: finding, Answerable: f.who.PartyID, Parties: []string{f.who.PartyID}})
	}
	if len(result.Results) == 0 {
		return nil, refusal.New(refusal.Precondition, "WORKSHEET_BLOCKED", "worksheet_json", "the worksheet gives no result that may be reported: %s", result.Words)
	}
	return result.Results, nil
}
