package settlement

import (
	"fmt"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// net states what is due: a provisional statement holds back what is not advanced, any other takes off what was advanced
// with its interest.
func (w *work) net() error {
	first := len(w.s.Lines) // the lines from here on move the net value to the net
	var err error
	if w.lot.Kind == Provisional {
		err = w.holdBack()
	}
	if err == nil {
		err = w.settleAdvances()
	}
	if err != nil {
		return err
	}
	w.valueDate()
	net, from := w.netOfCosts, []int{first}
	for _, l := range w.s.Lines[first:] {
		if l.Counts {
			net, from = net.Add(l.Amount.Amount()), append(from, l.No)
		}
	}
	w.add(Line{
		Code: Net, Text: "due to the seller; below zero, from the seller", Formula: "net value and the lines after it",
		Amount: w.in(net), From: from,
	})
	w.s.Net = w.in(net)
	for _, l := range w.s.Lines {
		if l.Counts {
			place := w.s.Money.place(l.Code)
			*place = place.Add(l.Amount.Amount())
		}
	}
	w.s.Money.Net = net
	if w.terms.Payment.In == MetalAccount && w.lot.Kind != Provisional {
		return w.credit()
	}
	return nil
}

// holdBack states what a provisional statement does not advance.
func (w *work) holdBack() error {
	a := w.terms.Advance
	if a == nil {
		return nil
	}
	base, line := w.netOfCosts, len(w.s.Lines)
	if a.Of == OfMetalValue {
		base, line = w.s.Lines[w.valueLine-1].Amount.Amount(), w.valueLine
	}
	exact := ratio{base.Mul(*a.Percent), hundred}
	due, err := exact.round(w.terms.Money.Advance)
	if err != nil {
		return err
	}
	w.add(Line{
		Code: HeldBack, Text: fmt.Sprintf("held back, so that %s %s are advanced", due, w.terms.Currency),
		Formula: "advance - net value; advance = " + string(a.Of) + " × percent", Rate: a.Percent, RateUnit: "percent",
		Amount: w.in(due.Sub(w.netOfCosts)), Counts: true, Step: "money_rounding.advance", Rounding: w.terms.Money.Advance,
		Exact: exact.String(), From: distinctLines(line, len(w.s.Lines)),
	})
	return nil
}

func distinctLines(a, b int) []int {
	if a == b {
		return []int{a}
	}
	return []int{a, b}
}

// settleAdvances takes off what was advanced. Interest runs from the day of the advance, itself counted, to the day of
// payment, itself not counted; it is simple and charged to the seller on any but a provisional statement.
func (w *work) settleAdvances() error {
	a := w.terms.Advance
	if len(w.lot.Advances) == 0 {
		return nil
	}
	if a == nil {
		return refusal.New(refusal.Precondition, "ADVANCE_NOT_AGREED", "lot.advances",
			"the lot carries an advance, and the terms have none; leave it out, or agree on one")
	}
	var paid Event
	if w.lot.Kind != Provisional && a.InterestRate.Sign() != 0 {
		var err error
		if paid, err = w.paymentDay(); err != nil {
			return err
		}
	}
	for i, advance := range w.lot.Advances {
		each := fmt.Sprint(i + 1)
		amount := advance.Amount.Amount()
		line := w.add(Line{
			Code: AdvanceLine, Name: each, Text: "advance paid on " + advance.Date.String(), Formula: "as paid",
			Amount: w.in(amount.Neg()), Counts: true, Refs: advance.Refs,
		})
		if paid.Date.IsZero() {
			continue
		}
		if paid.Date.Before(advance.Date) {
			return refusal.Invalidf("PAYMENT_BEFORE_ADVANCE", "lot.payment",
				"payment on %s is before the advance of %s, so that no interest can be counted; check the days",
				paid.Date, advance.Date)
		}
		if err := w.interest(each, amount, advance.Date, paid, line); err != nil {
			return err
		}
	}
	return nil
}

func (w *work) interest(each string, amount quantity.Decimal, from Date, paid Event, line int) error {
	a := w.terms.Advance
	days, year, err := a.DayCount.Days(from, paid.Date)
	if err != nil {
		return err
	}
	interest, err := Interest(amount, *a.InterestRate, days, year, w.terms.Money.Interest)
	if err != nil {
		return err
	}
	n := quantity.NewDecimal(int64(days))
	exact := ratio{amount.Mul(*a.InterestRate).Mul(n).Neg(), quantity.NewDecimal(int64(year) * 100)}
	w.add(Line{
		Code: InterestLine, Name: each, Text: fmt.Sprintf("interest from %s to %s", from, paid.Date),
		Quantity: &n, QuantityUnit: "days", Rate: a.InterestRate, RateUnit: "percent a year",
		Formula: fmt.Sprintf("advance × rate × days / %d, by %s", year, a.DayCount), Amount: w.in(interest.Neg()), Counts: true,
		Step: "money_rounding.interest", Rounding: w.terms.Money.Interest, Exact: exact.String(), From: []int{line}, Refs: paid.Refs,
	})
	return nil
}

// paymentDay is the day that the lot was paid, or else the value date of the terms.
func (w *work) paymentDay() (Event, error) {
	if w.lot.Payment != nil {
		return *w.lot.Payment, nil
	}
	if w.terms.Payment.ValueDate == nil {
		return Event{}, refusal.New(refusal.Precondition, "PAYMENT_DAY_MISSING", "lot.payment",
			"interest on the advance runs to the day of payment, which neither the lot nor the terms name; give it")
	}
	d, _, refs, _, err := w.lot.day(*w.terms.Payment.ValueDate)
	return Event{Name: "payment", Date: d, Refs: refs}, err
}

// valueDate states the value date where its event is known.
func (w *work) valueDate() {
	if w.lot.Payment != nil {
		w.s.ValueDate = w.lot.Payment.Date
	} else if w.terms.Payment.ValueDate != nil {
		if d, _, _, _, err := w.lot.day(*w.terms.Payment.ValueDate); err == nil {
			w.s.ValueDate = d
		}
	}
}

// credit states the metal that goes to the account. The value date must be known: metal is lent out by the day.
func (w *work) credit() error {
	paid, err := w.paymentDay()
	if err != nil {
		return err
	}
	for _, m := range w.order {
		w.add(Line{
			Code: Credited, Element: m.terms.Element,
			Text:    fmt.Sprintf("credited to account %s, value %s", w.terms.Payment.Account, paid.Date),
			Formula: "payable content", Quantity: number(m.payable), QuantityUnit: string(m.terms.Unit),
			From: []int{m.payableLine}, Refs: paid.Refs,
		})
	}
	return nil
}

// convert turns the net into the other currency, once, by the one rate that the terms name.
func (w *work) convert() error {
	c := w.terms.Conversion
	if c == nil {
		return nil
	}
	series, ok := find(w.lot.Rates, c.Series)
	if !ok {
		return refusal.New(refusal.Precondition, "SERIES_MISSING", "lot.rates",
			"the terms convert by %q, of which no rates are given; publish them first",
			clip(c.Series)).With("series", clip(c.Series))
	}
	day, _, refs, how, err := w.lot.day(c.Day)
	if err != nil {
		return err
	}
	// The rate is used as published: it is rounded at its own places, which changes nothing.
	published, err := series.mean([]Date{day}, c.Missing, quantity.Rounding{Places: maxFigurePlaces, Mode: quantity.HalfEven})
	if err != nil {
		return err
	}
	rate := published.exact.over
	net := w.s.Net.Amount()
	exact := whole(net.Mul(rate))
	formula, per := "net × rate", fmt.Sprintf("%s/%s", c.To, w.terms.Currency)
	if c.Direction == Divide {
		exact, formula, per = ratio{net, rate}, "net / rate", fmt.Sprintf("%s/%s", w.terms.Currency, c.To)
	}
	amount, err := exact.round(w.terms.Money.Conversion)
	if err != nil {
		return err
	}
	w.s.Converted, err = quantity.NewMoney(amount, c.To)
	if err != nil {
		return err
	}
	w.add(Line{
		Code: Converted, Text: "net in " + string(c.To), Formula: formula + ", " + published.words + " (" + how + ")",
		Rate: &rate, RateUnit: per, Amount: w.s.Converted, Step: "money_rounding.conversion", Rounding: w.terms.Money.Conversion,
		Exact: exact.String(), From: []int{w.netLine()}, Refs: unique(append(published.refs, refs...)),
	})
	return nil
}

// netLine is the number of the line that states the net.
func (w *work) netLine() int {
	no := len(w.s.Lines)
	for w.s.Lines[no-1].Code != Net {
		no--
	}
	return no
}
