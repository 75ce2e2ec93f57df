package service

import (
	"bytes"
	"context"
	"errors"
	"io"
	"runtime"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// hook alters a ledger so that f is called at its crash points, once the house has its first entries.
func hook(f func(point string) error) func(*ledger.Config) {
	return func(c *ledger.Config) { c.Hook = f }
}

func mine(id string) *pb.Event { return registers(id, pb.PartyKind_PARTY_KIND_MINE) }

func (h *house) record(p person, signed *pb.SignedEvent) (*pb.Receipt, error) {
	resp, err := h.ledgerClient().Record(h.as(p), &pb.RecordRequest{SignedEvent: signed})
	return resp.GetReceipt(), err
}

// A receipt holds what a client needs to check for itself, with the checkpoint's signature, that the entry is in the log.
func TestRecordGivesAReceiptThatProves(t *testing.T) {
	h := open(t, nil)
	client := h.ledgerClient()
	old, err := client.GetCheckpoint(h.as(h.admin), new(pb.GetCheckpointRequest))
	if err != nil {
		t.Fatal(err)
	}
	signed := h.admin.event(t, mine("ottermere"))
	receipt, err := h.record(h.admin, signed)
	if err != nil {
		t.Fatal(err)
	}
	if receipt.Sequence != 2 || receipt.TreeSize != 3 || receipt.Resent {
		t.Errorf("got %v", receipt)
	}
	if at, err := time.Parse(time.RFC3339Nano, receipt.RecordedAt); err != nil || at.Location() != time.UTC {
		t.Errorf("recorded_at %q is not RFC 3339 in UTC: %v", receipt.RecordedAt, err)
	}
	now, err := client.GetCheckpoint(h.as(h.admin), new(pb.GetCheckpointRequest))
	if err != nil {
		t.Fatal(err)
	}
	inclusion, err := client.ProveInclusion(h.as(h.admin), &pb.ProveInclusionRequest{Sequence: receipt.Sequence})
	if err != nil {
		t.Fatal(err)
	}
	consistency, err := client.ProveConsistency(h.as(h.admin), &pb.ProveConsistencyRequest{OldSize: 2})
	if err != nil {
		t.Fatal(err)
	}
	before, err := proof.OpenCheckpoint([]byte(old.Checkpoint), testOrigin, h.verifier)
	if err != nil {
		t.Fatal(err)
	}
	after, err := proof.OpenCheckpoint([]byte(now.Checkpoint), testOrigin, h.verifier)
	if err != nil {
		t.Fatal(err)
	}
	if err := proof.VerifyInclusion(after, receipt.Sequence, proof.Hash(receipt.LeafHash), path(inclusion.Hashes)); err != nil {
		t.Error(err)
	}
	if err := proof.VerifyConsistency(before, after, path(consistency.Hashes)); err != nil {
		t.Error(err)
	}
	entry, err := client.GetEntry(h.as(h.admin), &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: 2}})
	if err != nil {
		t.Fatal(err)
	}
	e := entry.Entry
	if !bytes.Equal(e.SignedEvent.Event, signed.Event) || !bytes.Equal(e.SignedEvent.Signature, signed.Signature) {
		t.Error("the entry does not hold the bytes that were signed")
	}
	if proof.LeafHash(e.Leaf) != proof.Hash(receipt.LeafHash) || e.Author != "keeper/wardle" || e.Rules != book.Rules ||
		e.Event.GetPartyRegistered().GetPartyId() != "ottermere" || e.RecordedAt != receipt.RecordedAt {
		t.Errorf("got %v", e)
	}
	if _, err := client.ProveInclusion(h.as(h.admin), &pb.ProveInclusionRequest{Sequence: 1, TreeSize: 4}); true {
		wantRefusal(t, err, codes.OutOfRange, "BEYOND_TREE")
		if infoOf(err).GetMetadata()["size"] != "3" {
			t.Errorf("the size is not told: %v", infoOf(err))
		}
	}
}

