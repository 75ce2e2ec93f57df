package desk

import (
	"context"
	"net/url"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// statementPage is a statement, issued or previewed.
type statementPage struct {
	Form      *Form
	S         *pb.Statement
	Kind      string
	Lot       string
	Back      string
	Lines     []statementRow
	From, To  int    // lines shown, from 1
	Earlier   string // query of the lines before; empty if there are none
	Later     string
	Metal     []settlement.MetalBalance
	Money     []figureLine
	Changes   []settlement.Change
	Flags     []settlement.Flag
	ToWhom    string
	Checked   string // what this desk has verified of its checkpoint
	Wrong     string // the checkpoint is not of the log that this desk knows
	MayAgree  bool
	MayPay    bool
	Issue     uint64 // entry of its issue
	Papers    []paperLink
	Preview   bool
	MayIssue  bool
	Kinds     []Option
	Corrected bool
	Seen      Seen
	Open      []*pb.Discrepancy // open on the lot's metal, for who is about to sign
	Price     *missingPrice     // without which nothing is computed
}

// statementRow is a line with the address at which it opens.
type statementRow struct {
	No   int
	L    *pb.StatementLine
	Path string
	Refs []refLink
	Bold bool
	How  string // how the payable metal follows, where no single rate says so
}

// refLink is what a line rests on: an entry, or a document that is not in the ledger.
type refLink struct {
	Text  string
	Entry uint64
	Known bool
}

func refLinks(refs []string) (links []refLink) {
	for _, r := range refs {
		n, known := station.EntryOf(r)
		text := r
		if known {
			text = strconv.FormatUint(n, 10)
		}
		links = append(links, refLink{text, n, known})
	}
	return links
}

func toWhom(net string) string {
	switch {
	case net == "":
		return ""
	case strings.HasPrefix(net, "-"):
		return "due from the seller"
	}
	return "due to the seller"
}

// fill puts a statement on a page. path makes the address of a line's sources.
func (p *statementPage) fill(s *pb.Statement, from int, path func(no int) string) error {
	document, err := station.StatementOf(s)
	if err != nil {
		return err
	}
	p.S, p.Lot, p.Kind, p.ToWhom = s, s.GetLot(), stateWords(s.GetKind().String(), "STATEMENT_KIND_"), toWhom(s.GetNet())
	p.Metal, p.Changes, p.Flags = document.Metal, document.Changes, document.Flags
	m := document.Money
	for _, part := range []figureLine{{"value", m.Value.String()}, {"charges", m.Charges.String()}, {"penalties",
		m.Penalties.String()},
		{"advances", m.Advances.String()}, {"interest", m.Interest.String()}, {"held back", m.HeldBack.String()}} {
		if part.Name == "value" || strings.Trim(part.Value, "0.") != "" {
			p.Money = append(p.Money, part)
		}
	}
	lines := s.GetLines()
	from = max(1, min(from, len(lines)))
	p.From, p.To = from, min(len(lines), from+maxLinesShown-1)
	for no := p.From; no <= p.To && no >= 1; no++ {
		l := lines[no-1]
		p.Lines = append(p.Lines, statementRow{No: no, L: l, Path: path(no), Refs: refLinks(l.GetRefs()),
			Bold: l.GetCode() == string(settlement.Net) || strings.HasSuffix(l.GetCode(), "_total")})
		if no <= len(document.Lines) && document.Lines[no-1].Code == settlement.PayableMetal && l.GetRate() == "" {
			p.Lines[len(p.Lines)-1].How = document.Lines[no-1].Formula
		}
	}
	return nil
}

// fromLine reads where the lines shown begin.
func (v *visit) fromLine() int {
	n, err := strconv.Atoi(v.r.URL.Query().Get("from"))
	if err != nil {
		return 1
	}
	return n
}

// previewed asks the service for the statement that it would issue now.
func (v *visit) previewed(lot, kind, on string) (*pb.Statement, error) {
	k, ok := pb.StatementKind_value["STATEMENT_KIND_"+kind]
	if !ok || k == 0 {
		return nil, refusal.Invalidf("KIND_MISSING", "kind", "Choose how final the statement is.")
	}
	settle, err := v.d.station.Settlement(v.ctx())
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(v.ctx(), v.d.c.Timeout)
	defer cancel()
	answer, err := settle.PreviewStatement(ctx,
		&pb.PreviewStatementRequest{From: &pb.PreviewStatementRequest_Lot{Lot: lot},
			Kind: pb.StatementKind(k), SettledOn: on})
	return answer.GetStatement(), err
}

// previewStatement shows what would be issued, and issues exactly that. A figure that moved since it was read is
// found by its digest.
func (v *visit) previewStatement() error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	f := v.queryForm("kind", "settled_on")
	if v.posted() {
		f = v.form()
	}
	p := statementPage{Form: f, Lot: lot.GetName(), Back: pathTo("/office/lot/", lot.GetName()), Preview: true,
		MayIssue: v.seat.May(identity.StatementIssued), Kinds: choicesOf(pb.StatementKind_name, "STATEMENT_KIND_", "choose")}
	f.Set("settled_on", v.d.now().Format("2006-01-02"))
	asked := f.Get("kind") != ""
	if lot.GetState() == pb.LotState_LOT_STATE_ASSAYS_SETTLED {
		f.Set("kind", "FINAL") // chosen, not computed before it is asked for
	}
	var preview *pb.Statement
	if asked {
		preview, err = v.previewed(lot.GetName(), f.Get("kind"), f.Get("settled_on"))
		if err == nil {
			err = p.fill(preview, v.fromLine(), func(no int) string {
				return withQuery("/office/figure/"+strconv.Itoa(no), "lot", lot.GetName(), "kind", f.Get("kind"), "on",
					f.Get("settled_on"))
			})
			p.Corrected = preview.GetKind() == pb.StatementKind_STATEMENT_KIND_CORRECTED
		}
		if err != nil {
			p.Price = v.priceMissing(err, v.r.URL.Path+"?kind="+url.QueryEscape(f.Get("kind")))
			if p.Price != nil {
				v.status = 422
			} else if !f.refuse(err) {
				return err
			}
		}
		if p.S != nil && p.MayIssue {
			if p.Open, _, err = v.raisedOn(lot); err != nil {
				return err
			}
			p.Open = openOnes(p.Open)
		}
	}
	if v.posted() && preview != nil && f.Good() {
		if moved := f.Get("digest"); moved != preview.GetDigest() {
			f.Fault = "A figure moved since you read this statement. It was computed anew and is shown below: " +
				"read it again, then issue it."
			v.status = 422
		} else if done, err := v.issue(f, preview); done {
			return err
		}
	}
	if p.S == nil && v.status == 0 && asked {
		v.status = 422
	}
	return v.show("office_preview.html", "Preview a statement", p)
}

