package assay

import (
	"fmt"
	"strings"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// LimitUnit says what a splitting limit is measured in.
type LimitUnit string

const (
	// LimitAbsolute is parts per thousand of the bar.
	LimitAbsolute LimitUnit = "ppt"
	// LimitPerMilleOfMean is parts per thousand of the mean of the two results.
	LimitPerMilleOfMean LimitUnit = "ppt_of_mean"
	// LimitPercentOfMean is percent of the mean of the two results.
	LimitPercentOfMean LimitUnit = "percent_of_mean"
)

// LimitBand is the splitting limit from one fineness upward, until the next band begins. The band is chosen by the
// unrounded mean of the two results; From itself belongs to the band.
type LimitBand struct {
	Base  Element           `json:"base,omitempty"` // only for bars whose largest component this is; empty: any other bar
	From  quantity.Fineness `json:"from"`           // required; the first band of each base starts at 0 ppt
	Limit quantity.Decimal  `json:"limit"`          // required; more than zero
	Unit  LimitUnit         `json:"unit"`           // required
}

// UmpireRule says what is settled when the umpire has reported. S and B are the parties' results, U the umpire's.
type UmpireRule string

const (
	// UmpireAlone settles U.
	UmpireAlone UmpireRule = "umpire_alone"
	// MiddleOfThree settles the median of S, B and U.
	MiddleOfThree UmpireRule = "middle_of_three"
	// MeanWithNearer settles the mean of U and the party nearest to it, and U when both are equally near.
	MeanWithNearer UmpireRule = "mean_with_nearer"
	// TwoClosest settles the mean of the two closest of the three; two equally close pairs need a TieRule.
	TwoClosest UmpireRule = "two_closest"
)

// TieRule says what TwoClosest settles when two pairs are equally close. The three results then stand in equal steps, so
// that their mean is their middle. With the umpire in the middle all rules settle U; they part when a party is there.
type TieRule string

const (
	TieUmpireAlone    TieRule = "umpire_alone"     // U
	TieMiddleOfThree  TieRule = "middle_of_three"  // the median of the three
	TieMeanWithNearer TieRule = "mean_with_nearer" // U and the party nearest to it; U when both are equally near
)

// CostRule says who bears the umpire's fee.
type CostRule string

const (
	// FartherPays charges the party whose result is farther from U; equally far: half each.
	FartherPays CostRule = "farther_pays"
	// CostShared charges half each, always.
	CostShared CostRule = "shared"
	// OutsideLimitPays charges the party whose result differs from U by more than the splitting limit; both or neither:
	// half each.
	OutsideLimitPays CostRule = "outside_limit_pays"
)

// NoReportRule says what happens to a party that does not report by its day.
type NoReportRule string

const (
	// OtherConclusive settles the result of the party that did report.
	OtherConclusive NoReportRule = "other_conclusive"
	// UmpireDecides has an umpire assay; its result alone is settled, at the cost of the party that did not report.
	UmpireDecides NoReportRule = "umpire_decides"
)

// ExchangeTerms is what an agreement says about the assay of one element. Everything is required: none has a default.
type ExchangeTerms struct {
	Element         Element           `json:"element"`
	SplittingLimits []LimitBand       `json:"splitting_limits"`
	Rounds          int               `json:"rounds"` // exchanges before the umpire, 1 to 5; 1 has no re-assay, 2 has one
	UmpireRule      UmpireRule        `json:"umpire_rule"`
	TieRule         TieRule           `json:"tie_rule,omitempty"` // required by two_closest, and refused with any other rule
	CostRule        CostRule          `json:"cost_rule"`
	Panel           []string          `json:"panel"`            // umpire laboratories, drawn in this order and then from the start again
	ReportDays      int               `json:"report_days"`      // days from the opening of a round to commit a result, 1 to 365
	RevealDays      int               `json:"reveal_days"`      // days from the second commitment to reveal, 1 to 365
	UmpireDays      int               `json:"umpire_days"`      // days from its appointment for the umpire to report, 1 to 365
	NoReportRule    NoReportRule      `json:"no_report_rule"`   // for a party that does not report by its day
	MeanRounding    quantity.Rounding `json:"mean_rounding"`    // of the mean of two results within the limit
	SettledRounding quantity.Rounding `json:"settled_rounding"` // of what is settled in any other way
}

// Missing lists the fields that t leaves out and that Check would refuse, in the order of the struct.
func (t ExchangeTerms) Missing() []string {
	var missing []string
	for _, field := range []struct {
		name   string
		absent bool
	}{
		{"element", t.Element == ""},
		{"splitting_limits", len(t.SplittingLimits) == 0},
		{"rounds", t.Rounds == 0},
		{"umpire_rule", t.UmpireRule == ""},
		{"tie_rule", t.UmpireRule == TwoClosest && t.TieRule == ""},
		{"cost_rule", t.CostRule == ""},
		{"panel", len(t.Panel) == 0},
		{"report_days", t.ReportDays == 0},
		{"reveal_days", t.RevealDays == 0},
		{"umpire_days", t.UmpireDays == 0},
		{"no_report_rule", t.NoReportRule == ""},
		{"mean_rounding", t.MeanRounding.Mode == 0},
		{"settled_rounding", t.SettledRounding.Mode == 0},
	} {
		if field.absent {
			missing = append(missing, field.name)
		}
	}
	return missing
}

// Check refuses terms that leave anything out (TERM_MISSING names all that is missing) or that contradict themselves.
func (t ExchangeTerms) Check() error {
	if missing := t.Missing(); len(missing) > 0 {
		list := strings.Join(missing, ", ")
		return refusal.Invalidf("TERM_MISSING", missing[0], "the exchange terms of %q leave out %s; nothing that moves metal has a default, so state each", clip(string(t.Element)), list).With("missing", list)
	}
	if err := t.Element.Check(); err != nil {
		return err
	}
	for _, term := range []struct {
		field, value string
		allowed      []string
	}{
		{"umpire_rule", string(t.UmpireRule), []string{string(UmpireAlone), string(MiddleOfThree), string(MeanWithNearer), string(TwoClosest)}},
		{"tie_rule", string(t.TieRule), t.tieRules()},
		{"cost_rule", string(t.CostRule), []string{string(FartherPays), string(CostShared), string(OutsideLimitPays)}},
		{"no_report_rule", string(t.NoReportRule), []string{string(OtherConclusive), string(UmpireDecides)}},
	} {
		if err := choice(term.field, term.value, term.allowed); err != nil {
			return err
		}
	}
	for _, term := range []struct {
		field       string
		value, most int
	}{
		{"rounds", t.Rounds, maxRounds}, {"report_days", t.ReportDays, maxDays},
		{"reveal_days", t.RevealDays, maxDays}, {"umpire_days", t.UmpireDays, maxDays},
	} {
		if term.value < 1 || term.value > term.most {
			return refusal.Invalidf("TERM_OUT_OF_RANGE", term.field, "%d is outside 1 to %d", term.value, term.most)
		}
	}
	if err := t.MeanRounding.Check(); err != nil {
		return refusal.In(err, "mean_rounding")
	}
	if err := t.SettledRounding.Check(); err != nil {
		return refusal.In(err, "settled_rounding")
	}
	if err := checkPanel(t.Panel); err != nil {
		return err
	}
	return t.checkLimits()
}

// tieRules returns the tie rules that fit the umpire rule.
func (t ExchangeTerms) tieRules() []string {
	if t.UmpireRule != TwoClosest {
		return []string{""}
	}
	return []string{string(TieUmpireAlone), string(TieMiddleOfThree), string(TieMeanWithNearer)}
}

func choice(field, value string, allowed []string) error {
	for _, a := range allowed {
		if value == a {
			return nil
		}
	}
	if len(allowed) == 1 && allowed[0] == "" {
		return refusal.Invalidf("TERM_OUT_OF_PLACE", field, "%q has no meaning beside the other terms; leave it out", clip(value)).With("value", clip(value))
	}
	return refusal.Invalidf("TERM_UNKNOWN", field, "%q is not one of %s", clip(value), strings.Join(allowed, ", ")).With("value", clip(value))
}

func checkPanel(panel []string) error {
	if len(panel) > maxPanel {
		return refusal.Invalidf("PANEL_TOO_LONG", "panel", "a panel of %d laboratories is longer than the %d allowed", len(panel), maxPanel)
	}
	seen := map[string]bool{}
	for i, laboratory := range panel {
		at := fmt.Sprintf("panel[%d]", i)
		if err := name(laboratory, at); err != nil {
			return err
		}
		if seen[laboratory] {
			return refusal.Invalidf("LABORATORY_REPEATED", at, "%q is on the panel twice; name each laboratory once", laboratory).With("value", laboratory)
		}
		seen[laboratory] = true
	}
	return nil
}

// name refuses an empty or overlong name.
func name(s, field string) error {
	if strings.TrimSpace(s) == "" {
		return refusal.Invalidf("NAME_MISSING", field, "a name is missing here; write one")
	}
	if len(s) > maxName {
		return refusal.Invalidf("NAME_TOO_LONG", field, "a name of %d characters is longer than the %d allowed", len(s), maxName)
	}
	return nil
}

// checkLimits refuses bands that leave a bar without a limit or give it two.
func (t ExchangeTerms) checkLimits() error {
	if len(t.SplittingLimits) > maxBands {
		return refusal.Invalidf("BANDS_TOO_MANY", "splitting_limits", "%d bands are more than the %d allowed", len(t.SplittingLimits), maxBands)
	}
	last := map[Element]quantity.Fineness{}
	for i, b := range t.SplittingLimits {
		at := fmt.Sprintf("splitting_limits[%d]", i)
		if b.Base != "" {
			if err := b.Base.Check(); err != nil {
				return refusal.In(err, at+".base")
			}
		}
		if b.From.IsZero() {
			return refusal.Invalidf("TERM_MISSING", at+".from", "a band does not say from which fineness it holds; the first holds from 0 ppt").With("missing", at+".from")
		}
		if b.Limit.Sign() <= 0 {
			return refusal.Invalidf("LIMIT_NOT_POSITIVE", at+".limit", "a splitting limit of %s is missing or not possible; it must be more than zero", b.Limit).With("value", b.Limit.String())
		}
		if b.Limit.Cmp(thousand) > 0 {
			return refusal.Invalidf("LIMIT_OUT_OF_RANGE", at+".limit", "a splitting limit of %s %s lets anything pass; it is at most 1000", b.Limit, b.Unit).With("value", b.Limit.String())
		}
		if err := choice(at+".unit", string(b.Unit), []string{string(LimitAbsolute), string(LimitPerMilleOfMean), string(LimitPercentOfMean)}); err != nil {
			return err
		}
		before, begun := last[b.Base]
		if !begun && b.From.PerMille().Sign() != 0 {
			return refusal.Invalidf("BANDS_GAP", at+".from", "the first band of its kind starts at %s, so that finenesses below it have no limit; start it at 0 ppt", b.From).With("value", b.From.String())
		}
		if begun && b.From.Cmp(before) <= 0 {
			return refusal.Invalidf("BANDS_ORDER", at+".from", "a band from %s follows one from %s; put the bands of one base metal in rising order", b.From, before).With("value", b.From.String()).With("before", before.String())
		}
		last[b.Base] = b.From
	}
	if _, general := last[""]; !general {
		return refusal.Invalidf("BANDS_GAP", "splitting_limits", "every band names a base metal, so that a bar of another one has no limit; add bands without a base")
	}
	return nil
}

// ForBase returns t with only the splitting limits that hold for bars whose largest component is base. Terms without
// bands by base metal come back unchanged.
func (t ExchangeTerms) ForBase(base Element) ExchangeTerms {
	var general, own []LimitBand
	for _, b := range t.SplittingLimits {
		switch b.Base {
		case "":
			general = append(general, b)
		case base:
			b.Base = ""
			own = append(own, b)
		}
	}
	t.SplittingLimits = general
	if len(own) > 0 {
		t.SplittingLimits = own
	}
	return t
}

// CheckTerms checks the terms of all elements of an agreement; an element may appear once.
func CheckTerms(terms []ExchangeTerms) error {
	if len(terms) == 0 {
		return refusal.Invalidf("TERM_MISSING", "exchange", "an agreement without exchange terms settles no metal; state them for gold at least").With("missing", "exchange")
	}
	if len(terms) > maxElements {
		return refusal.Invalidf("ELEMENTS_TOO_MANY", "exchange", "exchange terms for %d elements are more than the %d allowed", len(terms), maxElements)
	}
	seen := map[Element]bool{}
	for i, t := range terms {
		at := fmt.Sprintf("exchange[%d]", i)
		if err := t.Check(); err != nil {
			return refusal.In(err, at)
		}
		if seen[t.Element] {
			return refusal.Invalidf("ELEMENT_REPEATED", at+".element", "%s has two sets of exchange terms; give it one", t.Element).With("value", string(t.Element))
		}
		seen[t.Element] = true
	}
	return nil
}

// ReadTerms reads the exchange terms of an agreement from a JSON list and checks them.
func ReadTerms(b []byte) ([]ExchangeTerms, error) {
	var terms []ExchangeTerms
	if err := read(b, &terms, "the list of exchange terms"); err != nil {
		return nil, err
	}
	if err := CheckTerms(terms); err != nil {
		return nil, err
	}
	return terms, nil
}
