package desk

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/identity"
	"barward/internal/weighing"
	pb "barward/proto/barward/v1"
)

// goldRoom is the mine's room: checks of the balance, pours, samples, boxes, the consignment and its release.
func goldRoom() room {
	return room{Name: "Gold room", Path: "/goldroom", Key: "g", Words: "Check the balance, log a pour, take samples, pack, advise, release.",
		open: func(s *seat) bool {
			return s.Kind == identity.Mine && (s.May(identity.PourRecorded) || s.May(identity.SampleTaken) ||
				s.May(identity.Countersigned))
		},
		warm: (*visit).warmGoldRoom,
		pages: []page{
			{"GET /goldroom", (*visit).goldroom},
			{"GET /goldroom/check", (*visit).balanceCheck}, {"POST /goldroom/check", (*visit).balanceCheck},
			{"POST /goldroom/check/live", (*visit).balanceCheckLive},
			{"POST /goldroom/pour", (*visit).newPour},
			{"GET /goldroom/pour/{draft}", (*visit).pour}, {"POST /goldroom/pour/{draft}", (*visit).pour},
			{"POST /goldroom/pour/{draft}/live", (*visit).pourLive},
			{"POST /goldroom/pour/{draft}/discard", (*visit).discardPour},
			{"GET /goldroom/pour/{draft}/sign", (*visit).signPour}, {"POST /goldroom/pour/{draft}/sign", (*visit).signPour},
			{"GET /goldroom/pours", (*visit).pours},
			{"GET /goldroom/pours/{party}/{number}", (*visit).pourRecord},
			{"POST /goldroom/pours/{party}/{number}/witness", (*visit).witnessPour},
			{"GET /goldroom/sample", (*visit).sample}, {"POST /goldroom/sample", (*visit).sample},
			{"GET /goldroom/pack", (*visit).pack}, {"POST /goldroom/pack", (*visit).pack},
			{"GET /goldroom/advise", (*visit).advise}, {"POST /goldroom/advise", (*visit).advise},
			{"GET /goldroom/release", (*visit).release}, {"POST /goldroom/release", (*visit).release},
			{"POST /goldroom/release/live", (*visit).releaseLive},
			{"GET /goldroom/consignments", (*visit).consignments},
		}}
}

// warmGoldRoom looks at what a day without a link needs: balances, bars and boxes at hand, agreements, carriers.
func (v *visit) warmGoldRoom() error {
	balances, _, err := v.balances()
	for _, b := range balances {
		if err == nil {
			_, _, err = v.get(pb.ThingKind_THING_KIND_BALANCE, b.Name)
		}
	}
	for _, look := range []func() error{
		func() error { _, _, err := v.barsAtHand(); return err },
		func() error { _, _, err := v.boxesAtHand(); return err },
		func() error { _, err := v.agreementOptions(); return err },
		func() error { _, err := v.carrierOptions(); return err },
		func() error { _, err := v.consignmentsLately(); return err },
	} {
		if err == nil {
			err = look()
		}
	}
	return err
}

// balanceLine is one balance and whether it may be relied on now.
type balanceLine struct {
	Name   string
	Number string
	State  weighing.State
	Words  string
	Good   bool
	thing  *pb.Balance
}

// goldroom shows the room: the balances, pours that are half filled in, and what can be done.
func (v *visit) goldroom() error {
	balances, seen, err := v.balances()
	if err != nil && !station.Unreachable(err) {
		return err
	}
	drafts, err := v.d.drafts()
	if err != nil {
		return err
	}
	var open, recent []pourDraft
	for _, d := range drafts {
		switch {
		case d.Party != v.seat.Party:
		case d.Event == "":
			open = append(open, d)
		case len(recent) < 8:
			recent = append(recent, d)
		}
	}
	goes, err := v.consignmentsLately()
	if err != nil {
		return err
	}
	unwitnessed, err := v.unwitnessed()
	if err != nil {
		return err
	}
	return v.show("goldroom.html", "Gold room", map[string]any{"Balances": balances, "Seen": seen, "Open": open,
		"Recent": recent, "Goes": goes, "Unwitnessed": unwitnessed,
		"May": map[string]bool{"pour": v.seat.May(identity.PourRecorded), "check": v.seat.May(identity.BalanceChecked),
			"sample": v.seat.May(identity.SampleTaken), "pack": v.seat.May(identity.BoxPacked),
			"advise": v.seat.May(identity.ConsignmentAdvised), "release": v.seat.May(identity.Released)}})
}

