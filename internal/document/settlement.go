package document

import (
	"encoding/hex"
	"strconv"
	"strings"

	pb "barward/proto/barward/v1"
)

const moneyCaution = "Not legal advice. Where this paper and the contract differ, the contract prevails. Read each " +
	"line " +
	"before you sign; each says which entries it rests on."

// ExchangeCertificate prints a lot's exchange of assays: what each side sealed and opened, and what it settles.
func ExchangeCertificate(p Paper, lot *pb.Lot) ([]byte, error) {
	if len(lot.GetSteps()) == 0 {
		return nil, incomplete("lot", "Lot %s has no exchange on record yet.", lot.GetName())
	}
	p.Provisional = p.Provisional || !settled(lot, func(*pb.SettledAssay) bool { return true })
	s, err := newSheet(p, "Exchange certificate", lot.GetName())
	if err != nil {
		return nil, err
	}
	s.lot(lot)
	s.heading("Assays")
	s.assays(lot.GetAssays())
	s.heading("Steps of the exchange")
	s.steps(lot.GetSteps())
	s.end(role{"For the seller", p.name(lot.GetSeller())}, role{"For the refiner", p.name(lot.GetParty())})
	return s.output()
}

// UmpireCertificate prints what the umpire laboratory was called for, found and settled.
func UmpireCertificate(p Paper, lot *pb.Lot) ([]byte, error) {
	var steps []*pb.ExchangeStep
	laboratory := ""
	for _, step := range lot.GetSteps() {
		if strings.HasPrefix(step.GetAction(), "umpire_") {
			steps = append(steps, step)
			if step.GetLaboratory() != "" {
				laboratory = step.GetLaboratory()
			}
		}
	}
	if len(steps) == 0 {
		return nil, incomplete("lot", "No umpire was called for lot %s.", lot.GetName())
	}
	disputed := map[string]bool{}
	for _, step := range steps {
		for _, element := range step.GetElements() {
			disputed[element] = true
		}
	}
	var assays []*pb.SettledAssay
	for _, a := range lot.GetAssays() {
		if disputed[a.GetElement()] || a.GetUmpire() != "" {
			assays = append(assays, a)
		}
	}
	p.Provisional = p.Provisional || !settled(lot, func(a *pb.SettledAssay) bool {
		return disputed[a.GetElement()] || a.GetUmpire() != ""
	})
	s, err := newSheet(p, "Umpire certificate", lot.GetName())
	if err != nil {
		return nil, err
	}
	s.lot(lot)
	s.fields(field{"umpire laboratory", p.name(laboratory)})
	s.heading("Assays in dispute")
	s.assays(assays)
	s.heading("Call and report")
	s.steps(steps)
	s.heading("Cost of the umpire")
	var rows [][]string
	for _, c := range lot.GetCosts() {
		if c.GetKind() == "umpire" {
			rows = append(rows, []string{c.GetAmount(), withUnit(c.GetSellerSharePercent(), "%"), c.GetReference(),
				number(c.GetEntry())})
		}
	}
	s.table("No cost is on record.", []column{{title: "whole cost", right: true, strong: true},
		{title: "the seller's share", right: true}, {title: "reference"}, {title: "entry", right: true}}, rows)
	s.end(role{"For the umpire laboratory", p.name(laboratory)}, role{"Witness at the opening of the packet", ""})
	return s.output()
}

func settled(lot *pb.Lot, about func(*pb.SettledAssay) bool) bool {
	any := false
	for _, a := range lot.GetAssays() {
		if about(a) {
			any = true
			if a.GetSettled() == "" {
				return false
			}
		}
	}
	return any
}

