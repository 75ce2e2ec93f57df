package evidence

import (
	"bytes"
	"crypto/sha256"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// An account is what settlement needs of the record, put together from signed entries alone, in their order. It is a
// second reading of the rules by which the service does the same from its book, and shares no code with that: both must
// come to the same bytes, or the statement is not computed. It judges nothing; where an entry that it needs is missing,
// the settlement refuses for want of a figure.
//
// What moves a figure, and so is followed here: balances (readings to weight), pours, boxes and consignments (which bar
// came in which), receipts, samples and reports (for an advance), lots, melts, the exchange, costs, advances, prices,
// holidays, statements before, and corrections of receipts, reports and melts. Whose turn an umpire was, over all lots
// of an agreement, one lot's entries do not tell: who was appointed is taken to have been due.
type account struct {
	records  map[string]*record // by event id
	balances map[string]*pb.BalanceRegistered
	offered  map[string]offer            // terms that one party signed, by event id
	terms    map[string]settlement.Terms // terms that both parties signed, by agreement
	series   map[string]*settlement.Series
	holidays []*settlement.Calendar // in the order of first publication
	pours    map[string][]string    // bars of a pour
	boxes    map[string]string      // box of a bar
	advised  map[string]string      // consignment of a box
	samples  map[string]string      // source of a sample
	bars     map[string]*bar
	lots     map[string]*lot

	corrected map[string]bool       // event ids that a correction has taken the place of
	waits     map[string]correction // corrections that the other party must countersign, by event id
	errs      map[string]error      // why a lot cannot be put together, by lot
}

// offer is an agreement that waits for its other party.
type offer struct {
	name, by string
	terms    settlement.Terms
}

type bar struct {
	arrivals []arrival
	reports  []report
	lot      string
}

type arrival struct {
	mass     quantity.Mass
	refiner  string // who received it
	at       string // RFC 3339, as its author wrote it
	entry    uint64
	replaced bool
}

type report struct {
	party    string
	results  []assay.Result
	entry    uint64
	replaced bool
	sealed   bool // until the assays of the bar's lot are settled
}

type lot struct {
	name, agreement string
	seller, refiner string
	bars            []string
	terms           settlement.Terms
	arrived         arrival // the first
	melt            *pb.Melted
	meltedAt        string
	meltEntry       uint64
	steps           []assay.Step
	lastAt          string // when the last step was, as its author wrote it
	lastEntry       uint64
	costs           []settlement.Cost
	advances        []settlement.AdvancePaid
	statements      int
	final           *settlement.Statement // the last that is not provisional
}

// correction is a change that waits, or is about to be made.
type correction struct {
	by      *record
	target  *record // what it takes the place of, itself perhaps a correction
	first   *record // the entry at the beginning of the row
	waits   string  // the party that must countersign it; empty if none
	replace *pb.Corrected
}

func newAccount() *account {
	return &account{
		records: map[string]*record{}, balances: map[string]*pb.BalanceRegistered{}, terms: map[string]settlement.Terms{},
		offered: map[string]offer{},
		series:  map[string]*settlement.Series{}, pours: map[string][]string{}, boxes: map[string]string{},
		advised: map[string]string{},
		samples: map[string]string{}, bars: map[string]*bar{}, lots: map[string]*lot{}, corrected: map[string]bool{},
		waits: map[string]correction{}, errs: map[string]error{},
	}
}

func refOf(n uint64) []settlement.Ref {
	return []settlement.Ref{settlement.Ref("entry " + strconv.FormatUint(n, 10))}
}

// read follows one entry.
func (a *account) read(r *record) {
	a.records[r.id] = r
	own := func(number string) string { return r.party() + "/" + number }
	switch e := r.event.GetBody().(type) {
	case *pb.Event_BalanceRegistered:
		a.balances[own(e.BalanceRegistered.BalanceId)] = e.BalanceRegistered
	case *pb.Event_AgreementSigned:
		if terms, err := settlement.ParseTerms([]byte(e.AgreementSigned.TermsJson)); err == nil {
			a.offered[r.id] = offer{own(e.AgreementSigned.AgreementId), r.party(), terms}
		}
	case *pb.Event_PricesPublished:
		a.prices(r, e.PricesPublished)
	case *pb.Event_HolidaysPublished:
		a.closed(r, e.HolidaysPublished)
	case *pb.Event_PourRecorded:
		for _, b := range e.PourRecorded.Bars {
			a.pours[own(e.PourRecorded.PourId)] = append(a.pours[own(e.PourRecorded.PourId)], own(b.Mark))
			a.bar(own(b.Mark))
		}
	case *pb.Event_BoxPacked:
		for _, name := range e.BoxPacked.Bars {
			a.boxes[name] = own(e.BoxPacked.BoxId)
		}
	case *pb.Event_ConsignmentAdvised:
		for _, name := range e.ConsignmentAdvised.Boxes {
			a.advised[name] = own(e.ConsignmentAdvised.ConsignmentId)
		}
	case *pb.Event_BarReceived:
		a.received(r, e.BarReceived)
	case *pb.Event_SampleTaken:
		a.samples[own(e.SampleTaken.SampleId)] = e.SampleTaken.Source
	case *pb.Event_AssayReported:
		a.reported(r, e.AssayReported)
	case *pb.Event_LotOpened:
		a.open(r, own(e.LotOpened.LotId), e.LotOpened)
	case *pb.Event_StatementIssued:
		if l := a.lots[e.StatementIssued.Lot]; l != nil {
			l.statements++
		}
	case *pb.Event_Corrected:
		a.correct(r, e.Corrected)
	case *pb.Event_Countersigned:
		a.countersigned(r, e.Countersigned)
	default:
		a.readLot(r)
	}
}

// countersigned brings into effect what waited for the other party's signature: an agreement, or a correction.
func (a *account) countersigned(r *record, e *pb.Countersigned) {
	target := a.records[e.EventId]
	if target == nil {
		return
	}
	if sum := sha256.Sum256(target.leaf.Event); !bytes.Equal(sum[:], e.EventSha256) {
		return
	}
	if o, ok := a.offered[e.EventId]; ok && r.party() != o.by && (r.party() == o.terms.Seller ||
		r.party() == o.terms.Refiner) {
		a.terms[o.name] = o.terms
	}
	if c, ok := a.waits[e.EventId]; ok && c.waits == r.party() {
		delete(a.waits, e.EventId)
		a.effect(c)
	}
}

// readLot follows an entry about a lot that is open.
func (a *account) readLot(r *record) {
	named, ok := a.bodyOf(r).(interface{ GetLot() string })
	if !ok {
		return
	}
	l := a.lots[named.GetLot()]
	if l == nil {
		return
	}
	var err error
	switch e := r.event.GetBody().(type) {
	case *pb.Event_Melted:
		l.melt, l.meltedAt, l.meltEntry = e.Melted, r.event.OccurredAt, r.sequence
		if l.terms.Weight != settlement.Received {
			err = l.step(r, assay.Step{Kind: assay.StepOpened})
		}
	case *pb.Event_ResultCommitted:
		step := assay.Step{Kind: assay.StepCommitted, Side: l.side(r), Round: int(e.ResultCommitted.Round)}
		copy(step.Commitment[:], e.ResultCommitted.Commitment)
		err = l.step(r, step)
	case *pb.Event_ResultRevealed:
		step := assay.Step{Kind: assay.StepRevealed, Side: l.side(r), Round: int(e.ResultRevealed.Round)}
		copy(step.Nonce[:], e.ResultRevealed.Nonce)
		if step.Results, err = resultsOf(e.ResultRevealed.Results); err == nil {
			err = l.step(r, step)
		}
		if refusal.Is(err, "REVEAL_MISMATCH") {
			err = nil // it stays on record as evidence against its author, and counts for nothing
		}
	case *pb.Event_SilenceDeclared:
		err = l.step(r, assay.Step{Kind: assay.StepNotReported, Side: l.side(r).Other()})
	case *pb.Event_UmpireAppointed:
		err = l.appoint(r, e.UmpireAppointed.Laboratory)
	case *pb.Event_UmpireReported:
		err = l.umpire(r, e.UmpireReported)
	case *pb.Event_CostRecorded:
		err = l.cost(settlement.CostKind(e.CostRecorded.Kind), e.CostRecorded.Amount, e.CostRecorded.SellerSharePercent,
			r.sequence)
	case *pb.Event_AdvancePaid:
		err = l.advance(e.AdvancePaid, r.sequence)
	}
	if err != nil && a.errs[l.name] == nil {
		a.errs[l.name] = refusal.In(err, entryName(r.sequence))
	}
}

func (a *account) bodyOf(r *record) any {
	field := r.event.ProtoReflect().WhichOneof(bodies)
	if field == nil {
		return nil
	}
	return r.event.ProtoReflect().Get(field).Message().Interface()
}

// prices puts published prices among those known of a series, by date; the first that names a day stands.
func (a *account) prices(r *record, e *pb.PricesPublished) {
	s := a.series[e.Series]
	if s == nil {
		s = &settlement.Series{Name: e.Series}
		a.series[e.Series] = s
	}
	for _, p := range e.Prices {
		date, err := settlement.ParseDate(p.Date)
		value, bad := quantity.ParseDecimal(p.Price)
		if err != nil || bad != nil {
			continue
		}
		at := sort.Search(len(s.Points), func(n int) bool { return s.Points[n].Date.String() >= p.Date })
		if at < len(s.Points) && s.Points[at].Date == date {
			continue
		}
		s.Points = slices.Insert(s.Points, at, settlement.Point{Date: date, Value: value, Refs: refOf(r.sequence)})
	}
}

func (a *account) closed(r *record, e *pb.HolidaysPublished) {
	at := slices.IndexFunc(a.holidays, func(c *settlement.Calendar) bool { return c.Name == e.Calendar })
	if at < 0 {
		at = len(a.holidays)
		a.holidays = append(a.holidays, &settlement.Calendar{Name: e.Calendar})
	}
	c := a.holidays[at]
	for _, text := range e.Dates {
		if date, err := settlement.ParseDate(text); err == nil && !slices.Contains(c.Days, date) {
			c.Days = append(c.Days, date)
		}
	}
	slices.SortFunc(c.Days, func(x, y settlement.Date) int {
		if x.String() < y.String() {
			return -1
		}
		return 1
	})
	c.Refs = append(c.Refs, refOf(r.sequence)...)
}

func (a *account) bar(name string) *bar {
	b := a.bars[name]
	if b == nil {
		b = &bar{}
		a.bars[name] = b
	}
	return b
}

// weigh computes the weight from readings on a balance of the author's party.
func (a *account) weigh(r *record, balance string, readings []string) (quantity.Mass, error) {
	registered := a.balances[balance]
	if registered == nil {
		return quantity.Mass{}, refusal.New(refusal.NotFound, "ENTRY_MISSING", "",
			"The balance %s of entry %d is not registered by any entry in the pack.", balance, r.sequence)
	}
	instrument, err := balanceOf(registered)
	if err != nil {
		return quantity.Mass{}, err
	}
	parsed := make([]quantity.Mass, len(readings))
	for i, text := range readings {
		if parsed[i], err = quantity.ParseMass(text); err != nil {
			return quantity.Mass{}, err
		}
	}
	weight, err := weighing.Read(instrument, parsed)
	return weight.Mass, err
}

// received files the weight of a bar on arrival: what settles it. A bar counts where it was advised, and once.
func (a *account) received(r *record, e *pb.BarReceived) {
	b := a.bar(e.Bar)
	if e.Bar == "" || a.advised[a.boxes[e.Bar]] != e.Consignment || len(b.arrivals) > 0 {
		return
	}
	if mass, err := a.weigh(r, e.Balance, e.Readings); err == nil {
		b.arrivals = append(b.arrivals, arrival{mass: mass, refiner: r.party(), at: r.event.OccurredAt, entry: r.sequence})
	}
}

// barsOf returns the bars that a sample's source stands for: itself, or all of a pour; none of a lot.
func (a *account) barsOf(source string) []string {
	if a.bars[source] != nil {
		return []string{source}
	}
	return a.pours[source]
}

// reported files what a laboratory reported of bars. What is reported of a bar at the refinery is sealed until the
// lot's assays are settled; no figure before that rests on it.
func (a *account) reported(r *record, e *pb.AssayReported) {
	results, err := reportOf(e)
	if err != nil {
		return
	}
	source := a.samples[e.Sample]
	sealed := false
	for _, name := range a.barsOf(source) {
		b := a.bar(name)
		sealed = sealed || len(b.arrivals) > 0 && !a.lots[b.lot].settled()
	}
	for _, name := range a.barsOf(source) {
		b := a.bar(name)
		b.reports = append(b.reports, report{party: r.party(), results: results, entry: r.sequence, sealed: sealed})
	}
}

// reportOf returns the results of a report: as stated, or as its worksheet comes to.
func reportOf(e *pb.AssayReported) ([]assay.Result, error) {
	if len(e.Results) > 0 || e.WorksheetJson == "" {
		return resultsOf(e.Results)
	}
	sheet, err := assay.ReadWorksheet([]byte(e.WorksheetJson))
	if err != nil {
		return nil, err
	}
	result, err := sheet.Compute()
	return result.Results, err
}

func resultsOf(list []*pb.AssayResult) ([]assay.Result, error) {
	parsed := make([]assay.Result, len(list))
	for i, r := range list {
		fineness, err := quantity.ParseFineness(r.Fineness)
		if err != nil {
			return nil, err
		}
		parsed[i] = assay.Result{Element: assay.Element(r.Element), Fineness: fineness}
	}
	return parsed, assay.CheckResults(parsed)
}

// open opens a lot.
func (a *account) open(r *record, name string, e *pb.LotOpened) {
	terms, ok := a.terms[e.Agreement]
	l := &lot{name: name, agreement: e.Agreement, seller: terms.Seller, refiner: terms.Refiner, bars: e.Bars, terms: terms}
	a.lots[name] = l
	if !ok {
		a.errs[name] = refusal.New(refusal.NotFound, "ENTRY_MISSING", "",
			"No entries in the pack show that both parties signed the agreement %s.", e.Agreement)
		return
	}
	for _, b := range e.Bars {
		a.bar(b).lot = name
		came, ok := a.bar(b).arrived()
		if !ok {
			continue // its weight will be missed
		}
		first, err := time.Parse(time.RFC3339, came.at)
		known, none := time.Parse(time.RFC3339, l.arrived.at)
		if err == nil && (none != nil || first.Before(known)) {
			l.arrived = came
		}
	}
	if terms.Weight == settlement.Received {
		if err := l.step(r, assay.Step{Kind: assay.StepOpened}); err != nil {
			a.errs[name] = err
		}
	}
}

// arrived returns the weighing on arrival that stands.
func (b *bar) arrived() (arrival, bool) {
	for _, w := range b.arrivals {
		if !w.replaced {
			return w, true
		}
	}
	return arrival{}, false
}

// correct follows a correction: it takes effect at once, or when the party that relied on the figure countersigns it.
func (a *account) correct(r *record, e *pb.Corrected) {
	target := a.records[r.event.Supersedes]
	if target == nil {
		return
	}
	first := target
	for first.event.GetCorrected() != nil {
		if first = a.records[first.event.Supersedes]; first == nil {
			return
		}
	}
	c := correction{by: r, target: target, first: first, replace: e}
	if c.waits = a.relied(c); c.waits != "" {
		a.waits[r.id] = c
		return
	}
	a.effect(c)
}

// relied returns the party that has relied on a figure that settles: of a receipt or a melt once a statement was
// issued, of a report once the bar was received.
func (a *account) relied(c correction) string {
	var l *lot
	switch first := c.first.event.GetBody().(type) {
	case *pb.Event_Melted:
		l = a.lots[first.Melted.Lot]
	case *pb.Event_BarReceived:
		l = a.lots[a.bar(first.BarReceived.Bar).lot]
	case *pb.Event_AssayReported:
		return a.reliedOnReport(c, first.AssayReported)
	}
	if l == nil || l.statements == 0 {
		return ""
	}
	return l.other(c.by.party())
}

func (a *account) reliedOnReport(c correction, e *pb.AssayReported) (waits string) {
	for _, name := range a.barsOf(a.samples[e.Sample]) {
		b := a.bar(name)
		if slices.ContainsFunc(b.reports, func(r report) bool { return r.entry == c.target.sequence && a.hidden(b, r) }) {
			return "" // nobody else has seen it yet
		}
		if mine, _, _ := strings.Cut(name, "/"); len(b.arrivals) > 0 {
			waits = mine
			if c.by.party() == mine {
				waits = b.arrivals[0].refiner
			}
		}
	}
	return waits
}

// hidden reports whether a report is sealed still.
func (a *account) hidden(b *bar, r report) bool { return r.sealed && !a.lots[b.lot].settled() }

// effect puts the new figure in the place of the old one. It counts under the entry of the correction.
func (a *account) effect(c correction) {
	if a.corrected[c.target.id] {
		return
	}
	a.corrected[c.target.id] = true
	old, carrier := c.target.sequence, c.by.sequence
	switch first := c.first.event.GetBody().(type) {
	case *pb.Event_Melted:
		if l := a.lots[first.Melted.Lot]; l != nil && c.replace.GetMelted() != nil {
			l.melt, l.meltedAt, l.meltEntry = c.replace.GetMelted(), c.first.event.OccurredAt, carrier
		}
	case *pb.Event_BarReceived:
		b := a.bar(first.BarReceived.Bar)
		for i := range b.arrivals {
			if b.arrivals[i].entry != old {
				continue
			}
			b.arrivals[i].replaced = true
			e := c.replace.GetBarReceived()
			if mass, err := a.weigh(c.by, e.GetBalance(), e.GetReadings()); err == nil {
				b.arrivals = slices.Insert(b.arrivals, i+1, arrival{mass: mass, refiner: c.by.party(),
					at: c.first.event.OccurredAt, entry: carrier})
			}
			break
		}
	case *pb.Event_AssayReported:
		a.correctReport(first.AssayReported, c.replace.GetAssayReported(), c.by.party(), old, carrier)
	}
}

func (a *account) correctReport(first, now *pb.AssayReported, party string, old, carrier uint64) {
	for _, name := range a.barsOf(a.samples[first.Sample]) {
		b := a.bar(name)
		sealed := false
		for i := range b.reports {
			if b.reports[i].entry == old {
				b.reports[i].replaced, sealed = true, b.reports[i].sealed
			}
		}
		if now == nil {
			continue // withdrawn
		}
		if results, err := reportOf(now); err == nil {
			b.reports = append(b.reports, report{party: party, results: results, entry: carrier, sealed: sealed})
		}
	}
}
