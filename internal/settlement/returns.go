package settlement

import (
	"bytes"
	"fmt"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Return is what a refiner states that it settled, as it was handed in.
type Return struct {
	Lines []ReturnLine `json:"lines"`
}

// ReturnLine is one line of a return. Its codes are those of a statement, and a path names it as there (see Line.Path).
// What the return does not state stays empty; an amount below zero is taken from the seller.
type ReturnLine struct {
	Row          int               `json:"row,omitempty"` // of the CSV, the header being row 1
	Code         Code              `json:"code"`
	Element      assay.Element     `json:"element,omitempty"`
	Name         string            `json:"name,omitempty"`
	Unit         string            `json:"unit,omitempty"`
	Quantity     *quantity.Decimal `json:"quantity,omitempty"`
	QuantityUnit string            `json:"quantity_unit,omitempty"`
	Rate         *quantity.Decimal `json:"rate,omitempty"`
	RateUnit     string            `json:"rate_unit,omitempty"`
	Amount       quantity.Money    `json:"amount,omitzero"`
}

func (l ReturnLine) line() Line {
	return Line{
		Code: l.Code, Element: l.Element, Name: l.Name, Unit: l.Unit, Quantity: l.Quantity, QuantityUnit: l.QuantityUnit,
		Rate: l.Rate, RateUnit: l.RateUnit, Amount: l.Amount,
	}
}

// Path names the line as in a statement.
func (l ReturnLine) Path() string { return l.line().Path() }

var returnColumns = []string{"code", "element", "name", "unit", "quantity", "quantity_unit", "rate", "rate_unit", "amount"}

// codes are the lines that a return may state.
var codes = map[Code]bool{
	GrossReceived: true, GrossMelted: true, MeltLoss: true, GrossWeight: true, Fineness: true, FineContent: true,
	PayableMetal: true, FineTotal: true, PayableTotal: true, PriceUsed: true, GrossRate: true, Value: true, MetalValue: true,
	ChargeLine: true, PenaltyLine: true, NetValue: true, HeldBack: true, AdvanceLine: true, InterestLine: true, Net: true,
	Converted: true, Credited: true,
}

// ParseReturn reads a return from CSV (see the package comment) or, when it begins with "{", from JSON. It refuses the
// whole return for one line that cannot be read, and names its row.
func ParseReturn(b []byte) (Return, error) {
	var r Return
	if text := bytes.TrimLeft(b, " \t\r\n"); len(text) > 0 && text[0] == '{' {
		if err := readJSON(b, maxTableBytes, "a return", &r); err != nil {
			return Return{}, err
		}
		return r, r.check()
	}
	seen := map[string]int{}
	err := table(b, "the return", returnColumns, func(row int, cells []string) error {
		l, err := returnLine(cells)
		if err != nil {
			return err
		}
		l.Row = row
		r.Lines = append(r.Lines, l)
		return l.check(seen)
	})
	if err != nil {
		return Return{}, err
	}
	return r, nil
}

// returnLine reads the cells of one row; an empty cell states nothing.
func returnLine(cells []string) (ReturnLine, error) {
	l := ReturnLine{
		Code: Code(cells[0]), Element: assay.Element(cells[1]), Name: cells[2], Unit: cells[3],
		QuantityUnit: cells[5], RateUnit: cells[7],
	}
	for _, number := range []struct {
		field, text string
		into        **quantity.Decimal
	}{{"quantity", cells[4], &l.Quantity}, {"rate", cells[6], &l.Rate}} {
		if number.text == "" {
			continue
		}
		d, err := quantity.ParseDecimal(number.text)
		if err != nil {
			return l, refusal.In(err, number.field)
		}
		*number.into = &d
	}
	if cells[8] != "" {
		amount, err := quantity.ParseMoney(cells[8])
		if err != nil {
			return l, refusal.In(err, "amount")
		}
		l.Amount = amount
	}
	return l, nil
}

// check refuses a return without lines and one with a line that cannot stand.
func (r Return) check() error {
	if len(r.Lines) == 0 || len(r.Lines) > maxLines {
		return refusal.Invalidf("LINES_MISSING", "lines",
			"a return has from 1 to %d lines; this one has %d", maxLines, len(r.Lines))
	}
	seen := make(map[string]int, len(r.Lines))
	for i, l := range r.Lines {
		if err := l.check(seen); err != nil {
			return refusal.In(err, fmt.Sprintf("lines[%d]", i))
		}
	}
	return nil
}

// check refuses a line of an unknown code, one that states nothing, and a second one of the same path.
func (l ReturnLine) check(seen map[string]int) error {
	if !codes[l.Code] {
		return refusal.Invalidf("LINE_CODE", "code",
			"%q is not a line of a return; use a code such as payable, value, charge or net",
			clip(string(l.Code))).With("value", clip(string(l.Code)))
	}
	if l.Element != "" {
		if err := l.Element.Check(); err != nil {
			return err
		}
	}
	for _, text := range []struct{ field, value string }{
		{"name", l.Name}, {"unit", l.Unit}, {"quantity_unit", l.QuantityUnit}, {"rate_unit", l.RateUnit},
	} {
		if text.value != "" {
			if err := name(text.value, text.field); err != nil {
				return err
			}
		}
	}
	switch {
	case l.Quantity == nil && l.Rate == nil && l.Amount.IsZero():
		return refusal.Invalidf("LINE_EMPTY", "quantity",
			"the line %s states neither a quantity nor a rate nor an amount; give one, or leave the line out", l.Path())
	case (l.Quantity == nil) != (l.QuantityUnit == ""):
		return refusal.Invalidf("UNIT_MISSING", "quantity_unit",
			"a quantity and its unit go together, such as 980.790 and oz; the line %s has one of them", l.Path())
	case (l.Rate == nil) != (l.RateUnit == ""):
		return refusal.Invalidf("UNIT_MISSING", "rate_unit",
			"a rate and its unit go together, such as 2350.25 and USD/oz; the line %s has one of them", l.Path())
	}
	if weighed[l.Code] && l.Quantity != nil {
		if _, ok := gramsOf[quantity.Unit(l.QuantityUnit)]; !ok {
			return refusal.Invalidf("UNIT_UNKNOWN", "quantity_unit",
				"%q is not a unit of mass; use g, kg, mg or oz (troy ounce)",
				clip(l.QuantityUnit)).With("value", clip(l.QuantityUnit))
		}
	}
	path := l.Path()
	if _, twice := seen[path]; twice {
		return refusal.Invalidf("LINE_REPEATED", "code",
			"the line %s is there twice; state it once", clip(path)).With("line", clip(path))
	}
	seen[path] = l.Row
	return nil
}

// weighed are the lines whose quantity is a mass.
var weighed = map[Code]bool{
	GrossReceived: true, GrossMelted: true, MeltLoss: true, GrossWeight: true, FineContent: true, PayableMetal: true,
	FineTotal: true, PayableTotal: true, Credited: true,
}

// JSON prints the return canonically; ParseReturn reads it back.
func (r Return) JSON() []byte { return canonical(r) }

// CSV prints the return as ParseReturn reads it; rows are numbered anew.
func (r Return) CSV() []byte {
	return writeTable(returnColumns, func(write func(...string)) {
		for _, l := range r.Lines {
			write(string(l.Code), string(l.Element), l.Name, l.Unit, text(l.Quantity), l.QuantityUnit,
				text(l.Rate), l.RateUnit, l.Amount.String())
		}
	})
}

func text(d *quantity.Decimal) string {
	if d == nil {
		return ""
	}
	return d.String()
}

// Return states the figures of a statement as a return, so that two statements can be compared.
func (s Statement) Return() Return {
	r := Return{Lines: make([]ReturnLine, 0, len(s.Lines))}
	for _, l := range s.Lines {
		r.Lines = append(r.Lines, ReturnLine{
			Code: l.Code, Element: l.Element, Name: l.Name, Unit: l.Unit, Quantity: l.Quantity, QuantityUnit: l.QuantityUnit,
			Rate: l.Rate, RateUnit: l.RateUnit, Amount: l.Amount,
		})
	}
	return r
}
