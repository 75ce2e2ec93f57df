package desk

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"barward/client/station"
	"barward/internal/custody"
	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// bay is where boxes are taken over, opened and weighed: of a refinery's clerks, and of all who carry or keep for
// taking boxes over.
func bay() room {
	return room{Name: "Receiving bay", Path: "/bay", Key: "y", Words: "Take boxes over, scan and weigh bars, open lots, " +
		"record melts.",
		open: func(s *seat) bool {
			carries := s.Kind == identity.Refinery || s.Kind == identity.Carrier || s.Kind == identity.Vault
			return carries && (s.May(identity.BarReceived) || s.May(identity.Accepted))
		},
		pages: []page{
			{"GET /bay", (*visit).bay},
			{"GET /bay/consignment/{name...}", (*visit).bayConsignment},
			{"POST /bay/begin", (*visit).beginShift},
			{"GET /bay/shift/{id}", (*visit).bayShift}, {"POST /bay/shift/{id}", (*visit).bayLine},
			{"GET /bay/shift/{id}/news", (*visit).bayNews},
			{"GET /bay/shift/{id}/sign", (*visit).bayShift}, {"POST /bay/shift/{id}/sign", (*visit).signTaken},
			{"GET /bay/taken/{event}", (*visit).bayTaken},
			{"GET /bay/release", (*visit).bayRelease}, {"POST /bay/release", (*visit).bayRelease},
			{"POST /bay/release/live", (*visit).bayReleaseLive},
			{"GET /bay/correct/{event}", (*visit).bayCorrect}, {"POST /bay/correct/{event}", (*visit).bayCorrect},
			{"GET /bay/check", (*visit).balanceCheck}, {"POST /bay/check", (*visit).balanceCheck},
			{"POST /bay/check/live", (*visit).balanceCheckLive},
			{"GET /bay/lot", (*visit).bayLot}, {"POST /bay/lot", (*visit).bayLot},
			{"GET /bay/melt", (*visit).bayMelt}, {"POST /bay/melt", (*visit).bayMelt}, {"POST /bay/melt/live",
				(*visit).bayMeltLive},
			{"GET /bay/sample", (*visit).sample}, {"POST /bay/sample", (*visit).sample},
		}}
}

// dueLine is a consignment of which boxes were released to our party and are not accepted yet.
type dueLine struct {
	Consignment, From, AcceptBy string
	Boxes                       int
	Waits                       bool // our acceptance is signed and waits to be sent
}

// arrivalLine is a consignment that is advised to us, and how far it came.
type arrivalLine struct {
	Name, Seller      string
	Boxes             int
	Advised, Received int32
	Words             string
	Here, Done        bool
}

// bay shows what is on its way, what is at the door, and what is to be done in the bay.
func (v *visit) bay() error {
	due, seen, err := v.due()
	if err != nil {
		return err
	}
	p := map[string]any{"Due": due, "Seen": seen, "May": v.bayMay()}
	if v.mayPassOn() {
		held, now, err := v.boxesInHand()
		if err != nil {
			return err
		}
		p["Hands"], p["Seen"] = held, seen.older(now)
	}
	if v.seat.May(identity.BarReceived) {
		open, done, now, err := v.arrivals(due)
		if err != nil {
			return err
		}
		p["Open"], p["Done"], p["Seen"] = open, done, seen.older(now)
		lots, _, err := v.collect(pb.ThingKind_THING_KIND_LOT, filterOf("party", v.seat.Party, "state", "OPENED"))
		if err != nil && !station.Unreachable(err) {
			return err
		}
		p["Lots"] = lots
	}
	if p["Balances"], _, err = v.balances(); err != nil && !station.Unreachable(err) {
		return err
	}
	p["Shifts"] = v.d.openShifts(v.seat.Party)
	return v.show("bay.html", "Receiving bay", p)
}

func (v *visit) bayMay() map[string]bool {
	return map[string]bool{"take": v.seat.May(identity.Accepted), "receive": v.seat.May(identity.BarReceived),
		"pass": v.mayPassOn(), "check": v.seat.May(identity.BalanceChecked), "lot": v.seat.May(identity.LotOpened),
		"sample": v.seat.May(identity.SampleTaken)}
}

