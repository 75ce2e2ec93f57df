package document

import (
	"bytes"
	"cmp"
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Custody is what a chain-of-custody file tells of: things with the routes that the record has of them.
type Custody struct {
	Origin        string // the ledger; ids are derived from it, so that the same thing has the same id in every file
	Bars          []*pb.Bar
	Boxes         []*pb.Box
	Lots          []*pb.Lot         // of melts: with the lot, a melt names every bar that went in
	Discrepancies []*pb.Discrepancy // give events the disposition that something did not match
	SSCC          map[string]SSCC   // by box name, where the company has a GS1 prefix
	Created       time.Time
}

// Bounds of a file.
const (
	maxThings = 20_000
	maxEvents = 100_000
)

// EPCIS writes the routes as an EPCIS 2.0 document in JSON-LD (GS1 EPCIS 2.0, ISO/IEC 19987; vocabulary CBV 2.0,
// ISO/IEC 19988). A pour and a melt are TransformationEvents, bars into and out of a box AggregationEvents, all else
// ObjectEvents that observe. Every event keeps the instant with the zone that its author wrote.
//
// A box with a known SSCC has its EPC; everything else, which no standard numbers, has a UUID URN (RFC 9562, version
// 5) made of ledger, kind and name, and its name beside it under the prefix `barward`. Masses are written as recorded,
// digit by digit, with their unit's UN/ECE Recommendation 20 code. The number of the ledger entry leads from each
// event back to what was signed; a correction is a later entry and a later event, and none is left out.
//
// EPCIS_INCOMPLETE, EPCIS_TIME and DOCUMENT_TOO_LONG are refused.
func EPCIS(c Custody) ([]byte, error) {
	if c.Origin == "" || c.Created.IsZero() || len(c.Bars)+len(c.Boxes) == 0 {
		return nil, refusal.Invalidf("EPCIS_INCOMPLETE", "", "A custody file needs its ledger, its time and at least one "+
			"bar or box.")
	}
	if n := len(c.Bars) + len(c.Boxes) + len(c.Lots); n > maxThings {
		return nil, tooLong("", "A custody file holds at most %d things, not %d. Write it in parts.", maxThings, n)
	}
	e := &epcisWriter{custody: c, lots: map[string]*pb.Lot{}, boxes: map[string]*pb.Box{}}
	for _, lot := range c.Lots {
		e.lots[lot.GetName()] = lot
	}
	for _, box := range c.Boxes {
		e.boxes[box.GetName()] = box
	}
	for _, g := range moments(c) {
		if err := e.moment(g); err != nil {
			return nil, err
		}
		if len(e.events) > maxEvents {
			return nil, tooLong("", "A custody file holds at most %d events. Write it in parts.", maxEvents)
		}
	}
	if len(e.events) == 0 {
		return nil, refusal.Invalidf("EPCIS_INCOMPLETE", "", "Nothing is on record of the route of these things.")
	}
	file := epcisFile{
		Context: []any{"https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
			map[string]string{"barward": "urn:barward:"}},
		ID: e.id("file", c.Created.UTC().Format(time.RFC3339Nano)), Type: "EPCISDocument", Version: "2.0",
		Created: c.Created.Format(time.RFC3339),
	}
	file.Body.Events = e.events
	var out bytes.Buffer
	encoder := json.NewEncoder(&out)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(file); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

type epcisFile struct {
	Context []any  `json:"@context"`
	ID      string `json:"id"`
	Type    string `json:"type"`
	Version string `json:"schemaVersion"`
	Created string `json:"creationDate"`
	Body    struct {
		Events []epcisEvent `json:"eventList"`
	} `json:"epcisBody"`
}

// epcisEvent is any of the three kinds; a kind leaves the other kinds' fields empty.
type epcisEvent struct {
	Type           string        `json:"type"`
	EventID        string        `json:"eventID"`
	Time           string        `json:"eventTime"`
	Offset         string        `json:"eventTimeZoneOffset"`
	Action         string        `json:"action,omitempty"`
	Parent         string        `json:"parentID,omitempty"`
	EPCs           []string      `json:"epcList,omitempty"`
	Children       []string      `json:"childEPCs,omitempty"`
	Transformation string        `json:"transformationID,omitempty"`
	Inputs         []string      `json:"inputEPCList,omitempty"`
	Outputs        []string      `json:"outputEPCList,omitempty"`
	Step           string        `json:"bizStep,omitempty"`
	Disposition    string        `json:"disposition,omitempty"`
	ReadPoint      *epcisID      `json:"readPoint,omitempty"`
	Transactions   []epcisPaper  `json:"bizTransactionList,omitempty"`
	Sources        []epcisSource `json:"sourceList,omitempty"`
	Destinations   []epcisTarget `json:"destinationList,omitempty"`
	Sensors        []epcisSensor `json:"sensorElementList,omitempty"`

	Entry    uint64   `json:"barward:entry"`
	What     string   `json:"barward:action"`
	Things   []string `json:"barward:things"`
	Person   string   `json:"barward:person,omitempty"`
	Place    string   `json:"barward:place,omitempty"`
	Parties  []string `json:"barward:parties,omitempty"`
	Seals    []string `json:"barward:seals,omitempty"`
	Note     string   `json:"barward:note,omitempty"`
	Findings []string `json:"barward:findings,omitempty"`
}

type epcisID struct {
	ID string `json:"id"`
}
type epcisPaper struct {
	Type  string `json:"type"`
	Paper string `json:"bizTransaction"`
}
type epcisSource struct {
	Type   string `json:"type"`
	Source string `json:"source"`
}
type epcisTarget struct {
	Type   string `json:"type"`
	Target string `json:"destination"`
}
type epcisSensor struct {
	Reports []epcisReport `json:"sensorReport"`
}

// epcisReport holds a figure as JSON number, written from the record's digits and never through a binary float.
type epcisReport struct {
	Type  string      `json:"type"`
	Value json.Number `json:"value"`
	Unit  string      `json:"uom"`
}

// part is one thing's share of a moment.
type part struct {
	kind, name string
	bar        *pb.Bar
	step       *pb.RouteStep
}

// moments collects the steps of all routes by entry and action: one entry that concerns ten bars is one moment.
func moments(c Custody) [][]part {
	type key struct {
		entry  uint64
		action string
	}
	at := map[key]int{}
	var all [][]part
	add := func(p part) {
		k := key{p.step.GetEntry(), p.step.GetAction()}
		i, known := at[k]
		if !known {
			i, at[k] = len(all), len(all)
			all = append(all, nil)
		}
		if !slices.ContainsFunc(all[i], func(q part) bool { return q.kind == p.kind && q.name == p.name }) {
			all[i] = append(all[i], p)
		}
	}
	for _, b := range c.Bars {
		for _, s := range b.GetRoute() {
			add(part{"bar", b.GetName(), b, s})
		}
	}
	for _, b := range c.Boxes {
		for _, s := range b.GetRoute() {
			add(part{"box", b.GetName(), nil, s})
		}
	}
	slices.SortStableFunc(all, func(a, b []part) int { return cmp.Compare(a[0].step.GetEntry(), b[0].step.GetEntry()) })
	return all
}

type epcisWriter struct {
	custody Custody
	lots    map[string]*pb.Lot
	boxes   map[string]*pb.Box
	events  []epcisEvent
}

// id is the URN of a thing: the SSCC of a box that has one, and a name-based UUID for all else.
func (e *epcisWriter) id(kind, name string) string {
	if code := e.custody.SSCC[name]; kind == "box" && code.Known() {
		return code.URI()
	}
	return "urn:uuid:" + uuid.NewSHA1(uuid.NameSpaceURL, []byte("barward:"+e.custody.Origin+"\n"+kind+"\n"+name)).String()
}

func (e *epcisWriter) ids(kind string, names []string) (list []string) {
	for _, name := range names {
		if id := e.id(kind, name); !slices.Contains(list, id) {
			list = append(list, id)
		}
	}
	return list
}

// event begins an event of a moment about these things.
func (e *epcisWriter) event(kind, subject string, parts []part) (epcisEvent, error) {
	step := parts[0].step
	at, err := time.Parse(time.RFC3339, step.GetOccurredAt())
	if _, offset := at.Zone(); err != nil || offset < -14*3600 || offset > 14*3600 || offset%60 != 0 {
		return epcisEvent{}, refusal.Invalidf("EPCIS_TIME", "", "Entry %d happened at %s, which is no instant with an "+
			"offset of at most 14 hours.", step.GetEntry(), refusal.Quote(step.GetOccurredAt()))
	}
	ev := epcisEvent{
		Type: kind, Time: at.Format(time.RFC3339Nano), Offset: at.Format("-07:00"), Entry: step.GetEntry(),
		What: step.GetAction(), Person: step.GetPerson(), Place: step.GetPlace(),
		EventID: e.id("event", strconv.FormatUint(step.GetEntry(), 10)+"\n"+step.GetAction()+"\n"+subject),
	}
	if kind != "TransformationEvent" {
		ev.Action = "OBSERVE"
	}
	if step.GetPlace() != "" {
		ev.ReadPoint = &epcisID{e.id("site", step.GetPlace())}
	}
	for _, party := range []string{step.GetParty(), step.GetCounterparty()} {
		if party != "" {
			ev.Parties = append(ev.Parties, party)
		}
	}
	once := func(list *[]string, more ...string) {
		for _, text := range more {
			if text != "" && !slices.Contains(*list, text) {
				*list = append(*list, text)
			}
		}
	}
	var notes []string
	for _, p := range parts {
		once(&ev.Things, p.kind+" "+p.name)
		once(&ev.Seals, p.step.GetSeals()...)
		once(&ev.Findings, p.step.GetFindings()...)
		once(&notes, p.step.GetNote())
	}
	ev.Note = strings.Join(notes, "; ")
	ev.Disposition = e.disposition(parts)
	return ev, nil
}

// disposition says what did not match, by the discrepancies that the entry raised about these things.
func (e *epcisWriter) disposition(parts []part) (worst string) {
	for _, d := range e.custody.Discrepancies {
		if d.GetEntry() != parts[0].step.GetEntry() ||
			!slices.ContainsFunc(parts, func(p part) bool { return p.name == d.GetSubject() }) {
			continue
		}
		switch d.GetKind() {
		case pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_HANDOFF, pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL,
			pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL:
			return "mismatch_quantity"
		case pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_MISSING, pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_EXTRA,
			pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT:
			worst = "mismatch_instance"
		default:
			if worst == "" {
				worst = "non_conformant"
			}
		}
	}
	return worst
}

func named(parts []part, kind string) (names []string) {
	for _, p := range parts {
		if p.kind == kind {
			names = append(names, p.name)
		}
	}
	return names
}

// moment writes the events of one entry.
func (e *epcisWriter) moment(parts []part) error {
	step, bars := parts[0].step, named(parts, "bar")
	switch action := step.GetAction(); {
	case action == "poured" && len(bars) > 0:
		return e.poured(parts, bars)
	case (action == "packed" || action == "received") && len(bars) > 0:
		return e.boxed(parts)
	case action == "melted" && len(bars) > 0:
		return e.melted(parts)
	case action == "weighed":
		return e.masses(parts)
	}
	ev, err := e.event("ObjectEvent", "", parts)
	if err != nil {
		return err
	}
	ev.EPCs = append(e.ids("bar", bars), e.ids("box", named(parts, "box"))...)
	giver, taker := step.GetParty(), step.GetCounterparty()
	switch step.GetAction() {
	case "poured":
		ev.Step = "commissioning"
	case "packed":
		ev.Step = "packing"
	case "sampled":
		ev.Step = "sampling"
	case "assayed":
		ev.Step = "inspecting"
		ev.Transactions = []epcisPaper{{"testres", e.id("entry", strconv.FormatUint(step.GetEntry(), 10))}}
	case "advised":
		ev.Transactions = []epcisPaper{{"desadv", e.id("entry", strconv.FormatUint(step.GetEntry(), 10))}}
	case "released":
		ev.Step, ev.Disposition = "shipping", cmp.Or(ev.Disposition, "in_transit")
	case "accepted":
		ev.Step, giver, taker = "receiving", taker, giver
	case "received":
		ev.Step = "unpacking"
	case "seal_replaced":
		ev.Step = "inspecting"
	case "lot":
		ev.Step = "accepting"
	default:
		ev.Step = "other"
	}
	if ev.Step == "shipping" || ev.Step == "receiving" {
		if giver != "" {
			ev.Sources = []epcisSource{{"possessing_party", e.id("party", giver)}}
		}
		if taker != "" {
			ev.Destinations = []epcisTarget{{"possessing_party", e.id("party", taker)}}
		}
	}
	e.events = append(e.events, ev)
	return nil
}

// poured is the charge becoming bars: what went in is on record in words only, so the pour's own id stands for it.
func (e *epcisWriter) poured(parts []part, bars []string) error {
	ev, err := e.event("TransformationEvent", "", parts)
	if err != nil {
		return err
	}
	ev.Step, ev.Disposition = "commissioning", cmp.Or(ev.Disposition, "active")
	ev.Transformation = e.id("entry", strconv.FormatUint(parts[0].step.GetEntry(), 10))
	for _, p := range parts {
		if p.bar.GetPour() != "" {
			ev.Transformation = e.id("pour", p.bar.GetPour())
		}
	}
	ev.Outputs = e.ids("bar", bars)
	e.events = append(e.events, ev)
	return e.masses(parts)
}

// boxed is bars going into their box or coming out of it.
func (e *epcisWriter) boxed(parts []part) error {
	out := parts[0].step.GetAction() == "received"
	byBox := map[string][]part{}
	var order []string
	into := ""
	if own := named(parts, "box"); len(own) > 0 {
		into = own[0]
	}
	for _, p := range parts {
		box := cmp.Or(into, p.bar.GetBox())
		if _, known := byBox[box]; !known {
			order = append(order, box)
		}
		byBox[box] = append(byBox[box], p)
	}
	for _, box := range order {
		group := byBox[box]
		ev, err := e.event("AggregationEvent", box, group)
		if err != nil {
			return err
		}
		ev.Children = e.ids("bar", named(group, "bar"))
		if out {
			ev.Action, ev.Step, ev.Disposition = "DELETE", "unpacking", cmp.Or(ev.Disposition, "container_open")
		} else {
			ev.Action, ev.Step, ev.Disposition = "ADD", "packing", cmp.Or(ev.Disposition, "container_closed")
			if known := e.boxes[box]; known != nil {
				ev.Children = e.ids("bar", known.GetBars())
			}
		}
		if ev.Parent = e.id("box", box); box == "" {
			ev.Type, ev.Action, ev.Parent, ev.EPCs, ev.Children = "ObjectEvent", "OBSERVE", "", ev.Children, nil
		}
		e.events = append(e.events, ev)
	}
	return e.masses(parts)
}

// melted is bars becoming a lot's metal. Without the lot at hand not every bar may be named here; the transformation's
// id, which is the lot's, then ties the files together, as the standard provides.
func (e *epcisWriter) melted(parts []part) error {
	byLot := map[string][]part{}
	var order []string
	for _, p := range parts {
		name := p.bar.GetLot()
		if p.kind != "bar" || name == "" {
			continue
		}
		if _, known := byLot[name]; !known {
			order = append(order, name)
		}
		byLot[name] = append(byLot[name], p)
	}
	for _, name := range order {
		ev, err := e.event("TransformationEvent", name, byLot[name])
		if err != nil {
			return err
		}
		ev.Step, ev.Transformation = "commissioning", e.id("lot", name)
		ev.Inputs = e.ids("bar", named(byLot[name], "bar"))
		if lot := e.lots[name]; lot != nil {
			ev.Inputs = e.ids("bar", lot.GetBars())
		}
		ev.Outputs = []string{e.id("melt", name)}
		e.events = append(e.events, ev)
	}
	return nil
}

// units are the codes of UN/ECE Recommendation 20; APZ is the troy ounce (from memory).
var units = map[string]string{"g": "GRM", "kg": "KGM", "mg": "MGM", "oz": "APZ"}

// masses are the weighings of a moment, one event a thing.
func (e *epcisWriter) masses(parts []part) error {
	for _, p := range parts {
		if p.step.GetMass() == "" {
			continue
		}
		mass, err := quantity.ParseMass(p.step.GetMass())
		if err != nil {
			return err
		}
		ev, err := e.event("ObjectEvent", "mass of "+p.kind+" "+p.name, []part{p})
		if err != nil {
			return err
		}
		ev.EPCs, ev.Step = []string{e.id(p.kind, p.name)}, "inspecting"
		ev.Sensors = []epcisSensor{{[]epcisReport{{"Mass", json.Number(mass.Value().String()), units[string(mass.Unit())]}}}}
		e.events = append(e.events, ev)
	}
	return nil
}
