package desk

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station"
	"barward/internal/document"
	"barward/internal/identity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// traceRoom follows one bar from the pour to the payment. Whoever may read of a bar may follow it.
func traceRoom() room {
	return room{Name: "Trace", Path: "/trace", Key: "t",
		Words: "One bar from the pour to the payment: who held it, what it weighed, what is proven.",
		open:  func(s *seat) bool { return s.Known() && s.Kind != identity.Operator },
		pages: []page{
			{"GET /trace", (*visit).traces},
			{"GET /trace/bar/{name...}", (*visit).trace},
			{"GET /trace/entry/{number}", (*visit).entry},
			{"GET /trace/epcis/{name...}", (*visit).epcis},
			{"GET /trace/evidence/{kind}/{name...}", (*visit).evidencePack},
		}}
}

type tracesPage struct {
	Form   *Form
	Bars   []*pb.Bar
	Seen   Seen
	Next   string
	First  bool
	State  []Option
	Query  string
	Narrow bool // a filter is set
}

// traces finds a bar: by its mark, or from the list.
func (v *visit) traces() error {
	q := v.r.URL.Query()
	f := v.queryForm("mark", "state", "holder", "consignment", "lot")
	if mark := f.Get("mark"); mark != "" {
		name, err := v.d.station.Ref(v.ctx(), mark)
		if err != nil {
			return err
		}
		_, _, err = v.get(pb.ThingKind_THING_KIND_BAR, name)
		if err == nil {
			return v.redirect(pathTo("/trace/bar/", name))
		}
		if r := station.AsRefusal(err); r == nil || r.Kind != refusal.NotFound {
			return err
		}
		f.Blame("mark", "No bar "+name+" is open to your party. Write its mark as stamped, or with the party that "+
			"poured it, as quarry-mine/QM-17.")
		v.status = 404
	}
	p := tracesPage{Form: f, Narrow: barFilter(f) != "", First: q.Get("after") == "", State: choicesOf(pb.BarState_name,
		"BAR_STATE_", "any state")}
	list, seen, err := v.page(pb.ThingKind_THING_KIND_BAR, barFilter(f), q.Get("after"), pageSize)
	if err != nil {
		return err
	}
	p.Seen, p.Query = seen, f.query()
	for _, thing := range list.GetThings() {
		p.Bars = append(p.Bars, thing.GetBar())
	}
	if token := list.GetNextPageToken(); token != "" {
		f.values.Set("after", token)
		p.Next = "/trace?" + f.query()
	}
	return v.show("trace.html", "Trace", p)
}

func barFilter(f *Form) string {
	return filterOf("state", f.Get("state"), "holder", f.Get("holder"), "consignment", f.Get("consignment"), "lot",
		f.Get("lot"))
}

// legLine is one stretch of the route in one hand.
type legLine struct {
	Holder, From, To string
	Entry            uint64
	Known            bool
}

// stepLine is one step of the route, with whether its entry was proven.
type stepLine struct {
	S     *pb.RouteStep
	What  string
	When  string
	Proof shownEntry
}

type tracePage struct {
	Bar        *pb.Bar
	State      string
	Seen       Seen
	Legs       []legLine
	Steps      []stepLine
	Weights    []station.Weighing
	Raised     []*pb.Discrepancy
	Office     bool // its pages are open to who sits here
	Lot        *pb.Lot
	LotEntries []shownEntry
	Statements []*pb.Statement
	Papers     []paperLink
	Proven     int
	Of         int
	Size       uint64
	Unproven   string // why the rest is not proven
	Before     bool   // proven when this desk last saw them, not now
}

