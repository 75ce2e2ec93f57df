// Package stationtest is a service for the tests of what speaks to one: a real tree with real signatures over whatever
// events come, and no rule of the trade. It lies where it is told to.
package stationtest

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Service is the service. A test puts things on record with Set, and says in the fields what it shall do wrong.
type Service struct {
	pb.UnimplementedLedgerServiceServer
	pb.UnimplementedBookServiceServer

	Public string // the log's public key, as GetCheckpoint says it; empty: not said
	Origin string
	Leaves [][]byte

	Refuse func(*pb.Event) *pb.Refusal
	Raise  func(*pb.Event) []*pb.Discrepancy
	Broken error // what every stream ends with before its first answer

	// Lies.
	Checkpoint func(signed []byte) []byte
	Receipt    func(*pb.Receipt)
	Entry      func(*pb.Entry)

	mu       sync.Mutex
	signer   proof.Signer
	ids      map[string]int
	things   map[string]*pb.Thing // by kind word and name
	hashed   [][]byte             // the leaves that stored is of
	stored   []tlog.Hash
	received int // events that came, resent ones too
	asked    int // for the checkpoint
}

// New makes a service with a log that is empty.
func New(t testing.TB) *Service {
	t.Helper()
	f := &Service{Origin: "log.example/test", ids: map[string]int{}, things: map[string]*pb.Thing{}}
	f.NewKey(t)
	return f
}

// NewKey gives the log another key, as one that was replaced has.
func (f *Service) NewKey(t testing.TB) {
	t.Helper()
	private, public, err := proof.GenerateKey(rand.Reader, f.Origin)
	if err != nil {
		t.Fatal(err)
	}
	f.Public = public
	if f.signer, _, err = proof.NewSigner(private); err != nil {
		t.Fatal(err)
	}
}

// Serve listens on address, `127.0.0.1:0` for a free port, and returns where, and how to stop.
func (f *Service) Serve(t testing.TB, address string, options ...grpc.ServerOption) (string, func()) {
	return Serve(t, address, f, f, options...)
}

// Serve serves what may be more than a Service.
func Serve(t testing.TB, address string, ledger pb.LedgerServiceServer, book pb.BookServiceServer,
	options ...grpc.ServerOption) (string, func()) {
	t.Helper()
	listener, err := net.Listen("tcp", address)
	for end := time.Now().Add(time.Minute); err != nil && time.Now().Before(end); { // somebody's call has the port for now
		time.Sleep(100 * time.Millisecond)
		listener, err = net.Listen("tcp", address)
	}
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer(options...)
	pb.RegisterLedgerServiceServer(server, ledger)
	pb.RegisterBookServiceServer(server, book)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	return listener.Addr().String(), server.Stop
}

// reader reads the hashes of a tree. What was hashed for the leaves before is used again as far as they are the
// same ones.
func (f *Service) reader(leaves [][]byte) tlog.HashReader {
	same := 0
	for same < min(len(leaves), len(f.hashed)) && &leaves[same][0] == &f.hashed[same][0] {
		same++
	}
	f.hashed, f.stored = f.hashed[:same], f.stored[:tlog.StoredHashCount(int64(same))]
	read := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		var out []tlog.Hash
		for _, i := range indexes {
			out = append(out, f.stored[i])
		}
		return out, nil
	})
	for i, leaf := range leaves[same:] {
		more, err := tlog.StoredHashes(int64(same+i), leaf, read)
		if err != nil {
			panic(err)
		}
		f.hashed, f.stored = append(f.hashed, leaf), append(f.stored, more...)
	}
	return read
}

func (f *Service) signed(leaves [][]byte) []byte {
	read := f.reader(leaves)
	root := proof.EmptyRoot
	if len(leaves) > 0 {
		var err error
		if root, err = tlog.TreeHash(int64(len(leaves)), read); err != nil {
			panic(err)
		}
	}
	note, err := proof.SignCheckpoint(proof.Checkpoint{Origin: f.Origin, Size: uint64(len(leaves)), Root: root}, f.signer)
	if err != nil {
		panic(err)
	}
	return note
}

