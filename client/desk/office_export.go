package desk

import (
	"bytes"
	"encoding/csv"
	"maps"
	"math"
	"net/url"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A sheet is a table that is taken away: CSV by RFC 4180, or XLSX (ECMA-376). What strangers wrote stands in text
// cells, and one that a spreadsheet would take for a formula is guarded by an apostrophe before it (OWASP, CSV
// injection). A figure keeps the digits that the record has, as text; beside it stands its unit, and in XLSX a cell
// of a number where the number is exactly the figure, so that a manager can add up without a digit having been lost
// unseen.
type sheet struct {
	name    string
	columns []column
	rows    [][]string // one text a column; a figure with its unit, as `12441.390 g`
}

type column struct {
	name   string
	figure bool
}

func texts(names ...string) (columns []column) {
	for _, name := range names {
		columns = append(columns, column{name: name})
	}
	return columns
}

func figures(names ...string) (columns []column) {
	for _, name := range names {
		columns = append(columns, column{name, true})
	}
	return columns
}

// guarded keeps a text from being taken for a formula.
func guarded(text string) string {
	if text != "" && strings.ContainsAny(text[:1], "=+-@\t\r\n") || strings.HasPrefix(text, "＝") ||
		strings.HasPrefix(text, "＋") ||
		strings.HasPrefix(text, "－") || strings.HasPrefix(text, "＠") {
		return "'" + text
	}
	return text
}

// parted splits a figure into its decimal and its unit. What is no figure is text as a whole.
func parted(text string) (decimal, unit string, ok bool) {
	decimal, unit, _ = strings.Cut(strings.TrimSpace(text), " ")
	if _, err := quantity.ParseDecimal(decimal); err != nil {
		return "", "", false
	}
	return decimal, unit, true
}

// exact returns the number that a decimal is, if a spreadsheet's binary number holds it exactly as it is shown: at
// most 15 significant digits (ECMA-376 stores IEEE 754 doubles).
func exact(decimal string) (number float64, ok bool) {
	digits := strings.TrimLeft(strings.NewReplacer("-", "", "+", "", ".", "").Replace(decimal), "0")
	number, err := strconv.ParseFloat(decimal, 64)
	if err != nil || len(digits) > 15 || math.IsInf(number, 0) {
		return 0, false
	}
	of, err := quantity.ParseDecimal(decimal)
	if err != nil {
		return 0, false
	}
	back, err := quantity.ParseDecimal(strconv.FormatFloat(number, 'f', -1, 64))
	return number, err == nil && back.Equal(of)
}

// cells lays a row out: a figure takes a cell for its digits and one for its unit.
func (s sheet) cells(row []string) (cells []string) {
	for i, c := range s.columns {
		text := ""
		if i < len(row) {
			text = row[i]
		}
		if !c.figure {
			cells = append(cells, guarded(text))
			continue
		}
		decimal, unit, ok := parted(text)
		if !ok {
			decimal = guarded(text)
		}
		cells = append(cells, decimal, guarded(unit))
	}
	return cells
}

func (s sheet) header() (names []string) {
	for _, c := range s.columns {
		if names = append(names, c.name); c.figure {
			names = append(names, c.name+" unit")
		}
	}
	return names
}

// csv writes the sheet as RFC 4180 has it.
func (s sheet) csv() ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	if err := w.Write(s.header()); err != nil {
		return nil, err
	}
	for _, row := range s.rows {
		if err := w.Write(s.cells(row)); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

// xlsx writes the sheet as a workbook: after the digits as text and the unit comes the number, where it is exact.
func (s sheet) xlsx() (file []byte, err error) {
	book := excelize.NewFile()
	defer func() { _ = book.Close() }() // it holds no file
	if err := book.SetSheetName("Sheet1", s.name); err != nil {
		return nil, err
	}
	w, err := book.NewStreamWriter(s.name)
	if err != nil {
		return nil, err
	}
	bold, err := book.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return nil, err
	}
	if err := w.SetColWidth(1, 3*len(s.columns), 18); err != nil {
		return nil, err
	}
	var head []any
	for _, c := range s.columns {
		head = append(head, excelize.Cell{StyleID: bold, Value: c.name})
		if c.figure {
			head = append(head, excelize.Cell{StyleID: bold, Value: c.name + " unit"}, excelize.Cell{StyleID: bold,
				Value: c.name + " number"})
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2",
		ActivePane: "bottomLeft"}); err != nil {
		return nil, err
	}
	if err := w.SetRow("A1", head); err != nil {
		return nil, err
	}
	for n, row := range s.rows {
		var line []any
		texts, at := s.cells(row), 0
		for _, c := range s.columns {
			line = append(line, texts[at])
			if c.figure {
				var number any
				if x, ok := exact(texts[at]); ok {
					number = x
				}
				line = append(line, texts[at+1], number)
				at++
			}
			at++
		}
		cell, err := excelize.CoordinatesToCellName(1, n+2)
		if err != nil {
			return nil, err
		}
		if err := w.SetRow(cell, line); err != nil {
			return nil, err
		}
	}
	if err := w.Flush(); err != nil {
		return nil, err
	}
	out, err := book.WriteToBuffer()
	if err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// export answers with a sheet. Where a list is longer than a sheet may be, it is refused rather than cut.
func (v *visit) export() error {
	what, name := v.r.PathValue("what"), v.r.PathValue("name")
	makers := map[string]func(string) (sheet, error){"lots": v.lotsSheet, "register": v.registerSheet,
		"statement":      v.statementSheet,
		"reconciliation": v.reconciliationSheet, "bars": v.barsSheet}
	maker, known := makers[what]
	if !known {
		return v.nowhere()
	}
	s, err := maker(name)
	if err != nil {
		return err
	}
	if len(s.rows) > maxExport {
		return refusal.New(refusal.Exhausted, "EXPORT_TOO_LONG", "",
			"More than %d rows pass the filter. Give a narrower one, such as one consignment.", maxExport)
	}
	if name == "all" {
		name = v.today()
	}
	switch v.r.URL.Query().Get("format") {
	case "xlsx":
		file, err := s.xlsx()
		if err != nil {
			return err
		}
		return v.download(what+" "+name, "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", file)
	case "csv":
		file, err := s.csv()
		if err != nil {
			return err
		}
		return v.download(what+" "+name, "csv", "text/csv; charset=utf-8; header=present", file)
	}
	return v.nowhere()
}

// exports are the addresses of a sheet in both forms, with the filter of a form, if any.
func exports(sheet, words string, f *Form) (links []paperLink) {
	for _, form := range []string{"csv", "xlsx"} {
		q := url.Values{}
		if f != nil {
			maps.Copy(q, f.values)
		}
		q.Set("format", form)
		links = append(links, paperLink{pathTo("/office/export/", sheet) + "?" + q.Encode(),
			words + " as " + strings.ToUpper(form)})
	}
	return links
}

// everything walks all pages of a list, up to one row more than an export may have.
func (v *visit) everything(kind pb.ThingKind, filter string, take func(*pb.Thing)) error {
	n := 0
	return v.d.station.Walk(v.ctx(), kind, filter, func(t *pb.Thing) bool {
		take(t)
		n++
		return n <= maxExport
	})
}

func (v *visit) lotsSheet(string) (sheet, error) {
	s := sheet{name: "lots", columns: append(texts("lot", "seller", "refiner", "agreement", "consignment", "state",
		"opened", "bars"),
		append(figures("received", "after melt", "slag"), texts("assays", "statements", "returns", "discrepancies")...)...)}
	err := v.everything(pb.ThingKind_THING_KIND_LOT, lotFilter(v.queryForm("state", "seller", "party", "consignment")),
		func(t *pb.Thing) {
			l := t.GetLot()
			s.rows = append(s.rows, []string{l.GetName(), l.GetSeller(), l.GetParty(), l.GetAgreement(), l.GetConsignment(),
				lotState(l), l.GetOpenedAt(),
				strconv.Itoa(len(l.GetBars())), l.GetReceived(), l.GetAfterMelt(), l.GetSlag(), assaysInWords(l), strings.Join(l.GetStatements(), " "),
				strings.Join(l.GetReturns(), " "), strings.Join(l.GetDiscrepancies(), " ")})
		})
	return s, err
}

func assaysInWords(l *pb.Lot) string {
	var parts []string
	for _, a := range l.GetAssays() {
		value := a.GetSettled()
		if value == "" {
			value = strings.ReplaceAll(a.GetState(), "_", " ")
		}
		parts = append(parts, a.GetElement()+" "+value)
	}
	return strings.Join(parts, ", ")
}

func (v *visit) registerSheet(string) (sheet, error) {
	s := sheet{name: "register", columns: append(texts("discrepancy", "kind", "subject", "state", "answerable",
		"claim by", "claim", "raised", "rule"),
		append(figures("observed", "limit", "money at stake", "conceded"), texts("fine at stake", "words", "decision",
			"reason", "decided by", "consignment", "lot")...)...)}
	f := v.queryForm("state", "kind", "answerable", "consignment", "lot", "sort")
	f.Set("sort", "money")
	all, _, _, err := v.allDiscrepancies(f)
	for _, d := range all {
		r := v.registerRow(d)
		decision := ""
		if d.GetDecision() != pb.Decision_DECISION_UNSPECIFIED {
			decision = stateWords(d.GetDecision().String(), "DECISION_")
		}
		s.rows = append(s.rows, []string{d.GetName(), r.Kind, d.GetSubject(), r.State, d.GetAnswerable(), d.GetClaimBy(),
			station.ClaimState(d, v.today()), d.GetRaisedAt(), d.GetRule(),
			d.GetObserved(), d.GetLimit(), d.GetMoney(), d.GetConceded(), d.GetFineOunces(), d.GetWords(), decision, d.GetReason(), d.GetDecidedBy(),
			d.GetConsignment(), d.GetLot()})
	}
	return s, err
}

func (v *visit) statementSheet(name string) (sheet, error) {
	s := sheet{name: "statement lines", columns: append(append(texts("line", "code", "description", "element"),
		figures("quantity", "rate", "amount")...),
		texts("before rounding", "rounding", "entries")...)}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, name)
	if err != nil {
		return s, err
	}
	if _, err := station.StatementOf(thing.GetStatement()); err != nil {
		return s, err
	}
	for i, l := range thing.GetStatement().GetLines() {
		s.rows = append(s.rows, []string{strconv.Itoa(i + 1), l.GetCode(), l.GetDescription(), l.GetElement(),
			l.GetQuantity(), l.GetRate(), l.GetAmount(),
			l.GetExact(), l.GetRounding(), strings.Join(l.GetRefs(), ", ")})
	}
	return s, nil
}

func (v *visit) reconciliationSheet(name string) (sheet, error) {
	s := sheet{name: "reconciliation", columns: append(texts("cause", "element"), figures("ounces", "amount")...)}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_RETURN, name)
	if err != nil {
		return s, err
	}
	r := thing.GetReturn().GetReconciliation()
	s.rows = append(s.rows, []string{"statement", "", "", r.GetOurs()})
	for _, p := range partsOf(r) {
		s.rows = append(s.rows, []string{p.Cause, p.Element, p.Ounces, p.Amount})
	}
	s.rows = append(s.rows, []string{"return", "", "", r.GetTheirs()}, []string{"return less statement", "", "",
		r.GetDifference()})
	return s, nil
}

