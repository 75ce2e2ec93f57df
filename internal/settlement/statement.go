package settlement

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Code says what a line states. The codes are stable: returns and corrections are compared by them.
type Code string

const (
	GrossReceived Code = "gross_received"   // bars of one unit, as received
	GrossMelted   Code = "gross_after_melt" // the unit after melting
	MeltLoss      Code = "melt_loss"        // received less after melt
	GrossWeight   Code = "gross_weight"     // settlement weight of what is settled as one
	Fineness      Code = "fineness"         // as settled
	FineContent   Code = "fine"             // gross weight × fineness
	PayableMetal  Code = "payable"          // by the payable terms
	GrossTotal    Code = "gross_total"      // of the lot
	FineTotal     Code = "fine_total"       // of the lot, per metal
	PayableTotal  Code = "payable_total"    // of the lot, per metal
	PriceUsed     Code = "price"            // per metal
	GrossRate     Code = "gross_rate"       // price of a gross unit, when valued by gross
	Value         Code = "value"            // counts
	MetalValue    Code = "metal_value"      // total of the values
	ChargeLine    Code = "charge"           // counts
	PenaltyLine   Code = "penalty"          // counts
	NetValue      Code = "net_value"        // metal value less charges and penalties
	HeldBack      Code = "held_back"        // provisional: the part not advanced; counts
	AdvanceLine   Code = "advance"          // paid before; counts
	InterestLine  Code = "interest"         // on an advance; counts
	Net           Code = "net"              // what is due: the sum of the lines that count
	Converted     Code = "converted"        // the net in the other currency
	Credited      Code = "credited"         // metal to the account
)

// Line is one line of a statement. Lines rest on ledger entries (Refs), on earlier lines (From), or on both.
type Line struct {
	No           int               `json:"no"` // from 1, in order
	Code         Code              `json:"code"`
	Element      assay.Element     `json:"element,omitempty"`
	Name         string            `json:"name,omitempty"` // of a charge
	Unit         string            `json:"unit,omitempty"` // bar, melt; empty for the lot
	Text         string            `json:"text"`
	Quantity     *quantity.Decimal `json:"quantity,omitempty"`
	QuantityUnit string            `json:"quantity_unit,omitempty"` // g, kg, oz, ppt, bars, melts, lot, days
	Rate         *quantity.Decimal `json:"rate,omitempty"`
	RateUnit     string            `json:"rate_unit,omitempty"` // such as USD/oz, percent, ppt
	Amount       quantity.Money    `json:"amount,omitzero"`
	Counts       bool              `json:"counts,omitempty"` // the amount is part of the net
	Formula      string            `json:"formula"`
	Step         string            `json:"step,omitempty"` // the rounding, as the terms name it
	Rounding     quantity.Rounding `json:"rounding,omitzero"`
	Exact        string            `json:"exact,omitempty"` // before that rounding; an ellipsis says that it goes on
	From         []int             `json:"from,omitempty"`  // numbers of the lines that it is computed from
	Refs         []Ref             `json:"refs,omitempty"`
}

// Path names the line inside its statement: code, then element, name and unit where it has them, joined by "/".
func (l Line) Path() string {
	parts := []string{string(l.Code)}
	for _, part := range []string{string(l.Element), l.Name, l.Unit} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	return strings.Join(parts, "/")
}

// MetalBalance proves that no metal of one element appears or disappears on the statement: Received = Payable + Unpaid +
// Loss, exact at the printed places.
type MetalBalance struct {
	Element  assay.Element    `json:"element"`
	Unit     quantity.Unit    `json:"unit"`
	Received quantity.Decimal `json:"received"` // fine content of the received weight at the settled fineness
	Payable  quantity.Decimal `json:"payable"`
	Unpaid   quantity.Decimal `json:"unpaid"` // fine content of the settlement weight that is not payable
	Loss     quantity.Decimal `json:"loss"`   // fine content of what the settlement weight is below the received one
}