// A receipt tells its author what the entry raised, the first time and when the event is sent again.
func TestReceiptTellsWhatTheEntryRaised(t *testing.T) {
	h := open(t, nil)
	officer, pour := h.unchecked()
	for _, resent := range []bool{false, true} {
		receipt, err := h.record(officer, pour)
		if err != nil || receipt.Resent != resent || len(receipt.Discrepancies) != 1 ||
			receipt.Discrepancies[0].Kind != pb.DiscrepancyKind_DISCREPANCY_KIND_BALANCE_IN_DOUBT {
			t.Errorf("sent again %v: %v, %v", resent, receipt, err)
		}
	}
}

func path(hashes [][]byte) []proof.Hash {
	var out []proof.Hash
	for _, h := range hashes {
		out = append(out, proof.Hash(h))
	}
	return out
}

func TestRecordTwiceCountsOnce(t *testing.T) {
	h := open(t, nil)
	event := mine("ottermere")
	signed := h.admin.event(t, event)
	first, err := h.record(h.admin, signed)
	if err != nil {
		t.Fatal(err)
	}
	again, err := h.record(h.admin, signed)
	if err != nil {
		t.Fatal(err)
	}
	if !again.Resent || again.Sequence != first.Sequence || !bytes.Equal(again.LeafHash, first.LeafHash) ||
		again.RecordedAt != first.RecordedAt {
		t.Errorf("first %v, again %v", first, again)
	}
	// The same id with other bytes.
	event.GetPartyRegistered().DisplayName = "Another"
	encoded, err := proto.Marshal(event)
	if err != nil {
		t.Fatal(err)
	}
	other := proof.Sign(h.admin.key.Private(), encoded)
	_, err = h.record(h.admin, &pb.SignedEvent{Event: other.Event, Signature: other.Signature})
	wantRefusal(t, err, codes.AlreadyExists, "EVENT_ID_REUSED")
	if infoOf(err).GetMetadata()["sequence"] != "2" {
		t.Errorf("the first sequence is not told: %v", infoOf(err))
	}
	h.wantSize(3)
}

func TestRecordRefusesAndWritesNothing(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	before := h.ledger.Size()
	good := func() *pb.SignedEvent { return h.admin.event(t, mine("vendleby")) }
	bent := good()
	bent.Signature[7] ^= 1
	changed := good()
	changed.Event[len(changed.Event)-1] ^= 1
	cut := good()
	cut.Signature = cut.Signature[:63]
	unknown := good()
	unknown.Event = append(unknown.Event, 0x9a, 0x3e, 1, 'x') // field 995, which no build knows
	resigned := proof.Sign(h.admin.key.Private(), unknown.Event)
	unknown.Signature = resigned.Signature
	for name, tt := range map[string]struct {
		by     person
		signed *pb.SignedEvent
		code   codes.Code
		reason string
	}{
		"no event":          {h.admin, nil, codes.InvalidArgument, "EVENT_MISSING"},
		"bent signature":    {h.admin, bent, codes.InvalidArgument, "SIGNATURE_INVALID"},
		"changed event":     {h.admin, changed, codes.InvalidArgument, "SIGNATURE_INVALID"},
		"cut signature":     {h.admin, cut, codes.InvalidArgument, "SIGNATURE_INVALID"},
		"unknown field":     {h.admin, unknown, codes.InvalidArgument, "EVENT_FIELD_UNKNOWN"},
		"no body":           {h.admin, h.admin.event(t, new(pb.Event)), codes.InvalidArgument, "EVENT_BODY_MISSING"},
		"author unknown":    {h.admin, newPerson(t).event(t, mine("vendleby")), codes.Unauthenticated, "KEY_UNKNOWN"},
		"of another party":  {head, good(), codes.PermissionDenied, "AUTHOR_OF_OTHER_PARTY"},
		"role does not do":  {head, head.event(t, mine("vendleby")), codes.PermissionDenied, "ROLE_DOES_NOT_ALLOW"},
		"name taken by all": {h.admin, h.admin.event(t, mine("ottermere")), codes.AlreadyExists, ""},
	} {
		_, err := h.record(tt.by, tt.signed)
		if status.Code(err) != tt.code || tt.reason != "" && infoOf(err).GetReason() != tt.reason {
			t.Errorf("%s: got %v with %v, want %s %s", name, err, infoOf(err), tt.code, tt.reason)
		}
	}
	h.wantSize(before)
}

