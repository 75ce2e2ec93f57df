package settlement

import (
	"fmt"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Change is one figure that a correction moved, and why: the inputs below it that moved.
type Change struct {
	Path    string   `json:"path"`             // of the line; see Line.Path
	Before  string   `json:"before,omitempty"` // empty: the line is new
	After   string   `json:"after,omitempty"`  // empty: the line is gone
	Because []string `json:"because"`          // paths of the inputs that moved, or the terms; the line's own path: it is one
}

// Correction is a statement that replaces another, with everything that it changes.
type Correction struct {
	Statement  Statement        `json:"statement"` // corrected, with its changes and the digest of the one it replaces
	Changes    []Change         `json:"changes"`
	NetBefore  quantity.Money   `json:"net_before"`
	NetAfter   quantity.Money   `json:"net_after"`
	Difference quantity.Decimal `json:"difference"` // after less before, in the statement's currency
}

// Correct turns next into the correction of previous: its kind, its version, the digest of previous, and for each figure
// that moved the inputs that moved it. It refuses statements of different lots, numbers or currencies, and one that
// changes nothing.
func Correct(previous, next Statement) (Correction, error) {
	for _, s := range []Statement{previous, next} {
		if err := s.check(); err != nil {
			return Correction{}, err
		}
	}
	switch {
	case previous.Lot != next.Lot:
		return Correction{}, refusal.Invalidf("LOT_MIXED", "lot",
			"a statement of lot %q cannot correct one of lot %q", clip(next.Lot), clip(previous.Lot))
	case previous.Number != next.Number:
		return Correction{}, refusal.Invalidf("NUMBER_MIXED", "number",
			"a correction keeps the number of the statement it corrects, %q; it has %q",
			clip(previous.Number), clip(next.Number))
	case previous.Terms.Currency != next.Terms.Currency:
		return Correction{}, refusal.Invalidf("CURRENCY_MIXED", "currency",
			"a statement in %s cannot correct one in %s", next.Terms.Currency, previous.Terms.Currency)
	}
	next.Kind, next.Version, next.Previous, next.Changes = Corrected, previous.Version+1, previous.Digest(), nil
	changes := compare(previous, next)
	if len(changes) == 0 {
		return Correction{}, refusal.New(refusal.Precondition, "CORRECTION_EMPTY", "",
			"the new statement has the same figures as version %d; there is nothing to correct", previous.Version)
	}
	next.Changes = changes
	return Correction{
		Statement: next, Changes: changes, NetBefore: previous.Net, NetAfter: next.Net,
		Difference: next.Net.Amount().Sub(previous.Net.Amount()),
	}, nil
}

// figures is what a line states, without the words around it.
func (l Line) figures() string {
	text := ""
	for _, part := range []struct {
		number *quantity.Decimal
		unit   string
	}{{l.Quantity, l.QuantityUnit}, {l.Rate, l.RateUnit}} {
		if part.number != nil {
			if text != "" {
				text += " at "
			}
			text += part.number.String() + " " + part.unit
		}
	}
	if !l.Amount.IsZero() {
		if text != "" {
			text += ", "
		}
		text += l.Amount.String()
	}
	return text
}

// compare lists the figures that differ. A line whose inputs did not move, moved by itself: it is an input, or the terms
// moved it.
func compare(previous, next Statement) []Change {
	before := make(map[string]string, len(previous.Lines))
	for _, l := range previous.Lines {
		before[l.Path()] = l.figures()
	}
	termsMoved := string(canonical(previous.Terms)) != string(canonical(next.Terms))
	because := make([][]string, len(next.Lines)) // why each line moved; nil: it did not
	var changes []Change
	for i, l := range next.Lines {
		path, after := l.Path(), l.figures()
		was, known := before[path]
		delete(before, path)
		if known && was == after {
			continue
		}
		var reasons []string
		for _, no := range l.From {
			reasons = append(reasons, because[no-1]...)
		}
		if reasons = distinct(reasons); len(reasons) == 0 {
			reasons = []string{path}
			if termsMoved && len(l.From) > 0 {
				reasons = []string{fmt.Sprintf("terms %s version %d", next.Terms.ID, next.Terms.Version)}
			}
		}
		because[i] = reasons
		changes = append(changes, Change{Path: path, Before: was, After: after, Because: reasons})
	}
	for _, l := range previous.Lines {
		if was, gone := before[l.Path()]; gone {
			changes = append(changes, Change{Path: l.Path(), Before: was, Because: []string{l.Path()}})
		}
	}
	return changes
}

// distinct drops repeated reasons, keeps their order, and names at most maxReasons of them.
func distinct(reasons []string) []string {
	seen := map[string]bool{}
	var kept []string
	for _, r := range reasons {
		if !seen[r] && len(kept) < maxReasons {
			seen[r] = true
			kept = append(kept, r)
		}
	}
	return kept
}