func (s *sheet) lot(lot *pb.Lot) {
	s.fields(
		field{"seller", s.paper.name(lot.GetSeller())},
		field{"refiner", s.paper.name(lot.GetParty())},
		field{"agreement", lot.GetAgreement()},
		field{"state", word(lot.GetState(), "LOT_STATE_")},
		field{"bars", strconv.Itoa(len(lot.GetBars()))},
		field{"arrival weights", lot.GetReceived()},
		field{"charged to the melt", lot.GetBeforeMelt()},
		field{"after the melt", lot.GetAfterMelt()},
		field{"slag", lot.GetSlag()},
		field{"melted", instant(lot.GetMeltedAt())},
	)
}

func (s *sheet) assays(assays []*pb.SettledAssay) {
	var rows [][]string
	for _, a := range assays {
		how := a.GetWords()
		if how == "" {
			how = strings.ReplaceAll(a.GetState(), "_", " ")
		}
		open := a.GetSettled()
		if open == "" {
			open = "open"
		}
		rows = append(rows, []string{a.GetElement(), a.GetSeller(), a.GetRefiner(), withUnit(a.GetDifference(), "‰"),
			withUnit(a.GetLimit(), "‰"), a.GetUmpire(), open, how, numbers(a.GetEntries())})
	}
	s.table("No assay is on record.", []column{{title: "metal", strong: true}, {title: "seller", right: true},
		{title: "refiner", right: true}, {title: "seller less refiner", right: true}, {title: "splitting limit", right: true},
		{title: "umpire", right: true}, {title: "settled", right: true, strong: true}, {title: "how"}, {title: "entries"}},
		rows)
}

// withUnit puts the unit to a plain decimal whose unit the record's field gives: differences and limits of the
// exchange are in parts per thousand, shares of a cost in percent.
func withUnit(figure, unit string) string {
	if figure == "" {
		return ""
	}
	return figure + " " + unit
}

func treeWords(size uint64) string {
	if size == 0 {
		return ""
	}
	return "the ledger's first " + strconv.FormatUint(size, 10) + " entries"
}

func (s *sheet) steps(steps []*pb.ExchangeStep) {
	var rows [][]string
	for _, step := range steps {
		who := step.GetSide()
		if step.GetLaboratory() != "" {
			who += "\n" + step.GetLaboratory()
		}
		what := strings.Join(step.GetElements(), ", ")
		if len(step.GetResults()) > 0 {
			what = resultWords(step.GetResults())
		}
		if len(step.GetCommitment()) > 0 {
			what += "\nsealed as " + hex.EncodeToString(step.GetCommitment())
		}
		if len(step.GetNonce()) > 0 {
			what += "\nopened with " + hex.EncodeToString(step.GetNonce())
		}
		round := empty("")
		if step.GetRound() > 0 {
			round = strconv.Itoa(int(step.GetRound()))
		}
		rows = append(rows, []string{number(step.GetEntry()), instant(step.GetOccurredAt()),
			strings.ReplaceAll(step.GetAction(), "_", " "), empty(who), round, what})
	}
	s.table("No step is on record.", []column{{title: "entry", right: true}, {title: "when"}, {title: "step",
		strong: true},
		{title: "side"}, {title: "round"}, {title: "metals and results"}}, rows)
}

