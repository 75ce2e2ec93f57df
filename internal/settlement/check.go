package settlement

import (
	"fmt"
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/weighing"
)

// ParseTerms reads an agreement from JSON. It refuses unknown fields, malformed figures and overlong text; whether the
// terms are complete is for Check, so that a draft can be read, printed and completed.
func ParseTerms(b []byte) (Terms, error) {
	var t Terms
	if err := readJSON(b, maxTermsBytes, "an agreement", &t); err != nil {
		return Terms{}, err
	}
	return t, nil
}

// JSON prints the terms canonically; ParseTerms reads them back.
func (t Terms) JSON() []byte { return canonical(t) }

// Check refuses terms that may not be signed: TERMS_INCOMPLETE lists every term that is missing and matters, and every
// one that is out of range or contradicts another, all at once, in its text and in its values missing_1, missing_2 and so
// on, and wrong_1 and so on.
func (t Terms) Check() error { return t.check(true) }

// ready refuses terms by which no statement can be computed. What only a discrepancy or a deadline needs may be absent:
// previews are made before an agreement is complete.
func (t Terms) ready() error { return t.check(false) }

func (t Terms) check(signing bool) error {
	g := gaps{found: &findings{}}
	t.checkHead(g, signing)
	for i, m := range t.Metals[:min(len(t.Metals), maxMetals)] {
		m.check(g.within("metals[%d]", i), t, signing)
	}
	for i, c := range t.Charges[:min(len(t.Charges), maxCharges)] {
		c.check(g.within("charges[%d]", i), t)
	}
	for i, p := range t.Penalties[:min(len(t.Penalties), maxCharges)] {
		p.check(g.within("penalties[%d]", i), t)
	}
	t.checkMoney(g, signing)
	if t.Advance != nil {
		t.Advance.check(g.within("advance"), t)
	}
	t.checkLimits(g, signing)
	return g.refusal(t.ID)
}

// findings is what is missing and what is wrong; gaps collects it for one place in the terms.
type findings struct{ missing, wrong []string }

type gaps struct {
	at    string
	found *findings
}

func (g gaps) within(format string, args ...any) gaps {
	return gaps{at: g.at + fmt.Sprintf(format, args...) + ".", found: g.found}
}

// need records that a field is missing when it is.
func (g gaps) need(absent bool, field string) {
	if absent {
		g.found.missing = append(g.found.missing, g.at+field)
	}
}

// wrong records a contradiction or a value out of range.
func (g gaps) wrong(field, format string, args ...any) {
	g.found.wrong = append(g.found.wrong, g.at+field+": "+fmt.Sprintf(format, args...))
}

// try records the refusal of a part that checks itself.
func (g gaps) try(field string, err error) {
	if err == nil {
		return
	}
	if e := refusal.As(err); e != nil {
		at := g.at + field
		if e.Field != "" {
			at += "." + e.Field
		}
		g.found.wrong = append(g.found.wrong, at+": "+e.Text)
		return
	}
	g.found.wrong = append(g.found.wrong, g.at+field+": "+err.Error())
}

// rounding records a rounding that is missing or out of range.
func (g gaps) rounding(field string, r quantity.Rounding) {
	if r.Mode == 0 {
		g.need(true, field)
		return
	}
	g.try(field, r.Check())
}

// choice records a value that is missing or not among those allowed.
func choice[T ~string](g gaps, field string, value T, allowed ...T) {
	if value == "" {
		g.need(true, field)
		return
	}
	var names []string
	for _, a := range allowed {
		if value == a {
			return
		}
		names = append(names, string(a))
	}
	g.wrong(field, "%q is not one of %s", clip(string(value)), strings.Join(names, ", "))
}

// number records a number that is missing or outside a range; an empty bound is none.
func (g gaps) number(field string, d *quantity.Decimal, least, most string) {
	if d == nil {
		g.need(true, field)
		return
	}
	if least != "" && d.Less(quantity.MustDecimal(least)) || most != "" && quantity.MustDecimal(most).Less(*d) {
		g.wrong(field, "%s is outside %s", d, bounds(least, most))
	}
	g.try(field, sized(*d))
}

