package desk

import (
	"context"
	"html/template"
	"strings"

	"barward/client/station"
	"barward/internal/chart"
	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// returnPage is a refinery's return against the statement.
type returnPage struct {
	Form      *Form
	Lot       *pb.Lot
	Back      string
	R         *pb.Reconciliation
	Name      string // of the return; empty before it is recorded
	Statement string
	Chart     string     // address of the waterfall
	Money     []partLine // parts of the difference in money
	Metal     []partLine // and of that in metal
	Differing []lineRow  // lines beyond their tolerance, or that one side lacks
	Agreeing  []lineRow
	Agrees    bool
	Notes     []string
	Entry     uint64
	MayRecord bool
	Papers    []paperLink
	Seen      Seen
	Most      int
	Drawing   template.HTML     // the waterfall of a comparison that is not recorded
	Template  string            // address of a return to be filled in; empty where no statement stands
	Raised    []*pb.Discrepancy // by this return
}

type partLine struct{ Cause, Element, Ounces, Amount string }

// partsOf are the parts of a difference, in the order of the record: first of money, then of metal.
func partsOf(r *pb.Reconciliation) (lines []partLine) {
	for _, p := range r.GetParts() {
		lines = append(lines, partLine{strings.ReplaceAll(p.GetCause(), "_", " "), p.GetElement(), p.GetOunces(),
			p.GetAmount()})
	}
	return lines
}

// lineRow is one line of both sides.
type lineRow struct {
	Name, Path, Ours, Theirs, Words string
	Differs                         bool
}

// fill puts a comparison on the page, its lines called as the statement calls them.
func (p *returnPage) fill(r *pb.Reconciliation, against settlement.Statement) error {
	if p.R = r; r == nil {
		return nil
	}
	c, err := station.ReconciliationOf(r)
	if err != nil {
		return err
	}
	for _, part := range partsOf(r) {
		if part.Amount != "" {
			p.Money = append(p.Money, part)
		} else {
			p.Metal = append(p.Metal, part)
		}
	}
	p.Agrees, p.Notes = c.Agrees, c.Notes
	ours, totals := map[string]settlement.Line{}, map[string]bool{}
	for _, l := range against.Lines {
		ours[l.Path()] = l
	}
	for _, l := range c.Lines {
		totals[l.Path] = l.Theirs != ""
	}
	for _, l := range c.Lines {
		line, named := ours[l.Path]
		row := lineRow{Name: lineName(line, named, l.Path), Path: l.Path, Ours: l.Ours, Theirs: l.Theirs, Words: l.Words,
			Differs: l.Verdict == settlement.Differs || l.Counts && (l.Verdict == settlement.NotOurs ||
				l.Verdict == settlement.NotTheirs)}
		if row.Words == "" && l.Difference != nil {
			unit := map[string]string{"amount": string(line.Amount.Currency()), "quantity": line.QuantityUnit,
				"rate": line.RateUnit}[l.What]
			row.Words = joined(" ", l.What+" differs by "+l.Difference.String(), unit)
		}
		total := string(settlement.PayableTotal) + "/" + string(line.Element)
		if l.Verdict == settlement.NotTheirs && line.Code == settlement.PayableMetal && totals[total] {
			row.Words = "the return has no line of this bar or melt alone; it states the total, " + total
		}
		if row.Differs {
			p.Differing = append(p.Differing, row)
		} else {
			p.Agreeing = append(p.Agreeing, row)
		}
	}
	return nil
}

// lineName is what a line is, in words.
func lineName(l settlement.Line, known bool, path string) string {
	if !known {
		return strings.ReplaceAll(strings.ReplaceAll(path, "/", ", "), "_", " ")
	}
	if l.Code == settlement.Net {
		return "net"
	}
	name := l.Text
	for _, of := range []string{string(l.Element), l.Name, l.Unit} {
		if of != "" && !strings.Contains(name, of) {
			name += ", " + of
		}
	}
	return name
}

// statementNamed reads a statement's own document.
func (v *visit) statementNamed(name string) (settlement.Statement, error) {
	if name == "" {
		return settlement.Statement{}, nil
	}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, name)
	if err != nil {
		return settlement.Statement{}, err
	}
	return station.StatementOf(thing.GetStatement())
}

