package book

import (
	"encoding/json"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/reckoning"
	"barward/internal/refusal"
	"barward/internal/settlement"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// BiasSeries are the paired differences that a bias report looks at, as the record has them.
type BiasSeries struct {
	assay.Series
	LeftOut int // lots or bars of which one of the two figures is missing
}

// Bias gathers the differences that a caller asks for, of what the caller may see, in the order of time. Nothing is
// computed here but each difference; Report says what they come to, and may take longer than a view of the store should.
func Bias(pages *ledger.Book, caller identity.Caller, r *pb.ReportBiasRequest) (BiasSeries, error) {
	g := gathering{store: store{pages: pages}, caller: caller, asked: r, element: assay.Element(r.Element)}
	settings, err := assay.ReadBiasSettings([]byte(r.SettingsJson))
	if err != nil {
		return BiasSeries{}, refusal.In(err, "settings_json")
	}
	if err := g.check(); err != nil {
		return BiasSeries{}, err
	}
	switch r.Of {
	case pb.BiasOf_BIAS_OF_EXCHANGE:
		g.out.First, g.out.Second, g.out.Unit = "the seller's results", "the refiner's", "ppt"
		err = lots.each(pages, g.exchange)
	case pb.BiasOf_BIAS_OF_MINE_AGAINST_SETTLED:
		g.out.First, g.out.Second, g.out.Unit = "the mine's own reports", "the settled assays", "ppt"
		if r.Laboratory != "" {
			g.out.First = "the reports of " + clip(r.Laboratory)
		}
		err = lots.each(pages, g.settled)
	case pb.BiasOf_BIAS_OF_ARRIVAL_WEIGHT:
		g.element, g.out.First, g.out.Second, g.out.Unit = assay.Gold, "the weights before arrival", "those on arrival", "g"
		err = bars.each(pages, g.arrival)
	case pb.BiasOf_BIAS_OF_STATEMENT_AGAINST_RETURN:
		g.out.First, g.out.Second, g.out.Unit = "the payable ounces of the statements", "those of the returns", "oz"
		err = lots.each(pages, g.returned)
	default:
		err = refusal.Invalidf("BIAS_OF_MISSING", "of", "it is not stated what to compare; choose exchange, mine_against_settled, arrival_weight or statement_against_return")
	}
	if err != nil {
		return BiasSeries{}, err
	}
	slices.SortStableFunc(g.points, func(a, b pointInTime) int { return a.at.Compare(b.at) })
	for _, p := range g.points {
		g.out.Points = append(g.out.Points, p.Paired)
	}
	g.out.Element, g.out.BiasSettings = g.element, settings
	g.out.What = string(g.element)
	if r.Of == pb.BiasOf_BIAS_OF_ARRIVAL_WEIGHT {
		g.out.What = "weights"
	}
	if r.Counterparty != "" {
		g.out.What += " with " + clip(r.Counterparty)
	}
	return g.out, nil
}

// Report says what a series comes to, with its chart.
func (s BiasSeries) Report() (*pb.ReportBiasResponse, error) {
	if len(s.Points) < 2 {
		return nil, refusal.New(refusal.Precondition, "DIFFERENCES_TOO_FEW", "", "the record has %d such differences that you may see (%d more lack one of their two figures); a bias needs 2 at least", len(s.Points), s.LeftOut)
	}
	r, err := assay.BiasOf(s.Series)
	if err != nil {
		return nil, err
	}
	document, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	out := &pb.ReportBiasResponse{Words: r.Words, Count: int32(r.Count), Mean: fmt.Sprintf("%.6f %s", r.Mean, s.Unit), CostOunces: fmt.Sprintf("%s oz %s", r.Ounces, s.Element),
		SignalledAt: r.SignalLot, DocumentJson: string(document), ChartSvg: reckoning.BiasChart(s.Series, r), LeftOut: int32(s.LeftOut)}
	if t := r.Test; t != nil {
		out.Interval = fmt.Sprintf("%.6f to %.6f %s", t.Low, t.High, s.Unit)
	}
	var money []string
	for _, m := range r.Cost {
		money = append(money, m.String())
	}
	out.CostMoney = strings.Join(money, ", ")
	for _, p := range s.Points {
		point := &pb.BiasPoint{Of: p.Of, Date: p.Date, Difference: p.Difference.String() + " " + s.Unit}
		if p.Limit.Sign() > 0 {
			point.Limit = p.Limit.String() + " " + s.Unit
		}
		out.Points = append(out.Points, point)
	}
	return out, nil
}

// pointInTime is a difference with its instant, by which the series is put in order.
type pointInTime struct {
	assay.Paired
	at time.Time
}

// gathering is a series on its way out of the book.
type gathering struct {
	store
	caller  identity.Caller
	asked   *pb.ReportBiasRequest
	element assay.Element
	points  []pointInTime
	out     BiasSeries
}

// check refuses filters that do not fit what is compared.
func (g *gathering) check() error {
	of := g.asked.Of
	weights := of == pb.BiasOf_BIAS_OF_ARRIVAL_WEIGHT
	for _, filter := range []struct {
		field, value string
		fits         bool
	}{
		{"element", g.asked.Element, !weights}, {"balance", g.asked.Balance, weights},
		{"laboratory", g.asked.Laboratory, of == pb.BiasOf_BIAS_OF_MINE_AGAINST_SETTLED},
		{"method", g.asked.Method, of == pb.BiasOf_BIAS_OF_MINE_AGAINST_SETTLED},
	} {
		if filter.value != "" && !filter.fits {
			return refusal.Invalidf("FILTER_NOT_FIT", filter.field, "%s does not fit this comparison; leave it out", filter.field).With("value", clip(filter.value))
		}
		if err := text(filter.field, filter.value, maxName, false); err != nil {
			return err
		}
	}
	for _, d := range []struct{ field, value string }{{"from_date", g.asked.FromDate}, {"to_date", g.asked.ToDate}} {
		if d.value == "" {
			continue
		}
		if _, err := day(d.field, d.value); err != nil {
			return err
		}
	}
	if weights {
		return nil
	}
	return g.element.Check()
}

// wanted reports whether a lot, or the bars of a consignment, of these two parties on this day are asked for.
func (g *gathering) wanted(seller, refiner, instant string) bool {
	if len(instant) < 10 {
		return false
	}
	on := instant[:10]
	return (g.asked.Counterparty == "" || g.asked.Counterparty == seller || g.asked.Counterparty == refiner) &&
		(g.asked.FromDate == "" || g.asked.FromDate <= on) && (g.asked.ToDate == "" || on <= g.asked.ToDate)
}

// add files a difference. A series that is too long to be judged is refused, and never cut.
func (g *gathering) add(when string, p assay.Paired) error {
	if len(g.points) == maxBias {
		return refusal.New(refusal.Exhausted, "DIFFERENCES_TOO_MANY", "from_date", "there are more than the %d differences that one report takes; ask for a shorter period", maxBias)
	}
	at, err := instant("date", when)
	if err != nil {
		return err
	}
	p.Date = when[:10]
	g.points = append(g.points, pointInTime{p, at})
	return nil
}

// seenLot returns the terms of a lot that the caller may see and asks for.
func (g *gathering) seenLot(lot *pb.Lot) (settlement.Terms, bool, error) {
	if g.sight(g.caller, lots.kind, lot) == nil || !g.wanted(lot.Seller, lot.Party, lot.OpenedAt) {
		return settlement.Terms{}, false, nil
	}
	agreement, ok := agreements.load(&g.store, lot.Agreement)
	if !ok {
		return settlement.Terms{}, false, nil
	}
	terms, err := termsOf(agreement)
	return terms, err == nil, err
}

// settlementWeight is the weight that a lot is settled on, as far as it is known.
func settlementWeight(lot *pb.Lot, terms settlement.Terms) (quantity.Mass, bool) {
	weight := lot.AfterMelt
	if terms.Weight == settlement.Received {
		weight = lot.Received
	}
	m, err := quantity.ParseMass(weight)
	return m, err == nil
}

func assayed(lot *pb.Lot, element assay.Element) *pb.SettledAssay {
	for _, a := range lot.Assays {
		if a.Element == string(element) {
			return a
		}
	}
	return nil
}

// exchange adds the difference of a lot's exchange, once both results are open.
func (g *gathering) exchange(lot *pb.Lot) error {
	terms, wanted, err := g.seenLot(lot)
	if err != nil || !wanted {
		return err
	}
	a := assayed(lot, g.element)
	mass, weighed := settlementWeight(lot, terms)
	if a == nil || a.Seller == "" || a.Refiner == "" || !weighed {
		g.out.LeftOut++
		return nil
	}
	difference, err := quantity.ParseDecimal(a.Difference)
	if err != nil {
		return err
	}
	limit, err := quantity.ParseDecimal(a.Limit)
	if err != nil {
		return err
	}
	return g.add(lot.OpenedAt, assay.Paired{Of: lot.Name, Difference: difference, Limit: limit, Moved: mass.Grams().Mul(difference).Shift(-3), Price: g.price(lot, terms)})
}

// settled adds what the mine (or the laboratory asked for) reported of a lot's bars against what was settled. The bars'
// reports are weighted by their weights on arrival.
func (g *gathering) settled(lot *pb.Lot) error {
	terms, wanted, err := g.seenLot(lot)
	if err != nil || !wanted || !identity.Sees(g.caller.PartyKind, identity.Assays) {
		return err
	}
	a := assayed(lot, g.element)
	mass, weighed := settlementWeight(lot, terms)
	if a == nil || a.Settled == "" || !weighed {
		g.out.LeftOut++
		return nil
	}
	settled, err := quantity.ParseFineness(a.Settled)
	if err != nil {
		return err
	}
	reported, ok := g.ofBars(lot)
	if !ok {
		g.out.LeftOut++
		return nil
	}
	difference := reported.Sub(settled.PerMille())
	return g.add(lot.OpenedAt, assay.Paired{Of: lot.Name, Difference: difference, Moved: mass.Grams().Mul(difference).Shift(-3), Price: g.price(lot, terms)})
}

// reportPlaces is where a mean of reports is rounded; it informs and settles nothing.
var reportPlaces = quantity.Rounding{Places: 6, Mode: quantity.HalfEven}

// ofBars is the mean of what was reported of a lot's bars, by their weights on arrival, in parts per thousand; false where
// a bar has no report or weight.
func (g *gathering) ofBars(lot *pb.Lot) (quantity.Decimal, bool) {
	by := lot.Seller
	if g.asked.Laboratory != "" {
		by = g.asked.Laboratory
	}
	var fine, whole quantity.Decimal
	for _, name := range lot.Bars {
		bar, ok := bars.load(&g.store, name)
		if !ok {
			return quantity.Decimal{}, false
		}
		fineness, ok := g.reportOf(bar, by)
		_, arrival := aroundArrival(bar)
		if !ok || arrival == nil {
			return quantity.Decimal{}, false
		}
		mass := quantity.MustMass(arrival.Mass).Grams()
		fine, whole = fine.Add(mass.Mul(fineness.PerMille())), whole.Add(mass)
	}
	if whole.IsZero() {
		return quantity.Decimal{}, false
	}
	mean, err := quantity.FromRat(new(big.Rat).Quo(fine.Rat(), whole.Rat()), reportPlaces)
	return mean, err == nil
}

// reportOf is the last standing report of a party, by the method asked for, on a bar.
func (g *gathering) reportOf(bar *pb.Bar, by string) (quantity.Fineness, bool) {
	for i := len(bar.Assays) - 1; i >= 0; i-- {
		a := bar.Assays[i]
		if a.Party != by || a.SupersededBy != 0 || a.Sealed && a.Party != g.caller.PartyID || g.asked.Method != "" && a.Method != g.asked.Method {
			continue
		}
		for _, r := range a.Results {
			if r.Element == string(g.element) {
				fineness, err := quantity.ParseFineness(r.Fineness)
				return fineness, err == nil
			}
		}
	}
	return quantity.Fineness{}, false
}

// arrival adds a bar's last weight before arrival against that on arrival, less what air buoyancy explains of it: thin air
// is no bias that anybody could answer for.
func (g *gathering) arrival(bar *pb.Bar) error {
	if g.sight(g.caller, bars.kind, bar) == nil {
		return nil
	}
	before, now := aroundArrival(bar)
	if now == nil || g.asked.Balance != "" && g.asked.Balance != now.Balance || !g.wanted(bar.Party, now.Party, now.WeighedAt) {
		return nil
	}
	if before == nil {
		g.out.LeftOut++
		return nil
	}
	f := fold{store: g.store}
	dense := density(bar) // without the assays, where the caller may not see them
	terms, agreed := f.agreementOf(bar.Consignment)
	limit := weighing.Limit{Absolute: quantity.MustMass("1 g"), Rule: weighing.Larger} // any: only the buoyancy is asked for
	if agreed && terms.Limits != nil {
		limit = terms.Limits.ArrivalBar
	}
	c, err := weighing.Compare(f.station(before), f.station(now), limit, dense)
	if err != nil {
		return err
	}
	p := assay.Paired{Of: bar.Name, Difference: c.Remaining.Neg(), Explained: c.Buoyancy.Neg()}
	if agreed && terms.Limits != nil {
		p.Limit = c.Limit
	}
	if gold, ok := finenessOf(bar, assay.Gold); ok && identity.Sees(g.caller.PartyKind, identity.Money) {
		p.Moved = p.Difference.Mul(gold.PerMille()).Shift(-3)
		if metal, ok := terms.Metal(assay.Gold); ok {
			p.Price, _ = g.lastPrice(metal, now.WeighedAt[:10]) // none published yet: the ounces stand without money
		}
	}
	return g.add(now.WeighedAt, p)
}

// returned adds the payable ounces of a lot's statement against those of its last return.
func (g *gathering) returned(lot *pb.Lot) error {
	terms, wanted, err := g.seenLot(lot)
	if err != nil || !wanted {
		return err
	}
	if len(lot.Returns) == 0 {
		g.out.LeftOut++
		return nil
	}
	last, ok := returns.load(&g.store, lot.Returns[len(lot.Returns)-1])
	if !ok || g.sight(g.caller, returns.kind, last) == nil {
		return nil
	}
	var r settlement.Reconciliation
	if err := json.Unmarshal([]byte(last.Reconciliation.GetDocumentJson()), &r); err != nil {
		g.out.LeftOut++ // a comparison of an older build, which shows its parts and not its whole
		return nil
	}
	for _, m := range r.Metal {
		if m.Element != g.element {
			continue
		}
		mass, err := quantity.NewMass(m.Ours.Sub(m.Theirs), m.Unit)
		if err != nil {
			return err
		}
		ounces, err := mass.Ounces(reportPlaces)
		if err != nil {
			return err
		}
		return g.add(lot.OpenedAt, assay.Paired{Of: lot.Name, Difference: ounces, Moved: mass.Grams(), Price: g.price(lot, terms)})
	}
	g.out.LeftOut++
	return nil
}

// price is what an ounce of the element was settled at in a lot, or else the last price published by the day on which the
// lot was opened; none where neither is known.
func (g *gathering) price(lot *pb.Lot, terms settlement.Terms) quantity.Money {
	for i := len(lot.Statements) - 1; i >= 0; i-- {
		st, ok := statements.load(&g.store, lot.Statements[i])
		if !ok || st.Kind == pb.StatementKind_STATEMENT_KIND_PROVISIONAL {
			continue
		}
		for _, l := range st.Lines {
			number, unit, _ := strings.Cut(l.Rate, " ")
			currency, per, _ := strings.Cut(unit, "/")
			if l.Element != string(g.element) || !strings.HasPrefix(l.Code, string(settlement.PriceUsed)) || per != string(quantity.TroyOunce) {
				continue
			}
			if m, err := quantity.ParseMoney(number + " " + currency); err == nil {
				return m
			}
		}
	}
	metal, ok := terms.Metal(g.element)
	if !ok {
		return quantity.Money{}
	}
	m, err := g.lastPrice(metal, lot.OpenedAt[:10])
	if err != nil {
		return quantity.Money{}
	}
	return m
}
