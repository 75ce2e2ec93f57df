package desk

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/document"
	"barward/internal/evidence"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// registerRow is a discrepancy in the register.
type registerRow struct {
	D     *pb.Discrepancy
	Kind  string
	State string
	Claim string
	Days  string
	Late  bool
}

type registerPage struct {
	Form    *Form
	Rows    []registerRow
	Total   int
	From    int
	To      int
	Files   []paperLink
	Next    map[string]string // last day of the next claim that still runs, by who must answer
	Earlier string
	Later   string
	By      []*pb.DiscrepancyTotal
	Kinds   []*pb.DiscrepancyTotal
	Seen    Seen
	State   []Option
	Kind    []Option
	Sort    []Option
	Query   string
	TooMany bool
	Narrow  bool // a filter is set
}

// registerFilter is what the service filters by.
func registerFilter(f *Form) string {
	state := f.Get("state")
	if state == "ANY" {
		state = ""
	}
	return filterOf("state", state, "kind", f.Get("kind"), "answerable", f.Get("answerable"), "consignment",
		f.Get("consignment"), "lot", f.Get("lot"))
}

// register is the list that a manager works from: the whole of it, sorted by what is at stake or by the deadline.
func (v *visit) register() error {
	f := v.queryForm("state", "kind", "answerable", "consignment", "lot", "sort")
	narrow := f.query() != ""
	f.Set("state", "OPEN")
	f.Set("sort", "money")
	p := registerPage{Form: f, Narrow: narrow, Query: f.query(),
		Files: exports("register/all", "Register", f),
		Kind:  choicesOf(pb.DiscrepancyKind_name, "DISCREPANCY_KIND_", "any kind"),
		State: append(choicesOf(pb.DiscrepancyState_name, "DISCREPANCY_STATE_", "open")[1:], Option{Value: "ANY",
			Text: "any state"}),
		Sort: []Option{{Value: "money", Text: "money at stake"}, {Value: "deadline", Text: "deadline"}}}
	all, seen, tooMany, err := v.allDiscrepancies(f)
	if err != nil {
		return err
	}
	p.Seen, p.Total, p.TooMany = seen, len(all), tooMany
	from, _ := strconv.Atoi(v.r.URL.Query().Get("from"))
	from = max(0, min(from, len(all)-1))
	p.From, p.To = from+1, min(from+pageSize, len(all))
	p.Next = nextClaims(all, v.today())
	for _, d := range all[min(from, len(all)):min(from+pageSize, len(all))] {
		p.Rows = append(p.Rows, v.registerRow(d))
	}
	if from > 0 {
		p.Earlier = "/office/register?" + joined("&", p.Query, "from="+strconv.Itoa(max(0, from-pageSize)))
	}
	if from+pageSize < len(all) {
		p.Later = "/office/register?" + joined("&", p.Query, "from="+strconv.Itoa(from+pageSize))
	}
	totals := &pb.SummarizeDiscrepanciesResponse{}
	filter := registerFilter(f)
	if _, err := v.recall("summary/"+filter, totals, func(ctx context.Context) (proto.Message, error) {
		book, err := v.d.station.Book(ctx)
		if err != nil {
			return nil, err
		}
		return book.SummarizeDiscrepancies(ctx, &pb.SummarizeDiscrepanciesRequest{Filter: filter})
	}); err != nil {
		return err
	}
	p.By, p.Kinds = totals.GetByAnswerable(), totals.GetByKind()
	return v.show("office_register.html", "Register of discrepancies", p)
}

// allDiscrepancies reads every page that passes a filter, and sorts the whole, which the service does not do.
func (v *visit) allDiscrepancies(f *Form) (all []*pb.Discrepancy, seen Seen, tooMany bool, err error) {
	filter := registerFilter(f)
	for token := ""; ; {
		list, at, err := v.page(pb.ThingKind_THING_KIND_DISCREPANCY, filter, token, station.MaxPage)
		if err != nil {
			return nil, seen, false, err
		}
		if seen = at.older(seen); token == "" {
			seen = at
		}
		for _, thing := range list.GetThings() {
			all = append(all, thing.GetDiscrepancy())
		}
		token = list.GetNextPageToken()
		if tooMany = len(all) > maxSorted; token == "" || tooMany {
			break
		}
	}
	slices.SortStableFunc(all, func(x, y *pb.Discrepancy) int {
		return cmp.Or(cmp.Compare(urgency(x, v.today()), urgency(y, v.today())),
			station.CompareDiscrepancies(x, y, f.Get("sort")))
	})
	return all, seen, tooMany, nil
}

