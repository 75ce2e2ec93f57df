package weighing

import (
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Rule says which of a limit's two parts decides.
type Rule string

const (
	Larger  Rule = "larger"  // whichever part allows more
	Smaller Rule = "smaller" // whichever part allows less
)

// Limit is the agreed greatest difference between two weighings: an absolute part, a part relative to the first weight,
// and which of them decides. Nothing in it has a default.
type Limit struct {
	Absolute quantity.Mass    `json:"absolute,omitzero"`          // 0 or more
	Relative quantity.Decimal `json:"relative_permille,omitzero"` // parts per thousand of the first weight, 0 to 1000
	Rule     Rule             `json:"rule"`                       // larger or smaller; required
}

// Check refuses a limit without a rule, without any part, with a negative part, or, where the smaller part decides,
// without both: a part that was left out would make the limit nothing.
func (l Limit) Check() error {
	switch l.Rule {
	case Larger, Smaller:
	case "":
		return refusal.Invalidf("LIMIT_RULE_MISSING", "rule",
			"a limit must say which of its parts decides; state larger or smaller")
	default:
		return refusal.Invalidf("LIMIT_RULE_UNKNOWN", "rule",
			"%q is not a rule of a limit; state larger or smaller", string(l.Rule)).With("rule", string(l.Rule))
	}
	if l.Absolute.Sign() < 0 {
		return refusal.Invalidf("LIMIT_NEGATIVE", "absolute", "a limit of %s is not possible; state 0 or more", l.Absolute).
			With("absolute", l.Absolute.String())
	}
	if err := bounded(l.Absolute); err != nil {
		return refusal.In(err, "absolute")
	}
	if l.Relative.Places() > maxRelativePlaces {
		return refusal.Invalidf("LIMIT_TOO_FINE", "relative_permille", "a relative limit of %s has %d places; at most %d are allowed",
			l.Relative, l.Relative.Places(), maxRelativePlaces).With("relative_permille", l.Relative.String())
	}
	if l.Relative.Sign() < 0 || quantity.NewDecimal(1000).Less(l.Relative) {
		return refusal.Invalidf("LIMIT_OUT_OF_RANGE", "relative_permille",
			"a relative limit of %s parts per thousand is not possible; it lies from 0 to 1000", l.Relative).
			With("relative_permille", l.Relative.String())
	}
	if l.Absolute.IsZero() && l.Relative.IsZero() {
		return refusal.Invalidf("LIMIT_MISSING", "",
			"a limit has neither an absolute nor a relative part; state at least one, such as 0.5 g")
	}
	if l.Rule == Smaller && (l.Absolute.IsZero() || l.Relative.IsZero()) {
		return refusal.Invalidf("LIMIT_MISSING", "",
			"where the smaller part decides both must be stated, or the limit is nothing; state absolute and relative_permille, or the rule larger")
	}
	return nil
}

// For returns the limit for a first weight, in grams, exactly.
func (l Limit) For(reference quantity.Mass) quantity.Decimal {
	relative := reference.Grams().Mul(l.Relative).Shift(-3)
	if l.Rule == Smaller {
		return quantity.Min(l.Absolute.Grams(), relative)
	}
	return quantity.Max(l.Absolute.Grams(), relative)
}
