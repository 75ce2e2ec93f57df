package settlement

import (
	"fmt"
	"sort"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Tolerances say up to which difference two figures agree; a difference equal to one is within it. All are required.
type Tolerances struct {
	Mass     quantity.Mass     `json:"mass,omitzero"`     // gross, fine and payable weights
	Fineness quantity.Fineness `json:"fineness,omitzero"` //
	Rate     *quantity.Decimal `json:"rate,omitempty"`    // prices, percentages and rates of charges, in their own unit
	Money    *quantity.Decimal `json:"money,omitempty"`   // amounts
}

// Check refuses tolerances that leave one out or are below zero.
func (t Tolerances) Check() error {
	g := gaps{found: &findings{}}
	t.check(g)
	if len(g.found.missing)+len(g.found.wrong) == 0 {
		return nil
	}
	return refusal.Invalidf("TOLERANCES_INCOMPLETE", "tolerances",
		"the tolerances leave out %v or are wrong in %v; state mass, fineness, rate and money, each zero or more",
		g.found.missing, g.found.wrong)
}

func (t Tolerances) check(g gaps) {
	g.need(t.Mass.IsZero(), "mass")
	g.need(t.Fineness.IsZero(), "fineness")
	g.number("rate", t.Rate, "0", "")
	g.number("money", t.Money, "0", "")
	if t.Mass.Sign() < 0 {
		g.wrong("mass", "%s is below zero", t.Mass)
	}
	g.try("mass", sized(t.Mass.Value()))
	g.try("fineness", sized(t.Fineness.Value()))
}

// Part is a cause to which a difference is ascribed.
type Part string

const (
	PartWeight   Part = "weight"
	PartAssay    Part = "assay"
	PartPayable  Part = "payable_terms"
	PartPrice    Part = "price"
	PartCharges  Part = "charges" // and penalties, advances and interest
	PartRounding Part = "rounding"
	PartMissing  Part = "missing_lines"
)

// Parts is the fixed order in which a difference is split.
var Parts = []Part{PartWeight, PartAssay, PartPayable, PartPrice, PartCharges, PartRounding, PartMissing}

// Share is one part of a difference.
type Share struct {
	Part   Part             `json:"part"`
	Amount quantity.Decimal `json:"amount"` // theirs less ours
}

// MetalSplit is the difference in payable metal of one element; its parts add up to it exactly.
type MetalSplit struct {
	Element    assay.Element    `json:"element"`
	Unit       quantity.Unit    `json:"unit"`
	Ours       quantity.Decimal `json:"ours"`
	Theirs     quantity.Decimal `json:"theirs"`
	Difference quantity.Decimal `json:"difference"` // theirs less ours
	Parts      []Share          `json:"parts"`
}

// MoneySplit is the difference in the net; its parts add up to it exactly.
type MoneySplit struct {
	Currency   quantity.Currency `json:"currency"`
	Ours       quantity.Decimal  `json:"ours"`
	Theirs     quantity.Decimal  `json:"theirs"`
	Difference quantity.Decimal  `json:"difference"` // theirs less ours
	Parts      []Share           `json:"parts"`
}

// Reconciliation compares a return with our own computation.
type Reconciliation struct {
	Lot    string           `json:"lot"`
	Number string           `json:"number"`
	Agrees bool             `json:"agrees"` // every line that moves metal or money is there and within its tolerance
	Lines  []LineComparison `json:"lines"`
	Metal  []MetalSplit     `json:"metal"`
	Money  MoneySplit       `json:"money"`
	Notes  []string         `json:"notes,omitempty"`
}

// Reconcile compares a return with our statement line by line and splits the difference, theirs less ours, in a fixed
// order: each cause in turn is moved from our figure to theirs while those before it already stand at theirs and those
// after it still at ours. The parts add up exactly, in metal and in money, for any two statements in one currency.
//
// What a return states decides only where it leads to what it credits: a stated fineness, percentage or price that does
// not give its own figure within one unit of the last place of each figure on the way is replaced by the one that does,
// and a note says so. What is left after that is rounding. A line, or a whole bar or melt, that only one side has is a part
// of its own, and so is the gap between a total and its lines.
func Reconcile(ours Statement, theirs Return, tolerances Tolerances) (Reconciliation, error) {
	if err := tolerances.Check(); err != nil {
		return Reconciliation{}, err
	}
	if err := ours.Terms.ready(); err != nil {
		return Reconciliation{}, refusal.In(err, "ours.terms")
	}
	if err := ours.check(); err != nil {
		return Reconciliation{}, refusal.In(err, "ours")
	}
	if err := ours.Balance(); err != nil {
		return Reconciliation{}, refusal.In(err, "ours")
	}
	if err := theirs.check(); err != nil {
		return Reconciliation{}, refusal.In(err, "theirs")
	}
	r := reconciling{ours: ours, a: indexed(ours.Return()), b: indexed(theirs), metals: map[assay.Element]metalParts{}}
	if err := r.checkCurrency(); err != nil {
		return Reconciliation{}, err
	}
	r.out = Reconciliation{Lot: ours.Lot, Number: ours.Number}
	r.out.Lines, r.out.Agrees = compareLines(r.a, r.b, tolerances)
	for _, e := range r.elements() {
		r.splitMetal(e)
	}
	r.splitMoney()
	return r.out, nil
}

// reconciling is a reconciliation in progress; a is our side and b theirs.
type reconciling struct {
	ours   Statement
	a, b   side
	metals map[assay.Element]metalParts
	out    Reconciliation
}

// side is the lines of one side by their paths.
type side struct {
	lines  []ReturnLine
	byPath map[string]*ReturnLine
}

func indexed(r Return) side {
	s := side{lines: r.Lines, byPath: make(map[string]*ReturnLine, len(r.Lines))}
	for i := range r.Lines {
		s.byPath[r.Lines[i].Path()] = &r.Lines[i]
	}
	return s
}

func (s side) line(code Code, e assay.Element, unit string) *ReturnLine {
	return s.byPath[Line{Code: code, Element: e, Unit: unit}.Path()]
}

// split is a difference by part, in the order of Parts.
type split [7]quantity.Decimal

const (
	inWeight = iota
	inAssay
	inPayable
	inPrice
	inCharges
	inRounding
	inMissing
)

func (s split) plus(t split) split {
	for i := range s {
		s[i] = s[i].Add(t[i])
	}
	return s
}

// times scales a split, each part rounded far below what is shown.
func (s split) times(over, under quantity.Decimal) split {
	for i := range s {
		s[i] = quo(s[i].Mul(over), under)
	}
	return s
}

// working rounds quotients inside a reconciliation, far below every printed place. Whatever it drops is in the rounding
// part, so that the parts add up all the same.
var working = quantity.Rounding{Places: 12, Mode: quantity.HalfEven}

// quo divides for the working; nothing by nothing is nothing.
func quo(over, under quantity.Decimal) quantity.Decimal {
	if under.IsZero() {
		return zero
	}
	q, err := over.Quo(under, working)
	if err != nil {
		panic(err) // the divisor is not zero and the rounding is a constant
	}
	return q
}

// filled returns the split with whatever is left of a difference as rounding.
func (s split) filled(difference quantity.Decimal) split {
	rest := difference
	for i, part := range s {
		if i != inRounding {
			rest = rest.Sub(part)
		}
	}
	s[inRounding] = rest
	return s
}

// shares prints a split of a difference: each part rounded to some places, the rounding part taking the rest.
func (s split) shares(difference quantity.Decimal, places int) []Share {
	shares := make([]Share, len(Parts))
	rest := difference
	for i, part := range Parts {
		if i == inRounding {
			continue
		}
		amount := s[i].Round(quantity.Rounding{Places: min(places, 12), Mode: quantity.HalfEven})
		shares[i] = Share{Part: part, Amount: amount}
		rest = rest.Sub(amount)
	}
	shares[inRounding] = Share{Part: PartRounding, Amount: rest}
	return shares
}

func (r *reconciling) note(format string, args ...any) {
	if len(r.out.Notes) < maxNotes {
		r.out.Notes = append(r.out.Notes, fmt.Sprintf(format, args...))
	}
}

// checkCurrency refuses amounts that cannot be subtracted from ours. The converted net alone is in another currency.
func (r *reconciling) checkCurrency() error {
	for _, l := range r.b.lines {
		if !l.Amount.IsZero() && l.Code != Converted && l.Amount.Currency() != r.ours.Terms.Currency {
			return refusal.Invalidf("CURRENCY_MIXED", "theirs",
				"the line %s is in %s and our statement in %s; have the return stated in %s",
				clip(l.Path()), l.Amount.Currency(), r.ours.Terms.Currency, r.ours.Terms.Currency)
		}
	}
	return nil
}

// elements lists the metals of the terms, then those that only the return has.
func (r *reconciling) elements() []assay.Element {
	var all, extra []assay.Element
	seen := map[assay.Element]bool{}
	for _, m := range r.ours.Terms.Metals {
		seen[m.Element] = true
		all = append(all, m.Element)
	}
	for _, l := range r.b.lines {
		if (l.Code == PayableMetal || l.Code == PayableTotal || l.Code == Value) && l.Element != "" && !seen[l.Element] {
			seen[l.Element] = true
			extra = append(extra, l.Element)
		}
	}
	sort.Slice(extra, func(i, j int) bool { return extra[i] < extra[j] })
	return append(all, extra...)
}

// metalParts is the difference in one metal, as its value is split by it.
type metalParts struct {
	split  split
	total  *quantity.Decimal // theirs, in unit; nil: not stated
	ours   quantity.Decimal
	unit   quantity.Unit
	places int
	value  split // in money, once splitMoney has been there
}

// splitMetal splits the difference in payable metal of one element.
func (r *reconciling) splitMetal(e assay.Element) {
	terms, known := r.ours.Terms.Metal(e)
	p := metalParts{unit: terms.Unit, places: terms.PayableRounding.Places + 3}
	if !known {
		p.unit, p.places = r.unitOf(e), 6
	}
	p.ours = value(r.a.total(PayableMetal, PayableTotal, e, p.unit))
	p.total = r.b.total(PayableMetal, PayableTotal, e, p.unit)
	r.splitUnits(e, terms, &p)
	difference := value(p.total).Sub(p.ours)
	r.out.Metal = append(r.out.Metal, MetalSplit{
		Element: e, Unit: p.unit, Ours: p.ours, Theirs: value(p.total), Difference: difference,
		Parts: p.split.shares(difference, p.places),
	})
	p.split = p.split.filled(difference)
	r.metals[e] = p
}

// splitUnits splits bar by bar or melt by melt where both sides state them, else over the lot.
func (r *reconciling) splitUnits(e assay.Element, terms MetalTerms, p *metalParts) {
	ours, theirs := r.a.units(e), r.b.units(e)
	if p.total == nil {
		p.split[inMissing] = p.ours.Neg()
		return
	}
	if len(ours) == 0 || len(theirs) == 0 {
		if terms.Element == "" {
			p.split[inMissing] = *p.total
			return
		}
		basis := r.ours.Terms.Weight
		if r.ours.Kind == Provisional && r.ours.Terms.Advance != nil {
			basis = r.ours.Terms.Advance.Weight
		}
		p.split = r.chain(terms, r.a.lotFigures(e, p.unit, basis), r.b.lotFigures(e, p.unit, basis), string(e))
		return
	}
	var listed quantity.Decimal // of theirs, to find the gap to their total
	for _, u := range ours {
		a := r.a.unitFigures(e, u, p.unit)
		b := r.b.unitFigures(e, u, p.unit)
		if b.payable == nil {
			p.split[inMissing] = p.split[inMissing].Sub(value(a.payable))
			continue
		}
		listed = listed.Add(*b.payable)
		p.split = p.split.plus(r.chain(terms, a, b, string(e)+" of "+u))
	}
	for _, u := range theirs {
		if r.a.line(PayableMetal, e, u) == nil {
			extra := value(r.b.unitFigures(e, u, p.unit).payable)
			listed = listed.Add(extra)
			p.split[inMissing] = p.split[inMissing].Add(extra)
		}
	}
	if gap := p.total.Sub(listed); gap.Sign() != 0 {
		p.split[inMissing] = p.split[inMissing].Add(gap)
		r.note("their payable %s of %s %s is not the sum of its lines, %s %s", e, *p.total, p.unit, listed, p.unit)
	}
}

func value(d *quantity.Decimal) quantity.Decimal {
	if d == nil {
		return zero
	}
	return *d
}

// unitOf is the unit in which the return states a metal that is none of ours.
func (r *reconciling) unitOf(e assay.Element) quantity.Unit {
	for _, l := range r.b.lines {
		if l.Element == e && weighed[l.Code] && l.Quantity != nil {
			return quantity.Unit(l.QuantityUnit)
		}
	}
	return quantity.TroyOunce
}

// chainFigures is what one side states of one metal in one unit or in the lot; nil is not stated. Contents are in the unit
// of the metal, with the worth of one unit of the last place as it was printed.
type chainFigures struct {
	grams, fineness, fine, percent, payable *quantity.Decimal
	fineStep, payableStep                   quantity.Decimal
}

// units lists the bars or melts for which a side states payable content of its own.
func (s side) units(e assay.Element) []string {
	var all []string
	for _, l := range s.lines {
		if l.Code == PayableMetal && l.Element == e && l.Unit != "" && l.Quantity != nil {
			all = append(all, l.Unit)
		}
	}
	return all
}

func (s side) unitFigures(e assay.Element, unit string, in quantity.Unit) chainFigures {
	var f chainFigures
	f.grams, _ = mass(s.line(GrossWeight, "", unit), quantity.Gram)
	f.take(s.line(FineContent, e, unit), s.line(PayableMetal, e, unit), s.line(Fineness, e, unit), in)
	return f
}

func (s side) lotFigures(e assay.Element, in quantity.Unit, basis Basis) chainFigures {
	var f chainFigures
	f.take(s.line(FineContent, e, ""), s.line(PayableMetal, e, ""), s.line(Fineness, e, ""), in)
	weight := GrossReceived
	if basis == AfterMelt {
		weight = GrossMelted
	}
	f.grams, _ = mass(s.line(GrossWeight, "", ""), quantity.Gram)
	if f.grams == nil {
		if f.grams = s.sum(GrossWeight, "", quantity.Gram); f.grams == nil {
			f.grams, _ = mass(s.line(weight, "", ""), quantity.Gram)
		}
	}
	if f.fineness == nil {
		f.fineness = s.meanFineness(e, weight)
	}
	if f.fine == nil {
		f.fine, f.fineStep = mass(s.line(FineTotal, e, ""), in)
		if f.fine == nil {
			f.fine = s.sum(FineContent, e, in)
		}
	}
	if total := s.line(PayableTotal, e, ""); total != nil && f.payable == nil {
		f.payable, f.payableStep = mass(total, in)
		if total.RateUnit == "percent" {
			f.percent = total.Rate
		}
	}
	if f.payable == nil {
		f.payable = s.sum(PayableMetal, e, in)
	}
	if f.payableStep.IsZero() {
		f.payableStep = s.steps(PayableMetal, e, in)
	}
	if f.fineStep.IsZero() {
		f.fineStep = s.steps(FineContent, e, in)
	}
	return f
}

// meanFineness is the mean of the units' finenesses by their weights; nil unless each unit that has one has a weight.
func (s side) meanFineness(e assay.Element, weight Code) *quantity.Decimal {
	var content, grams quantity.Decimal
	for _, l := range s.lines {
		if l.Code != Fineness || l.Element != e || l.Unit == "" || l.Rate == nil {
			continue
		}
		stated, err := quantity.NewFineness(*l.Rate, quantity.Share(l.RateUnit))
		each, _ := mass(s.line(GrossWeight, "", l.Unit), quantity.Gram) // rounded, where the terms round it
		if each == nil {
			each, _ = mass(s.line(weight, "", l.Unit), quantity.Gram)
		}
		if err != nil || each == nil {
			return nil
		}
		content, grams = content.Add(each.Mul(stated.PerMille())), grams.Add(*each)
	}
	if grams.Sign() <= 0 {
		return nil
	}
	return number(quo(content, grams))
}

// take reads what the lines of one metal state.
func (f *chainFigures) take(fine, payable, fineness *ReturnLine, in quantity.Unit) {
	f.fine, f.fineStep = mass(fine, in)
	f.payable, f.payableStep = mass(payable, in)
	for _, l := range []*ReturnLine{fine, fineness} {
		if l != nil && l.Rate != nil && f.fineness == nil {
			if stated, err := quantity.NewFineness(*l.Rate, quantity.Share(l.RateUnit)); err == nil {
				f.fineness = number(stated.PerMille())
			}
		}
	}
	if payable != nil && payable.RateUnit == "percent" {
		f.percent = payable.Rate
	}
}

// mass reads the quantity of a line in a unit, and the worth of one unit of its last place.
func mass(l *ReturnLine, in quantity.Unit) (*quantity.Decimal, quantity.Decimal) {
	if l == nil || l.Quantity == nil {
		return nil, zero
	}
	step := one.Shift(-l.Quantity.Places())
	if quantity.Unit(l.QuantityUnit) == in {
		return l.Quantity, step
	}
	factor := gramsIn(quantity.Unit(l.QuantityUnit))
	return number(quo(l.Quantity.Mul(factor), gramsIn(in))), quo(step.Mul(factor), gramsIn(in))
}

// sum adds a quantity over the bars or melts; nil when none states it.
func (s side) sum(code Code, e assay.Element, in quantity.Unit) *quantity.Decimal {
	var sum *quantity.Decimal
	for i := range s.lines {
		l := &s.lines[i]
		if l.Code == code && l.Element == e && l.Unit != "" && l.Quantity != nil {
			each, _ := mass(l, in)
			sum = number(value(sum).Add(*each))
		}
	}
	return sum
}

// steps adds the worth of the last places over the bars or melts.
func (s side) steps(code Code, e assay.Element, in quantity.Unit) (sum quantity.Decimal) {
	for i := range s.lines {
		if l := &s.lines[i]; l.Code == code && l.Element == e && l.Quantity != nil {
			_, step := mass(l, in)
			sum = sum.Add(step)
		}
	}
	return sum
}

// total is what a side states for the lot: its total line, else the lot's own line, else the sum of its lines.
func (s side) total(each, total Code, e assay.Element, in quantity.Unit) *quantity.Decimal {
	for _, code := range []Code{total, each} {
		if d, _ := mass(s.line(code, e, ""), in); d != nil {
			return d
		}
	}
	return s.sum(each, e, in)
}

// chain splits the difference in payable content of one unit, or of the lot, into weight, assay, payable terms and
// rounding.
func (r *reconciling) chain(terms MetalTerms, a, b chainFigures, what string) split {
	var s split
	if a.payable == nil || b.payable == nil {
		s[inMissing] = value(b.payable).Sub(value(a.payable))
		return s
	}
	in := gramsIn(terms.Unit).Mul(thousand)
	fine := func(grams, fineness quantity.Decimal) quantity.Decimal { return quo(grams.Mul(fineness), in) }
	step := quantity.Max(b.fineStep, a.fineStep)
	gives := func(grams, fineness quantity.Decimal, stated *quantity.Decimal) bool {
		return stated == nil || fine(grams, fineness).Sub(*stated).Abs().Cmp(step) <= 0
	}

	grams := value(a.grams)
	theirGrams := grams
	if b.grams != nil {
		theirGrams = *b.grams
	} else if b.fineness != nil && b.fine != nil && b.fineness.Sign() > 0 && !gives(grams, *b.fineness, b.fine) {
		theirGrams = quo(b.fine.Mul(in), *b.fineness)
	}
	fineness := quo(value(a.fine).Mul(in), grams)
	switch {
	case a.fineness != nil && gives(grams, *a.fineness, a.fine):
		fineness = *a.fineness
	case b.fineness != nil && gives(grams, *b.fineness, a.fine):
		fineness = *b.fineness // ours is not on a line of its own; theirs says the same
	}
	theirFineness := fineness
	if b.fineness != nil {
		theirFineness = *b.fineness
	}
	if !gives(theirGrams, theirFineness, b.fine) {
		if b.fineness != nil {
			r.note("%s: their fine content does not follow from their weight and fineness; the difference is counted as assay", what)
		}
		theirFineness = quo(b.fine.Mul(in), theirGrams)
	}

	pay := func(grams, fineness quantity.Decimal) quantity.Decimal {
		band, paid := terms.Payable.band(grams.Mul(fineness), grams)
		due := band.payable(fine(grams, fineness), grams, terms.Unit, paid)
		return quo(due.over, due.under)
	}
	start, weighed, assayed := pay(grams, fineness), pay(theirGrams, fineness), pay(theirGrams, theirFineness)
	s[inWeight], s[inAssay] = weighed.Sub(start), assayed.Sub(weighed)
	s[inPayable] = r.payableTerms(a, b, assayed, fine(theirGrams, theirFineness), step, what)
	s[inRounding] = b.payable.Sub(*a.payable).Sub(s[inWeight]).Sub(s[inAssay]).Sub(s[inPayable])
	return s
}

// payableTerms is the part of their payable content that our terms do not explain and rounding cannot.
func (r *reconciling) payableTerms(a, b chainFigures, byOurTerms, fine, step quantity.Decimal, what string) quantity.Decimal {
	allowed := step.Add(quantity.Max(a.payableStep, b.payableStep))
	near := func(d quantity.Decimal) bool { return b.payable.Sub(d).Abs().Cmp(allowed) <= 0 }
	sameTerms := b.percent == nil || a.percent == nil || a.percent.Equal(*b.percent)
	if sameTerms && near(byOurTerms) {
		return zero
	}
	if b.percent != nil {
		if byTheirs := quo(fine.Mul(*b.percent), hundred); near(byTheirs) {
			return byTheirs.Sub(byOurTerms)
		}
		r.note("%s: their payable content does not follow from their fine content and percentage; "+
			"the difference is counted as payable terms", what)
	}
	return b.payable.Sub(byOurTerms)
}
