package desk

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// officeRoom is where lots become money: the exchange of assays, the statement, the return, the register of
// discrepancies and the comparison of laboratories. The umpire's assayer comes in for their report.
func officeRoom() room {
	return room{Name: "Commercial office", Path: "/office", Key: "c",
		Words: "Lots and where they stand: exchange, umpire, statement, return, discrepancies.",
		open: func(s *seat) bool {
			return s.Known() && (s.Kind == identity.Auditors || s.May(identity.StatementIssued) ||
				s.May(identity.ResultCommitted) ||
				s.May(identity.UmpireReported) || s.May(identity.DiscrepancyDecided))
		},
		pages: []page{
			{"GET /office", (*visit).officeLots},
			{"GET /office/lot/{name...}", (*visit).officeLot},
			{"GET /office/seal/{name...}", (*visit).sealResult},
			{"POST /office/seal/{name...}", (*visit).sealResult},
			{"GET /office/advice/{name...}", (*visit).umpireAdvice},
			{"GET /office/umpire/{name...}", (*visit).appointUmpire},
			{"POST /office/umpire/{name...}", (*visit).appointUmpire},
			{"GET /office/report/{name...}", (*visit).umpireReport},
			{"POST /office/report/{name...}", (*visit).umpireReport},
			{"GET /office/silence/{name...}", (*visit).declareSilence},
			{"POST /office/silence/{name...}", (*visit).declareSilence},
			{"GET /office/preview/{name...}", (*visit).previewStatement},
			{"POST /office/preview/{name...}", (*visit).previewStatement},
			{"GET /office/statement/{name...}", (*visit).statement},
			{"GET /office/figure/{line}", (*visit).figure},
			{"POST /office/agree/{entry}", (*visit).agree},
			{"GET /office/advance/{name...}", (*visit).advance},
			{"POST /office/advance/{name...}", (*visit).advance},
			{"GET /office/cost/{name...}", (*visit).cost},
			{"POST /office/cost/{name...}", (*visit).cost},
			{"GET /office/payment/{name...}", (*visit).payment},
			{"POST /office/payment/{name...}", (*visit).payment},
			{"GET /office/compare/{name...}", (*visit).compareReturn},
			{"POST /office/compare/{name...}", (*visit).compareReturn},
			{"GET /office/template/{name...}", (*visit).returnTemplate},
			{"GET /office/return/{name...}", (*visit).oneReturn},
			{"GET /office/waterfall/{name...}", (*visit).waterfall},
			{"GET /office/register", (*visit).register},
			{"GET /office/discrepancy/{name}", (*visit).discrepancy},
			{"POST /office/discrepancy/{name}", (*visit).discrepancy},
			{"GET /office/bias", (*visit).bias},
			{"GET /office/bias.svg", (*visit).biasChart},
			{"GET /office/prices", (*visit).prices},
			{"POST /office/prices", (*visit).prices},
			{"GET /office/export/{what}/{name...}", (*visit).export},
		}}
}

// pathTo is the address of a page about a thing named `party/number`.
func pathTo(prefix, name string) string {
	parts := strings.Split(name, "/")
	for i := range parts {
		parts[i] = url.PathEscape(parts[i])
	}
	return prefix + strings.Join(parts, "/")
}

// stateWords is a generated enum's name as people write it.
func stateWords(name, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, prefix), "_", " "))
}

func lotState(lot *pb.Lot) string { return stateWords(lot.GetState().String(), "LOT_STATE_") }

// taskLine is something that a lot waits for, in words.
type taskLine struct {
	What, By, When string
	Ours, Late     bool
	Hint           string     // who of our party does it, where not who sits here
	Path, Link     string     // where it is done; empty where not by who sits here
	More           *paperLink // another way
}

// dueWords counts down to a last day, which is a UTC day.
func dueWords(due, now time.Time) string {
	if due.IsZero() {
		return ""
	}
	until := "the end of " + due.Format("2 January 2006") + " (UTC)"
	switch days := station.DaysUntil(due, now); {
	case days == 0:
		return "today is the last day, until " + until
	case days > 0:
		return count(days, "day") + " left, until " + until
	default:
		return "overdue by " + count(-days, "day") + ": the last was " + due.Format("2 January 2006") + " (UTC)"
	}
}

