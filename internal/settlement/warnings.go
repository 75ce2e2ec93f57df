package settlement

import (
	"fmt"

	"barward/internal/assay"
	"barward/internal/quantity"
)

// Warning says that terms fight each other, though lots can be settled by them.
type Warning struct {
	Reason string `json:"reason"` // stable, UPPER_SNAKE
	Field  string `json:"field"`
	Text   string `json:"text"`
}

// Warnings lists terms that fight each other, in the order of the document. They are for the people who are about to sign.
func (t Terms) Warnings() []Warning {
	var all []Warning
	warn := func(reason, field, format string, args ...any) {
		all = append(all, Warning{Reason: reason, Field: field, Text: fmt.Sprintf(format, args...)})
	}
	for i, m := range t.Metals {
		at := fmt.Sprintf("metals[%d]", i)
		m.warnLimits(at, warn)
		m.warnPayable(at, warn)
		if t.Reporting != nil && m.Exchange.ReportDays > t.Reporting.Assay && t.Reporting.Assay > 0 {
			warn("REPORT_AFTER_DEADLINE", at+".exchange.report_days",
				"results of %s may be committed %d days after a round opens, and the assay is due %d days after the melt",
				m.Element, m.Exchange.ReportDays, t.Reporting.Assay)
		}
	}
	for i, p := range t.Penalties {
		if _, paid := t.Metal(p.Element); paid {
			warn("PENALTY_ON_PAID_METAL", fmt.Sprintf("penalties[%d]", i),
				"%s is paid for and penalised; a richer bar can then pay less", p.Element)
		}
	}
	if a := t.Advance; a != nil && a.Percent != nil && a.Percent.Equal(hundred) {
		warn("ADVANCE_WHOLE", "advance.percent",
			"the whole provisional value is advanced, so that nothing is held back against a lower final value")
	}
	if l := t.Limits; l != nil && l.ConsignmentSum.Absolute.Cmp(l.ArrivalBar.Absolute) < 0 &&
		l.ConsignmentSum.Relative.Cmp(l.ArrivalBar.Relative) <= 0 {
		warn("CONSIGNMENT_LIMIT_TIGHT", "weight_limits.consignment_total",
			"the limit on a consignment, %s, is below that on one bar, %s; one bar within its limit can put the consignment outside",
			l.ConsignmentSum.Absolute, l.ArrivalBar.Absolute)
	}
	if c, ok := t.Claim(ClaimStatement); ok && t.Reporting != nil && t.Reporting.Payment > 0 && c.Days > t.Reporting.Payment {
		warn("PAYMENT_BEFORE_CLAIM", "reporting.payment_days",
			"payment is due after %d days, while the statement may be disputed for %d", t.Reporting.Payment, c.Days)
	}
	return all
}

type warner func(reason, field, format string, args ...any)

// warnLimits compares splitting limits with what two good laboratories differ by.
func (m MetalTerms) warnLimits(at string, warn warner) {
	if m.Reproducibility.IsZero() {
		return
	}
	bands := m.Exchange.SplittingLimits
	for i, b := range bands {
		limit := b.Limit
		if b.Unit != assay.LimitAbsolute { // at the upper end of the band, where a relative limit allows most
			upper := thousand
			if i+1 < len(bands) && bands[i+1].Base == b.Base {
				upper = bands[i+1].From.PerMille()
			}
			limit = limit.Mul(upper).Shift(-3)
			if b.Unit == assay.LimitPercentOfMean {
				limit = limit.Shift(1)
			}
		}
		if text := assay.LimitWarning(limit, m.Reproducibility.PerMille()); text != "" {
			warn("SPLITTING_LIMIT_TIGHT", fmt.Sprintf("%s.exchange.splitting_limits[%d]", at, i), "%s: %s", m.Element, text)
		}
	}
}

// warnPayable looks for payable terms by which a richer unit can pay less, or rounding that invents metal.
func (m MetalTerms) warnPayable(at string, warn warner) {
	switch fine, payable := m.FineRounding, m.PayableRounding; {
	case payable.Places > fine.Places:
		warn("PAYABLE_FINER_THAN_FINE", at+".payable_rounding",
			"payable content has %d places and fine content %d; the last ones state what was never measured",
			payable.Places, fine.Places)
	case payable.Places < fine.Places && payable.Mode != quantity.Down:
		warn("PAYABLE_ROUNDED_UP", at+".payable_rounding",
			"payable content is rounded %s to fewer places than fine content, and can exceed it; round it down",
			payable.Mode)
	}
	for i, b := range m.Payable.Bands {
		if i == 0 || b.Percent == nil || m.Payable.Bands[i-1].Percent == nil {
			continue
		}
		if b.Percent.Less(*m.Payable.Bands[i-1].Percent) {
			warn("BAND_FALLS", fmt.Sprintf("%s.payable.bands[%d]", at, i),
				"from %s of %s the percentage falls from %s to %s; a slightly richer unit then pays less",
				b.From, m.Element, m.Payable.Bands[i-1].Percent, b.Percent)
		}
	}
}