// returnTemplate is a return of a lot to be filled in: the lines of the statement that stands, with the codes and units
// that a return has, and no figures.
func (v *visit) returnTemplate() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	list, err := v.statementsOf(lot)
	if err != nil {
		return err
	}
	stands := station.Standing(list)
	if stands == nil {
		return refusal.New(refusal.Precondition, "STATEMENT_NOT_ISSUED", "",
			"No statement of lot %s stands yet, so its lines are not known. Issue one first.", lot.GetName())
	}
	document, err := station.StatementOf(stands)
	if err != nil {
		return err
	}
	file, err := station.ReturnTemplate(document)
	if err != nil {
		return err
	}
	return v.download("return of "+lot.GetName(), "csv", "text/csv; charset=utf-8; header=present", file)
}

// compareReturn reads a return, compares it with the statement of its lot, and records it where one asks for that.
func (v *visit) compareReturn() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	f := v.form()
	p := returnPage{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName()),
		MayRecord: v.seat.May(identity.ReturnReceived), Most: maxReturn}
	if list, err := v.statementsOf(lot); err != nil {
		return err
	} else if station.Standing(list) != nil {
		p.Template = pathTo("/office/template/", lot.GetName())
	}
	if v.posted() {
		document := f.values.Get("document")
		if strings.TrimSpace(document) == "" {
			f.Blame("document", "Choose the file, or paste what it holds.")
		} else if len(document) > maxReturn {
			f.Blame("document", "This is longer than a return may be. See that it is the right file.")
		} else if _, err := station.ReadReturn(document); err != nil {
			if r := station.AsRefusal(err); r != nil {
				f.Blame("document", capital(joined(": ", strings.Replace(r.Field, ".", ", column ", 1), r.Text)))
			} else {
				return err
			}
		}
		if f.Good() && f.Get("record") != "" {
			body := &pb.ReturnReceived{ReturnId: f.need("return_id", "Give the return a number."), Lot: lot.GetName(),
				Document: document}
			done, err := v.signed(f, "Return "+body.GetReturnId(), pathTo("/office/return/",
				v.seat.Party+"/"+body.GetReturnId()), body)
			if done {
				return err
			}
		}
		if f.Wrong("document") == "" {
			if err := v.reconcile(lot.GetName(), document, &p); err != nil && !f.refuse(err) {
				return err
			}
		}
		if !f.Good() {
			v.status = 422
		}
	}
	return v.show("office_compare.html", "Return against statement", p)
}

func (v *visit) reconcile(lot, document string, p *returnPage) error {
	settle, err := v.d.station.Settlement(v.ctx())
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(v.ctx(), v.d.c.Timeout)
	defer cancel()
	answer, err := settle.ReconcileReturn(ctx, &pb.ReconcileReturnRequest{Lot: lot, Document: document})
	if err != nil {
		return err
	}
	p.Statement = answer.GetStatement()
	against, err := v.statementNamed(p.Statement)
	if err != nil {
		return err
	}
	if err := p.fill(answer.GetReconciliation(), against); err != nil {
		return err
	}
	w, err := fallOf(answer.GetReconciliation(), "The return against statement "+p.Statement)
	if err == nil {
		p.Drawing = template.HTML(w.SVG()) // made by our own chart, which escapes every text
	}
	return err
}