// doing says where a task is done, and which event it records.
var doing = map[string]struct {
	words, path, link string
	may               identity.EventKind
}{
	"melt":          {words: "Melt the lot", may: identity.Melted},
	"seal":          {"Seal a result for", "/office/seal/", "Seal our result", identity.ResultCommitted},
	"open":          {words: "Open the result for", may: identity.ResultRevealed},
	"umpire":        {"Call the umpire for", "/office/umpire/", "Call the umpire", identity.UmpireAppointed},
	"umpire_report": {words: "Report as umpire on"}, // the laboratory sees its calls, not the lot
	"state":         {"Issue the final statement", "/office/preview/", "Preview the statement", identity.StatementIssued},
	"agree":         {"Countersign statement", "/office/statement/", "Read and countersign", identity.Countersigned},
	"return":        {"Enter the refinery's return", "/office/compare/", "Enter the return", identity.ReturnReceived},
	"pay":           {"Record the payment on", "/office/payment/", "Record a payment", identity.PaymentRecorded},
}

// taskLines puts tasks into words for who sits here.
func (v *visit) taskLines(lot *pb.Lot, tasks []station.Task) (lines []taskLine) {
	for _, t := range tasks {
		do := doing[t.What]
		by := " and "
		if t.Either {
			by = " or "
		}
		l := taskLine{What: joined(" ", do.words, strings.Join(t.Elements, " and "), t.About), By: v.you(t.By, by),
			When: dueWords(t.Due, v.d.now()), Ours: slices.Contains(t.By, v.seat.Party)}
		l.Late = !t.Due.IsZero() && station.DaysUntil(t.Due, v.d.now()) < 0
		if l.Ours && do.path != "" && v.seat.May(do.may) {
			l.Path, l.Link = pathTo(do.path, cmp.Or(t.About, lot.GetName())), do.link
			if t.What == "state" {
				l.Path = withQuery(l.Path, "kind", "FINAL")
			}
			if t.What == "umpire" {
				l.More = &paperLink{pathTo("/office/advice/", lot.GetName()), "Umpire or not?"}
			}
		}
		switch {
		case !l.Ours:
		case t.What == "open":
			l.Hint = "The desk at which it was sealed does so by itself, as soon as both have sealed and its person sits there."
		case do.may != "" && !v.seat.May(do.may):
			if who := v.whoMay(do.may); who != "" {
				l.Hint = "Of your party, that is for the " + who + "."
			}
		}
		if t.Silent && !l.Ours && v.seat.May(identity.SilenceDeclared) {
			l.More = &paperLink{pathTo("/office/silence/", lot.GetName()), "Declare their silence"}
		}
		lines = append(lines, l)
	}
	return lines
}

// termsOf reads the terms of an agreement; known says whether they are open to who sits here.
func (v *visit) termsOf(agreement string) (terms settlement.Terms, thing *pb.Agreement, known bool, err error) {
	got, _, err := v.get(pb.ThingKind_THING_KIND_AGREEMENT, agreement)
	if err != nil {
		if r := station.AsRefusal(err); r != nil && !untrusted(err) {
			return terms, nil, false, nil // an umpire sees the lot and not the agreement
		}
		return terms, nil, false, err
	}
	terms, err = settlement.ParseTerms([]byte(got.GetAgreement().GetTermsJson()))
	return terms, got.GetAgreement(), err == nil, err
}

// exchangeOf says where a lot's exchange stands today. known is false where the terms, or enough of the steps, are
// not open to who sits here: then only what the record says itself is shown.
func (v *visit) exchangeOf(lot *pb.Lot, terms settlement.Terms) (x assay.Exchange, known bool) {
	x, err := station.ExchangeOf(lot, terms, v.d.now())
	if err != nil {
		v.d.log.Debug("exchange not reckoned", "lot", lot.GetName(), "error", err)
	}
	return x, err == nil
}

// lotRow is a lot in the list.
type lotRow struct {
	Open  int // discrepancies that are open in its consignment
	Lot   *pb.Lot
	State string
	Tasks []taskLine
}

type lotsPage struct {
	Form   *Form
	Rows   []lotRow
	Seen   Seen
	Next   string // query of the next page
	First  bool
	Files  []paperLink
	State  []Option
	Narrow bool // a filter is set
}

