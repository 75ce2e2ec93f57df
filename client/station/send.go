package station

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"barward/client/outbox"
	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Envelope makes an event of a body: its id, its author, when and where it happened. The body's field is found by
// its type, so no list of kinds is kept here. at is RFC 3339 with a zone, now if empty; place is site or
// party/site, or empty. Reasons: TIME_MALFORMED and those of Ref.
func (s *Station) Envelope(ctx context.Context, key identity.Key, body proto.Message, at, place string) (*pb.Event,
	error) {
	id, err := uuid.NewV7()
	if err != nil {
		return nil, err
	}
	event := &pb.Event{EventId: id.String(), AuthorKey: key.Public(), OccurredAt: s.config.Now().Format(time.RFC3339)}
	if at != "" {
		if _, err := time.Parse(time.RFC3339, at); err != nil {
			return nil, refusal.Invalidf("TIME_MALFORMED", "--at",
				"%q is no instant; write RFC 3339 with a zone, such as 2026-03-02T07:40:00-05:00.", at)
		}
		event.OccurredAt = at
	}
	if event.Place, err = s.Ref(ctx, place); err != nil {
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

// KindWords names the kind of an event, such as "bar received"; "event" where there is no body.
func KindWords(event *pb.Event) string {
	if field := event.ProtoReflect().WhichOneof(event.ProtoReflect().Descriptor().Oneofs().ByName("body")); field != nil {
		return strings.ReplaceAll(string(field.Name()), "_", " ")
	}
	return "event"
}

// Put signs an event with a key and puts it in the outbox. It sends nothing. Reasons: TEXT_MALFORMED and those of
// outbox.Put.
func (s *Station) Put(key identity.Key, event *pb.Event) (outbox.Item, error) {
	raw, err := proto.Marshal(event)
	if err != nil {
		return outbox.Item{}, refusal.Invalidf("TEXT_MALFORMED", "",
			"The event cannot be written: %v. Use UTF-8 text.", err)
	}
	return s.box.Put(proof.Sign(key.Private(), raw))
}

// Answer is what became of one event: its receipt, or in Err why the service refused it.
type Answer struct {
	Item    outbox.Item
	Receipt *pb.Receipt
	Err     error
}

// doubt is a receipt that is not proven yet.
type doubt struct {
	signed  proof.Signed
	receipt *pb.Receipt
}

// Unproven says that events were recorded and the link was lost before it was shown that the log has them. The
// next Flush of the same Station shows it.
type Unproven struct {
	Count int
	Cause error
}

// Error implements error.
func (u *Unproven) Error() string {
	return fmt.Sprintf("%d recorded, and not yet proven to be in the log: %s", u.Count, Sentence(u.Cause))
}

// Unwrap returns why.
func (u *Unproven) Unwrap() error { return u.Cause }

// Flush sends what waits, the oldest first, until nothing does or the link fails. Each answer is filed before it
// is told; then every receipt is proven. So if Flush returns nil, nothing waits, and what was told as recorded is
// in the tree that the log has signed. Else it returns what stopped it: *Untrusted, *Unproven (recorded, proof to
// come), OUTBOX_BUSY (another program sends from this outbox for longer than the timeout), or the link's error.
// told may be nil.
func (s *Station) Flush(ctx context.Context, told func(Answer)) error {
	if told == nil {
		told = func(Answer) {}
	}
	stopped := s.sendAll(ctx, told)
	unproven := s.prove(ctx)
	var alarm *Untrusted
	if stopped == nil || errors.As(unproven, &alarm) {
		return unproven
	}
	return stopped
}

func (s *Station) sendAll(ctx context.Context, told func(Answer)) error {
	ledger, err := s.Ledger(ctx)
	if err != nil {
		return err
	}
	unlock, err := s.soleSender(ctx)
	if err != nil {
		return err
	}
	defer unlock()
	for {
		waiting, err := s.box.Waiting(outbox.MaxPage)
		if err != nil || len(waiting) == 0 {
			return err
		}
		s.tryNow()
		if _, looked := s.looked(); !looked { // a log that went back, or was forked, gets nothing more to keep
			if err := s.Advance(ctx); err != nil {
				return err
			}
		}
		items := make(chan outbox.Item, len(waiting))
		for _, item := range waiting {
			items <- item
		}
		close(items)
		if err := s.deliver(ctx, ledger, items, told); err != nil {
			return err
		}
	}
}

// tryNow has the link tried at once, however long it has been down: somebody wants something sent.
func (s *Station) tryNow() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		s.conn.ResetConnectBackoff()
	}
}