func (v *visit) issue(f *Form, preview *pb.Statement) (done bool, err error) {
	number := f.need("statement_id", "Give the statement a number.")
	if preview.GetKind() == pb.StatementKind_STATEMENT_KIND_CORRECTED {
		f.need("reason", "Say why a corrected statement is needed.")
	}
	body, err := v.d.station.Issuing(preview, number, f.Get("reason"))
	if err != nil {
		return true, err
	}
	return v.signed(f, "Statement "+number, pathTo("/office/statement/", v.seat.Party+"/"+number), body)
}

// statement shows a statement on record.
func (v *visit) statement() error {
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	s := thing.GetStatement()
	p := statementPage{Form: v.form(), Back: pathTo("/office/lot/", s.GetLot()), Seen: seen}
	err = p.fill(s, v.fromLine(), func(no int) string {
		return withQuery("/office/figure/"+strconv.Itoa(no), "statement", s.GetName())
	})
	if err != nil {
		return err
	}
	if p.From > 1 {
		p.Earlier = withQuery(pathTo("/office/statement/", s.GetName()), "from", strconv.Itoa(max(1, p.From-maxLinesShown)))
	}
	if p.To < len(s.GetLines()) {
		p.Later = withQuery(pathTo("/office/statement/", s.GetName()), "from", strconv.Itoa(p.To+1))
	}
	if len(s.GetEntries()) > 0 {
		p.Issue = s.GetEntries()[0]
	}
	if size := s.GetCheckpointSize(); size > 0 && seen.Live {
		switch err := v.rightTree(size, s.GetCheckpointRoot()); {
		case err == nil:
			p.Checked = "verified by this desk: the log it knows had that checkpoint"
		case station.Unreachable(err):
			p.Checked = "not verified yet: the link is down"
		case untrusted(err):
			return err
		default:
			p.Wrong = plainWords(err)
		}
	}
	stands := s.GetCorrectedBy() == "" && s.GetKind() != pb.StatementKind_STATEMENT_KIND_PROVISIONAL
	p.MayAgree = stands && s.GetIssuer() != v.seat.Party && len(s.GetCountersignedBy()) == 0 &&
		v.seat.May(identity.StatementIssued) && p.Wrong == ""
	if p.MayAgree {
		if p.Open, err = v.openOnLot(s.GetLot()); err != nil {
			return err
		}
	}
	if stands && len(s.GetCountersignedBy()) > 0 && v.seat.May(identity.PaymentRecorded) {
		lot, _, err := v.get(pb.ThingKind_THING_KIND_LOT, s.GetLot())
		if err != nil {
			return err
		}
		p.MayPay = station.Payer(lot.GetLot(), s) == v.seat.Party
	}
	if _, known := paperKinds()["statement"]; known {
		p.Papers = append(p.Papers, paperLink{pathTo("/papers/statement/", s.GetName()) + ".pdf", "Print as PDF"})
	}
	for _, form := range []string{"csv", "xlsx"} {
		p.Papers = append(p.Papers, paperLink{pathTo("/office/export/statement/", s.GetName()) + "?format=" + form,
			"Lines as " + strings.ToUpper(form)})
	}
	return v.show("office_statement.html", "Statement "+s.GetName(), p)
}

