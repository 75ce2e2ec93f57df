package settlement

import (
	"fmt"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Settle computes what lot pays under terms. It reads no clock and no store: equal arguments give an equal Statement on
// every replay. Products stay exact up to each rounding that the terms name. A melt loss outside its range is a Flag in
// the Statement; an error is a *refusal.Error: these figures cannot be settled at all.
//
// The steps, in order: settlement weight of each unit; for each bar, melt or the lot (settle_per) fine content, rounded,
// then payable content of the rounded fine content, rounded; the price, rounded; values of the totals; charges;
// penalties; what was advanced and its interest; the net; its conversion.
//
// A provisional statement under terms with an advance rests on the assays, the weight and the price that the advance
// names, and holds back what is not advanced.
func Settle(lot Lot, terms Terms) (Statement, error) {
	if err := terms.ready(); err != nil {
		return Statement{}, err
	}
	if err := lot.check(terms); err != nil {
		return Statement{}, refusal.In(err, "lot")
	}
	w := newWork(&lot, terms)
	steps := []func() error{w.weigh, w.settleMetals, w.price, w.value, w.takeOffs, w.net, w.convert, w.flag}
	for _, step := range steps {
		if err := step(); err != nil {
			return Statement{}, err
		}
		if w.tooLarge != "" {
			return Statement{}, refusal.Invalidf("RESULT_OUT_OF_RANGE", "lot",
				"the line %s comes to more than %s or to more than %d places; check the figures and their units",
				w.tooLarge, mostResult, maxResultPlaces)
		}
	}
	if err := w.s.Balance(); err != nil {
		return Statement{}, refusal.New(refusal.Internal, "STATEMENT_UNBALANCED", "",
			"a computed statement does not balance").Because(err)
	}
	return w.s, nil
}

// work is a settlement in progress.
type work struct {
	lot     *Lot
	terms   Terms
	s       Statement
	figures AssayOf // whose assays count
	basis   Basis   // which weight counts
	money   quantity.Rounding

	weights       []quantity.Decimal // settlement weight of each unit, in grams
	receivedGrams []quantity.Decimal // of each unit
	receivedLine  []int              // of each unit
	weightLine    []int              // of each unit: the line that its settlement weight comes from
	received      quantity.Decimal   // of the lot, in grams
	afterMelt     quantity.Decimal
	receivedLines []int // of the lot
	meltedLines   []int
	melted        bool // every unit has a weight after melt
	bars, melts   int

	groups     []group
	metals     map[assay.Element]*metal
	order      []*metal
	valueLine  int // the total of the values
	netOfCosts quantity.Decimal
	tooLarge   string // path of the first line with a figure that cannot be printed
}

// group is what is settled as one: a bar, a melt or the lot.
type group struct {
	id       string // empty for the lot
	units    []int
	grams    quantity.Decimal // settlement weight
	received quantity.Decimal // in grams
	line     int
	fine     []quantity.Decimal // per metal, in its unit
	fineLine []int
}

// metal is one metal of the terms, over the whole lot; contents are in its unit.
type metal struct {
	terms       MetalTerms
	at          int
	fine        quantity.Decimal
	payable     quantity.Decimal
	received    quantity.Decimal // fine content of the received weight
	fineLines   []int
	payLines    []int
	payableLine int
	quote       quote
	priceLine   int
	value       quantity.Decimal
	valueLines  []int
}

func newWork(lot *Lot, terms Terms) *work {
	w := &work{lot: lot, terms: terms, figures: SettledAssay, basis: terms.Weight, metals: map[assay.Element]*metal{}}
	if lot.Kind == Provisional && terms.Advance != nil {
		w.figures, w.basis = terms.Advance.Assays, terms.Advance.Weight
	}
	for i, m := range terms.Metals {
		w.order = append(w.order, &metal{terms: m, at: i})
		w.metals[m.Element] = w.order[i]
	}
	w.s = Statement{Kind: lot.Kind, Number: lot.Number, Version: lot.Version, Previous: lot.Previous, Lot: lot.ID, Terms: terms}
	w.s.Lines = make([]Line, 0, len(lot.Units)*(3+2*len(terms.Metals))+32)
	return w
}

// add numbers a line and appends it.
func (w *work) add(l Line) int {
	l.No = len(w.s.Lines) + 1
	if w.tooLarge == "" && !(fits(l.Quantity) && fits(l.Rate) && (l.Amount.IsZero() || fits(number(l.Amount.Amount())))) {
		w.tooLarge = l.Path()
	}
	w.s.Lines = append(w.s.Lines, l)
	return l.No
}

// in makes an amount in the agreement's currency.
func (w *work) in(amount quantity.Decimal) quantity.Money {
	m, err := quantity.NewMoney(amount, w.terms.Currency)
	if err != nil {
		panic(err) // the currency was checked with the terms
	}
	return m
}

// Factors to grams, exact.
var gramsOf = map[quantity.Unit]quantity.Decimal{
	quantity.Gram: one, quantity.Kilogram: thousand, quantity.TroyOunce: quantity.GramsPerOunce,
	quantity.Milligram: quantity.MustDecimal("0.001"),
}

func gramsIn(u quantity.Unit) quantity.Decimal { return gramsOf[u] }

// weigh states the weights of the units and of the lot, and forms the groups.
func (w *work) weigh() error {
	w.melted = true
	n := len(w.lot.Units)
	w.weights, w.receivedGrams = make([]quantity.Decimal, n), make([]quantity.Decimal, n)
	w.receivedLine, w.weightLine = make([]int, n), make([]int, n)
	var melted []int
	for i := range w.lot.Units {
		u := &w.lot.Units[i]
		var received quantity.Mass
		var refs []Ref
		for _, b := range u.Received {
			received = received.Add(b.Mass)
			refs = append(refs, b.Refs...)
		}
		w.bars += len(u.Received)
		w.receivedGrams[i] = received.Grams()
		w.received = w.received.Add(w.receivedGrams[i])
		w.receivedLine[i] = w.add(Line{
			Code: GrossReceived, Unit: u.ID, Text: "gross weight received", Formula: "sum of the bars as received",
			Quantity: number(received.Value()), QuantityUnit: string(received.Unit()), Refs: unique(refs),
		})
		w.receivedLines = append(w.receivedLines, w.receivedLine[i])
		settled, line := received, w.receivedLine[i]
		if u.AfterMelt.IsZero() {
			w.melted = false
		} else {
			w.melts++
			w.afterMelt = w.afterMelt.Add(u.AfterMelt.Grams())
			melted = append(melted, w.add(Line{
				Code: GrossMelted, Unit: u.ID, Text: "gross weight after melt", Formula: "as weighed after melting",
				Quantity: number(u.AfterMelt.Value()), QuantityUnit: string(u.AfterMelt.Unit()), Refs: u.MeltRefs,
			}))
		}
		if w.basis == AfterMelt {
			if u.AfterMelt.IsZero() {
				return missingMelt(u.ID)
			}
			settled, line = u.AfterMelt, melted[len(melted)-1]
		}
		w.weights[i], w.weightLine[i] = settled.Grams(), line
	}
	w.receivedLines = []int{w.add(Line{
		Code: GrossReceived, Text: "gross weight received, lot", Formula: "sum of the units",
		Quantity: number(w.received), QuantityUnit: "g", From: w.receivedLines,
	})}
	if w.melted {
		w.meltedLines = []int{w.add(Line{
			Code: GrossMelted, Text: "gross weight after melt, lot", Formula: "sum of the units",
			Quantity: number(w.afterMelt), QuantityUnit: "g", From: melted,
		})}
		w.statedLoss()
	}
	return w.form()
}

// statedLoss states the melt loss of the lot. Its percentage is shown to shownLoss places; nothing is computed from it.
func (w *work) statedLoss() {
	loss := w.received.Sub(w.afterMelt)
	percent, err := loss.Mul(hundred).Quo(w.received, shownLoss)
	if err != nil {
		panic(err) // the received weight was checked to be more than zero
	}
	w.add(Line{
		Code: MeltLoss, Text: "melt loss", Formula: "received - after melt; the rate is shown only",
		Quantity: &loss, QuantityUnit: "g", Rate: &percent, RateUnit: "percent",
		Exact: ratio{loss.Mul(hundred), w.received}.String(), Rounding: shownLoss, Step: "shown only",
		From: []int{w.receivedLines[0], w.meltedLines[0]},
	})
}

// form makes the groups and states the settlement weight of each.
func (w *work) form() error {
	if w.terms.Per == PerLot {
		g := group{units: make([]int, len(w.lot.Units))}
		for i := range w.lot.Units {
			g.units[i] = i
		}
		w.groups = []group{g}
	} else {
		w.groups = make([]group, len(w.lot.Units))
		units := make([]int, len(w.lot.Units)) // one array behind every group
		for i := range w.lot.Units {
			units[i] = i
			w.groups[i] = group{id: w.lot.Units[i].ID, units: units[i : i+1]}
		}
	}
	metals := len(w.order)
	for i := range w.groups {
		g := &w.groups[i]
		g.fine, g.fineLine = make([]quantity.Decimal, metals), make([]int, metals)
		l := Line{Code: GrossWeight, Unit: g.id, Text: "settlement weight", Formula: "weight " + string(w.basis)}
		if w.terms.Per == PerLot {
			l.Formula = "sum of the units' weights " + string(w.basis)
		}
		if err := w.groupWeight(g, &l); err != nil {
			return err
		}
		g.line = w.add(l)
	}
	return nil
}

// groupWeight states the settlement weight of a group: of one unit, rounded where the terms say so, or the sum of the
// units of a lot, each of which was rounded and stated before.
func (w *work) groupWeight(g *group, l *Line) error {
	for _, u := range g.units {
		var err error
		switch {
		case w.terms.WeightStep == nil:
		case w.terms.Per == PerLot:
			own := Line{Code: GrossWeight, Unit: w.lot.Units[u].ID, Text: l.Text, Formula: "weight " + string(w.basis)}
			err = w.roundWeight(u, &own)
			w.weightLine[u] = w.add(own)
		default:
			err = w.roundWeight(u, l)
		}
		if err != nil {
			return err
		}
		g.grams = g.grams.Add(w.weights[u])
		g.received = g.received.Add(w.receivedGrams[u])
		if len(l.From) < len(g.units) {
			l.From = append(l.From, w.weightLine[u])
		}
	}
	if l.Quantity == nil {
		l.Quantity, l.QuantityUnit = number(g.grams), "g"
	}
	if g.grams.Sign() <= 0 {
		return refusal.New(refusal.Precondition, "WEIGHT_ROUNDED_AWAY", "weight_rounding",
			"the settlement weight of %q rounds to nothing; agree on a finer weight_rounding", clip(w.lot.ID+" "+g.id))
	}
	return nil
}

// roundWeight rounds the settlement weight of one unit and states it on a line.
func (w *work) roundWeight(u int, l *Line) error {
	step := w.terms.WeightStep
	exact := ratio{w.weights[u], gramsIn(step.Unit)}
	rounded, err := exact.round(step.Rounding)
	if err != nil {
		return err
	}
	w.weights[u] = rounded.Mul(gramsIn(step.Unit))
	l.Quantity, l.QuantityUnit, l.Exact = &rounded, string(step.Unit), exact.String()
	l.Step, l.Rounding, l.From = "weight_rounding", step.Rounding, []int{w.weightLine[u]}
	return nil
}

// settleMetals states fine and payable content of every group and of the lot.
func (w *work) settleMetals() error {
	for i := range w.groups {
		for _, m := range w.order {
			if err := w.settleMetal(&w.groups[i], m); err != nil {
				return err
			}
		}
	}
	for _, m := range w.order {
		fine := w.add(Line{
			Code: FineTotal, Element: m.terms.Element, Text: "fine content, lot", Formula: "sum of the fine contents",
			Quantity: number(m.fine), QuantityUnit: string(m.terms.Unit), From: m.fineLines,
		})
		m.payableLine = w.add(Line{
			Code: PayableTotal, Element: m.terms.Element, Text: "payable content, lot", Formula: "sum of the payable contents",
			Quantity: number(m.payable), QuantityUnit: string(m.terms.Unit), From: m.payLines,
		})
		m.fineLines = []int{fine}
		w.s.Metal = append(w.s.Metal, MetalBalance{
			Element: m.terms.Element, Unit: m.terms.Unit, Received: m.received, Payable: m.payable,
			Unpaid: m.fine.Sub(m.payable), Loss: m.received.Sub(m.fine),
		})
	}
	return nil
}

// settleMetal states fine and payable content of one metal in one group.
func (w *work) settleMetal(g *group, m *metal) error {
	e, unit := m.terms.Element, m.terms.Unit
	l := Line{
		Code: FineContent, Element: e, Unit: g.id, Text: "fine content", QuantityUnit: string(unit),
		Step: "fine_rounding", Rounding: m.terms.FineRounding,
	}
	var content, received quantity.Decimal // grams × parts per thousand
	for _, u := range g.units {
		a, ok := w.lot.Units[u].assay(e, w.figures)
		if !ok {
			return missingAssay(w.lot.Units[u].ID, e, w.figures)
		}
		f := a.Fineness.PerMille()
		content = content.Add(w.weights[u].Mul(f))
		received = received.Add(w.receivedGrams[u].Mul(f))
		if len(g.units) == 1 {
			l.Rate, l.RateUnit, l.Refs = &f, string(quantity.PerMille), a.Refs
			l.Formula, l.From = "settlement weight × fineness", []int{g.line}
			break
		}
		l.From = append(l.From, w.weightLine[u], w.add(Line{
			Code: Fineness, Element: e, Unit: w.lot.Units[u].ID, Text: "fineness", Formula: "as " + string(a.Of),
			Rate: &f, RateUnit: string(quantity.PerMille), Refs: a.Refs,
		}))
		l.Formula = "sum over the units of weight × fineness"
	}
	grams := gramsIn(unit).Mul(thousand)
	exact := ratio{content, grams}
	fine, err := exact.round(m.terms.FineRounding)
	if err != nil {
		return err
	}
	l.Quantity, l.Exact = &fine, exact.String()
	g.fine[m.at], g.fineLine[m.at] = fine, w.add(l)

	receivedFine, err := ratio{received, grams}.round(m.terms.FineRounding)
	if err != nil {
		return err
	}
	if w.basis == Received && w.terms.WeightStep == nil {
		receivedFine = fine
	}
	band, paid := m.terms.Payable.band(content, g.grams)
	due := band.payable(fine, g.grams, unit, paid)
	payable, err := due.round(m.terms.PayableRounding)
	if err != nil {
		return err
	}
	line := w.add(Line{
		Code: PayableMetal, Element: e, Unit: g.id, Text: "payable content", Formula: band.words(m.terms.Payable, paid),
		Quantity: &payable, QuantityUnit: string(unit), Rate: band.rate(paid), RateUnit: band.rateUnit(paid),
		Step: "payable_rounding", Rounding: m.terms.PayableRounding, Exact: due.String(), From: []int{g.fineLine[m.at]},
	})
	m.fine, m.payable, m.received = m.fine.Add(fine), m.payable.Add(payable), m.received.Add(receivedFine)
	m.fineLines, m.payLines = append(m.fineLines, g.fineLine[m.at]), append(m.payLines, line)
	return nil
}

// band returns the payable band of a group, and whether it reaches the floor. Content is grams × parts per thousand, so
// that a fineness that need not end is compared exactly.
func (p Payable) band(content, grams quantity.Decimal) (PayableBand, bool) {
	at := 0
	for at+1 < len(p.Bands) && content.Cmp(p.Bands[at+1].From.PerMille().Mul(grams)) >= 0 {
		at++
	}
	return p.Bands[at], content.Cmp(p.Floor.PerMille().Mul(grams)) >= 0
}

// payable returns the payable part of a fine content in a unit, exactly; never less than nothing.
func (b PayableBand) payable(fine, grams quantity.Decimal, unit quantity.Unit, paid bool) ratio {
	if !paid {
		return whole(zero)
	}
	in := gramsIn(unit)
	left := whole(fine) // after the deduction
	switch {
	case !b.DeductFineness.IsZero():
		left = ratio{fine.Mul(in).Mul(thousand).Sub(grams.Mul(b.DeductFineness.PerMille())), in.Mul(thousand)}
	case !b.DeductMass.IsZero():
		left = ratio{fine.Mul(in).Sub(b.DeductMass.Grams()), in}
	}
	due := left
	switch {
	case b.Percent == nil:
	case b.Deduction == PaysLess:
		if share := (ratio{fine.Mul(*b.Percent), hundred}); share.less(left) {
			due = share
		}
	default: // a percentage alone, or after the deduction
		due = ratio{left.over.Mul(*b.Percent), left.under.Mul(hundred)}
	}
	if due.over.Sign() < 0 {
		return whole(zero)
	}
	return due
}

// rate is the percentage of a band whose percentage alone decides.
func (b PayableBand) rate(paid bool) *quantity.Decimal {
	switch {
	case !paid:
		return number(zero)
	case b.DeductFineness.IsZero() && b.DeductMass.IsZero():
		return b.Percent
	}
	return nil
}

func (b PayableBand) rateUnit(paid bool) string {
	if b.rate(paid) == nil {
		return ""
	}
	return "percent"
}

// words is the formula of a band.
func (b PayableBand) words(p Payable, paid bool) string {
	if !paid {
		return "nothing: below the floor of " + p.Floor.String()
	}
	deduction := b.DeductMass.String()
	if !b.DeductFineness.IsZero() {
		deduction = b.DeductFineness.String() + " of the gross weight"
	}
	switch {
	case deduction == "":
		return "fine content × percent"
	case b.Percent == nil:
		return "fine content - " + deduction
	case b.Deduction == PaysLess:
		return "the smaller of fine content × " + b.Percent.String() + " % and fine content - " + deduction
	}
	return "(fine content - " + deduction + ") × " + b.Percent.String() + " %"
}

// price states the price of each metal that is paid in cash or charged on.
func (w *work) price() error {
	for _, m := range w.order {
		if m.terms.Price == nil || w.terms.Payment.In != Cash && !w.terms.pricesCharges(m.terms.Element) {
			continue
		}
		terms := *m.terms.Price
		if a := w.terms.Advance; a != nil && w.lot.Kind == Provisional && a.Price == AdvanceDay {
			terms.Period, terms.Days, terms.Day = SingleDay, 0, *a.Day
			if terms.Missing == MissingSkipped {
				terms.Missing = MissingIsError
			}
		}
		q, err := w.lot.price(terms)
		if err != nil {
			return err
		}
		m.quote = q
		m.priceLine = w.add(Line{
			Code: PriceUsed, Element: m.terms.Element, Text: "price", Formula: q.words, Rate: &q.value,
			RateUnit: string(w.terms.Currency) + "/" + string(terms.Unit), Step: "price rounding", Rounding: q.rounding,
			Exact: q.exact.String(), Refs: q.refs,
		})
	}
	return nil
}

// value states the value of each metal and their total. Metal that is credited to an account has a value only where a
// charge is a percentage of it; it does not count toward the net.
func (w *work) value() error {
	var sum quantity.Decimal
	var lines []int
	for _, m := range w.order {
		if m.priceLine == 0 {
			continue
		}
		var err error
		if m.terms.Valuation == ByGross {
			err = w.valueByGross(m)
		} else {
			err = w.valueByPayable(m)
		}
		if err != nil {
			return err
		}
		sum, lines = sum.Add(m.value), append(lines, m.valueLines...)
	}
	if len(lines) == 0 {
		return nil
	}
	w.valueLine = w.add(Line{
		Code: MetalValue, Text: "value of the metal", Formula: "sum of the values", Amount: w.in(sum), From: lines,
	})
	return nil
}

func (w *work) valueByPayable(m *metal) error {
	in, per := gramsIn(m.terms.Unit), gramsIn(m.terms.Price.Unit)
	exact := whole(m.payable.Mul(m.quote.value))
	if m.terms.Unit != m.terms.Price.Unit {
		exact = ratio{exact.over.Mul(in), per}
	}
	return w.addValue(m, exact, Line{
		Text: "value", Formula: "payable content × price", Quantity: number(m.payable), QuantityUnit: string(m.terms.Unit),
		Rate: number(m.quote.value), RateUnit: w.perPriceUnit(m), From: []int{m.payableLine, m.priceLine},
	})
}

func (w *work) valueByGross(m *metal) error {
	for i := range w.groups {
		g := &w.groups[i]
		var content quantity.Decimal
		for _, u := range g.units {
			a, _ := w.lot.Units[u].assay(m.terms.Element, w.figures)
			content = content.Add(w.weights[u].Mul(a.Fineness.PerMille()))
		}
		band, paid := m.terms.Payable.band(content, g.grams)
		exact := ratio{m.quote.value.Mul(content).Mul(*band.rate(paid)), g.grams.Mul(thousand).Mul(hundred)}
		rate, err := exact.round(m.terms.RateRounding)
		if err != nil {
			return err
		}
		line := w.add(Line{
			Code: GrossRate, Element: m.terms.Element, Unit: g.id, Text: "price of a gross unit",
			Formula: "price × fineness × payable percent", Rate: &rate, RateUnit: w.perPriceUnit(m),
			Step: "rate_rounding", Rounding: m.terms.RateRounding, Exact: exact.String(), From: []int{m.priceLine, g.fineLine[m.at]},
		})
		in := gramsIn(m.terms.Unit)
		gross, err := g.grams.Quo(in, quantity.Rounding{Places: shownPlaces, Mode: quantity.HalfUp})
		if err != nil {
			return err
		}
		gross = gross.Trim()
		if err := w.addValue(m, ratio{g.grams.Mul(rate), in}, Line{
			Unit: g.id, Text: "value", Formula: "gross weight × price of a gross unit", Quantity: &gross,
			QuantityUnit: string(m.terms.Unit), Rate: &rate, RateUnit: w.perPriceUnit(m), From: []int{g.line, line},
		}); err != nil {
			return err
		}
	}
	return nil
}

func (w *work) perPriceUnit(m *metal) string {
	return string(w.terms.Currency) + "/" + string(m.terms.Price.Unit)
}

// addValue rounds a value once and adds its line.
func (w *work) addValue(m *metal, exact ratio, l Line) error {
	value, err := exact.round(w.terms.Money.Value)
	if err != nil {
		return err
	}
	l.Code, l.Element, l.Amount, l.Counts = Value, m.terms.Element, w.in(value), w.terms.Payment.In == Cash
	l.Step, l.Rounding, l.Exact = "money_rounding.value", w.terms.Money.Value, exact.String()
	m.value = m.value.Add(value)
	m.valueLines = append(m.valueLines, w.add(l))
	return nil
}

// valueOf returns the value of one metal, or of all for no element, and the lines that state it.
func (w *work) valueOf(e assay.Element) (value quantity.Decimal, lines []int) {
	for _, m := range w.order {
		if e == "" || e == m.terms.Element {
			value, lines = value.Add(m.value), append(lines, m.valueLines...)
		}
	}
	return value, lines
}

// takeOffs states charges and penalties, and what is left.
func (w *work) takeOffs() error {
	if err := w.checkCosts(); err != nil {
		return err
	}
	first := len(w.s.Lines)
	for _, c := range w.terms.Charges {
		if err := w.charge(c); err != nil {
			return err
		}
	}
	for _, p := range w.terms.Penalties {
		if err := w.penalty(p); err != nil {
			return err
		}
	}
	var from []int
	if w.valueLine != 0 && w.terms.Payment.In == Cash {
		from = append(from, w.valueLine)
		w.netOfCosts = w.s.Lines[w.valueLine-1].Amount.Amount()
	}
	for _, l := range w.s.Lines[first:] {
		w.netOfCosts, from = w.netOfCosts.Add(l.Amount.Amount()), append(from, l.No)
	}
	w.add(Line{
		Code: NetValue, Text: "net value", Formula: "value of the metal less charges and penalties",
		Amount: w.in(w.netOfCosts), From: from,
	})
	return nil
}

// flag compares melt losses with their range and the sums of assays with their tolerance.
func (w *work) flag() error {
	for i := range w.lot.Units {
		u := &w.lot.Units[i]
		if w.terms.Limits != nil && !u.AfterMelt.IsZero() {
			w.flagLoss(u, w.receivedGrams[i])
		}
		if !w.terms.AssaySum.IsZero() {
			w.flagSum(u)
		}
	}
	return nil
}

func (w *work) flagLoss(u *Unit, received quantity.Decimal) {
	allowed := w.terms.Limits.MeltLoss
	loss := received.Sub(u.AfterMelt.Grams())
	percent := loss.Mul(hundred)
	if percent.Cmp(allowed.Least.Mul(received)) >= 0 && percent.Cmp(allowed.Most.Mul(received)) <= 0 {
		return
	}
	refs := append([]Ref(nil), u.MeltRefs...)
	for _, b := range u.Received {
		refs = append(refs, b.Refs...)
	}
	observed, between := ratio{percent, received}.String()+" %", fmt.Sprintf("%s to %s %%", allowed.Least, allowed.Most)
	w.s.Flags = append(w.s.Flags, Flag{
		Reason: "MELT_LOSS_OUTSIDE_RANGE", Unit: u.ID, Observed: observed, Allowed: between, Refs: unique(refs),
		Text: fmt.Sprintf("%s lost %s g on melting, %s of what was received; the agreement expects %s", u.ID, loss, observed, between),
	})
}

// flagSum flags assays that add to more than the whole, and to less where base metals were reported too: an assay of the
// precious metals alone adds to less by nature.
func (w *work) flagSum(u *Unit) {
	var results []assay.Result
	base := false
	for _, a := range u.Assays {
		if a.Of == w.figures {
			results = append(results, assay.Result{Element: a.Element, Fineness: a.Fineness})
			base = base || a.Element != assay.Gold && a.Element != assay.Silver
		}
	}
	tolerance := w.terms.AssaySum.PerMille()
	verdict := assay.SumCheck(results, tolerance)
	if verdict.PreciousOK && (verdict.Within || verdict.Difference.Sign() < 0 && !base) {
		return
	}
	var refs []Ref
	for _, a := range u.Assays {
		if a.Of == w.figures {
			refs = append(refs, a.Refs...)
		}
	}
	w.s.Flags = append(w.s.Flags, Flag{
		Reason: "ASSAY_SUM_OUTSIDE_TOLERANCE", Unit: u.ID, Observed: verdict.Sum.String() + " ppt",
		Allowed: "1000 ± " + tolerance.String() + " ppt", Text: u.ID + ": " + verdict.Words, Refs: unique(refs),
	})
}

// fits reports whether a figure can be printed and read back.
func fits(d *quantity.Decimal) bool {
	return d == nil || d.Places() <= maxResultPlaces && d.Abs().Less(mostResult)
}

// number returns a pointer to its own copy.
func number(d quantity.Decimal) *quantity.Decimal { return &d }