func (f *Service) GetCheckpoint(_ context.Context, _ *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked++
	note := f.signed(f.Leaves)
	if f.Checkpoint != nil {
		note = f.Checkpoint(note)
	}
	return &pb.GetCheckpointResponse{Checkpoint: string(note), LogPublicKey: f.Public}, nil
}

func (f *Service) ProveInclusion(_ context.Context, r *pb.ProveInclusionRequest) (*pb.ProveInclusionResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	read := f.reader(f.Leaves)
	path, err := tlog.ProveRecord(int64(r.GetTreeSize()), int64(r.GetSequence()), read)
	return &pb.ProveInclusionResponse{TreeSize: r.GetTreeSize(), Hashes: rawHashes(path)}, err
}

func (f *Service) ProveConsistency(_ context.Context, r *pb.ProveConsistencyRequest) (*pb.ProveConsistencyResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	read := f.reader(f.Leaves)
	path, err := tlog.ProveTree(int64(r.GetNewSize()), int64(r.GetOldSize()), read)
	return &pb.ProveConsistencyResponse{NewSize: r.GetNewSize(), Hashes: rawHashes(path)}, err
}

func rawHashes(path []tlog.Hash) (raw [][]byte) {
	for _, h := range path {
		raw = append(raw, bytes.Clone(h[:]))
	}
	return raw
}

func (f *Service) GetEntry(_ context.Context, r *pb.GetEntryRequest) (*pb.GetEntryResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := int(r.GetSequence())
	if id := r.GetEventId(); id != "" {
		n = f.ids[id]
	}
	if n >= len(f.Leaves) {
		return nil, status.Error(codes.NotFound, "there is no such entry")
	}
	e := f.readEntry(n)
	if f.Entry != nil {
		f.Entry(e)
	}
	return &pb.GetEntryResponse{Entry: e}, nil
}

func (f *Service) readEntry(n int) *pb.Entry {
	leaf, err := proof.ParseLeaf(f.Leaves[n])
	if err != nil {
		panic(err)
	}
	event := &pb.Event{}
	if err := proto.Unmarshal(leaf.Event, event); err != nil {
		panic(err)
	}
	return &pb.Entry{Sequence: uint64(n), Leaf: f.Leaves[n], RecordedAt: leaf.RecordedAt.Format(time.RFC3339), Rules: 1,
		SignedEvent: &pb.SignedEvent{Event: leaf.Event, Signature: leaf.Signature}, Event: event, Author: "ottermere/ana"}
}

func (f *Service) ListEntries(_ context.Context, _ *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	answer := &pb.ListEntriesResponse{}
	for n := range f.Leaves {
		answer.Entries = append(answer.Entries, f.readEntry(n))
	}
	return answer, nil
}

func (f *Service) RecordStream(stream grpc.BidiStreamingServer[pb.RecordStreamRequest, pb.RecordStreamResponse]) error {
	f.mu.Lock()
	broken := f.Broken
	f.mu.Unlock()
	if broken != nil {
		return broken
	}
	for {
		request, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := stream.Send(f.take(request.GetSignedEvent())); err != nil {
			return err
		}
	}
}

