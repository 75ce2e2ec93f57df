package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// fake is a service of this test's own: a real tree with real signatures over the entries that it takes, things that the
// test puts there, and no rule of the trade. What it is told to do wrong, it does.
type fake struct {
	pb.UnimplementedLedgerServiceServer
	pb.UnimplementedBookServiceServer

	mu     sync.Mutex
	signer proof.Signer
	public string // said in the header of GetCheckpoint; empty: not said
	origin string
	leaves [][]byte
	ids    map[string]int
	things map[string]*pb.Thing // by kind word and name
	refuse func(*pb.Event) *pb.Refusal
	raise  func(*pb.Event) []*pb.Discrepancy

	recompute func(*pb.RecomputeAssayRequest) *pb.RecomputeAssayResponse
	broken    error // what every stream ends with before its first answer
	received  int   // events that came, resent ones too

	// Lies.
	checkpoint func(signed []byte) []byte
	receipt    func(*pb.Receipt)
	entry      func(*pb.Entry)
}

func newFake(t *testing.T) *fake {
	t.Helper()
	f := &fake{origin: "log.example/test", ids: map[string]int{}, things: map[string]*pb.Thing{}}
	f.newKey(t)
	return f
}

func (f *fake) newKey(t *testing.T) {
	t.Helper()
	private, public, err := proof.GenerateKey(rand.Reader, f.origin)
	if err != nil {
		t.Fatal(err)
	}
	f.public = public
	if f.signer, _, err = proof.NewSigner(private); err != nil {
		t.Fatal(err)
	}
}

// serve listens on address, `127.0.0.1:0` for a free port, and returns where, and how to stop.
func (f *fake) serve(t *testing.T, address string) (string, func()) {
	t.Helper()
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer()
	pb.RegisterLedgerServiceServer(server, f)
	pb.RegisterBookServiceServer(server, f)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	return listener.Addr().String(), server.Stop
}

func (f *fake) reader(leaves [][]byte) (tlog.HashReader, []tlog.Hash) {
	var stored []tlog.Hash
	read := tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		var out []tlog.Hash
		for _, i := range indexes {
			out = append(out, stored[i])
		}
		return out, nil
	})
	for i, leaf := range leaves {
		more, err := tlog.StoredHashes(int64(i), leaf, read)
		if err != nil {
			panic(err)
		}
		stored = append(stored, more...)
	}
	return read, stored
}

func (f *fake) signed(leaves [][]byte) []byte {
	read, _ := f.reader(leaves)
	root := proof.EmptyRoot
	if len(leaves) > 0 {
		var err error
		if root, err = tlog.TreeHash(int64(len(leaves)), read); err != nil {
			panic(err)
		}
	}
	note, err := proof.SignCheckpoint(proof.Checkpoint{Origin: f.origin, Size: uint64(len(leaves)), Root: root}, f.signer)
	if err != nil {
		panic(err)
	}
	return note
}

func (f *fake) GetCheckpoint(_ context.Context, _ *pb.GetCheckpointRequest) (*pb.GetCheckpointResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	note := f.signed(f.leaves)
	if f.checkpoint != nil {
		note = f.checkpoint(note)
	}
	return &pb.GetCheckpointResponse{Checkpoint: string(note), LogPublicKey: f.public}, nil
}

func (f *fake) ProveInclusion(_ context.Context, r *pb.ProveInclusionRequest) (*pb.ProveInclusionResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	read, _ := f.reader(f.leaves)
	path, err := tlog.ProveRecord(int64(r.GetTreeSize()), int64(r.GetSequence()), read)
	return &pb.ProveInclusionResponse{TreeSize: r.GetTreeSize(), Hashes: rawHashes(path)}, err
}

func (f *fake) ProveConsistency(_ context.Context, r *pb.ProveConsistencyRequest) (*pb.ProveConsistencyResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	read, _ := f.reader(f.leaves)
	path, err := tlog.ProveTree(int64(r.GetNewSize()), int64(r.GetOldSize()), read)
	return &pb.ProveConsistencyResponse{NewSize: r.GetNewSize(), Hashes: rawHashes(path)}, err
}

func rawHashes(path []tlog.Hash) (raw [][]byte) {
	for _, h := range path {
		raw = append(raw, bytes.Clone(h[:]))
	}
	return raw
}

func (f *fake) GetEntry(_ context.Context, r *pb.GetEntryRequest) (*pb.GetEntryResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := int(r.GetSequence())
	if id := r.GetEventId(); id != "" {
		n = f.ids[id]
	}
	if n >= len(f.leaves) {
		return nil, status.Error(codes.NotFound, "there is no such entry")
	}
	e := f.read(n)
	if f.entry != nil {
		f.entry(e)
	}
	return &pb.GetEntryResponse{Entry: e}, nil
}

func (f *fake) read(n int) *pb.Entry {
	leaf, err := proof.ParseLeaf(f.leaves[n])
	if err != nil {
		panic(err)
	}
	event := &pb.Event{}
	if err := proto.Unmarshal(leaf.Event, event); err != nil {
		panic(err)
	}
	return &pb.Entry{Sequence: uint64(n), Leaf: f.leaves[n], RecordedAt: leaf.RecordedAt.Format(time.RFC3339), Rules: 1,
		SignedEvent: &pb.SignedEvent{Event: leaf.Event, Signature: leaf.Signature}, Event: event, Author: "ottermere/ana"}
}

func (f *fake) ListEntries(_ context.Context, _ *pb.ListEntriesRequest) (*pb.ListEntriesResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	answer := &pb.ListEntriesResponse{}
	for n := range f.leaves {
		answer.Entries = append(answer.Entries, f.read(n))
	}
	return answer, nil
}

