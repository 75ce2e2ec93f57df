package main

import (
	"errors"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

type statementCmd struct {
	Preview     statementPreview `cmd:"" help:"Compute a statement and write nothing: of a lot on record, or from a file of figures without a service." computes:"statement" example:"barward statement preview --file figures.json"`
	Issue       statementIssue   `cmd:"" help:"Issue the statement of a lot, exactly as it was previewed." example:"barward statement issue ST-1 --lot L-1 --kind final --settled-on 2026-04-02"`
	Explain     statementExplain `cmd:"" help:"Walk a figure of a statement back to the entries it rests on." example:"barward statement explain ST-1 net"`
	Countersign countersignCmd   `cmd:"" help:"Agree to a statement that the other party issued." thing:"statement" example:"barward statement countersign quillhaven/ST-1"`
	Advance     statementAdvance `cmd:"" help:"Record money paid before settlement." example:"barward statement advance L-1 --amount '150000.00 USD' --on 2026-03-10"`
	Cost        statementCost    `cmd:"" help:"Record a cost of a lot that the agreement passes on: assay, freight or insurance." example:"barward statement cost L-1 --kind freight --amount '2400.00 USD' --share 50 --reference 'invented waybill 9'"`
	Pay         statementPay     `cmd:"" help:"Record money paid on a statement, positive to the seller." example:"barward statement pay ST-1 --amount '76324.11 USD' --on 2026-04-03 --reference 'invented 77'"`
	List        listCmd          `cmd:"" help:"List statements." example:"barward statement list"`
	Show        showCmd          `cmd:"" help:"Show a statement line by line." example:"barward statement show ST-1"`
}

type statementPreview struct {
	Lot       string `help:"Lot on record." xor:"from" required:""`
	File      string `help:"Terms and figures as JSON; - for standard input. Needs no service." type:"path" xor:"from" required:""`
	Kind      string `help:"provisional, final or corrected; of a lot on record." default:"final"`
	SettledOn string `help:"Date up to which interest counts; of a lot on record." placeholder:"DATE"`
}

// Run computes.
func (c *statementPreview) Run(a *app) error {
	say(a.complain, "%s", moneyCaution)
	if c.File != "" {
		return a.compute("statement", c.File)
	}
	s, err := a.preview(c.Lot, c.Kind, c.SettledOn)
	if err != nil {
		return err
	}
	if a.g.Output != "table" {
		return a.showThing(pb.ThingKind_THING_KIND_STATEMENT, &pb.Thing{Thing: &pb.Thing_Statement{Statement: s}})
	}
	return a.showStatement(s)
}

// preview asks the service what it would issue.
func (a *app) preview(lot, kind, settledOn string) (*pb.Statement, error) {
	if err := a.open(); err != nil {
		return nil, err
	}
	full, err := a.ref(lot)
	if err != nil {
		return nil, err
	}
	k, err := choose(pb.StatementKind_value, "STATEMENT_KIND_", kind, "--kind")
	if err != nil {
		return nil, err
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.settle.PreviewStatement(ctx, &pb.PreviewStatementRequest{
		From: &pb.PreviewStatementRequest_Lot{Lot: full}, Kind: pb.StatementKind(k), SettledOn: settledOn})
	return answer.GetStatement(), err
}

type statementIssue struct {
	Number    string `arg:"" help:"Number of the statement."`
	Lot       string `required:"" help:"Lot."`
	Kind      string `required:"" help:"provisional, final or corrected."`
	SettledOn string `required:"" help:"Date up to which interest counts, and of payment."`
	Digest    string `help:"Digest of the preview that you read; without it, the statement is computed and shown now."`
	Reason    string `help:"Why a corrected statement was needed."`
}

// Run shows what is signed, then signs it. The service computes it again and refuses if a figure moved in between.
func (c *statementIssue) Run(a *app) error {
	say(a.complain, "%s", moneyCaution)
	s, err := a.preview(c.Lot, c.Kind, c.SettledOn)
	if err != nil {
		return err
	}
	if c.Digest != "" && c.Digest != s.GetDigest() {
		return refusal.New(refusal.Aborted, "STATEMENT_MOVED", "--digest",
			"The statement now has the digest %s, not %s: a figure moved since you read it. Preview it again.", s.GetDigest(), c.Digest)
	}
	if a.g.Output == "table" {
		if err := a.showStatement(s); err != nil {
			return err
		}
		say(a.out, "\n")
	}
	if err := a.station.Advance(a.ctx); err != nil {
		return err
	}
	event, err := a.station.Issuing(s, c.Number, c.Reason)
	if err != nil {
		return err
	}
	return a.record(event)
}

type statementExplain struct {
	Statement string `arg:"" optional:"" help:"Statement on record."`
	Line      string `arg:"" optional:"" help:"Line, such as net or payable_total/Au." default:"net"`
	File      string `help:"A statement as 'statement preview -o json' prints it, instead of one on record." type:"path"`
}

// Run walks.
func (c *statementExplain) Run(a *app) error {
	var text []byte
	var lot string // of a statement on record
	var err error
	switch {
	case c.File != "":
		if c.Statement != "" { // with a file, the one argument is the line
			c.Line = c.Statement
		}
		if text, err = a.input(c.File); err != nil {
			return err
		}
	case c.Statement != "":
		thing, err := a.get(pb.ThingKind_THING_KIND_STATEMENT, c.Statement)
		if err != nil {
			return err
		}
		text, lot = []byte(thing.GetStatement().GetDocumentJson()), thing.GetStatement().GetLot()
	default:
		return refusal.Invalidf("STATEMENT_MISSING", "", "Name a statement, or a file with --file.")
	}
	s, err := settlement.ParseStatement(text)
	if err != nil {
		return err
	}
	explained, err := s.Explain(c.Line)
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showValue(explained)
	}
	t := table{columns: []string{"line", "text", "quantity", "rate", "amount", "formula", "entries"}}
	outline(&t, explained, 0)
	if err := a.showTable(t); err != nil || lot == "" || a.g.Output != "table" {
		return err
	}
	return a.showSources(explained.Refs(), lot)
}

// outline lays an explanation out as a table, each input indented under what it explains.
func outline(t *table, e settlement.Explanation, depth int) {
	cells := lineCells(e.Line)
	t.add(strings.Repeat("  ", depth)+e.Line.Path(), e.Line.Text, cells[1], cells[2], cells[3], e.Line.Formula, cells[5])
	for _, input := range e.Inputs {
		outline(t, input, depth+1)
	}
}

type statementAdvance struct {
	Lot    string `arg:"" help:"Lot."`
	Amount string `required:"" help:"Amount with its currency."`
	On     string `required:"" help:"Value date."`
}

// Run records the advance.
func (c *statementAdvance) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	return a.record(&pb.AdvancePaid{Lot: lot, Amount: c.Amount, PaidOn: c.On})
}