// urgency puts claims that still run before those whose window is over, and both before what is decided.
func urgency(d *pb.Discrepancy, today string) int {
	switch {
	case d.GetState() != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN:
		return 2
	case d.GetClaimBy() != "" && d.GetClaimBy() < today:
		return 1
	}
	return 0
}

// nextClaims finds the nearest last day that has not passed, by who must answer.
func nextClaims(all []*pb.Discrepancy, today string) map[string]string {
	next := map[string]string{}
	for _, d := range all {
		if urgency(d, today) > 0 || d.GetClaimBy() == "" {
			continue
		}
		if day, known := next[d.GetAnswerable()]; !known || d.GetClaimBy() < day {
			next[d.GetAnswerable()] = d.GetClaimBy()
		}
	}
	return next
}

func (v *visit) today() string { return v.d.now().UTC().Format("2006-01-02") }

func (v *visit) registerRow(d *pb.Discrepancy) registerRow {
	r := registerRow{D: d, Kind: stateWords(d.GetKind().String(), "DISCREPANCY_KIND_"),
		State: stateWords(d.GetState().String(), "DISCREPANCY_STATE_"),
		Claim: strings.ReplaceAll(station.ClaimState(d, v.today()), d.GetClaimBy(), dateWords(d.GetClaimBy()))}
	if left, dated := station.DaysLeft(d, v.today()); dated {
		switch {
		case left > 0:
			r.Days = count(left, "day") + " left"
		case left == 0:
			r.Days = "last day today"
		default:
			r.Days, r.Late = "over by "+count(-left, "day"), true
		}
	}
	return r
}

type discrepancyPage struct {
	Form     *Form
	Row      registerRow
	D        *pb.Discrepancy
	Entries  []shownEntry
	More     int
	Proven   int
	Size     uint64
	MayDo    bool // may decide
	Decision []Option
	Decided  string
	Offered  bool // a decision waits for the other side
	MayAgree bool
	Papers   []paperLink
	Seen     Seen
	Here     string
	Ours     bool
	// What this person may choose, and what it means; Confirm shows it once more before it is signed.
	Choices    []decisionChoice
	Chosen     decisionChoice
	Confirm    bool
	Offers     bool // our party must answer: what it signs is an offer
	Concedes   bool // an amount may be named
	Answerable string
}

// decisionChoice is a way in which a discrepancy may end, in words.
type decisionChoice struct{ Value, Name, Means string }

// decisionsOf are the choices open to a side: who must answer offers, and the other side alone lets go or refers. Where
// only one party is concerned, or nobody is named to answer, all are open.
func decisionsOf(d *pb.Discrepancy, offers bool) (list []decisionChoice) {
	alone := len(d.GetParties()) < 2 || d.GetAnswerable() == ""
	if !offers || alone {
		list = append(list,
			decisionChoice{"ACCEPTED", "accepted", "The figure stands as it was found, and nothing is owed for it."},
			decisionChoice{"WAIVED", "waived", "The claim is given up, whatever was right."},
			decisionChoice{"REFERRED", "referred", "It goes on to arbitration, and stays open until that decides."})
	}
	if offers || alone {
		list = append(list,
			decisionChoice{"MADE_GOOD", "made good", "Who must answer makes good what is named below."},
			decisionChoice{"SHARED", "shared", "The parties share it; who must answer bears what is named below."})
	}
	return list
}