// barsSheet lists the bars of a lot, or all that pass the filter of the trace.
func (v *visit) barsSheet(lot string) (sheet, error) {
	s := sheet{name: "bars", columns: append(texts("bar", "state", "pour", "holder", "box", "consignment", "lot"),
		append(figures("weight poured", "weight on arrival", "last weight"), texts("discrepancies")...)...)}
	f := v.queryForm("state", "holder", "consignment", "lot")
	if lot != "all" {
		f.Set("lot", lot)
	}
	err := v.everything(pb.ThingKind_THING_KIND_BAR, barFilter(f), func(t *pb.Thing) {
		b := t.GetBar()
		s.rows = append(s.rows, []string{b.GetName(), stateWords(b.GetState().String(), "BAR_STATE_"), b.GetPour(),
			b.GetHolder(), b.GetBox(), b.GetConsignment(),
			b.GetLot(), standing(b, pb.WeighingStage_WEIGHING_STAGE_POUR), standing(b, pb.WeighingStage_WEIGHING_STAGE_ARRIVAL),
			standing(b, pb.WeighingStage_WEIGHING_STAGE_UNSPECIFIED), strings.Join(b.GetDiscrepancies(), " ")})
	})
	return s, err
}

// standing is the last weight of a stage that stands; of any stage where none is named.
func standing(b *pb.Bar, stage pb.WeighingStage) string {
	weights := b.GetWeights()
	for i := len(weights) - 1; i >= 0; i-- {
		if w := weights[i]; w.GetSupersededBy() == 0 && (w.GetStage() == stage ||
			stage == pb.WeighingStage_WEIGHING_STAGE_UNSPECIFIED) {
			return w.GetMass()
		}
	}
	return ""
}