type statementCost struct {
	Lot       string `arg:"" help:"Lot."`
	Kind      string `required:"" help:"assay, freight or insurance."`
	Amount    string `required:"" help:"The whole cost with its currency."`
	Share     string `required:"" help:"The seller's share in percent, 0 to 100."`
	Reference string `help:"Invoice or waybill."`
}

// Run records the cost.
func (c *statementCost) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	return a.record(&pb.CostRecorded{Lot: lot, Kind: c.Kind, Amount: c.Amount, SellerSharePercent: c.Share, Reference: c.Reference})
}

type statementPay struct {
	Statement string `arg:"" help:"Statement."`
	Amount    string `required:"" help:"Amount with its currency, positive to the seller."`
	On        string `required:"" help:"Value date."`
	Reference string `help:"Reference of the bank."`
}

// Run records the payment.
func (c *statementPay) Run(a *app) error {
	statement, err := a.ref(c.Statement)
	if err != nil {
		return err
	}
	return a.record(&pb.PaymentRecorded{Statement: statement, Amount: c.Amount, PaidOn: c.On, Reference: c.Reference})
}

// statementColumns are those of a statement on paper.
var statementColumns = []string{"line", "quantity", "rate", "amount", "rounding", "entries"}

// showStatement prints a statement from the record or a preview of one.
func (a *app) showStatement(s *pb.Statement) error {
	name := s.GetName()
	if name == "" {
		name = "preview"
	}
	say(a.out, "%s statement %s, lot %s, settled on %s\n", word(s.GetKind()), name, s.GetLot(), s.GetSettledOn())
	if s.GetCorrects() != "" {
		say(a.out, "corrects %s%s\n", s.GetCorrects(), with(": ", printable(s.GetReason())))
	}
	say(a.out, "\n")
	t := table{columns: statementColumns}
	for _, l := range s.GetLines() {
		t.add(l.GetDescription(), l.GetQuantity(), l.GetRate(), l.GetAmount(), l.GetRounding(), numbers(l.GetRefs()))
	}
	if err := a.showTable(t); err != nil {
		return err
	}
	document, err := station.StatementOf(s)
	if err != nil {
		return err
	}
	if err := a.showChanges(s, document); err != nil {
		return err
	}
	a.showBalance(document)
	say(a.out, "\npayable        %s\nnet            %s%s\n", strings.Join(s.GetPayable(), ", "), s.GetNet(),
		toWhom(s.GetNet()))
	for _, more := range []field{{"paid", s.GetPaid()}, {"issued by", s.GetIssuer()}, {"countersigned",
		strings.Join(s.GetCountersignedBy(), ", ")}, {"digest", s.GetDigest()}} {
		if more.value != "" {
			say(a.out, "%-13s  %s\n", more.label, more.value)
		}
	}
	return a.showCheckpoint(s)
}