// due lists what waits to be taken over: by the record, less what waits in the outbox.
func (v *visit) due() ([]dueLine, Seen, error) {
	boxes, seen, err := v.collect(pb.ThingKind_THING_KIND_BOX, filterOf("released_to", v.seat.Party))
	if err != nil {
		return nil, seen, err
	}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, seen, err
	}
	var lines []dueLine
	for _, thing := range boxes {
		b := thing.GetBox()
		at := slices.IndexFunc(lines, func(l dueLine) bool {
			return l.Consignment == b.GetConsignment() && l.From == b.GetHolder()
		})
		if at < 0 {
			at = len(lines)
			lines = append(lines, dueLine{Consignment: b.GetConsignment(), From: b.GetHolder(), AcceptBy: b.GetAcceptBy()})
		}
		lines[at].Boxes++
	}
	for i, l := range lines {
		lines[i].Waits = slices.ContainsFunc(waiting, func(w waitingEvent) bool {
			return w.event.GetAccepted().GetConsignment() == l.Consignment && w.event.GetAccepted().GetFromParty() == l.From
		})
	}
	return lines, seen, nil
}

// arrivals lists the consignments that are advised to us, the latest first, those that are whole apart.
func (v *visit) arrivals(due []dueLine) (open, done []arrivalLine, seen Seen, err error) {
	things, seen, err := v.collect(pb.ThingKind_THING_KIND_CONSIGNMENT, filterOf("refiner", v.seat.Party))
	if err != nil {
		return nil, nil, seen, err
	}
	here, now, err := v.collect(pb.ThingKind_THING_KIND_BOX, filterOf("holder", v.seat.Party, "opened", "false"))
	if err != nil {
		return nil, nil, seen, err
	}
	closed := map[string]int{}
	for _, thing := range here {
		closed[thing.GetBox().GetConsignment()]++
	}
	for _, thing := range slices.Backward(things) {
		c := thing.GetConsignment()
		l := arrivalLine{Name: c.GetName(), Seller: c.GetParty(), Boxes: len(c.GetAdvised().GetBoxes()),
			Advised: c.GetBarsAdvised(), Received: c.GetBarsReceived(), Words: "on its way"}
		l.Here = closed[l.Name] > 0 || l.Received > 0
		switch {
		case l.Received > 0 && l.Received == l.Advised:
			l.Words, l.Done = "every bar is here", true
		case l.Received > 0:
			l.Words = "being opened"
		case l.Here:
			l.Words = "here, to be opened"
		case slices.ContainsFunc(due, func(d dueLine) bool { return d.Consignment == l.Name }):
			l.Words = "at the door, to be taken over"
		}
		if l.Done {
			if len(done) < maxShownDone {
				done = append(done, l)
			}
			continue
		}
		open = append(open, l)
	}
	slices.SortStableFunc(open, func(a, b arrivalLine) int { return cmp.Compare(rank(a), rank(b)) })
	return open, done, seen.older(now), nil
}

// rank puts first what can be opened, then what stands at the door, then what is on its way.
func rank(l arrivalLine) int {
	switch {
	case l.Here:
		return 0
	case l.Words != "on its way":
		return 1
	}
	return 2
}

const maxShownDone = 12

// handOffLine is one hand-off of a consignment's boxes, for its receipt.
type handOffLine struct {
	Entry     uint64
	At, Words string
	Boxes     int
}

// bayConsignment shows how far a consignment came: what is missing, extra or in the wrong box, its hand-offs with their
// receipts, and its discrepancies.
func (v *visit) bayConsignment() error {
	name := v.r.PathValue("name")
	if _, _, ok := cutName(name); !ok {
		return v.nowhere()
	}
	thing, seen, err := v.get(pb.ThingKind_THING_KIND_CONSIGNMENT, name)
	if err != nil {
		return err
	}
	boxes, _, err := v.collect(pb.ThingKind_THING_KIND_BOX, filterOf("consignment", name))
	if err != nil && !station.Unreachable(err) {
		return err
	}
	raised, _, err := v.collect(pb.ThingKind_THING_KIND_DISCREPANCY, filterOf("consignment", name))
	if err != nil && !station.Unreachable(err) {
		return err
	}
	balances, _, err := v.balances()
	if err != nil && !station.Unreachable(err) {
		return err
	}
	f := v.form()
	for _, b := range balances {
		if b.Good || f.Get("balance") == "" {
			f.values.Set("balance", b.Name)
		}
		if b.Good {
			break
		}
	}
	units := unitOptions(balances)
	f.Set("unit", units[0].Value)
	p := map[string]any{"Consignment": thing.GetConsignment(), "Seen": seen, "Boxes": boxes, "Raised": raised, "Form": f,
		"May": v.bayMay(), "Balances": balanceOptions(balances), "Units": units, "HandOffs": handOffs(boxes),
		"Shifts": v.d.shiftsOf(v.seat.Party, name)}
	door, err := v.door(name)
	if err != nil && !station.Unreachable(err) {
		return err
	}
	here := thing.GetConsignment().GetBarsReceived() > 0 // before that, nothing is missing
	for _, b := range boxes {
		p["Due"] = p["Due"] == true || b.GetBox().GetReleasedTo() == v.seat.Party
		ours := b.GetBox().GetHolder() == v.seat.Party
		p["InHand"] = p["InHand"] == true || ours && b.GetBox().GetReleasedTo() == ""
		here = here || ours && v.seat.May(identity.BarReceived)
	}
	p["Holders"] = holdersOf(boxes)
	if err == nil && here {
		a, err := arrivalOf(door)
		if err != nil {
			return err
		}
		p["Arrival"], p["Whole"] = a, a.Left == 0
	}
	return v.show("bay_consignment.html", "Consignment "+shortName("", name), p)
}