// figurePage is one figure with all that it rests on.
type figurePage struct {
	Name    string // of the statement; empty for a preview
	Lot     string
	Back    string
	Tree    explained
	Entries []shownEntry
	More    int
	Others  []string // documents that are not in the ledger
	Proven  int
	Size    uint64
}

// explained is a line with the lines it was computed from.
type explained struct {
	No       int
	Text     string
	Path     string
	Quantity string
	Rate     string
	Amount   string
	Formula  string
	Rounding string
	Refs     []refLink
	Inputs   []explained
}

func explainedOf(e settlement.Explanation) explained {
	l := e.Line
	x := explained{No: l.No, Text: l.Text, Path: l.Path(), Amount: l.Amount.String(), Formula: l.Formula}
	for _, of := range []string{string(l.Element), l.Unit} {
		if of != "" && !strings.Contains(x.Text, of) {
			x.Text += ", " + of
		}
	}
	if l.Quantity != nil {
		x.Quantity = strings.TrimSpace(l.Quantity.String() + " " + l.QuantityUnit)
	}
	if l.Rate != nil {
		x.Rate = strings.TrimSpace(l.Rate.String() + " " + l.RateUnit)
	}
	if l.Exact != "" {
		x.Rounding = strings.TrimSpace(l.Step + ", before it " + l.Exact)
	}
	for _, r := range l.Refs {
		x.Refs = append(x.Refs, refLinks([]string{string(r)})...)
	}
	for _, input := range e.Inputs {
		x.Inputs = append(x.Inputs, explainedOf(input))
	}
	return x
}

