package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/outbox"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// envelope makes an event of a body: its id, its author, when and where it happened. The body's field is found by its
// type, so no list of kinds is kept here.
func (a *app) envelope(body proto.Message) (*pb.Event, error) {
	key, err := a.person()
	if err != nil {
		return nil, err
	}
	id, err := uuid.NewV7()
	if err != nil {
		return nil, err
	}
	event := &pb.Event{EventId: id.String(), AuthorKey: key.Public(), OccurredAt: a.now().Format(time.RFC3339)}
	if at := a.g.At; at != "" {
		if _, err := time.Parse(time.RFC3339, at); err != nil {
			return nil, refusal.Invalidf("TIME_MALFORMED", "--at",
				"%q is no instant; write RFC 3339 with a zone, such as 2026-03-02T07:40:00-05:00.", at)
		}
		event.OccurredAt = at
	}
	if event.Place, err = a.ref(a.g.Place); err != nil {
		return nil, err
	}
	field := kindOf(body)
	if field == nil {
		return nil, fmt.Errorf("%s is the body of no event", body.ProtoReflect().Descriptor().Name())
	}
	event.ProtoReflect().Set(field, protoreflect.ValueOfMessage(body.ProtoReflect()))
	return event, nil
}

// kindOf returns the field of Event that holds a body.
func kindOf(body proto.Message) protoreflect.FieldDescriptor {
	fields := (&pb.Event{}).ProtoReflect().Descriptor().Oneofs().ByName("body").Fields()
	for i := range fields.Len() {
		if fields.Get(i).Message().FullName() == body.ProtoReflect().Descriptor().FullName() {
			return fields.Get(i)
		}
	}
	return nil
}