// balances are the party's balances with their state at this moment; a check that waits in the outbox counts.
func (v *visit) balances() ([]balanceLine, Seen, error) {
	list, seen, err := v.page(pb.ThingKind_THING_KIND_BALANCE, filterOf("party", v.seat.Party), "", choiceSize)
	if err != nil {
		return nil, seen, err
	}
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, seen, err
	}
	var lines []balanceLine
	for _, thing := range list.GetThings() {
		lines = append(lines, v.balanceLine(thing.GetBalance(), waiting))
	}
	return lines, seen, nil
}

func (v *visit) balanceLine(b *pb.Balance, waiting []waitingEvent) balanceLine {
	line := balanceLine{Name: b.GetName(), Number: shortName(v.seat.Party, b.GetName()), thing: b}
	instrument, err := station.BalanceOf(b.GetRegistered())
	if err != nil {
		line.Words = plainWords(err)
		return line
	}
	var checks []weighing.DatedResult
	var last time.Time
	for _, c := range b.GetChecks() {
		if at, err := time.Parse(time.RFC3339, c.GetCheckedAt()); err == nil {
			checks = append(checks, weighing.DatedResult{At: at, Passed: c.GetPassed()})
			last = at
		}
	}
	waits := ""
	for _, w := range waiting {
		c := w.event.GetBalanceChecked()
		if c.GetBalance() != b.GetName() {
			continue
		}
		points, _ := checkPoints(c)
		result, err := weighing.CheckBalance(instrument, points, weighing.InService)
		at, wrong := time.Parse(time.RFC3339, w.event.GetOccurredAt())
		if err == nil && wrong == nil {
			checks, last = append(checks, weighing.DatedResult{At: at, Passed: result.Passed}), at
			waits = "; that check waits in the outbox"
		}
	}
	now := v.d.now()
	line.State = weighing.Status(now, checks, instrument)
	line.Good = line.State == weighing.InDate
	when := dayWords(last)
	if y, m, d := last.Local().Date(); y == now.Year() && m == now.Month() && d == now.Day() {
		when = "today at " + last.Local().Format("15:04")
	}
	switch line.State {
	case weighing.InDate:
		line.Words = fmt.Sprintf("was checked %s, passed; good until %s%s", when, dayWords(last.AddDate(0, 0,
			instrument.CheckEvery)), waits)
	case weighing.Lapsed:
		line.Words = "was checked " + when + ", which is too long ago. What is weighed now is recorded and flagged"
	case weighing.Failed:
		line.Words = "failed its check " + when + waits + ". Do not weigh on it; what is weighed is recorded and flagged"
	default:
		line.Words = "was never checked. What is weighed now is recorded and flagged"
	}
	return line
}

// waitingEvent is an event that was signed here and is not recorded yet.
type waitingEvent struct {
	item  outbox.Item
	event *pb.Event
}

// waitingEvents are the events that wait, the oldest first.
func (d *Desk) waitingEvents() ([]waitingEvent, error) {
	items, err := d.station.Outbox().Waiting(outbox.MaxPage)
	if err != nil {
		return nil, err
	}
	var events []waitingEvent
	for _, item := range items {
		if event := eventOf(item); event != nil {
			events = append(events, waitingEvent{item, event})
		}
	}
	return events, nil
}

// barAtHand is a bar that can be packed.
type barAtHand struct {
	Name, Mark, Weight string
	Waits              bool // its pour waits in the outbox
}