func bounds(least, most string) string {
	if most == "" {
		return "the range from " + least + " upward"
	}
	return "the range from " + least + " to " + most
}

// days records a number of days outside 1 to maxDays.
func (g gaps) days(field string, n int) {
	g.need(n == 0, field)
	if n < 0 || n > maxDays {
		g.wrong(field, "%d days are outside 1 to %d", n, maxDays)
	}
}

// text records a name that is missing or malformed.
func (g gaps) text(field, s string) {
	if s == "" {
		g.need(true, field)
		return
	}
	g.try(field, name(s, ""))
}

func (g gaps) refusal(id string) error {
	missing, wrong := g.found.missing, g.found.wrong
	if len(missing)+len(wrong) == 0 {
		return nil
	}
	var parts []string
	if len(missing) > 0 {
		parts = append(parts, "they leave out "+strings.Join(missing, ", "))
	}
	if len(wrong) > 0 {
		parts = append(parts, "they are wrong in "+strings.Join(wrong, "; "))
	}
	e := refusal.New(refusal.Invalid, "TERMS_INCOMPLETE", "terms",
		"the terms of %q cannot settle anything yet: %s; nothing that moves metal or money has a default, so state each",
		clip(id), strings.Join(parts, ", and "))
	for i, each := range missing[:min(len(missing), maxNotes)] {
		e = e.With(fmt.Sprintf("missing_%d", i+1), each) // one by one: a long list in one value would be cut
	}
	for i, each := range wrong[:min(len(wrong), maxNotes)] {
		e = e.With(fmt.Sprintf("wrong_%d", i+1), each)
	}
	return e
}

func (t Terms) checkHead(g gaps, signing bool) {
	g.text("id", t.ID)
	g.need(t.Version == 0, "version")
	if t.Version < 0 {
		g.wrong("version", "%d is not a version; they count from 1", t.Version)
	}
	g.text("seller", t.Seller)
	g.text("refiner", t.Refiner)
	if t.Seller != "" && t.Seller == t.Refiner {
		g.wrong("refiner", "%q is the seller too; an agreement has two parties", clip(t.Refiner))
	}
	if t.Currency == "" {
		g.need(true, "currency")
	} else {
		g.try("currency", t.Currency.Check())
	}
	choice(g, "settlement_weight", t.Weight, Received, AfterMelt)
	choice(g, "settle_per", t.Per, PerBar, PerMelt, PerLot)
	if t.WeightStep != nil {
		g.unit("weight_rounding.unit", t.WeightStep.Unit)
		g.rounding("weight_rounding.rounding", t.WeightStep.Rounding)
	}
	g.need(len(t.Metals) == 0, "metals")
	if len(t.Metals) > maxMetals {
		g.wrong("metals", "%d metals are more than the %d allowed", len(t.Metals), maxMetals)
	}
	if len(t.Charges) > maxCharges || len(t.Penalties) > maxCharges {
		g.wrong("charges", "more than %d charges or penalties", maxCharges)
	}
	seen := map[assay.Element]bool{}
	for i, m := range t.Metals {
		if seen[m.Element] {
			g.wrong(fmt.Sprintf("metals[%d].element", i), "%s has two sets of terms", m.Element)
		}
		seen[m.Element] = true
	}
	codes := map[string]bool{}
	for i, c := range t.Charges {
		if codes[c.Code] {
			g.wrong(fmt.Sprintf("charges[%d].code", i), "%q is there twice", clip(c.Code))
		}
		codes[c.Code] = true
	}
	penalised := map[assay.Element]bool{}
	for i, p := range t.Penalties {
		if penalised[p.Element] {
			g.wrong(fmt.Sprintf("penalties[%d].element", i), "%s has two penalties", p.Element)
		}
		penalised[p.Element] = true
	}
}

func (g gaps) unit(field string, u quantity.Unit) {
	choice(g, field, u, quantity.Gram, quantity.Kilogram, quantity.TroyOunce, quantity.Milligram)
}