// showCheckpoint says which state of the log a statement rests on, and holds the log against it as it is seen here.
func (a *app) showCheckpoint(s *pb.Statement) error {
	if s.GetCheckpointSize() == 0 {
		return nil
	}
	if err := a.restsOn(s); err != nil {
		return err
	}
	say(a.out, "%-13s  %d entries of the log, which this machine's log continues\n", "rests on", s.GetCheckpointSize())
	return nil
}

// restsOn refuses a statement whose issuer had another log before them than this machine has: nobody should sign it.
func (a *app) restsOn(s *pb.Statement) error {
	err := a.station.HadTree(a.ctx, s.GetCheckpointSize(), s.GetCheckpointRoot())
	if errors.Is(err, station.ErrOtherTree) {
		return refusal.New(refusal.DataLoss, "CHECKPOINT_DIFFERS", "",
			"The statement %s rests on a log of %d entries that this machine's log does not continue: its issuer was shown another one, or named a root that never was. Sign nothing; compare checkpoints with them.",
			s.GetName(), s.GetCheckpointSize()).Because(err)
	}
	return err
}

// showBalance proves that no metal appears or disappears on a statement, and that its money adds up.
func (a *app) showBalance(s settlement.Statement) {
	say(a.out, "\n")
	for _, m := range s.Metal {
		say(a.out, "balance %-5s  received %s = payable %s + unpaid %s + lost in the melt %s %s\n", m.Element, m.Received, m.Payable, m.Unpaid, m.Loss, m.Unit)
	}
	say(a.out, "balance money  ")
	for i, part := range []struct {
		name   string
		amount quantity.Decimal
	}{{"value", s.Money.Value}, {"charges", s.Money.Charges}, {"penalties", s.Money.Penalties}, {"advances", s.Money.Advances},
		{"interest", s.Money.Interest}, {"held back", s.Money.HeldBack}} {
		if part.amount.IsZero() && i > 0 {
			continue
		}
		sign := map[bool]string{true: "+ ", false: "− "}[part.amount.Sign() >= 0]
		if i == 0 {
			sign = ""
		}
		say(a.out, "%s%s %s ", sign, part.name, part.amount.Abs())
	}
	say(a.out, "= net %s\n", s.Net)
}