// oneReturn shows a return on record with its waterfall.
func (v *visit) oneReturn() error {
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_RETURN, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	r := thing.GetReturn()
	p := returnPage{Form: v.form(), Name: r.GetName(), Statement: r.GetStatement(), Entry: r.GetEntry(), Seen: seen,
		Back:  pathTo("/office/lot/", r.GetLot()),
		Chart: pathTo("/office/waterfall/", r.GetName()), Lot: &pb.Lot{Name: r.GetLot()}}
	against, err := v.statementNamed(r.GetStatement())
	if err != nil {
		return err
	}
	if err := p.fill(r.GetReconciliation(), against); err != nil {
		return err
	}
	list, _, err := v.page(pb.ThingKind_THING_KIND_DISCREPANCY, filterOf("lot", r.GetLot()), "", station.MaxPage)
	if err != nil {
		return err
	}
	for _, thing := range list.GetThings() {
		if d := thing.GetDiscrepancy(); d.GetEntry() == r.GetEntry() {
			p.Raised = append(p.Raised, d)
		}
	}
	if _, known := paperKinds()["reconciliation"]; known {
		p.Papers = append(p.Papers, paperLink{pathTo("/papers/reconciliation/", r.GetName()) + ".pdf", "Print as PDF"})
	}
	for _, form := range []string{"csv", "xlsx"} {
		p.Papers = append(p.Papers, paperLink{pathTo("/office/export/reconciliation/", r.GetName()) + "?format=" + form,
			"Parts as " + strings.ToUpper(form)})
	}
	return v.show("office_return.html", "Return "+r.GetName(), p)
}

// waterfall draws the difference between statement and return.
func (v *visit) waterfall() error {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_RETURN, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	r := thing.GetReturn()
	w, err := fallOf(r.GetReconciliation(), "Return "+r.GetName()+" against statement "+r.GetStatement())
	if err != nil {
		return err
	}
	return v.svg(w.SVG())
}

// fallOf lays a comparison out as a waterfall.
func fallOf(c *pb.Reconciliation, title string) (w chart.Waterfall, err error) {
	w = chart.Waterfall{Title: title, Description: waterfallWords(c)}
	if w.First, err = fallStep("statement", c.GetOurs()); err != nil {
		return w, err
	}
	if w.Last, err = fallStep("return", c.GetTheirs()); err != nil {
		return w, err
	}
	for _, p := range c.GetParts() {
		if p.GetAmount() == "" {
			continue // it moves metal; the money of it stands in a part of its own
		}
		part, err := fallStep(strings.TrimSpace(strings.ReplaceAll(p.GetCause(), "_", " ")+" "+p.GetElement()), p.GetAmount())
		if err != nil {
			return w, err
		}
		w.Parts = append(w.Parts, part)
	}
	return w, nil
}

// fallStep is a step of a waterfall: the figure as it is written, and where its bar ends.
func fallStep(label, money string) (chart.Step, error) {
	m, err := quantity.ParseMoney(money)
	if err != nil {
		return chart.Step{}, refusal.New(refusal.Precondition, "RETURN_NOT_COMPARED", "",
			"This return was not compared with a statement, so there is nothing to draw.")
	}
	return chart.Step{Label: label, Text: money, Value: m.Amount().Float()}, nil
}

func waterfallWords(r *pb.Reconciliation) string {
	parts := []string{"The statement comes to " + r.GetOurs() + ", the return to " + r.GetTheirs() + ", the return less the statement is " + r.GetDifference()}
	for _, p := range r.GetParts() {
		if p.GetAmount() == "" {
			continue
		}
		parts = append(parts, strings.TrimSpace(strings.ReplaceAll(p.GetCause(), "_",
			" ")+" "+p.GetElement())+" "+p.GetAmount())
	}
	return strings.Join(parts, "; ") + "."
}

// svg answers with a drawing. It holds no script and no style and asks for nothing.
func (v *visit) svg(drawing string) error {
	v.w.Header().Set("Content-Type", "image/svg+xml")
	v.w.Header().Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	_, err := v.w.Write([]byte(drawing))
	return err
}
