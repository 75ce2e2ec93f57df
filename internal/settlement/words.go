package settlement

import (
	"fmt"
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// Words says in plain words what an agreement decides, one sentence a line, in the order of the document: for people who
// are about to sign it, or who read what they signed. The terms themselves, and not these words, are what was signed.
func (t Terms) Words() []string {
	var all []string
	say := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	say("%s sells to %s under %s, version %d; money is in %s.", t.Seller, t.Refiner, t.ID, t.Version, t.Currency)
	weight := "as weighed"
	if t.WeightStep != nil {
		weight = fmt.Sprintf("rounded to %s (%s)", placesOf(t.WeightStep.Rounding), t.WeightStep.Unit)
	}
	say("The weight that counts is that %s, %s; fine and payable content are computed and rounded once per %s.", basisWords(t.Weight), weight, t.Per)
	for _, m := range t.Metals {
		m.say(say)
	}
	for _, c := range t.Charges {
		say("Charge %q: %s.", c.Code, c.words(t.Currency))
	}
	for _, p := range t.Penalties {
		of := "gross weight"
		if p.Per == PenaltyFine {
			of = "fine " + string(p.Of)
		}
		say("Penalty for %s: above %s, for each %s (%s), %s %s per %s of %s.", p.Element, p.Threshold, p.Step,
			map[StepRule]string{WholeSteps: "completed steps only", StartedSteps: "a started step counts whole", ProRata: "in proportion"}[p.Steps],
			p.Rate, t.Currency, p.Unit, of)
	}
	t.sayMoney(say)
	if l := t.Limits; l != nil {
		say("Weights may differ by %s a bar at a hand-off, %s a bar on arrival and %s for a consignment; a melt loses from %s to %s %%.",
			limitWords(l.HandOffBar.Absolute, l.HandOffBar.Relative, string(l.HandOffBar.Rule)),
			limitWords(l.ArrivalBar.Absolute, l.ArrivalBar.Relative, string(l.ArrivalBar.Rule)),
			limitWords(l.ConsignmentSum.Absolute, l.ConsignmentSum.Relative, string(l.ConsignmentSum.Rule)), l.MeltLoss.Least, l.MeltLoss.Most)
	}
	if !t.AssaySum.IsZero() {
		say("All elements together may be %s from 1000 ppt.", t.AssaySum)
	}
	for _, c := range t.Claims {
		after := "silence until then accepts the figure"
		if c.Silence == SilenceNothing {
			after = "silence until then decides nothing"
		}
		say("A claim on the %s is made within %d days; %s.", c.Kind, c.Days, after)
	}
	if r := t.Reporting; r != nil {
		say("Due: melt %d days after arrival, assay %d after the melt, statement %d after the assays, payment %d after the statement.",
			r.Melt, r.Assay, r.Statement, r.Payment)
	}
	if r := t.Returns; r != nil {
		say("A return agrees with the statement up to %s, %s, %s in a rate and %s %s in an amount.", r.Mass, r.Fineness, r.Rate, r.Money, t.Currency)
	}
	return all
}

func (m MetalTerms) say(say func(string, ...any)) {
	if x := m.Exchange; x.Element != "" {
		var limits []string
		for _, b := range x.SplittingLimits {
			limit := fmt.Sprintf("%s %s", b.Limit, strings.ReplaceAll(string(b.Unit), "_", " "))
			if b.From.PerMille().Sign() > 0 {
				limit += " from " + b.From.String()
			}
			if b.Base != "" {
				limit += " where " + string(b.Base) + " is the most"
			}
			limits = append(limits, limit)
		}
		rounds := "the umpire"
		if x.Rounds > 1 {
			rounds = fmt.Sprintf("up to %d re-assays, then the umpire", x.Rounds-1)
		}
		say("%s: two results within %s settle at their mean, %s; else %s: %s%s, fee: %s, panel in turn: %s.", m.Element,
			strings.Join(limits, ", "), roundingWords(x.MeanRounding), rounds, umpireWords[x.UmpireRule], with(", tie: ", umpireWords[assay.UmpireRule(x.TieRule)]),
			costWords[x.CostRule], strings.Join(x.Panel, ", "))
		say("%s: results are sealed within %d days, opened within %d, the umpire's within %d; a side that does not report by its day: %s.",
			m.Element, x.ReportDays, x.RevealDays, x.UmpireDays, absentWords[x.NoReportRule])
	}
	for _, b := range m.Exchange.SplittingLimits {
		if share := assay.ShareBeyond(b.Limit, m.Reproducibility.PerMille()); share != "" && b.Unit == assay.LimitAbsolute {
			say("%s: %s of honest lots differ by more than %s ppt, by the reproducibility of %s stated.", m.Element, share, b.Limit, m.Reproducibility)
		}
	}
	say("%s: fine content in %s, %s; payable content, %s:", m.Element, m.Unit, roundingWords(m.FineRounding), roundingWords(m.PayableRounding))
	for _, b := range m.Payable.Bands {
		say("  from %s: %s", b.From, strings.Replace(b.words(m.Payable, true), "× percent", fmt.Sprintf("× %s %%", percentOf(b)), 1))
	}
	if m.Payable.Floor.PerMille().Sign() > 0 {
		say("  below %s: nothing", m.Payable.Floor)
	}
	if p := m.Price; p != nil {
		by := "payable content × price"
		if m.Valuation == ByGross {
			by = "gross weight × a rate of price × fineness × percent, rate " + roundingWords(m.RateRounding)
		}
		missing := "an error"
		if p.Missing != "" {
			missing = strings.ReplaceAll(string(p.Missing), "_", " ")
		}
		if p.Provisional == KnownDays {
			missing += "; a provisional statement takes the days known by then"
		}
		say("%s: valued by %s; price of series %q per %s: %s, %s; a missing day: %s.", m.Element, by, p.Series, p.Unit, p.words(), roundingWords(p.Rounding), missing)
	}
}

func percentOf(b PayableBand) string {
	if b.Percent == nil {
		return ""
	}
	return b.Percent.String()
}

func (p PriceTerms) words() string {
	switch p.Period {
	case MeanOfDays:
		return fmt.Sprintf("mean of %d business days from %s", p.Days, p.Day.words())
	case MonthOf:
		return "mean of the month of " + p.Day.words()
	case MonthAfter:
		return "mean of the month after " + p.Day.words()
	}
	return "of " + p.Day.words()
}

func (r Dating) words() string {
	day := "the day of " + r.Event
	switch {
	case r.Lag > 0:
		day = fmt.Sprintf("the day %d %s days after %s", r.Lag, r.Count, r.Event)
	case r.Lag < 0:
		day = fmt.Sprintf("the day %d %s days before %s", -r.Lag, r.Count, r.Event)
	}
	return day + ", " + strings.ReplaceAll(string(r.Rule), "_", " ") + with(" business day by ", strings.Join(r.Calendars, " and "))
}

func (c Charge) words(currency quantity.Currency) string {
	var text string
	switch c.Per {
	case ChargeGross:
		text = fmt.Sprintf("%s %s per %s gross %s, the weight %s", c.Rate, currency, c.Unit, basisWords(c.Weight), roundingWords(c.QuantityRounding))
	case ChargePayable:
		text = fmt.Sprintf("%s %s per %s payable %s, the weight %s", c.Rate, currency, c.Unit, c.Element, roundingWords(c.QuantityRounding))
	case ChargeValue:
		text = fmt.Sprintf("%s %% of the metal value%s", c.Rate, with(" of ", string(c.Element)))
	case ChargePassedOn:
		text = fmt.Sprintf("the seller's share of the %s cost", c.Cost)
	default:
		text = fmt.Sprintf("%s %s per %s", c.Rate, currency, c.Per)
	}
	if c.Minimum != nil {
		text += fmt.Sprintf(", not less than %s %s a lot", c.Minimum, currency)
	}
	return text
}

func (t Terms) sayMoney(say func(string, ...any)) {
	for _, step := range []struct {
		name     string
		rounding quantity.Rounding
	}{{"value", t.Money.Value}, {"charge", t.Money.Charge}, {"penalty", t.Money.Penalty}, {"advance", t.Money.Advance},
		{"interest", t.Money.Interest}, {"conversion", t.Money.Conversion}} {
		if !step.rounding.IsZero() {
			say("Each %s amount is %s.", step.name, roundingWords(step.rounding))
		}
	}
	paid := "in cash"
	if t.Payment.In == MetalAccount {
		paid = "as metal credited to account " + t.Payment.Account
	}
	if t.Payment.ValueDate != nil {
		paid += ", value " + t.Payment.ValueDate.words()
	}
	say("The seller is paid %s.", paid)
	if c := t.Conversion; c != nil {
		how := "multiplied by"
		if c.Direction == Divide {
			how = "divided by"
		}
		say("The net is %s the rate of series %q of %s, once, and stated in %s.", how, c.Series, c.Day.words(), c.To)
	}
	if a := t.Advance; a != nil {
		price := "the price of the period"
		if a.Price == AdvanceDay && a.Day != nil {
			price = "the price of " + a.Day.words()
		}
		say("Advance: %s %% of the %s, on %s assays, the weight %s and %s; interest %s %% a year, %s.", a.Percent,
			strings.ReplaceAll(string(a.Of), "_", " "), a.Assays, basisWords(a.Weight), price, a.InterestRate, a.DayCount)
	}
}

var (
	umpireWords = map[assay.UmpireRule]string{
		assay.UmpireAlone: "the umpire's result", assay.MiddleOfThree: "the middle of the three", assay.MeanWithNearer: "the mean of the umpire's and the nearer party's",
		assay.TwoClosest: "the mean of the two closest of the three",
	}
	costWords = map[assay.CostRule]string{
		assay.FartherPays: "the party farther from the umpire pays", assay.CostShared: "shared", assay.OutsideLimitPays: "the party outside the limit pays",
	}
	absentWords = map[assay.NoReportRule]string{
		assay.OtherConclusive: "the other's result is settled", assay.UmpireDecides: "the umpire alone decides, at its cost",
	}
)

func basisWords(b Basis) string {
	if b == AfterMelt {
		return "after melt"
	}
	return "as received"
}

func roundingWords(r quantity.Rounding) string {
	return "rounded " + strings.ReplaceAll(r.Mode.String(), "_", " ") + " to " + placesOf(r)
}

func placesOf(r quantity.Rounding) string {
	if r.Places == 1 {
		return "1 place"
	}
	return fmt.Sprintf("%d places", r.Places)
}

func limitWords(absolute quantity.Mass, relative quantity.Decimal, rule string) string {
	switch {
	case relative.Sign() == 0:
		return absolute.String()
	case absolute.IsZero():
		return relative.String() + " ‰"
	}
	return fmt.Sprintf("the %s of %s and %s ‰", rule, absolute, relative)
}

func with(before, value string) string {
	if value == "" {
		return ""
	}
	return before + value
}