// discrepancy shows one discrepancy with its evidence, and takes its decision.
func (v *visit) discrepancy() error {
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_DISCREPANCY, v.r.PathValue("name"))
	if err != nil {
		return err
	}
	d := thing.GetDiscrepancy()
	f := v.form()
	here, confirm := pathTo("/office/discrepancy/", d.GetName()), false
	if v.posted() {
		body := &pb.DiscrepancyDecided{Discrepancy: d.GetName(), Reason: f.need("reason",
			"Say why, for whoever reads it in a year."), Conceded: f.Get("conceded")}
		if choice := f.need("decision", "Choose how it ends."); choice != "" {
			body.Decision = pb.Decision(pb.Decision_value["DECISION_"+choice])
		}
		if f.Good() && f.Get("confirmed") == "" {
			confirm = true
		} else if done, err := v.signed(f, "The decision on "+d.GetName(), here, body); done {
			return err
		}
	}
	p := discrepancyPage{Form: f, Row: v.registerRow(d), D: d, Seen: seen, Here: here, Confirm: confirm,
		Ours: slices.Contains(strings.Split(d.GetAnswerable(), ", "), v.seat.Party)}
	p.Answerable = v.you(strings.Split(d.GetAnswerable(), ", "), " and ")
	p.Offers = p.Ours && len(d.GetParties()) > 1
	p.Concedes = p.Offers || len(d.GetParties()) < 2 || d.GetAnswerable() == ""
	p.Choices = decisionsOf(d, p.Offers)
	p.Decision = []Option{{Value: "", Text: "choose"}}
	for _, c := range p.Choices {
		p.Decision = append(p.Decision, Option{Value: c.Value, Text: c.Name})
		if c.Value == f.Get("decision") {
			p.Chosen = c
		}
	}
	open := d.GetState() == pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	p.MayDo = open && v.seat.May(identity.DiscrepancyDecided)
	if d.GetDecision() != pb.Decision_DECISION_UNSPECIFIED {
		p.Decided = stateWords(d.GetDecision().String(), "DECISION_")
	}
	p.Offered = open && d.GetDecidedEntry() != 0
	p.MayAgree = p.Offered && !strings.HasPrefix(d.GetDecidedBy(), v.seat.Party+"/") &&
		v.seat.May(identity.DiscrepancyDecided)
	numbers := append([]uint64{d.GetEntry()}, d.GetEvidence()...)
	if d.GetDecidedEntry() != 0 {
		numbers = append(numbers, d.GetDecidedEntry())
	}
	slices.Sort(numbers)
	numbers = slices.Compact(numbers)
	if p.More = len(numbers) - maxSources; p.More > 0 {
		numbers = numbers[:maxSources]
	}
	if p.Entries, err = v.shownEntries(numbers); err != nil {
		return err
	}
	p.Proven, p.Size = v.provenOf(p.Entries)
	p.Papers = []paperLink{{pathTo("/trace/evidence/discrepancy/", d.GetName()), "Evidence pack"}}
	return v.show("office_discrepancy.html", "Discrepancy "+d.GetName(), p)
}

// evidencePack puts what was signed about a thing into one file that proves itself.
func (v *visit) evidencePack() error {
	about := evidence.What{Kind: evidence.Kind(v.r.PathValue("kind")), Name: v.r.PathValue("name")}
	if err := about.Check(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(v.ctx(), packPatience)
	defer cancel()
	if v.seat.Person == "" {
		return refusal.New(refusal.Precondition, "PERSON_UNKNOWN", "",
			"The service has not said yet who you are, and an evidence pack names who made it. Wait for the link.")
	}
	file, err := v.d.station.Evidence(ctx, about, v.seat.Person, func(p evidence.Pack) ([]byte, error) {
		return v.evidenceCover(about, p)
	})
	if err != nil {
		return err
	}
	return v.download(fmt.Sprintf("evidence %s %s", about.Kind, about.Name), "zip", "application/zip", file)
}

// evidenceCover is the paper in front of a pack. It proves nothing, and says how the rest is checked.
func (v *visit) evidenceCover(about evidence.What, pack evidence.Pack) ([]byte, error) {
	var numbers []uint64
	for _, e := range pack.Entries {
		numbers = append(numbers, e.Sequence)
	}
	paper, err := v.paperOn(numbers...)
	if err != nil {
		return nil, err
	}
	cover := document.Evidence{Subject: about.String(), Purpose: "what was signed about " + about.String(),
		Checks: []string{"Ask the operator and the other party for the log's public key and compare it with log-key.txt.",
			"barward evidence verify FILE --log-key KEYFILE", "Read summary.txt, and what the check says it cannot prove."}}
	for _, f := range pack.Files() {
		cover.Files = append(cover.Files, document.EvidenceFile(f))
	}
	return document.EvidenceCover(paper, cover)
}