func (f *Service) take(signed *pb.SignedEvent) *pb.RecordStreamResponse {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.received++
	refused := func(code codes.Code, reason, text string) *pb.RecordStreamResponse {
		return &pb.RecordStreamResponse{Answer: &pb.RecordStreamResponse_Refusal{Refusal: &pb.Refusal{Code: int32(code), Reason: reason, Message: text}}}
	}
	envelope, err := proof.Open(proof.Signed{Event: signed.GetEvent(), Signature: signed.GetSignature()})
	if err != nil {
		return refused(codes.InvalidArgument, refusal.As(err).Reason, err.Error())
	}
	event := &pb.Event{}
	if err := proto.Unmarshal(signed.GetEvent(), event); err != nil {
		return refused(codes.InvalidArgument, "EVENT_MALFORMED", err.Error())
	}
	answer := &pb.RecordStreamResponse{EventId: envelope.ID.String()}
	if f.Refuse != nil {
		if r := f.Refuse(event); r != nil {
			answer.Answer = &pb.RecordStreamResponse_Refusal{Refusal: r}
			return answer
		}
	}
	n, resent := f.ids[event.GetEventId()]
	if !resent {
		leaf, err := proof.Leaf{Rules: 1, RecordedAt: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC),
			Signed: proof.Signed{Event: signed.GetEvent(), Signature: signed.GetSignature()}}.Marshal()
		if err != nil {
			return refused(codes.InvalidArgument, "LEAF_MALFORMED", err.Error())
		}
		n = len(f.Leaves)
		f.Leaves = append(f.Leaves, leaf)
		f.ids[event.GetEventId()] = n
	}
	hash := proof.LeafHash(f.Leaves[n])
	receipt := &pb.Receipt{Sequence: uint64(n), LeafHash: hash[:], RecordedAt: "2026-03-02T12:00:00Z",
		TreeSize: uint64(len(f.Leaves)), Resent: resent}
	if f.Raise != nil {
		receipt.Discrepancies = f.Raise(event)
	}
	if f.Receipt != nil {
		f.Receipt(receipt)
	}
	answer.Answer = &pb.RecordStreamResponse_Receipt{Receipt: receipt}
	return answer
}

func kindWord(kind pb.ThingKind) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(kind.String(), "THING_KIND_"), "_", " "))
}

func thingKey(kind pb.ThingKind, name string) string { return kindWord(kind) + " " + name }

// Set puts a thing on record.
func (f *Service) Set(kind pb.ThingKind, name string, thing *pb.Thing) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.things[thingKey(kind, name)] = thing
}

func (f *Service) Get(_ context.Context, r *pb.GetRequest) (*pb.GetResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	thing, ok := f.things[thingKey(r.GetKind(), r.GetName())]
	if !ok {
		return nil, status.Errorf(codes.NotFound, "there is no %s", thingKey(r.GetKind(), r.GetName()))
	}
	return &pb.GetResponse{Thing: thing}, nil
}

// List gives two things a page, so that paging is used.
func (f *Service) List(_ context.Context, r *pb.ListRequest) (*pb.ListResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var names []string
	for name := range f.things {
		if strings.HasPrefix(name, kindWord(r.GetKind())+" ") && name > r.GetPageToken() {
			names = append(names, name)
		}
	}
	answer := &pb.ListResponse{}
	for i := 0; i < 2 && len(names) > 0; i++ {
		first := 0
		for j := range names {
			if names[j] < names[first] {
				first = j
			}
		}
		answer.Things = append(answer.Things, f.things[names[first]])
		answer.NextPageToken = names[first]
		names = append(names[:first], names[first+1:]...)
	}
	if len(names) == 0 {
		answer.NextPageToken = ""
	}
	return answer, nil
}

// EntryAt returns entry n as the service shows it.
func (f *Service) EntryAt(n int) *pb.Entry {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.readEntry(n)
}

// Event returns the event of entry n as the service has it.
func (f *Service) Event(n int) *pb.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.readEntry(n).GetEvent()
}

// Size is how many entries the log has.
func (f *Service) Size() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.Leaves)
}

// Received is how many events came, those that were sent again too.
func (f *Service) Received() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.received
}

// Asked is how often the checkpoint was asked for.
func (f *Service) Asked() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.asked
}

// Note is the checkpoint as the log signs it now.
func (f *Service) Note() []byte {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.signed(f.Leaves)
}

// Rewrite lets a lie replace the log's leaves while it serves.
func (f *Service) Rewrite(lie func(leaves [][]byte) [][]byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.Leaves = lie(f.Leaves)
}

// Another is another history of the same length: the first leaf says another time of record, which its author did not
// sign.
func Another(leaves [][]byte) [][]byte {
	changed := append([][]byte(nil), leaves...)
	changed[0] = append([]byte(nil), changed[0]...)
	changed[0][3]++
	return changed
}