// officeLots lists lots and what each waits for.
func (v *visit) officeLots() error {
	if v.seat.Kind == identity.Laboratory {
		return v.calls()
	}
	q := v.r.URL.Query()
	f := v.queryForm("state", "seller", "party", "consignment")
	p := lotsPage{Form: f, Narrow: f.query() != "", First: q.Get("after") == "",
		Files: exports("lots/all", "Lots", f)}
	p.State = choicesOf(pb.LotState_name, "LOT_STATE_", "any state")
	list, seen, err := v.page(pb.ThingKind_THING_KIND_LOT, lotFilter(f), q.Get("after"), pageSize)
	if err != nil {
		return err
	}
	p.Seen = seen
	type agreed struct {
		terms settlement.Terms
		known bool
	}
	agreements := map[string]agreed{} // a page of lots has few agreements, and few consignments
	open := map[string]int{}
	for _, thing := range list.GetThings() {
		lot := thing.GetLot()
		a, asked := agreements[lot.GetAgreement()]
		if !asked {
			if a.terms, _, a.known, err = v.termsOf(lot.GetAgreement()); err != nil {
				return err
			}
			agreements[lot.GetAgreement()] = a
		}
		var x assay.Exchange
		if a.known {
			x, _ = v.exchangeOf(lot, a.terms)
		}
		statements, err := v.statementsOf(lot)
		if err != nil {
			return err
		}
		of := lot.GetConsignment()
		if _, counted := open[of]; !counted {
			if open[of], err = v.openIn(of); err != nil {
				return err
			}
		}
		tasks := station.Tasks(lot, x, statements)
		p.Rows = append(p.Rows, lotRow{open[of], lot, lotState(lot), v.withPrices(v.taskLines(lot, tasks), tasks, lot)})
	}
	if token := list.GetNextPageToken(); token != "" {
		p.Next = "/office?" + joined("&", f.query(), "after="+url.QueryEscape(token))
	}
	return v.show("office.html", "Commercial office", p)
}

func lotFilter(f *Form) string {
	return filterOf("state", f.Get("state"), "seller", f.Get("seller"), "party", f.Get("party"), "consignment",
		f.Get("consignment"))
}

// statementsOf fetches the statements of a lot.
func (v *visit) statementsOf(lot *pb.Lot) (list []*pb.Statement, err error) {
	names := lot.GetStatements()
	for _, name := range names[max(0, len(names)-maxStatements):] {
		thing, _, err := v.get(pb.ThingKind_THING_KIND_STATEMENT, name)
		if err != nil {
			return nil, err
		}
		list = append(list, thing.GetStatement())
	}
	return list, nil
}

// queryForm is a form of a page that changes nothing: its values come from the address.
func (v *visit) queryForm(names ...string) *Form {
	f := &Form{values: url.Values{}, faults: map[string]string{}}
	for _, name := range names {
		if value := strings.TrimSpace(v.r.URL.Query().Get(name)); value != "" {
			f.values.Set(name, value)
		}
	}
	return f
}

// query is the form as part of an address.
func (f *Form) query() string { return f.values.Encode() }

// joined joins what is not empty.
func joined(by string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), by)
}

// choicesOf offers the words of an enum, in the order of their numbers, after a first choice that leaves it open.
func choicesOf(names map[int32]string, prefix, open string) []Option {
	options := []Option{{Value: "", Text: open}}
	for n := int32(1); names[n] != ""; n++ {
		value := strings.TrimPrefix(names[n], prefix)
		options = append(options, Option{Value: value, Text: strings.ToLower(strings.ReplaceAll(value, "_", " "))})
	}
	return options
}

// lotPage is one lot.
type lotPage struct {
	Lot        *pb.Lot
	State      string
	Seen       Seen
	Tasks      []taskLine
	Elements   []*pb.SettledAssay
	Words      map[string]string // of each element, with the days
	Committed  []sideLine
	Bars       []string
	MoreBars   int
	Statements []*pb.Statement
	Actions    []paperLink
	Papers     []paperLink
	Raised     []*pb.Discrepancy
	MoreRaised bool
	Samples    []string
}

// paperLink is a link with its words.
type paperLink struct{ Path, Text string }

// sideLine says what a side has done in the open round.
type sideLine struct{ Side, Party, Committed, Opened string }