// trace shows the route of one bar, and proves every entry that it shows.
func (v *visit) trace() error {
	name := v.r.PathValue("name")
	route := &pb.TraceBarResponse{}
	seen, err := v.recall("trace/"+name, route, func(ctx context.Context) (proto.Message,
		error) {
		return v.d.station.TraceBar(ctx, name)
	})
	if err != nil {
		return err
	}
	bar := route.GetBar()
	p := tracePage{Bar: bar, State: stateWords(bar.GetState().String(), "BAR_STATE_"), Seen: seen,
		Raised: route.GetDiscrepancies(),
		Office: officeRoom().open(v.seat)}
	for _, leg := range station.Holders(route.GetSteps()) {
		line := legLine{Holder: leg.Holder, From: leg.From.Format(whenFormat)}
		if !leg.To.IsZero() {
			line.To = leg.To.Format(whenFormat)
		}
		line.Entry, line.Known = station.EntryOf(leg.Ref)
		p.Legs = append(p.Legs, line)
	}
	if p.Weights, err = v.weighingsOf(bar); err != nil {
		return err
	}
	numbers := map[uint64]bool{}
	for _, s := range route.GetSteps() {
		numbers[s.GetEntry()] = true
	}
	after, err := v.afterMelt(bar, &p)
	if err != nil {
		return err
	}
	for _, n := range after {
		numbers[n] = true
	}
	all := make([]uint64, 0, len(numbers))
	for n := range numbers {
		all = append(all, n)
	}
	slices.Sort(all)
	shown, err := v.shownEntries(all[:min(len(all), maxProven)])
	if err != nil {
		return err
	}
	by := map[uint64]shownEntry{}
	for _, e := range shown {
		by[e.Number] = e
	}
	for _, s := range route.GetSteps() {
		p.Steps = append(p.Steps, stepLine{S: s, What: capital(stepWords(s)), When: instantWords(s.GetOccurredAt()),
			Proof: by[s.GetEntry()]})
	}
	for _, n := range after {
		if e, proven := by[n]; proven {
			p.LotEntries = append(p.LotEntries, e)
		}
	}
	p.Of = len(all)
	p.Proven, p.Size = v.provenOf(shown)
	for _, e := range shown {
		p.Before = p.Before || e.Before
		if !e.Proven && p.Unproven == "" {
			p.Unproven = e.Why
		}
	}
	if len(all) > maxProven {
		p.Unproven = "only the first " + strconv.Itoa(maxProven) + " are proven on one page; open an entry to have it proven"
	}
	p.Papers = v.papersOfBar(bar, &p)
	return v.show("trace_bar.html", "Trace of "+bar.GetName(), p)
}

const whenFormat = "2 Jan 2006, 15:04 -07:00"

// weighingsOf sets the weighings of a bar beside each other, under the limits of the agreement it travels under.
func (v *visit) weighingsOf(bar *pb.Bar) ([]station.Weighing, error) {
	if bar.GetConsignment() == "" {
		return station.Weighings(bar, nil), nil
	}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, bar.GetConsignment())
	if err != nil {
		return nil, err
	}
	terms, _, known, err := v.termsOf(thing.GetConsignment().GetAdvised().GetAgreement())
	if err != nil || !known {
		return station.Weighings(bar, nil), err
	}
	return station.Weighings(bar, terms.Limits), nil
}

// afterMelt finds what became of the bar's lot: the exchange, the statements and the payments. It returns the numbers
// of the entries. A lot that is not open to who sits here is left out.
func (v *visit) afterMelt(bar *pb.Bar, p *tracePage) (numbers []uint64, err error) {
	if bar.GetLot() == "" {
		return nil, nil
	}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_LOT, bar.GetLot())
	if r := station.AsRefusal(err); r != nil && (r.Kind == refusal.NotFound || r.Kind == refusal.Forbidden) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	p.Lot = thing.GetLot()
	if p.Statements, err = v.statementsOf(p.Lot); err != nil {
		return nil, err
	}
	for _, s := range p.Lot.GetSteps() {
		numbers = append(numbers, s.GetEntry())
	}
	for _, a := range p.Lot.GetAdvances() {
		numbers = append(numbers, a.GetEntry())
	}
	for _, s := range p.Statements {
		numbers = append(numbers, s.GetEntries()...)
	}
	slices.Sort(numbers)
	return slices.Compact(numbers), nil
}