// MoneyBalance proves the net: Value + Charges + Penalties + Advances + Interest + HeldBack = Net.
type MoneyBalance struct {
	Value     quantity.Decimal `json:"value"`
	Charges   quantity.Decimal `json:"charges"`
	Penalties quantity.Decimal `json:"penalties"`
	Advances  quantity.Decimal `json:"advances"`
	Interest  quantity.Decimal `json:"interest"`
	HeldBack  quantity.Decimal `json:"held_back"`
	Net       quantity.Decimal `json:"net"`
}

// Flag is something on the statement that someone must answer for, though it does not stop the computation.
type Flag struct {
	Reason   string `json:"reason"` // MELT_LOSS_OUTSIDE_RANGE, ASSAY_SUM_OUTSIDE_TOLERANCE
	Unit     string `json:"unit"`
	Observed string `json:"observed"`
	Allowed  string `json:"allowed"`
	Text     string `json:"text"`
	Refs     []Ref  `json:"refs,omitempty"`
}

// Statement is what a lot pays under its terms. Equal lots and terms give equal statements, to the byte (see Digest).
type Statement struct {
	Kind      Kind           `json:"kind"`
	Number    string         `json:"number"`
	Version   int            `json:"version"`
	Previous  string         `json:"previous,omitempty"` // digest
	Lot       string         `json:"lot"`
	Terms     Terms          `json:"terms"` // under which it was computed
	Lines     []Line         `json:"lines"`
	Metal     []MetalBalance `json:"metal"`
	Money     MoneyBalance   `json:"money"`
	Net       quantity.Money `json:"net"` // to the seller; negative: from the seller
	Converted quantity.Money `json:"converted,omitzero"`
	ValueDate Date           `json:"value_date,omitzero"`
	Flags     []Flag         `json:"flags,omitempty"`
	Changes   []Change       `json:"changes,omitempty"` // corrected only
}

// JSON prints the statement canonically: equal statements have equal bytes, and what it prints ParseStatement reads back.
func (s Statement) JSON() []byte { return canonical(s) }

// Digest is the SHA-256 of the canonical JSON in hex, for two parties to compare what they compute.
func (s Statement) Digest() string {
	sum := sha256.Sum256(s.JSON())
	return hex.EncodeToString(sum[:])
}

// canonical prints a value with fields in the order of their struct, two-space indentation and a final newline.
func canonical(v any) []byte {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		panic(fmt.Sprintf("settlement: a value that was checked cannot be printed: %v", err))
	}
	return append(b, '\n')
}

// ParseStatement reads what Statement.JSON prints. It refuses unknown fields, and a statement whose lines do not balance
// (see Balance).
func ParseStatement(b []byte) (Statement, error) {
	var s Statement
	if err := readJSON(b, maxStatementBytes, "a statement", &s); err != nil {
		return Statement{}, err
	}
	if err := s.check(); err != nil {
		return Statement{}, err
	}
	if err := s.Balance(); err != nil {
		return Statement{}, err
	}
	return s, nil
}

// check refuses what no settlement could have printed and what would make a walk through its lines run astray.
func (s Statement) check() error {
	switch s.Kind {
	case Provisional, Final, Corrected:
	default:
		return unknownKind(s.Kind)
	}
	if err := name(s.Number, "number"); err != nil {
		return err
	}
	if err := name(s.Lot, "lot"); err != nil {
		return err
	}
	if s.Version < 1 {
		return refusal.Invalidf("VERSION_MISSING", "version", "a statement has a version from 1; %d is none", s.Version)
	}
	if len(s.Previous) > maxName {
		return refusal.Invalidf("DIGEST_MALFORMED", "previous",
			"a digest of %d characters is too long; copy that of the statement before", len(s.Previous))
	}
	if err := s.Terms.Currency.Check(); err != nil {
		return refusal.In(err, "terms.currency")
	}
	if len(s.Lines) == 0 || len(s.Lines) > maxLines {
		return refusal.Invalidf("LINES_MISSING", "lines",
			"a statement has from 1 to %d lines; this one has %d", maxLines, len(s.Lines))
	}
	depth := make([]int8, len(s.Lines))
	for i := range s.Lines {
		if err := s.checkLine(i, depth); err != nil {
			return refusal.In(err, fmt.Sprintf("lines[%d]", i))
		}
	}
	return nil
}