// showChanges prints what a corrected statement changed, and which figures below moved it.
func (a *app) showChanges(s *pb.Statement, document settlement.Statement) error {
	if s.GetKind() != pb.StatementKind_STATEMENT_KIND_CORRECTED {
		return nil
	}
	say(a.out, "\nwhat changed, and because of what\n")
	t := table{columns: []string{"line", "before", "after", "because of"}}
	for _, c := range document.Changes {
		because := strings.Join(c.Because, ", ")
		if because == c.Path {
			because = "itself: it was entered anew"
		}
		t.add(c.Path, c.Before, c.After, because)
	}
	return a.showTable(t)
}

// showSettlement prints a statement that was computed here from figures.
func (a *app) showSettlement(s settlement.Statement) error {
	t := table{columns: statementColumns}
	for _, l := range s.Lines {
		t.add(lineCells(l)...)
	}
	if a.g.Output == "csv" {
		return a.showTable(t)
	}
	say(a.out, "%s statement %s, lot %s\n\n", s.Kind, s.Number, s.Lot)
	if err := a.showTable(t); err != nil {
		return err
	}
	a.showBalance(s)
	say(a.out, "\nnet     %s%s\n", s.Net, toWhom(s.Net.String()))
	if !s.Converted.IsZero() {
		say(a.out, "        %s\n", s.Converted)
	}
	say(a.out, "digest  %s\n", s.Digest())
	for _, f := range s.Flags {
		say(a.out, "! %s\n", printable(f.Text))
	}
	return nil
}

func lineCells(l settlement.Line) []string {
	quantity, rate, rounding := "", "", l.Step
	if l.Quantity != nil {
		quantity = strings.TrimSpace(l.Quantity.String() + " " + l.QuantityUnit)
	}
	if l.Rate != nil {
		rate = strings.TrimSpace(l.Rate.String() + " " + l.RateUnit)
	}
	if l.Exact != "" {
		rounding += " of " + l.Exact
	}
	refs := make([]string, len(l.Refs))
	for i, r := range l.Refs {
		refs[i] = string(r)
	}
	text := l.Text // of which metal, and of which bar or melt, as on a statement from the record
	for _, of := range []string{string(l.Element), l.Unit} {
		if of != "" && !strings.Contains(text, of) {
			text += ", " + of
		}
	}
	return []string{text, quantity, rate, l.Amount.String(), rounding, numbers(refs)}
}

// numbers lists the entries that a line rests on, under a heading that says what they are.
func numbers(refs []string) string {
	short := make([]string, len(refs))
	for i, r := range refs {
		short[i] = strings.TrimPrefix(r, "entry ")
	}
	return strings.Join(short, " ")
}

func toWhom(net string) string {
	switch {
	case net == "":
		return ""
	case strings.HasPrefix(net, "-"):
		return " (due from the seller)"
	}
	return " (due to the seller)"
}

type returnCmd struct {
	Import  returnImport  `cmd:"" help:"Record the refinery's own account of a lot, CSV or JSON." example:"barward return import RT-1 --lot quillhaven/L-1 --file return.csv"`
	Compare returnCompare `cmd:"" help:"Compare a return with the statement of a lot, or all from a file of figures without a service. Writes nothing." computes:"return" example:"barward return compare --lot quillhaven/L-1 --file return.csv"`
	List    listCmd       `cmd:"" help:"List returns." example:"barward return list"`
	Show    showCmd       `cmd:"" help:"Show a return and where it differs." example:"barward return show RT-1"`
}

type returnImport struct {
	Number string `arg:"" help:"Number of the return."`
	Lot    string `required:"" help:"Lot."`
	File   string `required:"" help:"The return, CSV or JSON." type:"path"`
}