// barsAtHand are the party's own bars that lie in the gold room: by the record, and by what waits in the outbox.
func (v *visit) barsAtHand() ([]barAtHand, Seen, error) {
	waiting, err := v.d.waitingEvents()
	if err != nil {
		return nil, Seen{}, err
	}
	packed := map[string]bool{}
	for _, w := range waiting {
		for _, bar := range w.event.GetBoxPacked().GetBars() {
			packed[bar] = true
		}
	}
	things, seen, err := v.collect(pb.ThingKind_THING_KIND_BAR, filterOf("state", "POURED", "party", v.seat.Party))
	if station.Unreachable(err) {
		seen.Missing = true
	} else if err != nil {
		return nil, seen, err
	}
	var bars []barAtHand
	known := map[string]bool{}
	for _, thing := range things {
		bar := thing.GetBar()
		known[bar.GetName()] = true
		if packed[bar.GetName()] {
			continue
		}
		line := barAtHand{Name: bar.GetName(), Mark: shortName(v.seat.Party, bar.GetName())}
		if n := len(bar.GetWeights()); n > 0 {
			line.Weight = bar.GetWeights()[n-1].GetMass()
		}
		bars = append(bars, line)
	}
	for _, w := range waiting {
		pour := w.event.GetPourRecorded()
		for _, poured := range pour.GetBars() {
			name := v.seat.Party + "/" + poured.GetMark()
			if packed[name] || known[name] {
				continue
			}
			line := barAtHand{Name: name, Mark: poured.GetMark(), Waits: true}
			if b := v.balanceKnown(pour.GetBalance()); b != nil {
				if weight, words := station.Judge(b, poured.GetReadings()); words == "" {
					line.Weight = weight.Mass.String()
				}
			}
			bars = append(bars, line)
		}
	}
	return bars, seen, nil
}

// collect returns all things that pass a filter, up to choiceSize: a gold room holds a few dozen bars, however long its
// past is.
func (v *visit) collect(kind pb.ThingKind, filter string) ([]*pb.Thing, Seen, error) {
	var things []*pb.Thing
	var seen Seen
	for token := ""; len(things) < choiceSize; {
		list, now, err := v.page(kind, filter, token, choiceSize)
		if err != nil {
			if token != "" && station.Unreachable(err) {
				return things, seen, nil
			}
			return nil, seen, err
		}
		seen = seen.older(now)
		if seen.At.IsZero() {
			seen = now
		}
		things = append(things, list.GetThings()...)
		if token = list.GetNextPageToken(); token == "" {
			break
		}
	}
	return things, seen, nil
}

// boxAtHand is a box that this party holds.
type boxAtHand struct {
	Name, Number, Consignment string
	Seals                     []string
	Bars                      int
	Waits                     bool
}

// boxesOnRecord are the unopened boxes that the party holds and has not released, by the record, and what waits in the
// outbox. Pairs narrow them, as those of filterOf.
func (v *visit) boxesOnRecord(pairs ...string) (boxes []boxAtHand, waiting []waitingEvent, seen Seen, err error) {
	if waiting, err = v.d.waitingEvents(); err != nil {
		return nil, nil, Seen{}, err
	}
	things, seen, err := v.collect(pb.ThingKind_THING_KIND_BOX,
		filterOf(append([]string{"holder", v.seat.Party, "opened", "false"}, pairs...)...))
	if station.Unreachable(err) {
		seen.Missing = true
	} else if err != nil {
		return nil, nil, seen, err
	}
	for _, thing := range things {
		if b := thing.GetBox(); b.GetReleasedTo() == "" {
			boxes = append(boxes, boxAtHand{Name: b.GetName(), Number: station.Short(b.GetName()), Seals: b.GetSeals(),
				Bars: len(b.GetBars()), Consignment: b.GetConsignment()})
		}
	}
	return boxes, waiting, seen, nil
}