func stepWords(s *pb.RouteStep) string {
	words := map[string]string{"seal_replaced": "seal replaced", "released": "released to", "accepted": "accepted from",
		"advised": "advised to", "lot": "put into a lot"}
	text := cmp.Or(words[s.GetAction()], s.GetAction())
	if s.GetCounterparty() != "" {
		text += " " + s.GetCounterparty()
	}
	return text
}

// papersOfBar lists the documents of the bar's way that this desk can print.
func (v *visit) papersOfBar(bar *pb.Bar, p *tracePage) (list []paperLink) {
	kinds := paperKinds()
	add := func(kind, name, text string) {
		if _, known := kinds[kind]; known && name != "" {
			list = append(list, paperLink{pathTo("/papers/"+kind+"/", name) + ".pdf", text})
		}
	}
	add("pour", bar.GetPour(), "Pour sheet")
	add("advice", bar.GetConsignment(), "Consignment advice")
	for _, s := range p.Steps {
		if s.S.GetAction() == "accepted" {
			add("receipt", strconv.FormatUint(s.S.GetEntry(), 10), "Custody receipt of "+s.S.GetParty())
		}
	}
	if slices.ContainsFunc(bar.GetWeights(),
		func(w *pb.WeightRecord) bool { return w.GetStage() == pb.WeighingStage_WEIGHING_STAGE_ARRIVAL }) {
		add("arrival", bar.GetConsignment(), "Arrival report")
	}
	if p.Lot != nil {
		if len(p.Lot.GetSteps()) > 0 {
			add("exchange", p.Lot.GetName(), "Exchange certificate")
		}
		for _, s := range p.Statements {
			add("statement", s.GetName(), "Statement "+s.GetName())
		}
	}
	return append(list, paperLink{pathTo("/trace/epcis/", bar.GetName()), "Chain of custody as EPCIS 2.0"},
		paperLink{pathTo("/trace/evidence/bar/", bar.GetName()), "Evidence pack"})
}

// epcis writes the route as a standard chain-of-custody file.
func (v *visit) epcis() error {
	route, err := v.d.station.TraceBar(v.ctx(), v.r.PathValue("name"))
	if err != nil {
		return err
	}
	seen, ok := v.d.station.Seen()
	if !ok {
		return refusal.New(refusal.Unavailable, "LOG_NOT_SEEN", "",
			"This desk has not seen the log yet. Try again in a moment.")
	}
	c := document.Custody{Origin: seen.Origin, Bars: []*pb.Bar{route.GetBar()}, Discrepancies: route.GetDiscrepancies(),
		Created: v.d.now().Truncate(time.Second)}
	if box := route.GetBar().GetBox(); box != "" {
		thing, err := v.d.station.Get(v.ctx(), pb.ThingKind_THING_KIND_BOX, box)
		if err != nil {
			return err
		}
		c.Boxes = append(c.Boxes, thing.GetBox())
	}
	if lot := route.GetBar().GetLot(); lot != "" {
		thing, err := v.d.station.Get(v.ctx(), pb.ThingKind_THING_KIND_LOT, lot)
		if err == nil {
			c.Lots = append(c.Lots, thing.GetLot())
		} else if r := station.AsRefusal(err); r == nil || r.Kind != refusal.NotFound {
			return err
		}
	}
	file, err := document.EPCIS(c)
	if err != nil {
		return err
	}
	return v.download("route "+route.GetBar().GetName(), "jsonld", "application/ld+json", file)
}

// download answers with a file to be kept.
func (v *visit) download(name, ending, kind string, file []byte) error {
	h := v.w.Header()
	h.Set("Content-Type", kind)
	h.Set("Content-Disposition", `attachment; filename="`+fileName(name)+"."+ending+`"`)
	_, err := v.w.Write(file)
	return err
}