// checkLine checks line i; depth[i] becomes the number of lines from it down to the entries.
func (s Statement) checkLine(i int, depth []int8) error {
	l := &s.Lines[i]
	if l.No != i+1 {
		return refusal.Invalidf("LINE_NUMBER", "no",
			"line %d stands where line %d belongs; number the lines in order", l.No, i+1)
	}
	if l.Code == "" || len(l.Code) > maxName {
		return refusal.Invalidf("LINE_CODE", "code", "a line has no code, or an overlong one; give one such as payable")
	}
	for _, from := range l.From {
		if from < 1 || from > i {
			return refusal.Invalidf("LINE_ORDER", "from",
				"line %d cannot rest on line %d; a line rests on earlier ones", l.No, from)
		}
		depth[i] = max(depth[i], depth[from-1]+1)
	}
	if depth[i] > maxDepth {
		return refusal.Invalidf("LINE_DEPTH", "from",
			"line %d rests on more than %d lines one under the other, which no settlement does", l.No, maxDepth)
	}
	if l.Rounding != (quantity.Rounding{}) {
		return refusal.In(l.Rounding.Check(), "rounding")
	}
	return nil
}

// Balance checks what a statement must hold, from its own printed figures: amounts that count are in its currency and sum
// to the net; each kind of them sums to its place in Money; per metal received = payable + unpaid + loss, and the payable
// lines sum to the payable total.
func (s Statement) Balance() error {
	var money MoneyBalance
	payable := map[assay.Element]quantity.Decimal{}
	totals := map[assay.Element]quantity.Decimal{}
	var net quantity.Decimal
	for _, l := range s.Lines {
		if l.Quantity != nil {
			switch l.Code {
			case PayableMetal:
				payable[l.Element] = payable[l.Element].Add(*l.Quantity)
			case PayableTotal:
				totals[l.Element] = *l.Quantity
			}
		}
		if !l.Counts {
			continue
		}
		if l.Amount.Currency() != s.Terms.Currency {
			return unbalanced(l.Path(), fmt.Sprintf("%s counts toward a net in %s", l.Amount, s.Terms.Currency))
		}
		amount := l.Amount.Amount()
		net = net.Add(amount)
		place := money.place(l.Code)
		if place == nil {
			return unbalanced(l.Path(), "a line of this code cannot count toward the net")
		}
		*place = place.Add(amount)
	}
	for _, kind := range []struct {
		name        string
		line, total quantity.Decimal
	}{
		{"values", money.Value, s.Money.Value}, {"charges", money.Charges, s.Money.Charges},
		{"penalties", money.Penalties, s.Money.Penalties}, {"advances", money.Advances, s.Money.Advances},
		{"interest", money.Interest, s.Money.Interest}, {"held back", money.HeldBack, s.Money.HeldBack},
		{"net", net, s.Money.Net}, {"net due", s.Net.Amount(), s.Money.Net},
	} {
		if !kind.line.Equal(kind.total) {
			return unbalanced("money", fmt.Sprintf("the %s of the lines are %s, and %s are stated", kind.name, kind.line, kind.total))
		}
	}
	for _, m := range s.Metal {
		if !m.Received.Equal(m.Payable.Add(m.Unpaid).Add(m.Loss)) {
			return unbalanced("metal", fmt.Sprintf("%s received %s is not payable %s + unpaid %s + loss %s",
				m.Element, m.Received, m.Payable, m.Unpaid, m.Loss))
		}
		if !m.Payable.Equal(payable[m.Element]) || !m.Payable.Equal(totals[m.Element]) {
			return unbalanced("metal", fmt.Sprintf("%s payable %s is not the sum of its lines, %s, or not their total, %s",
				m.Element, m.Payable, payable[m.Element], totals[m.Element]))
		}
	}
	return nil
}

