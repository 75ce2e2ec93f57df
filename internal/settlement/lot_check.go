package settlement

import (
	"fmt"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// assay returns a unit's figure for one element by one side.
func (u *Unit) assay(e assay.Element, of AssayOf) (Assay, bool) {
	for _, a := range u.Assays {
		if a.Element == e && a.Of == of {
			return a, true
		}
	}
	return Assay{}, false
}

// check refuses a lot that is malformed, whatever a settlement would need of it.
func (l *Lot) check(t Terms) error {
	if err := name(l.ID, "id"); err != nil {
		return err
	}
	switch l.Kind {
	case Provisional, Final:
	case Corrected:
		if l.Previous == "" {
			return refusal.Invalidf("PREVIOUS_MISSING", "previous",
				"a corrected statement names the one it corrects; give its digest")
		}
	default:
		return unknownKind(l.Kind)
	}
	if err := name(l.Number, "number"); err != nil {
		return err
	}
	if l.Version < 1 {
		return refusal.Invalidf("VERSION_MISSING", "version", "a statement has a version from 1; %d is none", l.Version)
	}
	if len(l.Previous) > maxName || !plain(l.Previous) {
		return refusal.Invalidf("DIGEST_MALFORMED", "previous",
			"%q is not a digest; copy that of the statement before", clip(l.Previous))
	}
	if err := l.checkUnits(t.Per); err != nil {
		return err
	}
	if err := l.checkDates(); err != nil {
		return err
	}
	if err := checkSeries(l.Prices); err != nil {
		return refusal.In(err, "prices")
	}
	if err := checkSeries(l.Rates); err != nil {
		return refusal.In(err, "rates")
	}
	return l.checkMoney(t)
}

func (l *Lot) checkUnits(per Per) error {
	if len(l.Units) == 0 || len(l.Units) > maxUnits {
		return refusal.Invalidf("UNITS_MISSING", "units",
			"a lot has from 1 to %d bars or melts to settle; this one has %d", maxUnits, len(l.Units))
	}
	ids, bars := make(map[string]bool, len(l.Units)), make(map[string]bool, len(l.Units))
	for i := range l.Units {
		u := &l.Units[i]
		if err := u.check(per); err != nil {
			return refusal.In(err, fmt.Sprintf("units[%d]", i))
		}
		if ids[u.ID] {
			return refusal.Invalidf("UNIT_REPEATED", fmt.Sprintf("units[%d].id", i),
				"%q is in the lot twice; settle it once", clip(u.ID)).With("value", clip(u.ID))
		}
		ids[u.ID] = true
		for j, b := range u.Received {
			if bars[b.ID] {
				return refusal.Invalidf("BAR_REPEATED", fmt.Sprintf("units[%d].received[%d].id", i, j),
					"bar %q is in the lot twice; settle it once", clip(b.ID)).With("value", clip(b.ID))
			}
			bars[b.ID] = true
		}
		if len(bars) > maxReceived {
			return refusal.New(refusal.Exhausted, "BARS_TOO_MANY", "units",
				"the lot has more than the %d bars allowed", maxReceived)
		}
	}
	return nil
}

func (u *Unit) check(per Per) error {
	if err := name(u.ID, "id"); err != nil {
		return err
	}
	if len(u.Received) == 0 {
		return refusal.Invalidf("BARS_MISSING", "received",
			"%q has no bar as received; give at least one with its weight", clip(u.ID))
	}
	if per == PerBar && len(u.Received) != 1 {
		return refusal.Invalidf("UNIT_NOT_A_BAR", "received",
			"the terms settle bar by bar, and %q has %d bars; give each bar as a unit of its own",
			clip(u.ID), len(u.Received))
	}
	for i, b := range u.Received {
		if err := name(b.ID, "id"); err != nil {
			return refusal.In(err, fmt.Sprintf("received[%d]", i))
		}
		if err := weight(b.Mass); err != nil {
			return refusal.In(err, fmt.Sprintf("received[%d].mass", i))
		}
		if len(b.Refs) > 0 {
			if err := checkRefs(b.Refs, fmt.Sprintf("received[%d].refs", i)); err != nil {
				return err
			}
		}
	}
	if !u.AfterMelt.IsZero() {
		if err := weight(u.AfterMelt); err != nil {
			return refusal.In(err, "after_melt")
		}
	}
	if u.Slag.Sign() < 0 {
		return refusal.Invalidf("MASS_NEGATIVE", "slag", "a slag of %s is not possible; it is zero or more", u.Slag)
	}
	if err := checkRefs(u.MeltRefs, "melt_refs"); err != nil {
		return err
	}
	return u.checkAssays()
}

// weight refuses a weight that is missing, not more than zero, or out of all proportion.
func weight(m quantity.Mass) error {
	if err := m.Positive(); err != nil {
		return err
	}
	if m.Value().Places() > maxWeightPlaces || mostWeight.Less(m.Value()) {
		return refusal.Invalidf("FIGURE_OUT_OF_RANGE", "",
			"%s is larger than %s of its unit or has more than %d places; check the weight and its unit",
			m, mostWeight, maxWeightPlaces).With("value", m.String())
	}
	return nil
}

// sized refuses a figure so large or so fine that no lot has it, and keeps every product of figures within the digits
// that exact arithmetic is bounded to.
func sized(d quantity.Decimal) error {
	if d.Places() > maxFigurePlaces || mostFigure.Less(d.Abs()) {
		return refusal.Invalidf("FIGURE_OUT_OF_RANGE", "",
			"%s is larger than %s or has more than %d places; check the figure and its unit",
			d, mostFigure, maxFigurePlaces).With("value", d.String())
	}
	return nil
}

func (u *Unit) checkAssays() error {
	if len(u.Assays) > maxAssays {
		return refusal.New(refusal.Exhausted, "ASSAYS_TOO_MANY", "assays",
			"%d assays of one unit are more than the %d allowed", len(u.Assays), maxAssays)
	}
	for i, a := range u.Assays {
		if err := a.Element.Check(); err != nil {
			return refusal.In(err, fmt.Sprintf("assays[%d]", i))
		}
		if a.Fineness.IsZero() {
			return refusal.Invalidf("FINENESS_MISSING", fmt.Sprintf("assays[%d].fineness", i),
				"%s has no fineness; give a number and a unit, such as 812.44 ppt", a.Element)
		}
		if err := sized(a.Fineness.Value()); err != nil {
			return refusal.In(err, fmt.Sprintf("assays[%d].fineness", i))
		}
		switch a.Of {
		case SettledAssay, SellerAssay, RefinerAssay:
		default:
			return refusal.Invalidf("ASSAY_OF_UNKNOWN", fmt.Sprintf("assays[%d].of", i),
				"%q does not say whose figure it is; use settled, seller or refiner", clip(string(a.Of)))
		}
		for _, b := range u.Assays[:i] {
			if a.Element == b.Element && a.Of == b.Of {
				return refusal.Invalidf("ASSAY_REPEATED", fmt.Sprintf("assays[%d]", i),
					"%s has two %s figures; give one", a.Element, a.Of)
			}
		}
		if len(a.Refs) > 0 {
			if err := checkRefs(a.Refs, fmt.Sprintf("assays[%d].refs", i)); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *Lot) checkDates() error {
	if len(l.Dates) > maxEvents || len(l.Holidays) > maxSeries {
		return refusal.New(refusal.Exhausted, "DATES_TOO_MANY", "dates",
			"a lot has at most %d named days and %d calendars", maxEvents, maxSeries)
	}
	events := map[string]bool{}
	for i, e := range l.Dates {
		if err := e.check(); err != nil {
			return refusal.In(err, fmt.Sprintf("dates[%d]", i))
		}
		if events[e.Name] {
			return refusal.Invalidf("EVENT_REPEATED", fmt.Sprintf("dates[%d].name", i),
				"%q has two days; give one", clip(e.Name))
		}
		events[e.Name] = true
	}
	if l.Payment != nil {
		if l.Payment.Date.IsZero() {
			return refusal.Invalidf("DATE_MISSING", "payment.date", "a payment has no day; give it one")
		}
		if err := checkRefs(l.Payment.Refs, "payment.refs"); err != nil {
			return err
		}
	}
	return checkCalendars(l.Holidays)
}

func (e Event) check() error {
	if err := name(e.Name, "name"); err != nil {
		return err
	}
	if e.Date.IsZero() {
		return refusal.Invalidf("DATE_MISSING", "date", "%q has no day; give it one, such as 2027-10-31", clip(e.Name))
	}
	return checkRefs(e.Refs, "refs")
}

func checkCalendars(calendars []Calendar) error {
	names := map[string]bool{}
	for i, c := range calendars {
		at := fmt.Sprintf("holidays[%d]", i)
		if err := name(c.Name, "name"); err != nil {
			return refusal.In(err, at)
		}
		if names[c.Name] {
			return refusal.Invalidf("CALENDAR_REPEATED", at+".name", "%q is given twice; give it once", clip(c.Name))
		}
		names[c.Name] = true
		if len(c.Days) > maxPoints {
			return refusal.New(refusal.Exhausted, "CALENDAR_TOO_LONG", at,
				"a calendar of %d days is longer than the %d allowed", len(c.Days), maxPoints)
		}
		for j, d := range c.Days {
			if d.IsZero() {
				return refusal.Invalidf("DATE_MISSING", fmt.Sprintf("%s.days[%d]", at, j),
					"a holiday has no day; give it one")
			}
		}
		if err := checkRefs(c.Refs, at+".refs"); err != nil {
			return err
		}
	}
	return nil
}

func checkSeries(series []Series) error {
	if len(series) > maxSeries {
		return refusal.New(refusal.Exhausted, "SERIES_TOO_MANY", "",
			"%d series are more than the %d allowed", len(series), maxSeries)
	}
	names := map[string]bool{}
	for i, s := range series {
		if err := s.check(); err != nil {
			return refusal.In(err, fmt.Sprintf("[%d]", i))
		}
		if names[s.Name] {
			return refusal.Invalidf("SERIES_REPEATED", fmt.Sprintf("[%d].name", i),
				"%q is given twice; give it once", clip(s.Name))
		}
		names[s.Name] = true
	}
	return nil
}

func (l *Lot) checkMoney(t Terms) error {
	if len(l.Costs) > maxCosts || len(l.Advances) > maxCosts {
		return refusal.New(refusal.Exhausted, "COSTS_TOO_MANY", "costs",
			"a lot has at most %d costs and as many advances", maxCosts)
	}
	for i, c := range l.Costs {
		at := fmt.Sprintf("costs[%d]", i)
		switch c.Kind {
		case CostAssay, CostUmpire, CostFreight, CostInsurance:
		default:
			return refusal.Invalidf("COST_UNKNOWN", at+".kind",
				"%q is not a kind of cost; use assay, umpire, freight or insurance", clip(string(c.Kind)))
		}
		if c.Amount.Currency() != t.Currency || c.Amount.Amount().Sign() < 0 {
			return refusal.Invalidf("COST_AMOUNT", at+".amount",
				"%q is not a cost in %s; give an amount of zero or more in the agreement's currency", c.Amount, t.Currency)
		}
		if err := sized(c.Amount.Amount()); err != nil {
			return refusal.In(err, at+".amount")
		}
		if err := sized(c.SellerShare); err != nil {
			return refusal.In(err, at+".seller_share")
		}
		if c.SellerShare.Sign() < 0 || hundred.Less(c.SellerShare) {
			return refusal.Invalidf("COST_SHARE", at+".seller_share",
				"a share of %s percent is outside 0 to 100", c.SellerShare)
		}
		if err := checkRefs(c.Refs, at+".refs"); err != nil {
			return err
		}
	}
	for i, a := range l.Advances {
		at := fmt.Sprintf("advances[%d]", i)
		if a.Amount.Currency() != t.Currency || a.Amount.Amount().Sign() <= 0 {
			return refusal.Invalidf("ADVANCE_AMOUNT", at+".amount",
				"%q is not an advance in %s; give an amount above zero in the agreement's currency", a.Amount, t.Currency)
		}
		if err := sized(a.Amount.Amount()); err != nil {
			return refusal.In(err, at+".amount")
		}
		if a.Date.IsZero() {
			return refusal.Invalidf("DATE_MISSING", at+".date", "an advance has no day; give it one")
		}
		if err := checkRefs(a.Refs, at+".refs"); err != nil {
			return err
		}
	}
	return nil
}