func (g gaps) element(field string, e assay.Element) {
	if e == "" {
		g.need(true, field)
		return
	}
	g.try(field, e.Check())
}

func (m MetalTerms) check(g gaps, t Terms, signing bool) {
	g.element("element", m.Element)
	if signing || m.Exchange.Element != "" {
		m.checkExchange(g)
	}
	g.unit("unit", m.Unit)
	g.rounding("fine_rounding", m.FineRounding)
	m.Payable.check(g.within("payable"))
	g.rounding("payable_rounding", m.PayableRounding)
	if t.Payment.In == Cash || m.Valuation != "" {
		choice(g, "valuation", m.Valuation, ByPayable, ByGross)
	}
	if m.Valuation == ByGross {
		g.rounding("rate_rounding", m.RateRounding)
		for _, b := range m.Payable.Bands {
			if b.Percent == nil || b.Deduction != "" {
				g.wrong("valuation",
					"a rate for a gross unit takes bands with a percentage alone; value by_payable, or leave the deductions out")
				break
			}
		}
	} else if !m.RateRounding.IsZero() {
		g.wrong("rate_rounding", "a metal that is not valued by_gross has no gross rate to round; leave it out")
	}
	if m.Price == nil {
		g.need(t.Payment.In == Cash || t.pricesCharges(m.Element), "price")
		return
	}
	m.Price.check(g.within("price"))
	if m.Valuation == ByGross && m.Price.Unit != "" && m.Unit != "" && m.Price.Unit != m.Unit {
		g.wrong("price.unit",
			"a rate for a gross %s cannot be made of a price for one %s; state both in one unit", m.Unit, m.Price.Unit)
	}
}

func (m MetalTerms) checkExchange(g gaps) {
	if m.Exchange.Element != "" && m.Element != "" && m.Exchange.Element != m.Element {
		g.wrong("exchange.element", "the exchange is of %s, and the metal is %s", m.Exchange.Element, m.Element)
	}
	if missing := m.Exchange.Missing(); len(missing) > 0 {
		for _, field := range missing {
			g.need(true, "exchange."+field)
		}
		return
	}
	g.try("exchange", m.Exchange.Check())
}

// pricesCharges reports whether a charge is a percentage of the value of a metal.
func (t Terms) pricesCharges(e assay.Element) bool {
	for _, c := range t.Charges {
		if c.Per == ChargeValue && (c.Element == e || c.Element == "") {
			return true
		}
	}
	return false
}

func (p Payable) check(g gaps) {
	g.need(len(p.Bands) == 0, "bands")
	g.need(p.Floor.IsZero(), "floor")
	g.try("floor", sized(p.Floor.Value()))
	if len(p.Bands) > maxBands {
		g.wrong("bands", "%d bands are more than the %d allowed", len(p.Bands), maxBands)
		return
	}
	for i, b := range p.Bands {
		b.check(g.within("bands[%d]", i))
		switch {
		case b.From.IsZero():
		case i == 0 && b.From.PerMille().Sign() != 0:
			g.wrong("bands[0].from",
				"the first band starts at %s, so that nothing is said of finenesses below it; start it at 0 ppt", b.From)
		case i > 0 && b.From.Cmp(p.Bands[i-1].From) <= 0:
			g.wrong(fmt.Sprintf("bands[%d].from", i),
				"%s does not follow %s; put the bands in rising order", b.From, p.Bands[i-1].From)
		}
	}
}

func (b PayableBand) check(g gaps) {
	g.need(b.From.IsZero(), "from")
	deducts := !b.DeductFineness.IsZero() || !b.DeductMass.IsZero()
	switch {
	case b.Percent == nil && !deducts:
		g.need(true, "percent or a deduction")
	case b.Percent != nil && deducts:
		choice(g, "deduction_rule", b.Deduction, PaysLess, DeductFirst)
	case b.Deduction != "":
		g.wrong("deduction_rule",
			"%q has no meaning without both a percentage and a deduction; leave it out", clip(string(b.Deduction)))
	}
	if b.Percent != nil {
		g.number("percent", b.Percent, "0", "100")
	}
	g.try("deduct_mass", sized(b.DeductMass.Value()))
	g.try("deduct_fineness", sized(b.DeductFineness.Value()))
	g.try("from", sized(b.From.Value()))
	if b.DeductMass.Sign() < 0 {
		g.wrong("deduct_mass", "%s is negative; a deduction is not", b.DeductMass)
	}
	if !b.DeductFineness.IsZero() && !b.DeductMass.IsZero() {
		g.wrong("deduct_mass", "a band deducts a fineness or a mass, not both")
	}
}