// put signs an event and puts it in the outbox.
func (a *app) put(event *pb.Event) (outbox.Item, error) {
	if err := a.openBox(); err != nil {
		return outbox.Item{}, err
	}
	key, err := a.person()
	if err != nil {
		return outbox.Item{}, err
	}
	raw, err := proto.Marshal(event)
	if err != nil {
		return outbox.Item{}, refusal.Invalidf("TEXT_MALFORMED", "",
			"The event cannot be written: %v. Use UTF-8 text.", err)
	}
	return a.box.Put(proof.Sign(key.Private(), raw))
}

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
	mine := map[uuid.UUID]bool{}
	for _, event := range events {
		item, err := a.put(event)
		if err != nil {
			return err
		}
		mine[item.ID] = true
	}
	var answers []answer
	stopped := a.flush(func(to answer) {
		answers = append(answers, to)
		delete(mine, to.item.ID)
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

// answer is what became of one event.
type answer struct {
	item    outbox.Item
	receipt *pb.Receipt
	err     error
}

// send sends all that waits and shows what became of it.
func (a *app) send() error {
	var answers []answer
	stopped := a.flush(func(to answer) { answers = append(answers, to) })
	return a.tell(answers, stopped)
}

// tell proves and shows what was answered, then turns what was not into the error of the run.
func (a *app) tell(answers []answer, stopped error) error {
	if err := a.openBox(); err != nil {
		return err
	}
	var refused, doubted error
	for _, to := range answers {
		if to.err == nil && doubted == nil {
			doubted = a.prove(to.item.Signed, to.receipt)
		}
		if to.err != nil {
			refused = to.err
		}
	}
	if err := a.showAnswers(answers); err != nil {
		return err
	}
	waiting, err := a.box.Waiting(outbox.MaxPage)
	switch {
	case doubted != nil:
		return unproven(doubted)
	case err != nil:
		return err
	case len(waiting) > 0:
		return keptBecause(len(waiting), stopped)
	case stopped != nil:
		return stopped
	case refused != nil:
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

// unproven turns a link that was lost before the proof came into what a person should do.
func unproven(err error) error {
	if unreachable(err) {
		return &kept{"recorded, and not yet proven to be in the log; `barward ledger verify-inclusion` proves an entry", err}
	}
	return err
}

// errTold ends a run whose refusals have been shown already.
var errTold = errors.New("refused")

// flush sends what waits, the oldest first, until nothing does or the link fails. Each answer is filed before it is told.
func (a *app) flush(told func(answer)) error {
	if err := a.open(); err != nil {
		return err
	}
	unlock, err := a.soleSender()
	if err != nil {
		return err
	}
	defer unlock()
	if !a.trust.current { // a log that went back, or was forked, gets nothing more to keep
		if err := a.advance(); err != nil {
			return err
		}
	}
	for {
		waiting, err := a.box.Waiting(outbox.MaxPage)
		if err != nil || len(waiting) == 0 {
			return err
		}
		items := make(chan outbox.Item, len(waiting))
		for _, item := range waiting {
			items <- item
		}
		close(items)
		if err := a.deliver(a.ctx, items, told); err != nil {
			return err
		}
	}
}

// soleSender waits for another command that sends from the same outbox: what waits is sent once and filed once.
func (a *app) soleSender() (unlock func(), err error) {
	for end := time.Now().Add(a.g.Timeout); ; {
		unlock, err := a.box.Lock()
		if !refusal.Is(err, "OUTBOX_BUSY") || time.Now().After(end) {
			return unlock, err
		}
		select {
		case <-a.ctx.Done():
			return nil, a.ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// deliver sends items over one stream, at most `window` ahead of the answers, until items is closed. It returns what
// stopped it: items then still wait. What is answered is filed first, so a kill at any moment costs a resend at most.
func (a *app) deliver(ctx context.Context, items <-chan outbox.Item, told func(answer)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stream, err := a.ledger.RecordStream(ctx)
	if err != nil {
		return err
	}
	sent := make(chan outbox.Item, window)
	go func() {
		defer close(sent)
		for {
			select {
			case <-ctx.Done():
				return
			case item, more := <-items:
				if !more {
					_ = stream.CloseSend() // it never fails
					return
				}
				select {
				case sent <- item:
				case <-ctx.Done():
					return
				}
				signed := &pb.SignedEvent{Event: item.Signed.Event, Signature: item.Signed.Signature}
				if stream.Send(&pb.RecordStreamRequest{SignedEvent: signed}) != nil {
					return // Recv tells why
				}
			}
		}
	}()
	for item := range sent {
		late := time.AfterFunc(a.g.Timeout, func() { cancel(errLate) })
		response, err := stream.Recv()
		late.Stop()
		if err != nil {
			if errors.Is(context.Cause(ctx), errLate) {
				return errLate
			}
			if errors.Is(err, io.EOF) {
				return errCut
			}
			return err
		}
		to, err := a.file(item, response)
		if err != nil {
			return err
		}
		told(to)
	}
	return ctx.Err()
}

var (
	errLate = refusal.New(refusal.Unavailable, "NO_ANSWER", "", "The service took longer than --timeout to answer.")
	errCut  = refusal.New(refusal.Unavailable, "NO_ANSWER", "", "The service ended the stream before it had answered all.")
)

// file puts an answer in the outbox. A refusal that is not about the event, such as of the token, leaves it waiting.
func (a *app) file(item outbox.Item, response *pb.RecordStreamResponse) (answer, error) {
	if id := response.GetEventId(); id != "" && id != item.ID.String() {
		return answer{}, a.alarm(nil, fmt.Errorf("the service answered event %s where %s was sent", id, item.ID))
	}
	if receipt := response.GetReceipt(); receipt != nil {
		raw, err := protojson.Marshal(receipt)
		if err != nil || len(raw) > outbox.MaxReceipt { // the discrepancies are on record; the receipt proper is small
			raw, err = protojson.Marshal(&pb.Receipt{Sequence: receipt.GetSequence(), LeafHash: receipt.GetLeafHash(),
				RecordedAt: receipt.GetRecordedAt()})
		}
		if err != nil {
			return answer{}, err
		}
		return answer{item: item, receipt: receipt}, a.box.Recorded(item.ID, raw)
	}
	refused := ofRefusal(response.GetRefusal())
	if !outbox.IsVerdict(refused) {
		return answer{}, refused
	}
	return answer{item: item, err: refused}, a.box.Refused(item.ID, refused.Reason, refused.Error())
}

// showAnswers prints one line for each event: recorded as which entry, or refused and why; under it what it raised.
func (a *app) showAnswers(answers []answer) error {
	if len(answers) == 0 {
		return nil
	}
	t := table{columns: []string{"entry", "event", "kind", "result"}}
	var receipts []proto.Message
	for _, to := range answers {
		kind := kindIn(to.item)
		if to.err != nil {
			field := strings.ReplaceAll(kind, " ", "_") // the refusal's field begins with it
			say(a.complain, "REFUSED  %s: %s\n", kind, strings.TrimPrefix(strings.TrimPrefix(sentence(to.err), field+": "), field+"."))
			say(a.complain, "  Nothing of it was recorded. It stays in the outbox until `barward ledger outbox dismiss %s`.\n", to.item.ID)
			t.add("", to.item.ID.String(), kind, "refused: "+to.err.Error())
			continue
		}
		receipts = append(receipts, to.receipt)
		t.add(fmt.Sprint(to.receipt.GetSequence()), to.item.ID.String(), kind, strings.Join(words(to.receipt), "; "))
		if a.g.Output == "table" {
			again := ""
			if to.receipt.GetResent() {
				again = " (it was there already)"
			}
			say(a.out, "✓ recorded as entry %d: %s%s\n", to.receipt.GetSequence(), kind, again)
			for _, raised := range words(to.receipt) {
				say(a.out, "  ! %s\n", raised)
			}
			for _, note := range to.receipt.GetNotes() {
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
		return kindWords(event)
	}
	return "event"
}

func kindWords(event *pb.Event) string {
	if field := event.ProtoReflect().WhichOneof(event.ProtoReflect().Descriptor().Oneofs().ByName("body")); field != nil {
		return strings.ReplaceAll(string(field.Name()), "_", " ")
	}
	return "event"
}
