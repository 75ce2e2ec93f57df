package desk

import (
	"regexp"
	"time"

	"github.com/google/uuid"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/refusal"
)

// outboxRoom is where a person sees what became of everything that was signed at this workstation.
func outboxRoom() room {
	return room{Name: "Outbox", Path: "/outbox", Key: "o", Words: "What was signed here: recorded, waiting, or refused and how to correct it.",
		open: func(s *seat) bool { return true },
		pages: []page{
			{"GET /outbox", (*visit).outbox},
			{"POST /outbox/send", (*visit).sendNow},
			{"POST /outbox/{id}/dismiss", (*visit).dismiss},
			{"POST /outbox/{id}/retry", (*visit).retry},
		}}
}

// fieldPath is the path of the field that a refusal was kept with, such as `box_packed.bars[0]: `.
var fieldPath = regexp.MustCompile(`^[a-z_0-9.\[\]]+: `)

// outboxLine is one event of the outbox.
type outboxLine struct {
	ID, Kind, About, At string
	Mine                bool
	Entry               uint64
	Recorded            bool
	Why, Reason         string
	Correct             string // path of the form that it was made of
}

type outboxPage struct {
	Refused, Waiting, Recorded []outboxLine
	Next                       string // token of the next page of what is recorded
	First                      bool
	Damaged                    []outbox.Damage
	Most                       int // of one list on the page
}

// outbox lists. What is recorded is paged from the day before, so that the latest is met first.
func (v *visit) outbox() error {
	v.d.sender.count()
	box := v.d.station.Outbox()
	p := outboxPage{First: true, Most: pageSize}
	whole := outbox.Page{Size: pageSize}
	refused, err := box.List(outbox.Refused, whole)
	if err != nil {
		return err
	}
	waiting, err := box.List(outbox.Waiting, whole)
	if err != nil {
		return err
	}
	after := firstOf(v.d.now().Add(-24 * time.Hour))
	if token := v.r.URL.Query().Get("after"); token != "" {
		if after, err = uuid.Parse(token); err != nil {
			return refusal.Invalidf("PAGE_TOKEN", "after", "That page of the outbox is not known. Go back to its first page.")
		}
		p.First = false
	}
	recorded, err := box.List(outbox.Recorded, outbox.Page{After: after, Size: pageSize})
	if err != nil {
		return err
	}
	for _, item := range refused {
		p.Refused = append(p.Refused, v.outboxLine(item))
	}
	for _, item := range waiting {
		p.Waiting = append(p.Waiting, v.outboxLine(item))
	}
	for _, item := range recorded {
		p.Recorded = append(p.Recorded, v.outboxLine(item))
	}
	if len(recorded) == pageSize {
		p.Next = recorded[len(recorded)-1].ID.String()
	}
	if p.Damaged, err = box.Damaged(); err != nil {
		return err
	}
	return v.show("outbox.html", "Outbox", p)
}

func (v *visit) outboxLine(item outbox.Item) outboxLine {
	line := outboxLine{ID: item.ID.String(), Kind: "event", Why: capital(item.Text), Reason: item.Reason}
	event := eventOf(item)
	if event == nil {
		return line
	}
	line.Kind, line.At = station.KindWords(event), instantWords(event.GetOccurredAt())
	line.About = aboutEvent(event)
	if id, err := uuid.Parse(event.GetCountersigned().GetEventId()); err == nil {
		if of, found, err := v.d.find(id); err == nil && found {
			line.About = aboutEvent(eventOf(of))
		}
	}
	line.Mine = string(event.GetAuthorKey()) == string(v.seat.key.Public())
	if receipt := receiptOf(item); receipt != nil {
		line.Entry, line.Recorded = receipt.GetSequence(), true
	}
	if item.State == outbox.Refused {
		line.Why = capital(fieldPath.ReplaceAllString(item.Text, ""))
		if once, kept, found := v.d.formOf(line.ID); found {
			line.Correct = kept.Path + "?again=" + once
		}
		if draft, found := v.d.draftOf(line.ID); found {
			line.Correct = "/goldroom/pour/" + draft
		}
	}
	return line
}

// sendNow has the sender try at once.
func (v *visit) sendNow() error {
	before := v.d.sender.now()
	if before.Waiting == 0 {
		v.say("done", "Nothing waits to be sent.")
		return v.redirect("/outbox")
	}
	items, err := v.d.station.Outbox().Waiting(pageSize)
	if err != nil {
		return err
	}
	var ids []uuid.UUID
	for _, item := range items {
		ids = append(ids, item.ID)
	}
	v.d.sender.retryNow()
	if came := v.d.sender.await(v.ctx(), ids); len(came) < len(ids) {
		v.say("waits", "The service does not answer yet. What waits is kept here, and sent by itself as soon as it does.")
	} else {
		v.say("done", count(len(came), "event")+" answered by the service.")
	}
	return v.redirect("/outbox")
}

// dismiss deletes a refused event.
func (v *visit) dismiss() error {
	id, err := uuid.Parse(v.r.PathValue("id"))
	if err != nil {
		return v.nowhere()
	}
	if err := v.d.station.Outbox().Dismiss(id); err != nil {
		return err
	}
	v.d.sender.count()
	v.say("done", "The refused event was dismissed. Nothing of it was ever recorded.")
	return v.redirect("/outbox")
}

// retry sends a refused event again as it was signed.
func (v *visit) retry() error {
	id, err := uuid.Parse(v.r.PathValue("id"))
	if err != nil {
		return v.nowhere()
	}
	v.d.sender.forget(id)
	if err := v.d.station.Outbox().Retry(id); err != nil {
		return err
	}
	v.d.sender.count()
	answers := v.d.sender.await(v.ctx(), []uuid.UUID{id})
	switch {
	case len(answers) == 0:
		v.say("waits", "It waits to be sent again.")
	case answers[0].Err != nil:
		v.say("wrong", "It was refused again: "+capital(plainWords(answers[0].Err)))
	default:
		v.say("done", "It is recorded now.")
	}
	return v.redirect("/outbox")
}