// holdersOf says in words who holds boxes, and to whom they are on their way.
func holdersOf(boxes []*pb.Thing) (words []string) {
	many := map[string]int{}
	for _, thing := range boxes {
		b := thing.GetBox()
		where := "held by " + b.GetHolder()
		switch {
		case b.GetOpened():
			where = "opened by " + b.GetHolder()
		case b.GetReleasedTo() != "":
			where += ", released to " + b.GetReleasedTo()
		}
		if many[where]++; many[where] == 1 {
			words = append(words, where)
		}
	}
	for i, where := range words {
		words[i] = count(many[where], "box") + " " + where
	}
	return words
}

// arrivalView is an arrival at a glance. Lists that would fill the page are cut, and say so.
type arrivalView struct {
	custody.Arrival
	Came, Left int
	More       int // missing bars that are not shown
}

const maxShownMissing = 60

func arrivalOf(d *station.Door) (*arrivalView, error) {
	a, err := d.Tally()
	if err != nil {
		return nil, err
	}
	view := &arrivalView{Arrival: a, Left: a.RemainingBars(), Came: a.Bars - a.RemainingBars()}
	short := func(names ...*string) { // the consignor's own things are called by what is painted on them
		for _, name := range names {
			*name = shortName(partyOf(d.Consignment), *name)
		}
	}
	for i := range view.MissingBars {
		short(&view.MissingBars[i].Bar, &view.MissingBars[i].Box)
	}
	for i := range view.ExtraBars {
		short(&view.ExtraBars[i].Bar, &view.ExtraBars[i].Box)
	}
	for i := range view.Misplaced {
		short(&view.Misplaced[i].Bar, &view.Misplaced[i].Advised, &view.Misplaced[i].Found)
	}
	for i := range view.ExtraBoxes {
		short(&view.ExtraBoxes[i])
	}
	if n := len(view.MissingBars); n > maxShownMissing {
		view.MissingBars, view.More = view.MissingBars[:maxShownMissing], n-maxShownMissing
	}
	return view, nil
}

// partyOf is the party of a name, `party/number`.
func partyOf(name string) string {
	party, _, _ := strings.Cut(name, "/")
	return party
}

// door asks for the door of a consignment; a link that is known to be down is not waited for.
func (v *visit) door(consignment string) (*station.Door, error) {
	patience := askPatience
	if state := v.d.sender.now(); state.Known && !state.Up {
		patience = time.Second
	}
	ctx, cancel := context.WithTimeout(v.ctx(), patience)
	defer cancel()
	return v.d.station.Door(ctx, consignment)
}

// handOffs are the hand-offs on the routes of boxes, each once, in their order.
func handOffs(boxes []*pb.Thing) []handOffLine {
	var lines []handOffLine
	for _, thing := range boxes {
		for _, s := range thing.GetBox().GetRoute() {
			if s.GetAction() != "released" && s.GetAction() != "accepted" {
				continue
			}
			at := slices.IndexFunc(lines, func(l handOffLine) bool { return l.Entry == s.GetEntry() })
			if at < 0 {
				at = len(lines)
				words := s.GetParty() + " took over from " + s.GetCounterparty()
				if s.GetAction() == "released" {
					words = s.GetParty() + " gave to " + s.GetCounterparty()
				}
				lines = append(lines, handOffLine{Entry: s.GetEntry(), At: instantWords(s.GetOccurredAt()), Words: words})
			}
			lines[at].Boxes++
		}
	}
	slices.SortFunc(lines, func(a, b handOffLine) int { return cmp.Compare(a.Entry, b.Entry) })
	return lines
}

// unitOptions are the units that readings may come in without saying so: those of the balances first.
func unitOptions(balances []balanceLine) (options []Option) {
	for _, b := range balances {
		if i, err := station.BalanceOf(b.thing.GetRegistered()); err == nil {
			unit := string(i.Readability.Unit())
			if !slices.ContainsFunc(options, func(o Option) bool { return o.Value == unit }) {
				options = append(options, Option{Value: unit, Text: unit + ", as the balance shows"})
			}
		}
	}
	return append(options, Option{Text: "none: each reading says its own"})
}