// soleSender waits for another program that sends from the same outbox: what waits is sent once and filed once.
func (s *Station) soleSender(ctx context.Context) (unlock func(), err error) {
	for end := time.Now().Add(s.config.Timeout); ; {
		unlock, err := s.box.Lock()
		if !refusal.Is(err, "OUTBOX_BUSY") || time.Now().After(end) {
			return unlock, err
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// deliver sends items over one stream, at most `window` ahead of the answers, until items is closed. It returns what
// stopped it: items then still wait. What is answered is filed first, so a kill at any moment costs a resend at most.
func (s *Station) deliver(ctx context.Context, ledger pb.LedgerServiceClient, items <-chan outbox.Item,
	told func(Answer)) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stream, err := ledger.RecordStream(ctx)
	if err != nil {
		return err
	}
	sent := make(chan outbox.Item, window)
	go sendOn(ctx, stream, items, sent)
	for item := range sent {
		late := time.AfterFunc(s.config.Timeout, func() { cancel(errLate) })
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
		to, err := s.file(item, response)
		if err != nil {
			return err
		}
		told(to)
	}
	return ctx.Err()
}

// sendOn sends items, each only once there is room in sent, from where it is taken when it is answered.
func sendOn(ctx context.Context, stream grpc.BidiStreamingClient[pb.RecordStreamRequest, pb.RecordStreamResponse],
	items <-chan outbox.Item, sent chan<- outbox.Item) {
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
}

var (
	errLate = refusal.New(refusal.Unavailable, "NO_ANSWER", "", "The service took longer than --timeout to answer.")
	errCut  = refusal.New(refusal.Unavailable, "NO_ANSWER", "", "The service ended the stream before it had answered all.")
)

// file puts an answer in the outbox. A refusal that is not about the event, such as of the token, leaves it waiting.
func (s *Station) file(item outbox.Item, response *pb.RecordStreamResponse) (Answer, error) {
	if id := response.GetEventId(); id != "" && id != item.ID.String() {
		return Answer{}, s.alarmFor(found{}, fmt.Errorf("the service answered event %s where %s was sent", id, item.ID))
	}
	receipt := response.GetReceipt()
	if receipt == nil {
		refused := ofRefusal(response.GetRefusal())
		if !outbox.IsVerdict(refused) {
			return Answer{}, refused
		}
		return Answer{Item: item, Err: refused}, s.box.Refused(item.ID, refused.Reason, refused.Error())
	}
	raw, err := protojson.Marshal(receipt)
	if err != nil || len(raw) > outbox.MaxReceipt { // the discrepancies are on record; the receipt proper is small
		raw, err = protojson.Marshal(&pb.Receipt{Sequence: receipt.GetSequence(), LeafHash: receipt.GetLeafHash(),
			RecordedAt: receipt.GetRecordedAt()})
	}
	if err != nil {
		return Answer{}, err
	}
	s.mu.Lock()
	s.doubts = append(s.doubts, doubt{item.Signed, receipt})
	s.mu.Unlock()
	return Answer{Item: item, Receipt: receipt}, s.box.Recorded(item.ID, raw)
}

// prove shows that receipts are true: each entry is what was signed here, and it is in the tree of the last checkpoint.
func (s *Station) prove(ctx context.Context) error {
	s.mu.Lock()
	doubts := s.doubts
	s.doubts = nil
	s.mu.Unlock()
	for i, d := range doubts {
		err := s.proveOne(ctx, d)
		var alarm *Untrusted
		switch {
		case err == nil:
		case errors.As(err, &alarm):
			return err
		default:
			s.mu.Lock()
			s.doubts = append(s.doubts, doubts[i:]...)
			s.mu.Unlock()
			return &Unproven{Count: len(doubts) - i, Cause: err}
		}
	}
	return nil
}

func (s *Station) proveOne(ctx context.Context, d doubt) error {
	sequence := d.receipt.GetSequence()
	if len(d.receipt.GetLeafHash()) != len(proof.Hash{}) {
		return s.alarmFor(found{receipt: d.receipt}, errors.New("the receipt holds no leaf hash"))
	}
	ledger, err := s.Ledger(ctx)
	if err != nil {
		return err
	}
	bounded, cancel := s.call(ctx)
	defer cancel()
	got, err := ledger.GetEntry(bounded, &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: sequence}})
	if err != nil {
		return err
	}
	raw := got.GetEntry().GetLeaf()
	leaf, err := proof.ParseLeaf(raw)
	if err != nil {
		return s.alarmFor(found{entry: raw, receipt: d.receipt}, err)
	}
	if !bytes.Equal(leaf.Event, d.signed.Event) || !bytes.Equal(leaf.Signature, d.signed.Signature) {
		return s.alarmFor(found{entry: raw, receipt: d.receipt},
			fmt.Errorf("entry %d is not the event that was signed here", sequence))
	}
	if hash := proof.LeafHash(raw); !bytes.Equal(hash[:], d.receipt.GetLeafHash()) {
		return s.alarmFor(found{entry: raw, receipt: d.receipt},
			fmt.Errorf("the receipt for entry %d has another hash than the entry", sequence))
	}
	return s.included(ctx, sequence, raw, d.receipt)
}