func (r Dating) check(g gaps) {
	for _, field := range r.Missing() {
		g.need(true, field)
	}
	if r.Event != "" {
		g.text("event", r.Event)
	}
	if r.Count != "" {
		choice(g, "lag_count", r.Count, BusinessDays, CalendarDays)
	}
	if r.Rule != "" {
		choice(g, "business_day_rule", r.Rule, Following, ModifiedFollowing, Preceding)
	}
	if r.Lag > maxDays || r.Lag < -maxDays {
		g.wrong("lag_days", "%d days are outside -%d to %d", r.Lag, maxDays, maxDays)
	}
	if len(r.Calendars) > maxCalendars {
		g.wrong("calendars", "%d calendars are more than the %d allowed", len(r.Calendars), maxCalendars)
		return
	}
	for i, c := range r.Calendars {
		g.text(fmt.Sprintf("calendars[%d]", i), c)
	}
}

func (p PriceTerms) check(g gaps) {
	g.text("series", p.Series)
	g.unit("unit", p.Unit)
	choice(g, "period", p.Period, SingleDay, MeanOfDays, MonthOf, MonthAfter)
	switch {
	case p.Period == MeanOfDays && p.Days == 0:
		g.need(true, "days")
	case p.Period == MeanOfDays && (p.Days < 1 || p.Days > maxPeriod):
		g.wrong("days", "%d is outside 1 to %d", p.Days, maxPeriod)
	case p.Period != MeanOfDays && p.Days != 0:
		g.wrong("days", "a period of %q has no number of days; leave it out", clip(string(p.Period)))
	}
	p.Day.check(g.within("day"))
	checkMissingPrice(g, p.Missing, p.Period == SingleDay)
	if p.Provisional != "" {
		choice(g, "provisional", p.Provisional, KnownDays)
	}
	g.rounding("rounding", p.Rounding)
}

func checkMissingPrice(g gaps, rule MissingPrice, single bool) {
	if rule == "" {
		return // an error, which guesses nothing
	}
	choice(g, "missing", rule, MissingIsError, MissingSkipped, MissingLastBefore, MissingNextAfter)
	if rule == MissingSkipped && single {
		g.wrong("missing", "a single day cannot be skipped; use error, last_before or next_after")
	}
}

func (t Terms) checkMoney(g gaps, signing bool) {
	used := map[string]bool{
		"value": t.Payment.In == Cash, "charge": len(t.Charges) > 0, "penalty": len(t.Penalties) > 0,
		"advance": t.Advance != nil, "interest": t.Advance != nil, "conversion": t.Conversion != nil,
	}
	for _, m := range t.Metals {
		used["value"] = used["value"] || t.pricesCharges(m.Element)
	}
	for _, step := range []struct {
		field    string
		rounding quantity.Rounding
	}{
		{"value", t.Money.Value}, {"charge", t.Money.Charge}, {"penalty", t.Money.Penalty},
		{"advance", t.Money.Advance}, {"interest", t.Money.Interest}, {"conversion", t.Money.Conversion},
	} {
		if used[step.field] || !step.rounding.IsZero() {
			g.rounding("money_rounding."+step.field, step.rounding)
		}
	}
	choice(g, "payment.in", t.Payment.In, Cash, MetalAccount)
	switch {
	case t.Payment.In == MetalAccount:
		g.text("payment.account", t.Payment.Account)
		if t.Advance != nil {
			g.wrong("advance",
				"metal is credited to an account, so that there is no value to advance; settle in cash or leave it out")
		}
	case t.Payment.In == Cash && t.Payment.Account != "":
		g.wrong("payment.account", "a cash payment has no metal account; leave it out")
	}
	if t.Payment.ValueDate == nil {
		g.need(signing || t.Payment.In == MetalAccount, "payment.value_date")
	} else {
		t.Payment.ValueDate.check(g.within("payment.value_date"))
	}
	if c := t.Conversion; c != nil {
		within := g.within("conversion")
		if c.To == "" {
			within.need(true, "to")
		} else {
			within.try("to", c.To.Check())
		}
		if c.To != "" && c.To == t.Currency {
			within.wrong("to", "%s is the agreement's own currency", c.To)
		}
		within.text("series", c.Series)
		choice(within, "direction", c.Direction, Multiply, Divide)
		c.Day.check(within.within("day"))
		checkMissingPrice(within, c.Missing, true)
	}
}

