package settlement

import (
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// splitMoney splits the difference in the net: the values metal by metal, then each charge, penalty, advance and interest.
func (r *reconciling) splitMoney() {
	var s split
	cash := r.ours.Terms.Payment.In == Cash
	for _, e := range r.elements() {
		p := r.metals[e]
		p.value = r.splitValue(e, p)
		r.metals[e] = p
		if cash {
			s = s.plus(p.value)
		}
	}
	listed := zero // of theirs, to find the gap to their net
	for _, l := range r.b.lines {
		if countsIn(l, cash) {
			listed = listed.Add(l.Amount.Amount())
		}
	}
	for _, l := range r.a.lines {
		if l.Code != Value && countsIn(l, cash) {
			s = s.plus(r.splitLine(l))
		}
	}
	for _, l := range r.b.lines {
		if l.Code != Value && countsIn(l, cash) && r.a.byPath[l.Path()] == nil {
			s[inMissing] = s[inMissing].Add(l.Amount.Amount())
		}
	}
	theirs := listed
	if net := r.b.line(Net, "", ""); net != nil && !net.Amount.IsZero() {
		theirs = net.Amount.Amount()
		if gap := theirs.Sub(listed); gap.Sign() != 0 {
			s[inMissing] = s[inMissing].Add(gap)
			r.note("their net of %s is not the sum of their lines, %s; the gap of %s is counted as missing lines", theirs, listed, gap)
		}
	}
	ours := r.ours.Net.Amount()
	difference := theirs.Sub(ours)
	places := 4
	if !r.ours.Terms.Money.Value.IsZero() {
		places = r.ours.Terms.Money.Value.Places + 2
	}
	r.out.Money = MoneySplit{
		Currency: r.ours.Terms.Currency, Ours: ours, Theirs: theirs, Difference: difference, Parts: s.shares(difference, places),
	}
}

// countsIn reports whether a line's amount is part of a net.
func countsIn(l ReturnLine, cash bool) bool {
	return !l.Amount.IsZero() && new(MoneyBalance).place(l.Code) != nil && (cash || l.Code != Value)
}

// splitValue splits the difference in the value of one metal: the parts of its metal at our price, then the price.
func (r *reconciling) splitValue(e assay.Element, p metalParts) split {
	a, b := r.a.valueOf(e), r.b.valueOf(e)
	var s split
	if a.amount == nil || b.amount == nil {
		s[inMissing] = value(b.amount).Sub(value(a.amount))
		return s
	}
	difference := b.amount.Sub(*a.amount)
	ourPrice := r.price(r.a, e, p.unit)
	if ourPrice == nil || !within(p.ours.Mul(*ourPrice), *a.amount, a.step) {
		ourPrice = number(quo(*a.amount, p.ours)) // valued by gross
	}
	theirPrice := r.price(r.b, e, p.unit)
	if p.total == nil {
		// Their payable metal is not stated: only a stated price can be told apart from what is missing.
		if theirPrice != nil {
			s[inPrice] = p.ours.Mul(theirPrice.Sub(*ourPrice))
		}
		s[inMissing] = difference.Sub(s[inPrice])
		return s
	}
	gives := func(price quantity.Decimal) bool { return within(p.total.Mul(price), *b.amount, a.step.Add(b.step)) }
	switch {
	case theirPrice != nil && gives(*theirPrice):
	case gives(*ourPrice) || p.total.IsZero():
		theirPrice = ourPrice
	default:
		if theirPrice != nil {
			r.note("%s: their value does not follow from their payable content and price; the difference is counted as price", e)
		}
		theirPrice = number(quo(*b.amount, *p.total))
	}
	s = p.split.times(*ourPrice, one)
	s[inPrice] = p.total.Mul(theirPrice.Sub(*ourPrice))
	return s.filled(difference)
}

func within(a, b, tolerance quantity.Decimal) bool { return a.Sub(b).Abs().Cmp(tolerance) <= 0 }

// stated is an amount with the worth of its last places; nil: there is none.
type stated struct {
	amount *quantity.Decimal
	step   quantity.Decimal
}

// valueOf adds the value lines of one metal.
func (s side) valueOf(e assay.Element) (v stated) {
	for i := range s.lines {
		if l := &s.lines[i]; l.Code == Value && l.Element == e && !l.Amount.IsZero() {
			v.amount = number(value(v.amount).Add(l.Amount.Amount()))
			v.step = v.step.Add(one.Shift(-l.Amount.Amount().Places()))
		}
	}
	return v
}

// price is the price that a side states for one unit of a metal; nil: none, or in a unit that is no mass.
func (r *reconciling) price(s side, e assay.Element, in quantity.Unit) *quantity.Decimal {
	for _, code := range []Code{PriceUsed, Value} {
		l := s.line(code, e, "")
		if l == nil || l.Rate == nil {
			continue
		}
		currency, unit, ok := strings.Cut(l.RateUnit, "/")
		grams, known := gramsOf[quantity.Unit(unit)]
		if !ok || !known || currency != string(r.ours.Terms.Currency) {
			continue
		}
		if quantity.Unit(unit) == in {
			return l.Rate
		}
		return number(quo(l.Rate.Mul(gramsIn(in)), grams))
	}
	return nil
}

// splitLine splits the difference in one counted line of ours that is no value: what a different weight, metal or value
// does to a charge goes where that difference went, what is left to charges.
func (r *reconciling) splitLine(ours ReturnLine) split {
	var s split
	theirs := r.b.byPath[ours.Path()]
	if theirs == nil || theirs.Amount.IsZero() {
		s[inMissing] = ours.Amount.Amount().Neg()
		return s
	}
	difference := theirs.Amount.Amount().Sub(ours.Amount.Amount())
	basis, ok := r.basis(ours, *theirs)
	if !ok {
		s[inCharges] = difference
		return s
	}
	rate := *ours.Rate
	if ours.RateUnit == "percent" {
		rate = quo(rate, hundred)
	}
	theirRate := rate
	if theirs.Rate != nil && theirs.RateUnit == ours.RateUnit {
		theirRate = *theirs.Rate
		if ours.RateUnit == "percent" {
			theirRate = quo(theirRate, hundred)
		}
	}
	s = basis.times(rate.Neg(), one)
	s[inCharges] = theirs.Quantity.Mul(rate.Sub(theirRate))
	rest := difference
	for _, part := range s {
		rest = rest.Sub(part)
	}
	step := one.Shift(-ours.Amount.Amount().Places()).Add(one.Shift(-theirs.Amount.Amount().Places()))
	if rest.Abs().Cmp(step) <= 0 {
		s[inRounding] = s[inRounding].Add(rest)
	} else {
		s[inCharges] = s[inCharges].Add(rest)
	}
	return s
}

// basis is the split of the difference in the quantity of a charge. It returns false where the charge is not its quantity
// times its rate on our side (a minimum holds), or has no quantity that could be ascribed.
func (r *reconciling) basis(ours, theirs ReturnLine) (split, bool) {
	var s split
	if ours.Code != ChargeLine || ours.Quantity == nil || ours.Rate == nil || theirs.Quantity == nil ||
		ours.QuantityUnit != theirs.QuantityUnit {
		return s, false
	}
	product := ours.Quantity.Mul(*ours.Rate)
	if ours.RateUnit == "percent" {
		product = quo(product, hundred)
	}
	if !within(product, ours.Amount.Amount().Neg(), one.Shift(-ours.Amount.Amount().Places())) {
		return s, false
	}
	moved := theirs.Quantity.Sub(*ours.Quantity)
	for _, c := range r.ours.Terms.Charges {
		if c.Code != ours.Name {
			continue
		}
		switch c.Per {
		case ChargeGross:
			s[inWeight] = moved
			return s, true
		case ChargePayable:
			p := r.metals[c.Element]
			s = p.split.times(gramsIn(p.unit), gramsIn(c.Unit))
		case ChargeValue:
			for e, p := range r.metals {
				if c.Element == "" || c.Element == e {
					s = s.plus(p.value)
				}
			}
		default:
			return s, false
		}
	}
	// What their own quantity differs from the metal or the value that they state is theirs to explain: a charge.
	for _, part := range s {
		moved = moved.Sub(part)
	}
	s[inCharges] = s[inCharges].Add(moved)
	return s, true
}