// The outbox of one workstation sends what several persons of one party signed at it.
func TestAColleagueMaySendWhatAnotherSigned(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	officer := newPerson(t)
	if _, err := h.record(head, head.event(t, enrols("ottermere", "brindle", officer, pb.Role_ROLE_GOLD_ROOM_OFFICER))); err != nil {
		t.Fatal(err)
	}
	receipt, err := h.record(officer, head.event(t, enrols("ottermere", "tansy", newPerson(t), pb.Role_ROLE_WITNESS)))
	if err != nil {
		t.Fatal(err)
	}
	entry, err := h.ledgerClient().GetEntry(h.as(officer), &pb.GetEntryRequest{
		Key: &pb.GetEntryRequest_Sequence{Sequence: receipt.Sequence}})
	if err != nil || entry.Entry.Author != "ottermere/head" {
		t.Errorf("the author is who signed, not who sent: %v %v", entry.GetEntry().GetAuthor(), err)
	}
}

// A full disk is refused with when to retry, records nothing, and is over when there is room.
func TestFullDisk(t *testing.T) {
	var full atomic.Bool
	h := open(t, hook(func(point string) error {
		if point == "before-commit" && full.Load() {
			return syscall.ENOSPC
		}
		return nil
	}))
	signed := h.admin.event(t, mine("ottermere"))
	full.Store(true)
	_, err := h.record(h.admin, signed)
	wantRefusal(t, err, codes.Unavailable, "LEDGER_DISK_FULL")
	retry := false
	for _, d := range status.Convert(err).Details() {
		_, is := d.(*errdetails.RetryInfo)
		retry = retry || is
	}
	if !retry {
		t.Error("no RetryInfo")
	}
	h.wantSize(2)
	full.Store(false)
	if receipt, err := h.record(h.admin, signed); err != nil || receipt.Sequence != 2 || receipt.Resent {
		t.Errorf("with room again: %v %v", receipt, err)
	}
}

// Each pair registers a party and then enrols its administrator, so one event taken out of order would be refused. In
// between stand events that are refused, and the stream goes on.
func TestStreamAnswersInOrderAndGoesOnAfterRefusals(t *testing.T) {
	h := open(t, nil)
	stream, err := h.ledgerClient().RecordStream(h.as(h.admin))
	if err != nil {
		t.Fatal(err)
	}
	type sent struct {
		id, reason string
	}
	var want []sent
	var requests []*pb.SignedEvent
	put := func(event *pb.Event, reason string, spoil func(*pb.SignedEvent)) {
		signed := h.admin.event(t, event)
		if spoil != nil {
			spoil(signed)
		}
		requests, want = append(requests, signed), append(want, sent{event.EventId, reason})
	}
	for i := range 2 * streamWindow {
		put(mine(partyID(i)), "", nil)
		put(enrols(partyID(i), "head", newPerson(t), pb.Role_ROLE_ADMINISTRATOR), "", nil)
		switch i % 8 {
		case 1:
			put(mine("bent"), "SIGNATURE_INVALID", func(s *pb.SignedEvent) { s.Signature[0] ^= 1 })
		case 2:
			put(new(pb.Event), "EVENT_BODY_MISSING", nil)
		case 3:
			put(mine("X"), "ID_MALFORMED", nil)
		case 4:
			put(mine("cut"), "EVENT_MALFORMED", func(s *pb.SignedEvent) { s.Event = []byte{1} })
			want[len(want)-1].id = "" // it cannot be read
		}
	}
	go func() {
		for _, signed := range requests {
			if stream.Send(&pb.RecordStreamRequest{SignedEvent: signed}) != nil {
				return
			}
		}
		_ = stream.CloseSend()
	}()
	next := uint64(2)
	for i, w := range want {
		got, err := stream.Recv()
		if err != nil {
			t.Fatalf("answer %d: %v", i, err)
		}
		if got.EventId != w.id {
			t.Fatalf("answer %d is for %q, want %q", i, got.EventId, w.id)
		}
		if w.reason != "" {
			if r := got.GetRefusal(); r.GetReason() != w.reason || r.GetCode() != int32(codes.InvalidArgument) || r.GetMessage() == "" {
				t.Errorf("answer %d: got %v, want %s", i, got, w.reason)
			}
			continue
		}
		if r := got.GetReceipt(); r == nil || r.Sequence != next || r.TreeSize <= r.Sequence {
			t.Fatalf("answer %d: got %v, want entry %d", i, got, next)
		}
		next++
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Errorf("after the last answer: %v", err)
	}
	h.wantSize(next)
}