// SettlementStatement prints a statement line by line as the document has it. A provisional statement, one that
// another has corrected, and one that nobody countersigned say so on every page.
func SettlementStatement(p Paper, st *pb.Statement) ([]byte, error) {
	if len(st.GetLines()) == 0 {
		return nil, incomplete("statement", "A settlement statement needs its lines.")
	}
	p.Provisional = p.Provisional || st.GetKind() == pb.StatementKind_STATEMENT_KIND_PROVISIONAL
	var marks []string
	if st.GetCorrectedBy() != "" {
		marks = append(marks, "SUPERSEDED")
	}
	if st.GetName() == "" {
		marks = append(marks, "PREVIEW")
	} else if len(st.GetCountersignedBy()) == 0 {
		marks = append(marks, "NOT COUNTERSIGNED")
	}
	subject := st.GetName()
	if subject == "" {
		subject = "lot " + st.GetLot()
	}
	s, err := newSheet(p, "Settlement statement", subject, marks...)
	if err != nil {
		return nil, err
	}
	s.caution(moneyCaution)
	s.fields(
		field{"kind", word(st.GetKind(), "STATEMENT_KIND_")},
		field{"lot", st.GetLot()},
		field{"issued by", p.name(st.GetIssuer())},
		field{"settled on", st.GetSettledOn()},
		field{"corrects", none(st.GetCorrects())},
		field{"corrected by", none(st.GetCorrectedBy())},
		field{"why it corrects", none(st.GetReason())},
		field{"countersigned by", none(p.names(st.GetCountersignedBy()))},
	)
	s.heading("Lines")
	var rows [][]string
	for i, line := range st.GetLines() {
		what := or(line.GetDescription())
		if line.GetCode() != "" {
			what += "\n" + line.GetCode()
		}
		if line.GetRounding() != "" {
			what += "\nrounded: " + line.GetRounding() + ", from " + or(line.GetExact())
		}
		rows = append(rows, []string{strconv.Itoa(i + 1), what, empty(line.GetQuantity()), empty(line.GetRate()),
			line.GetAmount(), strings.Join(line.GetRefs(), ", ")})
	}
	s.table("", []column{{title: "line", right: true}, {title: "what"}, {title: "quantity", right: true},
		{title: "rate", right: true}, {title: "amount", right: true, strong: true}, {title: "entries it rests on"}}, rows)
	s.heading("Result")
	s.fields(
		field{"net sum due", st.GetNet()},
		field{"to whom", "a positive sum is due to the seller, a negative one to the refiner"},
		field{"fine metal payable", strings.Join(st.GetPayable(), "; ")},
		field{"paid so far", st.GetPaid()},
		field{"digest of the document", st.GetDigest()},
		field{"computed from", treeWords(st.GetTreeSize())},
	)
	s.end(role{"Issued by", p.name(st.GetIssuer())}, role{"Agreed by", p.names(st.GetCountersignedBy())})
	return s.output()
}

// empty is for a cell in which a line of its kind has nothing: a flat charge has no rate.
func empty(text string) string {
	if text == "" {
		return "–"
	}
	return text
}

// ReconciliationSheet prints a refinery's return against the statement, cause by cause, as the record compared them.
func ReconciliationSheet(p Paper, ret *pb.Return) ([]byte, error) {
	mark := ""
	if ret.GetStatement() == "" {
		mark, p.Provisional = "NO STATEMENT YET", true
	}
	s, err := newSheet(p, "Reconciliation sheet", ret.GetName(), mark)
	if err != nil {
		return nil, err
	}
	r := ret.GetReconciliation()
	s.caution(moneyCaution)
	s.fields(
		field{"lot", ret.GetLot()},
		field{"statement", ret.GetStatement()},
		field{"net by the statement", r.GetOurs()},
		field{"net by the return", r.GetTheirs()},
		field{"return less statement", r.GetDifference()},
		field{"entry of the return", number(ret.GetEntry())},
	)
	s.heading("Where the difference comes from")
	s.paragraph(smallStyle, "Return less statement, split in a fixed order; the parts add up to the whole difference.")
	var rows [][]string
	for i, part := range r.GetParts() {
		rows = append(rows, []string{strconv.Itoa(i + 1), strings.ReplaceAll(part.GetCause(), "_", " "),
			empty(part.GetElement()), empty(part.GetOunces()), part.GetAmount()})
	}
	s.table("No difference is on record.", []column{{title: "no.", right: true}, {title: "cause", strong: true},
		{title: "metal"}, {title: "fine ounces", right: true}, {title: "money", right: true, strong: true}}, rows)
	s.heading("Lines beyond their tolerance")
	rows = nil
	for i, f := range r.GetFindings() {
		rows = append(rows, []string{strconv.Itoa(i + 1), f})
	}
	s.table("None.", []column{{title: "no.", right: true}, {title: "finding"}}, rows)
	s.end(role{"Compared by", ""}, role{"Seen by", ""})
	return s.output()
}