// Run reads the whole return before any of it is signed.
func (c *returnImport) Run(a *app) error {
	lot, err := a.ref(c.Lot)
	if err != nil {
		return err
	}
	text, err := a.input(c.File)
	if err != nil {
		return err
	}
	if _, err := settlement.ParseReturn(text); err != nil {
		return err
	}
	return a.record(&pb.ReturnReceived{ReturnId: c.Number, Lot: lot, Document: string(text)})
}

type returnCompare struct {
	Lot  string `help:"Lot on record; without it, the file holds terms, figures, return and tolerances."`
	File string `required:"" help:"The return, CSV or JSON; without --lot all figures, JSON." type:"path"`
}

// Run compares.
func (c *returnCompare) Run(a *app) error {
	if c.Lot == "" {
		return a.compute("return", c.File)
	}
	lot, text, err := a.lotAndFile(c.Lot, c.File)
	if err != nil {
		return err
	}
	ctx, cancel := a.call()
	defer cancel()
	answer, err := a.settle.ReconcileReturn(ctx, &pb.ReconcileReturnRequest{Lot: lot, Document: string(text)})
	if err != nil {
		return err
	}
	if a.g.Output == "json" {
		return a.showJSON([]proto.Message{answer})
	}
	return a.showReconciliation(answer.GetStatement(), answer.GetReconciliation())
}

func (a *app) showReturn(r *pb.Return) error {
	say(a.out, "return %s of lot %s, entry %d\n", r.GetName(), r.GetLot(), r.GetEntry())
	if r.GetReconciliation() == nil {
		say(a.out, "Not compared yet: no statement stood when it came.\n")
		return nil
	}
	return a.showReconciliation(r.GetStatement(), r.GetReconciliation())
}

func (a *app) showReconciliation(statement string, r *pb.Reconciliation) error {
	t := table{columns: []string{"cause", "element", "ounces", "money"}}
	for _, p := range r.GetParts() {
		t.add(strings.ReplaceAll(p.GetCause(), "_", " "), p.GetElement(), p.GetOunces(), p.GetAmount())
	}
	if a.g.Output == "csv" {
		return a.showTable(t)
	}
	say(a.out, "compared with statement %s\nours %s, theirs %s, theirs less ours %s\n\n", statement, r.GetOurs(),
		r.GetTheirs(), r.GetDifference())
	if err := a.showTable(t); err != nil {
		return err
	}
	for _, f := range r.GetFindings() {
		say(a.out, "! %s\n", printable(f))
	}
	return nil
}

type discrepancyCmd struct {
	Decide  discrepancyDecide  `cmd:"" help:"Record how a discrepancy ended, and why." example:"barward discrepancy decide d41.1 --decision made_good --reason 'refinery pays the difference' --conceded '412.50 USD'"`
	List    discrepancyList    `cmd:"" help:"List discrepancies." example:"barward discrepancy list --sort money --filter 'state = \"OPEN\"'"`
	Summary discrepancySummary `cmd:"" help:"Add up the register: by who must answer and by kind." example:"barward discrepancy summary --filter 'state = \"OPEN\"'"`
	Show    showCmd            `cmd:"" help:"Show a discrepancy: rule, limit, observed, what is explained, at stake, evidence." example:"barward discrepancy show d41.1"`
}

type discrepancyDecide struct {
	Discrepancy string `arg:"" help:"Discrepancy, such as d41.1."`
	Decision    string `required:"" help:"accepted, made_good, shared, waived or referred."`
	Reason      string `required:"" help:"Why."`
	Conceded    string `help:"What was conceded, money."`
}

// Run records the decision.
func (c *discrepancyDecide) Run(a *app) error {
	decision, err := choose(pb.Decision_value, "DECISION_", c.Decision, "--decision")
	if err != nil {
		return err
	}
	return a.record(&pb.DiscrepancyDecided{Discrepancy: c.Discrepancy, Decision: pb.Decision(decision),
		Reason: c.Reason, Conceded: c.Conceded})
}