// fakeStream is a stream without a wire, so that what the handler reads and sends can be counted.
type fakeStream struct {
	grpc.ServerStream
	ctx        context.Context
	next       func() (*pb.RecordStreamRequest, error)
	read, sent atomic.Int64
	most       atomic.Int64 // the most that were read and not answered
}

func (f *fakeStream) Context() context.Context { return f.ctx }

func (f *fakeStream) Recv() (*pb.RecordStreamRequest, error) {
	req, err := f.next()
	if err == nil {
		open := f.read.Add(1) - f.sent.Load()
		for was := f.most.Load(); open > was && !f.most.CompareAndSwap(was, open); was = f.most.Load() {
		}
	}
	return req, err
}

func (f *fakeStream) Send(*pb.RecordStreamResponse) error {
	f.sent.Add(1)
	return nil
}

// asCaller is the context of a call of p behind the interceptors.
func (h *house) asCaller(ctx context.Context, p person) context.Context {
	who, err := h.service.callerOf(p.key.Public())
	if err != nil {
		h.t.Fatal(err)
	}
	return context.WithValue(ctx, callKey{}, &call{id: "test", caller: who, known: true})
}

func TestStreamWindowIsBounded(t *testing.T) {
	hold := make(chan struct{})
	var holding atomic.Bool
	h := open(t, hook(func(point string) error {
		if point == "batch-taken" && holding.Load() {
			<-hold
		}
		return nil
	}))
	var events []*pb.SignedEvent
	for i := range 5 * streamWindow {
		events = append(events, h.admin.event(t, mine(partyID(i))))
	}
	i := 0
	stream := &fakeStream{ctx: h.asCaller(context.Background(), h.admin), next: func() (*pb.RecordStreamRequest, error) {
		if i == len(events) {
			return nil, io.EOF
		}
		i++
		return &pb.RecordStreamRequest{SignedEvent: events[i-1]}, nil
	}}
	holding.Store(true)
	done := make(chan error, 1)
	go func() { done <- (&ledgerService{Service: h.service}).RecordStream(stream) }()
	eventually(t, "a whole window is read", func() bool { return stream.read.Load() >= streamWindow })
	for range 1000 { // the ledger answers nothing; whoever would read on has every occasion to
		runtime.Gosched()
	}
	if read := stream.read.Load(); read != streamWindow {
		t.Errorf("%d events were read with none answered, want %d", read, streamWindow)
	}
	holding.Store(false)
	close(hold)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if most, sent := stream.most.Load(), stream.sent.Load(); most > streamWindow || sent != int64(len(events)) {
		t.Errorf("at most %d under way, %d answered; want %d, %d", most, sent, streamWindow, len(events))
	}
}