// place returns where a counted amount of a line of this code belongs, or nil.
func (m *MoneyBalance) place(code Code) *quantity.Decimal {
	switch code {
	case Value:
		return &m.Value
	case ChargeLine:
		return &m.Charges
	case PenaltyLine:
		return &m.Penalties
	case AdvanceLine:
		return &m.Advances
	case InterestLine:
		return &m.Interest
	case HeldBack:
		return &m.HeldBack
	}
	return nil
}

func unbalanced(field, found string) error {
	return refusal.Invalidf("STATEMENT_UNBALANCED", field,
		"the statement does not balance: %s; it was altered or miscopied, so ask for it again", found).With("found", found)
}

// Find returns the lines that a path names: the one with that number or that path (see Line.Path), else all of that code.
func (s Statement) Find(path string) []Line {
	if no, err := strconv.Atoi(path); err == nil && no >= 1 && no <= len(s.Lines) {
		return s.Lines[no-1 : no]
	}
	code, _, _ := strings.Cut(path, "/")
	var exact, found []Line
	for _, l := range s.Lines {
		if string(l.Code) != code {
			continue
		}
		if l.Path() == path {
			exact = append(exact, l)
		}
		if code == path {
			found = append(found, l)
		}
	}
	if len(exact) > 0 {
		return exact
	}
	return found
}

// Explanation is a figure with what it rests on: the lines that it was computed from, down to ledger entries.
type Explanation struct {
	Line   Line          `json:"line"`
	Inputs []Explanation `json:"inputs,omitempty"`
}

// Explain walks a figure back to the entries it rests on. It refuses a path that names no line or more than one, and lists
// the candidates.
func (s Statement) Explain(path string) (Explanation, error) {
	found := s.Find(path)
	if len(found) == 0 {
		return Explanation{}, refusal.New(refusal.NotFound, "LINE_UNKNOWN", "line",
			"the statement has no line %q; name one by its number or by its code, such as net or payable_total/Au",
			clip(path)).With("line", clip(path))
	}
	if len(found) > 1 {
		var paths []string
		for _, l := range found[:min(len(found), 10)] {
			paths = append(paths, l.Path())
		}
		candidates := strings.Join(paths, ", ")
		return Explanation{}, refusal.Invalidf("LINE_AMBIGUOUS", "line",
			"%q names %d lines; name one of %s",
			clip(path), len(found), candidates).With("line", clip(path)).With("candidates", candidates)
	}
	if err := s.check(); err != nil {
		return Explanation{}, err
	}
	return s.explain(found[0], map[int]bool{}), nil
}

// explain opens each line once: where it comes up again it is named without its inputs, so that the tree stays as long as
// the statement.
func (s Statement) explain(l Line, opened map[int]bool) Explanation {
	e := Explanation{Line: l}
	if opened[l.No] {
		return e
	}
	opened[l.No] = true
	for _, no := range l.From {
		e.Inputs = append(e.Inputs, s.explain(s.Lines[no-1], opened))
	}
	return e
}

// Refs returns every entry below a figure, each once, in the order in which they are met.
func (e Explanation) Refs() []Ref {
	var all []Ref
	e.collect(&all)
	return unique(all)
}

func (e Explanation) collect(into *[]Ref) {
	*into = append(*into, e.Line.Refs...)
	for _, input := range e.Inputs {
		input.collect(into)
	}
}

// unique drops repeated references and keeps their order.
func unique(refs []Ref) []Ref {
	if len(refs) < 2 {
		return refs
	}
	seen := make(map[Ref]bool, len(refs))
	kept := refs[:0:0]
	for _, r := range refs {
		if !seen[r] {
			seen[r] = true
			kept = append(kept, r)
		}
	}
	return kept
}