// officeLot shows one lot.
func (v *visit) officeLot() error {
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_LOT, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	lot := thing.GetLot()
	p := lotPage{Lot: lot, State: lotState(lot), Seen: seen, Elements: lot.GetAssays(), Words: map[string]string{},
		Samples: lot.GetSamples()}
	p.Bars = lot.GetBars()
	if more := len(p.Bars) - maxShownBars; more > 0 {
		p.Bars, p.MoreBars = p.Bars[:maxShownBars], more
	}
	terms, _, known, err := v.termsOf(lot.GetAgreement())
	if err != nil {
		return err
	}
	if p.Statements, err = v.statementsOf(lot); err != nil {
		return err
	}
	var x assay.Exchange
	if known {
		if x, known = v.exchangeOf(lot, terms); known {
			for _, e := range x.Elements {
				p.Words[string(e.Element)] = e.Words
			}
			p.Committed = sides(lot, x)
		}
	}
	tasks := station.Tasks(lot, x, p.Statements)
	p.Tasks = v.withPrices(v.taskLines(lot, tasks), tasks, lot)
	if p.Raised, p.MoreRaised, err = v.raisedOn(lot); err != nil {
		return err
	}
	name := lot.GetName()
	for _, a := range []struct {
		may        bool
		path, text string
	}{
		{v.seat.May(identity.StatementIssued), "/office/preview/", "Preview a statement"},
		{v.seat.May(identity.AdvancePaid), "/office/advance/", "Record an advance"},
		{v.seat.May(identity.CostRecorded), "/office/cost/", "Record a cost"},
		{v.seat.May(identity.StatementIssued), "/office/compare/", "Compare a return"},
	} {
		if a.may {
			p.Actions = append(p.Actions, paperLink{pathTo(a.path, name), a.text})
		}
	}
	p.Papers = append(papersFor(lot), paperLink{pathTo("/office/export/bars/", name) + "?format=csv", "Bars as CSV"},
		paperLink{pathTo("/office/export/bars/", name) + "?format=xlsx", "Bars as XLSX"},
		paperLink{pathTo("/trace/evidence/lot/", name), "Evidence pack"})
	return v.show("office_lot.html", "Lot "+name, p)
}

// papersFor lists the documents of a lot that there is something to print of.
func papersFor(lot *pb.Lot) (list []paperLink) {
	add := func(kind, text string) {
		if _, known := paperKinds()[kind]; known {
			list = append(list, paperLink{pathTo("/papers/"+kind+"/", lot.GetName()) + ".pdf", text})
		}
	}
	add("lot-bars", "Bar list")
	if len(lot.GetSteps()) > 0 {
		add("exchange", "Exchange certificate")
	}
	if slices.ContainsFunc(lot.GetSteps(), func(s *pb.ExchangeStep) bool {
		return strings.HasPrefix(s.GetAction(),
			"umpire_")
	}) {
		add("umpire", "Umpire certificate")
	}
	return list
}

// sides says who has sealed and who has opened in the latest round.
func sides(lot *pb.Lot, x assay.Exchange) []sideLine {
	list := []sideLine{{Side: "seller", Party: lot.GetSeller()}, {Side: "refiner", Party: lot.GetParty()}}
	for _, s := range lot.GetSteps() {
		for i := range list {
			if list[i].Side != s.GetSide() || int(max(s.GetRound(), 1)) != max(x.Round(), 1) {
				continue
			}
			switch assay.StepKind(s.GetAction()) {
			case assay.StepCommitted:
				list[i].Committed = instantWords(s.GetOccurredAt())
			case assay.StepRevealed:
				list[i].Opened = instantWords(s.GetOccurredAt())
			}
		}
	}
	return list
}

// lotOf fetches the lot that a page is about.
func (v *visit) lotOf() (*pb.Lot, error) {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_LOT, v.r.PathValue("name"))
	return thing.GetLot(), err
}

// signed signs what a form holds and goes on to another page. done is false where the form is to be shown again.
func (v *visit) signed(f *Form, words, then string, body proto.Message) (done bool, err error) {
	if f.Good() {
		if err = v.sign(f, words, body); err == nil {
			return true, v.redirect(then)
		}
		if !f.refuse(err) {
			return true, err
		}
	}
	v.status = 422
	return false, nil
}