// A caller who hangs up in the middle gets no more answers; what was taken stays, and sending all of it again gives each
// event one entry.
func TestStreamGivenUpAndSentAgain(t *testing.T) {
	h := open(t, nil)
	var events []*pb.SignedEvent
	for i := range 3 * streamWindow {
		events = append(events, h.admin.event(t, mine(partyID(i))))
	}
	ctx, cancel := context.WithCancel(h.as(h.admin))
	stream, err := h.ledgerClient().RecordStream(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for i := range events {
		if err := stream.Send(&pb.RecordStreamRequest{SignedEvent: events[i]}); err != nil {
			t.Fatal(err)
		}
	}
	for range 5 {
		if _, err := stream.Recv(); err != nil {
			t.Fatal(err)
		}
	}
	cancel()
	for err = nil; err == nil; { // answers under way may still come
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.Canceled {
		t.Errorf("given up: %v", err)
	}
	again, err := h.ledgerClient().RecordStream(h.as(h.admin))
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		for _, signed := range events {
			if again.Send(&pb.RecordStreamRequest{SignedEvent: signed}) != nil {
				return
			}
		}
		_ = again.CloseSend()
	}()
	resent := 0
	for i := range events {
		got, err := again.Recv()
		if err != nil || got.GetReceipt() == nil {
			t.Fatalf("event %d: %v %v", i, got, err)
		}
		if got.GetReceipt().Resent {
			resent++
		}
	}
	if resent < 5 {
		t.Errorf("%d were there already, want at least the 5 that were answered", resent)
	}
	h.wantSize(2 + uint64(len(events)))
}

func TestStreamAsksWhoSigned(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	stream, err := h.ledgerClient().RecordStream(h.as(head))
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&pb.RecordStreamRequest{SignedEvent: h.admin.event(t, mine("vendleby"))}); err != nil {
		t.Fatal(err)
	}
	got, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if r := got.GetRefusal(); r.GetCode() != int32(codes.PermissionDenied) || r.GetReason() != "AUTHOR_OF_OTHER_PARTY" {
		t.Errorf("got %v", got)
	}
}

// A check runs beside the call's own goroutine, where no interceptor would catch its panic.
func TestPanicInACheckIsAnAnswer(t *testing.T) {
	h := open(t, nil)
	broken := new(Service) // it has no ledger, so the check fails as a fault of ours would
	next := newSlot()
	next.ctx, next.signed = context.Background(), h.admin.event(t, mine("ottermere"))
	broken.checkSlot(next)
	<-next.checked
	if _, code := shown(next.err, "id"); code != codes.Internal {
		t.Errorf("got %v", next.err)
	}
	if _, err := uuid.Parse(next.eventID); err != nil {
		t.Errorf("the answer does not say which event: %v", err)
	}
}

func TestStreamsAreCounted(t *testing.T) {
	h := open(t, nil)
	if !h.service.streams.TryAcquire(maxRecording) || !h.service.watches.TryAcquire(maxWatches) {
		t.Fatal("there are fewer places than the bounds say")
	}
	recording, err := h.ledgerClient().RecordStream(h.as(h.admin))
	if err != nil {
		t.Fatal(err)
	}
	_, err = recording.Recv()
	wantRefusal(t, err, codes.ResourceExhausted, "TOO_MANY_STREAMS")
	watching, err := h.ledgerClient().WatchEntries(h.as(h.admin), new(pb.WatchEntriesRequest))
	if err != nil {
		t.Fatal(err)
	}
	_, err = watching.Recv()
	wantRefusal(t, err, codes.ResourceExhausted, "TOO_MANY_STREAMS")
	h.service.streams.Release(maxRecording)
	h.service.watches.Release(maxWatches)
	for range 2 * maxRecording { // a place is given back at the end of each
		stream, err := h.ledgerClient().RecordStream(h.as(h.admin))
		if err != nil {
			t.Fatal(err)
		}
		_ = stream.CloseSend()
		if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	}
}