func (a Advance) check(g gaps, t Terms) {
	g.number("percent", a.Percent, "0", "100")
	choice(g, "of", a.Of, OfMetalValue, OfNetValue)
	choice(g, "assays", a.Assays, SellerAssay, RefinerAssay, SettledAssay)
	choice(g, "weight", a.Weight, Received, AfterMelt)
	choice(g, "price", a.Price, AdvancePeriod, AdvanceDay)
	switch {
	case a.Price == AdvanceDay && a.Day == nil:
		g.need(true, "day")
	case a.Price == AdvanceDay:
		a.Day.check(g.within("day"))
	case a.Day != nil:
		g.wrong("day", "an advance on the price of the period names no day; leave it out")
	}
	g.number("interest_rate", a.InterestRate, "0", "100")
	choice(g, "day_count", a.DayCount, Actual360, Actual365F, Thirty360US)
}

func (t Terms) checkLimits(g gaps, signing bool) {
	if l := t.Limits; l == nil {
		g.need(signing, "weight_limits")
	} else {
		within := g.within("weight_limits")
		for _, limit := range []struct {
			field string
			limit weighing.Limit
		}{{"handoff_bar", l.HandOffBar}, {"arrival_bar", l.ArrivalBar}, {"consignment_total", l.ConsignmentSum}} {
			within.try(limit.field, limit.limit.Check())
		}
		within.number("melt_loss.least_percent", l.MeltLoss.Least, "-100", "100")
		within.number("melt_loss.most_percent", l.MeltLoss.Most, "-100", "100")
		if l.MeltLoss.Least != nil && l.MeltLoss.Most != nil && l.MeltLoss.Most.Less(*l.MeltLoss.Least) {
			within.wrong("melt_loss.most_percent", "%s is below the least, %s", l.MeltLoss.Most, l.MeltLoss.Least)
		}
	}
	g.need(signing && t.AssaySum.IsZero(), "assay_sum_tolerance")
	g.try("assay_sum_tolerance", sized(t.AssaySum.Value()))
	for _, kind := range ClaimKinds {
		if _, ok := t.Claim(kind); !ok {
			g.need(signing, "claims of kind "+string(kind))
		}
	}
	seen := map[ClaimKind]bool{}
	for i, c := range t.Claims[:min(len(t.Claims), maxCharges)] {
		within := g.within("claims[%d]", i)
		choice(within, "kind", c.Kind, ClaimKinds...)
		within.days("days", c.Days)
		choice(within, "silence", c.Silence, SilenceAccepts, SilenceNothing)
		if seen[c.Kind] {
			within.wrong("kind", "%q has two windows", clip(string(c.Kind)))
		}
		seen[c.Kind] = true
	}
	if r := t.Reporting; r == nil {
		g.need(signing, "reporting")
	} else {
		within := g.within("reporting")
		within.days("melt_days", r.Melt)
		within.days("assay_days", r.Assay)
		within.days("statement_days", r.Statement)
		within.days("payment_days", r.Payment)
	}
	if t.Returns == nil {
		g.need(signing, "return_tolerances")
	} else {
		t.Returns.check(g.within("return_tolerances"))
	}
}
