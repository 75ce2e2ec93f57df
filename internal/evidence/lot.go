package evidence

import (
	"sort"
	"time"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

var statementKinds = map[pb.StatementKind]settlement.Kind{
	pb.StatementKind_STATEMENT_KIND_PROVISIONAL: settlement.Provisional,
	pb.StatementKind_STATEMENT_KIND_FINAL:       settlement.Final,
	pb.StatementKind_STATEMENT_KIND_CORRECTED:   settlement.Corrected,
}

func balanceOf(e *pb.BalanceRegistered) (weighing.Balance, error) {
	b := weighing.Balance{Class: weighing.Class(e.AccuracyClass), CheckEvery: int(e.CheckEveryDays)}
	for _, m := range []struct {
		text string
		into *quantity.Mass
	}{{e.Capacity, &b.Capacity}, {e.Readability, &b.Readability}, {e.VerificationInterval, &b.Interval},
		{e.Repeatability, &b.Repeatability}} {
		mass, err := quantity.ParseMass(m.text)
		if err != nil {
			return b, err
		}
		*m.into = mass
	}
	return b, b.Check()
}

// other returns the other party of a lot.
func (l *lot) other(party string) string {
	if party == l.seller {
		return l.refiner
	}
	return l.seller
}

// side says for whom the author of an entry speaks.
func (l *lot) side(r *record) assay.Side {
	if r.party() == l.seller {
		return assay.Seller
	}
	return assay.Refiner
}

// exchange says where the exchange of assays stands.
func (l *lot) exchange() (assay.Exchange, error) {
	terms := make([]assay.ExchangeTerms, len(l.terms.Metals))
	for i, m := range l.terms.Metals {
		terms[i] = m.Exchange
	}
	return assay.Progress(l.name, l.steps, terms, time.Time{})
}

func (l *lot) settled() bool {
	if l == nil || len(l.steps) == 0 {
		return false
	}
	x, err := l.exchange()
	return err == nil && x.Settled
}

// step takes the exchange one step further, if the assay room lets it.
func (l *lot) step(r *record, step assay.Step) error {
	at, err := time.Parse(time.RFC3339, r.event.OccurredAt)
	if err != nil {
		return refusal.Invalidf("TIME_MALFORMED", "occurred_at", "The time of entry %d cannot be read.", r.sequence)
	}
	step.At, step.Ref = at, string(refOf(r.sequence)[0])
	x, err := l.exchange()
	if err == nil {
		err = x.Allowed(step)
	}
	if err != nil {
		return err
	}
	l.steps, l.lastAt, l.lastEntry = append(l.steps, step), r.event.OccurredAt, r.sequence
	return nil
}

// umpireSide is how the exchange names the umpire's steps.
const umpireSide = assay.Side("umpire")

// appoint appoints an umpire laboratory, at the first turn at which it was due.
func (l *lot) appoint(r *record, laboratory string) (err error) {
	most := 1
	for _, m := range l.terms.Metals {
		most = max(most, len(m.Exchange.Panel))
	}
	for turn := range most {
		step := assay.Step{Kind: assay.StepUmpireAppointed, Side: umpireSide, Laboratory: laboratory, Turn: turn}
		if err = l.step(r, step); err == nil {
			return nil
		}
	}
	return err
}

// umpire takes the umpire's results, and its fee with the share of it that the seller bears.
func (l *lot) umpire(r *record, e *pb.UmpireReported) error {
	results, err := resultsOf(e.Results)
	if err != nil {
		return err
	}
	step := assay.Step{Kind: assay.StepUmpireReported, Side: umpireSide, Laboratory: r.party(), Results: results}
	if err := l.step(r, step); err != nil {
		return err
	}
	if e.Fee == "" {
		return nil
	}
	fee, err := quantity.ParseMoney(e.Fee)
	if err != nil || fee.Amount().Sign() <= 0 {
		return err
	}
	x, err := l.exchange()
	if err != nil {
		return err
	}
	for _, result := range results { // one fee has one share: the service refuses the report otherwise
		if at, ok := x.Element(result.Element); ok && at.SellerCost.Add(at.RefinerCost).Sign() > 0 {
			return l.cost(settlement.CostUmpire, e.Fee, at.SellerCost.Shift(2).String(), r.sequence)
		}
	}
	return nil
}

func (l *lot) cost(kind settlement.CostKind, amount, share string, entry uint64) error {
	money, err := quantity.ParseMoney(amount)
	if err != nil {
		return err
	}
	part, err := quantity.ParseDecimal(share)
	if err != nil {
		return err
	}
	l.costs = append(l.costs, settlement.Cost{Kind: kind, Amount: money, SellerShare: part, Refs: refOf(entry)})
	return nil
}

func (l *lot) advance(e *pb.AdvancePaid, entry uint64) error {
	amount, err := quantity.ParseMoney(e.Amount)
	if err != nil {
		return err
	}
	date, err := settlement.ParseDate(e.PaidOn)
	if err != nil {
		return err
	}
	l.advances = append(l.advances, settlement.AdvancePaid{Amount: amount, Date: date, Refs: refOf(entry)})
	return nil
}

// state computes the statement that an entry issues, from the entries before it.
func (a *account) state(r *record, issued *pb.StatementIssued) (settlement.Statement, error) {
	l := a.lots[issued.Lot]
	kind, known := statementKinds[issued.Kind]
	switch {
	case l == nil:
		return settlement.Statement{}, refusal.New(refusal.NotFound, "ENTRY_MISSING", "lot",
			"No entry in the pack opens the lot %s.", refusal.Quote(issued.Lot))
	case !known:
		return settlement.Statement{}, refusal.Invalidf("KIND_MISSING", "kind", "Entry %d issues a statement of no kind.",
			r.sequence)
	case a.errs[l.name] != nil:
		return settlement.Statement{}, a.errs[l.name]
	case kind == settlement.Corrected && l.final == nil:
		return settlement.Statement{}, refusal.New(refusal.NotFound, "ENTRY_MISSING", "lot",
			"The statement that is corrected is not in the pack, or could not be computed.")
	}
	asked := kind
	if kind == settlement.Corrected {
		asked = settlement.Final
	}
	in, err := a.input(l, asked, issued.SettledOn)
	if err != nil {
		return settlement.Statement{}, err
	}
	st, err := settlement.Settle(in, l.terms)
	if err != nil {
		return st, err
	}
	if kind == settlement.Corrected {
		correction, err := settlement.Correct(*l.final, st)
		if err != nil {
			return st, err
		}
		st = correction.Statement
	}
	if kind != settlement.Provisional {
		l.final = &st
	}
	return st, nil
}

// input puts together what the terms ask for. A final statement settles the melt (or, bar by bar, the bars) at the
// settled assays. A provisional one rests on what the advance names: the bars as received and what each side reported
// of them, or the melt and what each side revealed of it.
func (a *account) input(l *lot, kind settlement.Kind, settledOn string) (settlement.Lot, error) {
	in := settlement.Lot{ID: l.name, Kind: kind, Number: l.name, Version: l.statements + 1}
	paid, err := settlement.ParseDate(settledOn)
	if err != nil {
		return in, err
	}
	in.Payment, in.PricedTo = &settlement.Event{Name: "payment", Date: paid}, paid
	var x assay.Exchange
	if len(l.steps) > 0 {
		if x, err = l.exchange(); err != nil {
			return in, err
		}
	}
	advance := l.terms.Advance
	if kind != settlement.Provisional {
		advance = nil
	}
	switch {
	case advance != nil && advance.Weight == settlement.Received && advance.Assays != settlement.SettledAssay:
		in.Units = a.barUnits(l, func(b *bar) []settlement.Assay {
			return append(a.declared(b, l.seller, settlement.SellerAssay), a.declared(b, l.refiner, settlement.RefinerAssay)...)
		})
	case l.terms.Per == settlement.PerBar:
		in.Units = a.barUnits(l, func(*bar) []settlement.Assay { return settledAssays(x) })
	default:
		unit := settlement.Unit{ID: l.name, Assays: settledAssays(x)}
		if advance != nil {
			unit.Assays = append(unit.Assays, l.revealed()...)
		}
		for _, u := range a.barUnits(l, nil) {
			unit.Received = append(unit.Received, u.Received...)
		}
		if err := l.melted(&unit); err != nil {
			return in, err
		}
		in.Units = []settlement.Unit{unit}
	}
	if in.Dates, err = l.dates(x.Settled); err != nil {
		return in, err
	}
	in.Costs, in.Advances = l.costs, l.advances
	a.published(&in, l.terms)
	return in, nil
}

// barUnits makes each bar a unit; the assays of each come from assays.
func (a *account) barUnits(l *lot, assays func(*bar) []settlement.Assay) (units []settlement.Unit) {
	for _, name := range l.bars {
		b := a.bar(name)
		unit := settlement.Unit{ID: name}
		if came, ok := b.arrived(); ok { // a bar without a weight is refused by the settlement
			unit.Received = []settlement.Bar{{ID: name, Mass: came.mass, Refs: refOf(came.entry)}}
		}
		if assays != nil {
			unit.Assays = assays(b)
		}
		units = append(units, unit)
	}
	return units
}

// declared returns the last figure of each element that a party reported of a bar.
func (a *account) declared(b *bar, party string, of settlement.AssayOf) (list []settlement.Assay) {
	seen := map[assay.Element]bool{}
	for i := len(b.reports) - 1; i >= 0; i-- {
		r := b.reports[i]
		if r.party != party || r.replaced || a.hidden(b, r) {
			continue
		}
		for _, result := range r.results {
			if !seen[result.Element] {
				seen[result.Element] = true
				list = append(list, settlement.Assay{Element: result.Element, Fineness: result.Fineness, Of: of,
					Refs: refOf(r.entry)})
			}
		}
	}
	return list
}

// settledAssays returns what the exchange has settled.
func settledAssays(x assay.Exchange) (settled []settlement.Assay) {
	for _, e := range x.Elements {
		if e.State != assay.StateSettled {
			continue
		}
		one := settlement.Assay{Element: e.Element, Fineness: e.Settled, Of: settlement.SettledAssay}
		for _, ref := range e.Refs {
			one.Refs = append(one.Refs, settlement.Ref(ref))
		}
		settled = append(settled, one)
	}
	return settled
}

// revealed returns what each side last revealed of the melt.
func (l *lot) revealed() (list []settlement.Assay) {
	type of struct {
		side    assay.Side
		element assay.Element
	}
	seen := map[of]bool{}
	for i := len(l.steps) - 1; i >= 0; i-- {
		step := l.steps[i]
		if step.Kind != assay.StepRevealed {
			continue
		}
		for _, r := range step.Results {
			if key := (of{step.Side, r.Element}); !seen[key] {
				seen[key] = true
				list = append(list, settlement.Assay{Element: r.Element, Fineness: r.Fineness, Of: settlement.AssayOf(step.Side),
					Refs: []settlement.Ref{settlement.Ref(step.Ref)}})
			}
		}
	}
	return list
}

// melted puts the weights of the melt into a unit.
func (l *lot) melted(unit *settlement.Unit) (err error) {
	if l.melt == nil {
		return nil
	}
	if unit.AfterMelt, err = quantity.ParseMass(l.melt.After); err != nil {
		return err
	}
	if l.melt.Slag != "" {
		if unit.Slag, err = quantity.ParseMass(l.melt.Slag); err != nil {
			return err
		}
	}
	unit.MeltRefs = refOf(l.meltEntry)
	return nil
}

// dates are the named days of the lot: its first arrival, its melt, and the step that settled its last assay.
func (l *lot) dates(settled bool) (dates []settlement.Event, err error) {
	exchanged := ""
	if settled {
		exchanged = l.lastAt
	}
	for _, e := range []struct {
		name, at string
		entry    uint64
	}{{"arrival", l.arrived.at, l.arrived.entry}, {"melt", l.meltedAt, l.meltEntry}, {"exchange", exchanged,
		l.lastEntry}} {
		if len(e.at) < len("2006-01-02") {
			continue
		}
		date, err := settlement.ParseDate(e.at[:len("2006-01-02")])
		if err != nil {
			return nil, err
		}
		dates = append(dates, settlement.Event{Name: e.name, Date: date, Refs: refOf(e.entry)})
	}
	return dates, nil
}

// published adds the prices and the holidays that are known and that the terms may name.
func (a *account) published(in *settlement.Lot, terms settlement.Terms) {
	wanted := map[string]bool{}
	for _, m := range terms.Metals {
		if m.Price != nil {
			wanted[m.Price.Series] = true
		}
	}
	names := make([]string, 0, len(wanted))
	for name := range wanted {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if s := a.series[name]; s != nil { // one that is missing is refused by the settlement
			in.Prices = append(in.Prices, *s)
		}
	}
	if terms.Conversion != nil {
		if s := a.series[terms.Conversion.Series]; s != nil {
			in.Rates = append(in.Rates, *s)
		}
	}
	for _, c := range a.holidays {
		in.Holidays = append(in.Holidays, *c)
	}
}
