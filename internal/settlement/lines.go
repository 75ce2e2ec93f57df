package settlement

import (
	"fmt"

	"barward/internal/quantity"
)

// LineVerdict says how one line compares.
type LineVerdict string

const (
	Same        LineVerdict = "same"
	WithinLimit LineVerdict = "within_tolerance"
	Differs     LineVerdict = "differs"
	NotTheirs   LineVerdict = "missing_in_theirs"
	NotOurs     LineVerdict = "missing_in_ours"
)

// LineComparison sets one line of ours beside theirs.
type LineComparison struct {
	Path       string            `json:"path"`
	Row        int               `json:"row,omitempty"`
	Verdict    LineVerdict       `json:"verdict"`
	Ours       string            `json:"ours,omitempty"`
	Theirs     string            `json:"theirs,omitempty"`
	What       string            `json:"what,omitempty"`       // which figure differs first: amount, quantity or rate
	Difference *quantity.Decimal `json:"difference,omitempty"` // of it, theirs less ours, in our unit
	Counts     bool              `json:"counts,omitempty"`     // the line moves metal or money
	Words      string            `json:"words,omitempty"`
}

// moves are the lines that move metal or money: a return agrees only if it has them.
var moves = map[Code]bool{
	PayableMetal: true, PayableTotal: true, Value: true, ChargeLine: true, PenaltyLine: true, HeldBack: true,
	AdvanceLine: true, InterestLine: true, Net: true, Converted: true, Credited: true,
}

// compareLines compares every line of both sides, ours in our order and then what only they have. A line that moves
// neither metal nor money may be missing.
func compareLines(a, b side, t Tolerances) (all []LineComparison, agrees bool) {
	agrees = true
	all = make([]LineComparison, 0, len(a.lines))
	for i := range a.lines {
		ours := &a.lines[i]
		path := ours.Path()
		c := LineComparison{Path: path, Ours: ours.line().figures(), Counts: moves[ours.Code]}
		if theirs := b.byPath[path]; theirs != nil {
			c.Row, c.Theirs = theirs.Row, theirs.line().figures()
			c.compare(ours, theirs, t)
		} else {
			c.Verdict, c.Words = NotTheirs, "the return has no such line"
		}
		agrees = agrees && (!c.Counts || c.Verdict == Same || c.Verdict == WithinLimit)
		all = append(all, c)
	}
	for i := range b.lines {
		theirs := &b.lines[i]
		path := theirs.Path()
		if a.byPath[path] != nil {
			continue
		}
		c := LineComparison{
			Path: path, Row: theirs.Row, Verdict: NotOurs, Theirs: theirs.line().figures(), Counts: moves[theirs.Code],
			Words: "our statement has no such line",
		}
		agrees = agrees && !c.Counts
		all = append(all, c)
	}
	return all, agrees
}

// compare sets the verdict from the figures that both sides state: amount, quantity, rate, in this order.
func (c *LineComparison) compare(ours, theirs *ReturnLine, t Tolerances) {
	c.Verdict = Same
	if !ours.Amount.IsZero() {
		switch {
		case theirs.Amount.IsZero():
			c.differs("amount", nil, "the return states no amount")
		case theirs.Amount.Currency() != ours.Amount.Currency():
			c.differs("amount", nil, "the amounts are in two currencies")
		default:
			c.judge("amount", theirs.Amount.Amount().Sub(ours.Amount.Amount()), *t.Money)
		}
	}
	if ours.Quantity != nil && theirs.Quantity != nil {
		c.quantity(ours, theirs, t)
	} else if ours.Quantity != nil && moves[ours.Code] && weighed[ours.Code] {
		c.differs("quantity", nil, "the return states no quantity")
	}
	if ours.Rate != nil && theirs.Rate != nil {
		c.rate(ours, theirs, t)
	}
}

func (c *LineComparison) quantity(ours, theirs *ReturnLine, t Tolerances) {
	switch {
	case weighed[ours.Code]:
		// In grams, where both are exact.
		unit := gramsIn(quantity.Unit(ours.QuantityUnit))
		grams := theirs.Quantity.Mul(gramsIn(quantity.Unit(theirs.QuantityUnit))).Sub(ours.Quantity.Mul(unit))
		if ours.QuantityUnit == theirs.QuantityUnit {
			c.judgeBy("quantity", theirs.Quantity.Sub(*ours.Quantity), grams, t.Mass.Grams())
		} else {
			c.judgeBy("quantity", quo(grams, unit), grams, t.Mass.Grams())
		}
	case ours.QuantityUnit != theirs.QuantityUnit:
		c.differs("quantity", nil, fmt.Sprintf("the quantity is in %s and not in %s", clip(theirs.QuantityUnit), ours.QuantityUnit))
	case ours.QuantityUnit == "g" || ours.QuantityUnit == "kg" || ours.QuantityUnit == "oz" || ours.QuantityUnit == "mg":
		moved := theirs.Quantity.Sub(*ours.Quantity)
		c.judgeBy("quantity", moved, moved.Mul(gramsIn(quantity.Unit(ours.QuantityUnit))), t.Mass.Grams())
	default:
		c.judge("quantity", theirs.Quantity.Sub(*ours.Quantity), zero)
	}
}

func (c *LineComparison) rate(ours, theirs *ReturnLine, t Tolerances) {
	if ours.RateUnit == theirs.RateUnit && ours.RateUnit != string(quantity.PerMille) {
		c.judge("rate", theirs.Rate.Sub(*ours.Rate), *t.Rate)
		return
	}
	a, errA := quantity.NewFineness(*ours.Rate, quantity.Share(ours.RateUnit))
	b, errB := quantity.NewFineness(*theirs.Rate, quantity.Share(theirs.RateUnit))
	if errA != nil || errB != nil {
		c.differs("rate", nil, fmt.Sprintf("the rate is in %s and not in %s", clip(theirs.RateUnit), ours.RateUnit))
		return
	}
	c.judge("rate", b.PerMille().Sub(a.PerMille()), t.Fineness.PerMille())
}

func (c *LineComparison) judge(what string, difference, tolerance quantity.Decimal) {
	c.judgeBy(what, difference, difference, tolerance)
}

// judgeBy judges a difference by its size in the unit of the tolerance, and shows it in the unit of the line.
func (c *LineComparison) judgeBy(what string, shown, difference, tolerance quantity.Decimal) {
	switch {
	case difference.IsZero():
	case difference.Abs().Cmp(tolerance) > 0:
		c.differs(what, &shown, "")
	case c.Verdict == Same:
		c.Verdict, c.What, c.Difference = WithinLimit, what, &shown
	}
}

// differs keeps the first figure that differs.
func (c *LineComparison) differs(what string, difference *quantity.Decimal, words string) {
	if c.Verdict != Differs {
		c.Verdict, c.What, c.Difference, c.Words = Differs, what, difference, words
	}
}
