package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"barward/client/outbox"
	"barward/client/station"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// record takes bodies the whole way: signed, kept, sent with what waited before them, proven, and shown.
func (a *app) record(bodies ...proto.Message) error {
	events := make([]*pb.Event, len(bodies))
	for i, body := range bodies {
		var err error
		if events[i], err = a.envelope(body); err != nil {
			return err
		}
	}
	return a.recordEvents(events...)
}

func (a *app) recordEvents(events ...*pb.Event) error {
	if err := a.ctx.Err(); err != nil {
		return stoppedBefore(err)
	}
	if err := a.openBox(); err != nil {
		return err
	}
	mine := map[uuid.UUID]bool{}
	for _, event := range events {
		item, err := a.put(event)
		if err != nil {
			return err
		}
		mine[item.ID] = true
	}
	var answers []station.Answer
	stopped := a.station.Flush(a.ctx, func(to station.Answer) {
		answers = append(answers, to)
		delete(mine, to.Item.ID)
	})
	if stopped == nil && len(mine) > 0 {
		say(a.complain, "%s sent by another command at work on this outbox; `barward ledger outbox list` shows what was refused.\n", counted(len(mine), "event"))
	}
	return a.tell(answers, stopped)
}

// stoppedBefore is an interruption before anything was signed.
func stoppedBefore(err error) error {
	return refusal.New(refusal.Precondition, "STOPPED", "", "Stopped. Nothing was signed and nothing was recorded.").Because(err)
}

// send sends all that waits and shows what became of it.
func (a *app) send() error {
	if err := a.openBox(); err != nil {
		return err
	}
	var answers []station.Answer
	stopped := a.station.Flush(a.ctx, func(to station.Answer) { answers = append(answers, to) })
	return a.tell(answers, stopped)
}

// tell shows what was answered, then turns what was not into the error of the run.
func (a *app) tell(answers []station.Answer, stopped error) error {
	if err := a.showAnswers(answers); err != nil {
		return err
	}
	refused := 0
	for _, to := range answers {
		if to.Err != nil {
			refused++
		}
	}
	return a.standing(refused, stopped)
}

// standing is the error of a run that sent: what is not proven or not sent comes before what was refused.
func (a *app) standing(refused int, stopped error) error {
	var alarm *station.Untrusted
	var unproven *station.Unproven
	if errors.As(stopped, &alarm) {
		return stopped
	}
	if errors.As(stopped, &unproven) {
		return notProven(unproven.Cause)
	}
	waiting, err := a.box.Waiting(outbox.MaxPage)
	switch {
	case err != nil:
		return err
	case len(waiting) > 0:
		return keptBecause(len(waiting), stopped)
	case stopped != nil:
		return stopped
	case refused > 0:
		return errTold
	}
	return nil
}

// kept is the state of events that are safe but not done with: they wait in the outbox, or their receipt is not proven.
type kept struct {
	text  string
	cause error
}

func (k *kept) Error() string { return k.text }
func (k *kept) Unwrap() error { return k.cause }

func keptBecause(count int, cause error) error {
	return &kept{fmt.Sprintf("%d kept in the outbox, not yet recorded; `barward ledger send` sends what waits", count), cause}
}

func notProven(cause error) error {
	return &kept{"recorded, and not yet proven to be in the log; `barward ledger verify-inclusion` proves an entry", cause}
}

// errTold ends a run whose refusals have been shown already.
var errTold = errors.New("refused")

// showAnswers prints one line for each event: recorded as which entry, or refused and why; under it what it raised.
func (a *app) showAnswers(answers []station.Answer) error {
	if len(answers) == 0 {
		return nil
	}
	t := table{columns: []string{"entry", "event", "kind", "result"}}
	var receipts []proto.Message
	for _, to := range answers {
		kind := kindIn(to.Item)
		if to.Err != nil {
			field := strings.ReplaceAll(kind, " ", "_") // the refusal's field begins with it
			say(a.complain, "REFUSED  %s: %s\n", kind, strings.TrimPrefix(strings.TrimPrefix(station.Sentence(to.Err), field+": "), field+"."))
			say(a.complain, "  Nothing of it was recorded. It stays in the outbox until `barward ledger outbox dismiss %s`.\n", to.Item.ID)
			t.add("", to.Item.ID.String(), kind, "refused: "+to.Err.Error())
			continue
		}
		receipts = append(receipts, to.Receipt)
		t.add(fmt.Sprint(to.Receipt.GetSequence()), to.Item.ID.String(), kind, strings.Join(words(to.Receipt), "; "))
		if a.g.Output == "table" {
			again := ""
			if to.Receipt.GetResent() {
				again = " (it was there already)"
			}
			say(a.out, "✓ recorded as entry %d: %s%s\n", to.Receipt.GetSequence(), kind, again)
			for _, raised := range words(to.Receipt) {
				say(a.out, "  ! %s\n", raised)
			}
			for _, note := range to.Receipt.GetNotes() {
				say(a.out, "  · %s\n", printable(note))
			}
		}
	}
	if a.g.Output == "table" {
		return nil
	}
	return a.show(t, receipts...)
}

// words returns the discrepancies of a receipt, each in a sentence.
func words(receipt *pb.Receipt) (raised []string) {
	for _, d := range receipt.GetDiscrepancies() {
		raised = append(raised, discrepancyLine(d))
	}
	return raised
}

// kindIn reads the kind of an event back from its bytes, in words.
func kindIn(item outbox.Item) string {
	event := &pb.Event{}
	if proto.Unmarshal(item.Signed.Event, event) == nil {
		return station.KindWords(event)
	}
	return "event"
}