// figure opens one figure of a statement, or of a preview, down to the signed entries.
func (v *visit) figure() error {
	q := v.r.URL.Query()
	var s *pb.Statement
	p := figurePage{}
	if name := q.Get("statement"); name != "" {
		thing, _, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, name)
		if err != nil {
			return err
		}
		s = thing.GetStatement()
		p.Name, p.Back = s.GetName(), pathTo("/office/statement/", s.GetName())
	} else {
		var err error
		if s, err = v.previewed(q.Get("lot"), q.Get("kind"), q.Get("on")); err != nil {
			return err
		}
		p.Back = withQuery(pathTo("/office/preview/", q.Get("lot")), "kind", q.Get("kind"), "settled_on", q.Get("on"))
	}
	p.Lot = s.GetLot()
	document, err := station.StatementOf(s)
	if err != nil {
		return err
	}
	e, err := document.Explain(v.r.PathValue("line"))
	if err != nil {
		return err
	}
	p.Tree = explainedOf(e)
	if e.Line.Code == settlement.Net {
		p.Tree.Text = "net, " + toWhom(s.GetNet())
	}
	var numbers []uint64
	for _, r := range e.Refs() {
		if n, known := station.EntryOf(string(r)); known {
			numbers = append(numbers, n)
		} else {
			p.Others = append(p.Others, string(r))
		}
	}
	if p.More = len(numbers) - maxSources; p.More > 0 {
		numbers = numbers[:maxSources]
	}
	if p.Entries, err = v.shownEntries(numbers); err != nil {
		return err
	}
	p.Proven, p.Size = v.provenOf(p.Entries)
	return v.show("office_figure.html", capital(p.Tree.Text), p)
}

// advance records money paid before settlement.
func (v *visit) advance() error {
	return v.lotForm("office_advance.html", "Record an advance", func(f *Form, lot string) (string, proto.Message) {
		return "The advance on " + lot, &pb.AdvancePaid{Lot: lot, Amount: f.need("amount",
			"Give the amount and its currency."),
			PaidOn: f.need("paid_on", "Give the value date.")}
	})
}

// cost records a cost that the agreement passes on.
func (v *visit) cost() error {
	return v.lotForm("office_cost.html", "Record a cost", func(f *Form, lot string) (string, proto.Message) {
		return "The cost of " + lot, &pb.CostRecorded{Lot: lot, Kind: f.need("kind", "Say what for."),
			Amount: f.need("amount", "Give the amount and its currency."), SellerSharePercent: f.need("seller_share_percent",
				"Give the seller's share."),
			Reference: f.Get("reference")}
	})
}

// lotForm is a page with one form about a lot.
func (v *visit) lotForm(page, title string, body func(f *Form, lot string) (words string, body proto.Message)) error {
	lot, err := v.lotOf()
	if err != nil {
		return err
	}
	f := v.form()
	p := officeForm{Form: f, Lot: lot, Back: pathTo("/office/lot/", lot.GetName()), Choices: map[string][]Option{"kind": {
		{Value: "", Text: "choose"}, {Value: "assay", Text: "assay"}, {Value: "freight",
			Text: "freight"}, {Value: "insurance", Text: "insurance"}}}}
	if v.posted() {
		words, event := body(f, lot.GetName())
		if done, err := v.signed(f, words, p.Back, event); done {
			return err
		}
	}
	f.Set("paid_on", v.d.now().Format("2006-01-02"))
	return v.show(page, title, p)
}

// payment records money paid or received on a statement.
func (v *visit) payment() error {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	s := thing.GetStatement()
	f := v.form()
	back := pathTo("/office/statement/", s.GetName())
	if v.posted() {
		body := &pb.PaymentRecorded{Statement: s.GetName(), Amount: f.need("amount", "Give the amount and its currency."),
			PaidOn: f.need("paid_on", "Give the value date."), Reference: f.Get("reference")}
		if done, err := v.signed(f, "The payment on "+s.GetName(), back, body); done {
			return err
		}
	}
	f.Set("paid_on", v.d.now().Format("2006-01-02"))
	return v.show("office_payment.html", "Record a payment", map[string]any{"Form": f, "S": s, "Back": back,
		"ToWhom": toWhom(s.GetNet())})
}
