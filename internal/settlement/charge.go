package settlement

import (
	"fmt"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

func (c Charge) check(g gaps, t Terms) {
	g.text("code", c.Code)
	choice(g, "per", c.Per, ChargeGross, ChargePayable, ChargeBar, ChargeMelt, ChargeLot, ChargeValue, ChargePassedOn)
	weighed := c.Per == ChargeGross || c.Per == ChargePayable
	if weighed {
		g.unit("unit", c.Unit)
		g.rounding("quantity_rounding", c.QuantityRounding)
	} else if c.Unit != "" || !c.QuantityRounding.IsZero() {
		g.wrong("unit", "a charge per %s has no weight; leave unit and quantity_rounding out", clip(string(c.Per)))
	}
	if c.Per == ChargeGross {
		choice(g, "weight", c.Weight, Received, AfterMelt)
	} else if c.Weight != "" {
		g.wrong("weight", "a charge per %s has no gross weight; leave it out", clip(string(c.Per)))
	}
	switch {
	case c.Per == ChargePayable && c.Element == "":
		g.need(true, "element")
	case c.Per == ChargePayable || c.Per == ChargeValue && c.Element != "":
		if _, ok := t.Metal(c.Element); !ok {
			g.wrong("element", "%q is not a metal of these terms", clip(string(c.Element)))
		}
	case c.Per != ChargeValue && c.Element != "":
		g.wrong("element", "a charge per %s is of no element; leave it out", clip(string(c.Per)))
	}
	switch {
	case c.Per == ChargePassedOn:
		choice(g, "cost", c.Cost, CostAssay, CostUmpire, CostFreight, CostInsurance)
		if c.Rate != nil {
			g.wrong("rate", "a cost passed on has no rate of its own; leave it out")
		}
	case c.Per == ChargeValue:
		g.number("rate", c.Rate, "0", "100")
	default:
		g.number("rate", c.Rate, "0", "")
	}
	if c.Per != ChargePassedOn && c.Cost != "" {
		g.wrong("cost", "only a charge passed_on names a cost; leave it out")
	}
	if c.Minimum != nil {
		g.number("minimum", c.Minimum, "0", "")
	}
}

func (p Penalty) check(g gaps, t Terms) {
	g.element("element", p.Element)
	g.need(p.Threshold.IsZero(), "threshold")
	g.need(p.Step.IsZero(), "step")
	if !p.Step.IsZero() && p.Step.PerMille().Sign() <= 0 {
		g.wrong("step", "a step of %s never ends; it must be more than zero", p.Step)
	}
	g.try("threshold", sized(p.Threshold.Value()))
	g.try("step", sized(p.Step.Value()))
	choice(g, "steps", p.Steps, WholeSteps, StartedSteps, ProRata)
	g.number("rate", p.Rate, "0", "")
	choice(g, "per", p.Per, PenaltyGross, PenaltyFine)
	if p.Per == PenaltyFine {
		if _, ok := t.Metal(p.Of); !ok {
			g.wrong("of", "a penalty per fine weight names a metal of these terms; %q is none", clip(string(p.Of)))
		}
	} else if p.Of != "" {
		g.wrong("of", "a penalty per gross weight is of no metal; leave it out")
	}
	g.unit("unit", p.Unit)
	g.rounding("quantity_rounding", p.QuantityRounding)
}

// charge writes the lines of one charge.
func (w *work) charge(c Charge) error {
	w.money = w.terms.Money.Charge
	l := Line{Code: ChargeLine, Name: c.Code, Step: "charge"}
	per := string(w.terms.Currency) + "/"
	var amount ratio
	switch c.Per {
	case ChargeGross:
		grams, from := w.received, w.receivedLines
		l.Text, l.Formula = "charge on gross weight received", "gross weight received × rate"
		switch {
		case c.Weight != AfterMelt:
		case w.melted:
			grams, from = w.afterMelt, w.meltedLines
			l.Text, l.Formula = "charge on gross weight after melt", "gross weight after melt × rate"
		case w.lot.Kind == Provisional && w.terms.Advance != nil:
			// An advance is paid before the melt: what it rests on stands for the weight that nobody knows yet. Under terms
			// whose advance names the weight after melt, the statement has been refused above.
			l.Text = "charge on gross weight after melt, provisionally on the weight received"
			l.Formula = "gross weight received × rate: the weight that the advance rests on"
		default:
			return missingMelt(w.lot.ID)
		}
		if err := w.quantity(&l, grams, c.Unit, c.QuantityRounding); err != nil {
			return err
		}
		l.From, amount, l.RateUnit = from, whole(l.Quantity.Mul(*c.Rate)), per+string(c.Unit)
	case ChargePayable:
		m := w.metals[c.Element]
		l.Text, l.Formula, l.Element = "charge on payable metal", "payable weight × rate", c.Element
		if err := w.quantity(&l, m.payable.Mul(gramsIn(m.terms.Unit)), c.Unit, c.QuantityRounding); err != nil {
			return err
		}
		l.From, amount, l.RateUnit = []int{m.payableLine}, whole(l.Quantity.Mul(*c.Rate)), per+string(c.Unit)
	case ChargeBar, ChargeMelt, ChargeLot:
		count, unit := w.bars, "bars"
		switch c.Per {
		case ChargeMelt:
			count, unit = w.melts, "melts"
		case ChargeLot:
			count, unit = 1, "lot"
		}
		n := quantity.NewDecimal(int64(count))
		l.Text, l.Formula = "charge per "+string(c.Per), "number × rate"
		l.Quantity, l.QuantityUnit, l.RateUnit = &n, unit, per+string(c.Per)
		l.From, amount = w.receivedLines, whole(n.Mul(*c.Rate))
	case ChargeValue:
		value, from := w.valueOf(c.Element)
		l.Text, l.Formula, l.Element = "charge on metal value", "value × percent", c.Element
		l.Quantity, l.QuantityUnit, l.RateUnit = &value, string(w.terms.Currency), "percent"
		l.From, amount = from, ratio{value.Mul(*c.Rate), hundred}
	case ChargePassedOn:
		return w.passOn(c)
	}
	l.Rate = c.Rate
	if c.Minimum != nil && amount.over.Less(c.Minimum.Mul(amount.under)) {
		amount = whole(*c.Minimum)
		l.Formula += ", but not less than the minimum per lot of " + c.Minimum.String()
	}
	return w.takeOff(l, amount)
}

// passOn writes a line for the seller's share of each cost of one kind, in one line if the lot has several.
func (w *work) passOn(c Charge) error {
	var sum quantity.Decimal
	var refs []Ref
	for _, cost := range w.lot.Costs {
		if cost.Kind == c.Cost {
			sum = sum.Add(cost.Amount.Amount().Mul(cost.SellerShare))
			refs = append(refs, cost.Refs...)
		}
	}
	l := Line{
		Code: ChargeLine, Name: c.Code, Step: "charge", Text: "cost passed on: " + string(c.Cost),
		Formula: "sum over the costs of this kind of cost × seller's share", Refs: unique(refs),
	}
	amount := ratio{sum, hundred}
	if c.Minimum != nil && sum.Less(c.Minimum.Mul(hundred)) {
		amount = whole(*c.Minimum)
		l.Formula += ", but not less than the minimum per lot of " + c.Minimum.String()
	}
	return w.takeOff(l, amount)
}

// takeOff rounds an amount that the seller bears, once, and adds the line with the amount below zero.
func (w *work) takeOff(l Line, amount ratio) error {
	rounded, err := amount.round(w.money)
	if err != nil {
		return err
	}
	amount.over = amount.over.Neg()
	l.Amount, l.Counts, l.Rounding, l.Exact = w.in(rounded.Neg()), true, w.money, amount.String()
	w.add(l)
	return nil
}

// quantity sets a line's quantity to a mass in a unit, rounded once.
func (w *work) quantity(l *Line, grams quantity.Decimal, unit quantity.Unit, r quantity.Rounding) error {
	q, err := ratio{grams, gramsIn(unit)}.round(r)
	l.Quantity, l.QuantityUnit = &q, string(unit)
	return err
}

// penalty writes a line for each settled group whose content of one element is above the threshold.
func (w *work) penalty(p Penalty) error {
	w.money = w.terms.Money.Penalty
	for i := range w.groups {
		g := &w.groups[i]
		content, refs, err := w.content(g, p.Element)
		if err != nil {
			return err
		}
		// excess / (step × gross) is the number of steps: the whole comparison stays in exact products.
		excess := content.Sub(p.Threshold.PerMille().Mul(g.grams))
		if excess.Sign() <= 0 {
			continue
		}
		steps := ratio{excess, p.Step.PerMille().Mul(g.grams)}
		if p.Steps != ProRata {
			counted, err := steps.round(quantity.Rounding{Mode: quantity.Down})
			if err != nil {
				return err
			}
			if p.Steps == StartedSteps && counted.Mul(steps.under).Less(steps.over) {
				counted = counted.Add(one)
			}
			steps = whole(counted)
		}
		grams, from := g.grams, g.line
		if p.Per == PenaltyFine {
			of := w.metals[p.Of]
			grams, from = g.fine[of.at].Mul(gramsIn(of.terms.Unit)), g.fineLine[of.at]
		}
		l := Line{
			Code: PenaltyLine, Element: p.Element, Unit: g.id, Step: "penalty", Rate: p.Rate,
			RateUnit: fmt.Sprintf("%s/%s for each %s", w.terms.Currency, p.Unit, p.Step),
			Text:     fmt.Sprintf("penalty on %s above %s, %s steps", p.Element, p.Threshold, steps),
			Formula:  fmt.Sprintf("%s weight × rate × (content - threshold) / step, steps %s", p.Per, p.Steps),
			From:     []int{from}, Refs: refs,
		}
		if err := w.quantity(&l, grams, p.Unit, p.QuantityRounding); err != nil {
			return err
		}
		if err := w.takeOff(l, ratio{l.Quantity.Mul(*p.Rate).Mul(steps.over), steps.under}); err != nil {
			return err
		}
	}
	return nil
}

// content returns fineness × grams summed over the units of a group, for an element that need not be a metal that is
// paid for; every unit must have been assayed for it.
func (w *work) content(g *group, e assay.Element) (content quantity.Decimal, refs []Ref, err error) {
	for _, u := range g.units {
		a, ok := w.lot.Units[u].assay(e, w.figures)
		if !ok {
			return content, nil, missingAssay(w.lot.Units[u].ID, e, w.figures)
		}
		content = content.Add(w.weights[u].Mul(a.Fineness.PerMille()))
		refs = append(refs, a.Refs...)
	}
	return content, unique(refs), nil
}

// checkCosts refuses a cost that the terms do not pass on: it would vanish from the statement without a word.
func (w *work) checkCosts() error {
	for i, cost := range w.lot.Costs {
		agreed := false
		for _, c := range w.terms.Charges {
			agreed = agreed || c.Per == ChargePassedOn && c.Cost == cost.Kind
		}
		if !agreed && cost.SellerShare.Sign() != 0 {
			return refusal.New(refusal.Precondition, "COST_NOT_AGREED", fmt.Sprintf("costs[%d]", i),
				"the lot carries a cost of kind %q, which the terms do not pass on to the seller; leave it out, or agree on a charge passed_on",
				clip(string(cost.Kind))).With("cost", clip(string(cost.Kind)))
		}
	}
	return nil
}

func missingMelt(id string) error {
	return refusal.New(refusal.Precondition, "AFTER_MELT_MISSING", "after_melt",
		"the terms need the weight after melt, which %q does not have for every unit; record the melt first",
		clip(id)).About(id)
}

func missingAssay(id string, e assay.Element, of AssayOf) error {
	return refusal.New(refusal.Precondition, "ASSAY_MISSING", "assays",
		"%q has no %s assay of %s, which the terms need; settle it, or record it, first",
		clip(id), of, e).About(id).With("element", string(e)).With("of", string(of))
}