func (f *fake) RecordStream(stream grpc.BidiStreamingServer[pb.RecordStreamRequest, pb.RecordStreamResponse]) error {
	f.mu.Lock()
	broken := f.broken
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

func (f *fake) take(signed *pb.SignedEvent) *pb.RecordStreamResponse {
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
	if f.refuse != nil {
		if r := f.refuse(event); r != nil {
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
		n = len(f.leaves)
		f.leaves = append(f.leaves, leaf)
		f.ids[event.GetEventId()] = n
	}
	hash := proof.LeafHash(f.leaves[n])
	receipt := &pb.Receipt{Sequence: uint64(n), LeafHash: hash[:], RecordedAt: "2026-03-02T12:00:00Z",
		TreeSize: uint64(len(f.leaves)), Resent: resent}
	if f.raise != nil {
		receipt.Discrepancies = f.raise(event)
	}
	if f.receipt != nil {
		f.receipt(receipt)
	}
	answer.Answer = &pb.RecordStreamResponse_Receipt{Receipt: receipt}
	return answer
}

func thingKey(kind pb.ThingKind, name string) string { return word(kind) + " " + name }

func (f *fake) set(kind pb.ThingKind, name string, thing *pb.Thing) {
	f.things[thingKey(kind, name)] = thing
}

func (f *fake) Get(_ context.Context, r *pb.GetRequest) (*pb.GetResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	thing, ok := f.things[thingKey(r.GetKind(), r.GetName())]
	if !ok {
		return nil, status.Errorf(codes.NotFound, "there is no %s", thingKey(r.GetKind(), r.GetName()))
	}
	return &pb.GetResponse{Thing: thing}, nil
}

// List gives two things a page, so that paging is used.
func (f *fake) List(_ context.Context, r *pb.ListRequest) (*pb.ListResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var names []string
	for name := range f.things {
		if strings.HasPrefix(name, word(r.GetKind())+" ") && name > r.GetPageToken() {
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

// desk is a person at a workstation: a home, a key, and the service's address.
type desk struct {
	t      *testing.T
	home   string
	server string
	key    identity.Key
	file   string
	secret string
}

// newDesk makes a key file and has the fake know its person.
func newDesk(t *testing.T, f *fake, server string) *desk {
	t.Helper()
	folder := t.TempDir()
	d := &desk{t: t, home: filepath.Join(folder, "home"), server: server, file: filepath.Join(folder, "ana.key"),
		secret: filepath.Join(folder, "passphrase")}
	var err error
	if d.key, err = identity.NewKey(rand.Reader); err != nil {
		t.Fatal(err)
	}
	if err := identity.SaveKey(d.file, d.key, "Ana", "an invented passphrase", 10); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(d.secret, []byte("an invented passphrase\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	f.set(pb.ThingKind_THING_KIND_PERSON, "zebra/zoe",
		&pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{Name: "zebra/zoe", Party: "zebra"}}})
	f.set(pb.ThingKind_THING_KIND_PERSON, "ottermere/ana", &pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{
		Name: "ottermere/ana", Party: "ottermere", DisplayName: "Ana", PublicKey: d.key.Public()}}})
	f.set(pb.ThingKind_THING_KIND_PERSON, "aardvark/abe",
		&pb.Thing{Thing: &pb.Thing_Person{Person: &pb.Person{Name: "aardvark/abe", Party: "aardvark"}}})
	return d
}

// record records bodies in one run, without the command line, which takes longer to build than the events to record.
func (d *desk) record(bodies ...proto.Message) {
	d.t.Helper()
	var out bytes.Buffer
	a := newApp(d.t.Context(), &globals{Home: d.home, Key: d.file, PassphraseFile: d.secret, Server: d.server,
		Timeout: 10 * time.Second, Output: "table"}, strings.NewReader(""), &out, &out)
	defer a.close()
	a.key = d.key
	if err := a.lookBack(a.record(bodies...)); err != nil {
		d.t.Fatalf("%v\n%s", err, out.String())
	}
}

// ran is what a run left behind.
type ran struct {
	code          int
	out, complain string
}

// run runs the command as this person.
func (d *desk) run(args ...string) ran { return d.typing("", args...) }

func (d *desk) typing(in string, args ...string) ran {
	d.t.Helper()
	var out, complain bytes.Buffer
	all := append([]string{"--home", d.home, "--key", d.file, "--passphrase-file", d.secret, "--server", d.server,
		"--timeout", "10s"}, args...)
	code := run(d.t.Context(), all, strings.NewReader(in), &out, &complain)
	return ran{code, out.String(), complain.String()}
}

func (r ran) want(t *testing.T, code int, parts ...string) ran {
	t.Helper()
	if r.code != code {
		t.Fatalf("exit %d, want %d\nout: %s\ncomplain: %s", r.code, code, r.out, r.complain)
	}
	for _, part := range parts {
		if !strings.Contains(r.out+r.complain, part) {
			t.Errorf("no %q in\nout: %s\ncomplain: %s", part, r.out, r.complain)
		}
	}
	return r
}

func (r ran) wantNot(t *testing.T, parts ...string) ran {
	t.Helper()
	for _, part := range parts {
		if strings.Contains(r.out+r.complain, part) {
			t.Errorf("unwanted %q in\nout: %s\ncomplain: %s", part, r.out, r.complain)
		}
	}
	return r
}

// event returns the event of entry n as the service has it.
func (f *fake) event(n int) *pb.Event {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.read(n).GetEvent()
}

func (f *fake) size() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.leaves)
}

// write makes a file for an input.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