func TestStopEndsStreams(t *testing.T) {
	h := open(t, nil)
	client := h.ledgerClient()
	recording, err := client.RecordStream(h.as(h.admin))
	if err != nil {
		t.Fatal(err)
	}
	if err := recording.Send(&pb.RecordStreamRequest{SignedEvent: h.admin.event(t, mine("ottermere"))}); err != nil {
		t.Fatal(err)
	}
	if got, err := recording.Recv(); err != nil || got.GetReceipt() == nil {
		t.Fatal(got, err)
	}
	watching, err := client.WatchEntries(h.as(h.admin), &pb.WatchEntriesRequest{FromSequence: 2})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := watching.Recv(); err != nil {
		t.Fatal(err)
	}
	h.service.Stop()
	_, err = recording.Recv()
	wantRefusal(t, err, codes.Unavailable, "SHUTTING_DOWN")
	_, err = watching.Recv()
	wantRefusal(t, err, codes.Unavailable, "SHUTTING_DOWN")
}

// A batch is in the store's file a moment before it is known to be durable. Meanwhile nobody is shown it: not by its id, not
// in a list, not by a watch, not under a checkpoint; and a read of the book waits rather than show it.
func TestReadsShowWhatIsAcknowledged(t *testing.T) {
	hold, held := make(chan struct{}), make(chan struct{}, 1)
	var holding atomic.Bool
	h := open(t, hook(func(point string) error {
		if point == "after-commit" && holding.Load() {
			held <- struct{}{}
			<-hold
		}
		return nil
	}))
	frozen := time.Now()
	h.service.now = func() time.Time { return frozen } // a token once proven stays proven, so that its check reads nothing
	client, ctx := h.ledgerClient(), h.as(h.admin)
	if err := h.ask(ctx); err != nil {
		t.Fatal(err)
	}
	watch, err := client.WatchEntries(ctx, &pb.WatchEntriesRequest{FromSequence: 2})
	if err != nil {
		t.Fatal(err)
	}
	event := mine("ottermere")
	signed := h.admin.event(t, event)
	holding.Store(true)
	recorded := make(chan *pb.RecordResponse, 1)
	go func() {
		resp, err := client.Record(ctx, &pb.RecordRequest{SignedEvent: signed})
		if err != nil {
			t.Error(err)
		}
		recorded <- resp
	}()
	<-held
	_, err = client.GetEntry(ctx, &pb.GetEntryRequest{Key: &pb.GetEntryRequest_EventId{EventId: event.EventId}})
	wantRefusal(t, err, codes.NotFound, "ENTRY_NOT_FOUND")
	_, err = client.ProveInclusion(ctx, &pb.ProveInclusionRequest{Sequence: 2, TreeSize: 3})
	wantRefusal(t, err, codes.OutOfRange, "BEYOND_TREE")
	checkpoint, err := client.GetCheckpoint(ctx, new(pb.GetCheckpointRequest))
	if err != nil {
		t.Fatal(err)
	}
	if at, err := proof.OpenCheckpoint([]byte(checkpoint.Checkpoint), testOrigin, h.verifier); err != nil || at.Size != 2 {
		t.Errorf("the checkpoint is over %d entries, %v", at.Size, err)
	}
	get := &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_PARTY, Name: "ottermere"}
	_, err = pb.NewBookServiceClient(h.conn).Get(ctx, get)
	wantRefusal(t, err, codes.NotFound, "NAME_UNKNOWN")
	early := ""
	select {
	case resp := <-recorded:
		early = "a receipt left before the sync: " + resp.String()
	case <-time.After(100 * time.Millisecond): // it has every occasion to
	}
	holding.Store(false)
	close(hold)
	if early != "" {
		t.Fatal(early)
	}
	receipt := (<-recorded).GetReceipt()
	got, err := pb.NewBookServiceClient(h.conn).Get(ctx, get)
	if err != nil || got.GetTreeSize() <= receipt.GetSequence() || got.GetThing().GetParty().GetName() != "ottermere" {
		t.Errorf("afterwards the book shows %v, %v", got, err)
	}
	if got, err := watch.Recv(); err != nil || got.Entry.Sequence != 2 {
		t.Errorf("afterwards the watch shows %v, %v", got, err)
	}
}