// boxesAtHand are the boxes that the party holds and has not released: by the record, and by what waits in the outbox.
func (v *visit) boxesAtHand() ([]boxAtHand, Seen, error) {
	boxes, waiting, seen, err := v.boxesOnRecord("party", v.seat.Party)
	if err != nil {
		return nil, seen, err
	}
	for _, w := range waiting {
		if p := w.event.GetBoxPacked(); p != nil {
			boxes = append(boxes, boxAtHand{Name: v.seat.Party + "/" + p.GetBoxId(), Number: p.GetBoxId(), Seals: p.GetSeals(),
				Bars: len(p.GetBars()), Waits: true})
		}
		if c := w.event.GetConsignmentAdvised(); c != nil {
			for i := range boxes {
				if slices.Contains(c.GetBoxes(), boxes[i].Name) {
					boxes[i].Consignment = v.seat.Party + "/" + c.GetConsignmentId()
				}
			}
		}
		if r := w.event.GetReleased(); r != nil {
			boxes = slices.DeleteFunc(boxes, func(b boxAtHand) bool { return b.Consignment == r.GetConsignment() })
		}
	}
	return boxes, seen, nil
}

// pourGuide is the way from nothing to the first pour; nothing where the way lies behind.
func (v *visit) pourGuide() ([]guideStep, error) {
	drafts, err := v.d.drafts()
	if err != nil {
		return nil, err
	}
	if slices.ContainsFunc(drafts, func(d pourDraft) bool { return d.Event != "" && d.Party == v.seat.Party }) {
		return nil, nil
	}
	if list, _, err := v.page(pb.ThingKind_THING_KIND_POUR, filterOf("party", v.seat.Party), "",
		1); err == nil && len(list.GetThings()) > 0 {
		return nil, nil
	}
	balances, _, err := v.balances()
	if err != nil && !station.Unreachable(err) {
		return nil, err
	}
	steps := []guideStep{{Text: "You have a key, and the service knows you", Done: true}}
	balance := guideStep{Text: "A balance is registered", Done: len(balances) > 0,
		Why: "No balance of " + v.seat.Party + " is registered yet. Your administrator does it once, from the type plate: barward balance register."}
	check := guideStep{Text: "Check the balance", Path: "/goldroom/check", Link: "Check it now",
		Why:  "Put known weights on it before the first bar, so that every weight of today can be relied on.",
		Done: slices.ContainsFunc(balances, func(b balanceLine) bool { return b.Good })}
	pour := guideStep{Text: "Log the first pour", Path: "/goldroom", Link: "To the gold room",
		Why: "Bars are added as they are weighed; whatever is typed is kept at once. A second person signs as witness on the same screen."}
	if !balance.Done {
		check.Path, pour.Path = "", ""
	}
	return append(steps, balance, check, pour), nil
}

// balanceKnown returns a balance as the desk knows it; nil if it does not.
func (v *visit) balanceKnown(name string) *weighing.Balance {
	if name == "" {
		return nil
	}
	thing, _, err := v.get(pb.ThingKind_THING_KIND_BALANCE, name)
	if err != nil {
		return nil
	}
	b, err := station.BalanceOf(thing.GetBalance().GetRegistered())
	if err != nil {
		return nil
	}
	return &b
}

// siteOf is the site where a balance stands, which is where what is weighed on it happens.
func (v *visit) siteOf(balance string) string {
	thing, _, err := v.get(pb.ThingKind_THING_KIND_BALANCE, balance)
	if err != nil {
		return ""
	}
	return thing.GetBalance().GetRegistered().GetSite()
}

// balanceOptions are the balances to choose from, each with its state.
func balanceOptions(lines []balanceLine) []Option {
	var options []Option
	for _, b := range lines {
		word := "✓ in date"
		if !b.Good {
			word = "✗ " + strings.ReplaceAll(string(b.State), "_", " ")
		}
		options = append(options, Option{Value: b.Name, Text: b.Number + " (" + word + ")"})
	}
	return options
}

// remove deletes a file of the desk; one that is gone is gone.
func (d *Desk) remove(name string) error {
	if err := os.Remove(d.kept.Path(name)); err != nil && !os.IsNotExist(err) {
		return station.NotKept(d.kept.Path(name), err)
	}
	return nil
}
