package service

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// testOrigin is an invented log.
const testOrigin = "log.example/service-test"

// house is a running service over a real ledger in a folder of the test, on a real port of loopback.
type house struct {
	t        testing.TB
	ledger   *ledger.Ledger
	verifier proof.Verifier
	service  *Service
	conn     *grpc.ClientConn
	log      *syncBuffer
	admin    person // of the operator
}

// person is an invented person with a key.
type person struct {
	key identity.Key
}

// syncBuffer is a log that a test may read while the service writes it.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func (s *syncBuffer) contains(text string) bool { return strings.Contains(s.String(), text) }

func newPerson(t testing.TB) person {
	t.Helper()
	key, err := identity.NewKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return person{key}
}

// event is a signed event of p.
func (p person) event(t testing.TB, event *pb.Event) *pb.SignedEvent {
	t.Helper()
	id, err := uuid.NewV7()
	if err != nil {
		t.Fatal(err)
	}
	event.EventId, event.AuthorKey = id.String(), p.key.Public()
	if event.OccurredAt == "" {
		event.OccurredAt = time.Now().Format(time.RFC3339)
	}
	encoded, err := proto.Marshal(event)
	if err != nil {
		t.Fatal(err)
	}
	signed := proof.Sign(p.key.Private(), encoded)
	return &pb.SignedEvent{Event: signed.Event, Signature: signed.Signature}
}

func registers(party string, kind pb.PartyKind) *pb.Event {
	return &pb.Event{Body: &pb.Event_PartyRegistered{PartyRegistered: &pb.PartyRegistered{
		PartyId: party, DisplayName: "The invented " + party, Kind: kind}}}
}

func enrols(party, id string, p person, roles ...pb.Role) *pb.Event {
	return &pb.Event{Body: &pb.Event_PersonEnrolled{PersonEnrolled: &pb.PersonEnrolled{
		PersonId: id, PartyId: party, DisplayName: "Invented " + id, PublicKey: p.key.Public(), Roles: roles}}}
}

// open builds a house whose ledger has an operator and its administrator. change may alter the ledger's configuration,
// limits the service's.
func open(t testing.TB, change func(*ledger.Config), limits ...Limits) *house {
	t.Helper()
	private, _, err := proof.GenerateKey(rand.Reader, testOrigin)
	if err != nil {
		t.Fatal(err)
	}
	signer, verifier, err := proof.NewSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	c := ledger.Config{Judge: book.New(), Origin: testOrigin, Verifier: verifier, Signer: signer, Rules: book.Rules,
		InitialMmap: 1 << 24}
	if change != nil {
		change(&c)
	}
	l, err := ledger.Create(filepath.Join(t.TempDir(), "ledger"), c)
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, ledger: l, verifier: verifier, log: new(syncBuffer), admin: newPerson(t)}
	h.append(h.admin.event(t, registers("keeper", pb.PartyKind_PARTY_KIND_OPERATOR)))
	h.append(h.admin.event(t, enrols("keeper", "wardle", h.admin, pb.Role_ROLE_ADMINISTRATOR)))
	level, bounds := slog.LevelDebug, Limits{}
	if _, bench := t.(*testing.B); bench {
		level, bounds = slog.LevelInfo, Unlimited
	}
	for _, l := range limits {
		bounds = l
	}
	h.service = New(Config{Ledger: l, Origin: testOrigin, Limits: bounds,
		Log: slog.New(slog.NewJSONHandler(h.log, &slog.HandlerOptions{Level: level}))})
	server := h.service.Server()
	h.conn = dial(t, server)
	t.Cleanup(func() {
		h.conn.Close()
		h.service.Stop()
		server.Stop()
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

// dial serves server on a free port of loopback and connects to it.
func dial(t testing.TB, server *grpc.Server) *grpc.ClientConn {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// append records an event behind the service's back.
func (h *house) append(signed *pb.SignedEvent) uint64 {
	h.t.Helper()
	sub := ledger.Submission{Signed: proof.Signed{Event: signed.Event, Signature: signed.Signature}}
	var err error
	if sub.Envelope, err = proof.Open(sub.Signed); err != nil {
		h.t.Fatal(err)
	}
	receipt, err := h.ledger.Append(context.Background(), sub)
	if err != nil {
		h.t.Fatal(err)
	}
	return receipt.Seq
}

// as is a context with a token of p.
func (h *house) as(p person) context.Context {
	h.t.Helper()
	return withToken(h.t, context.Background(), p, testOrigin, time.Now())
}

func withToken(t testing.TB, ctx context.Context, p person, origin string, at time.Time) context.Context {
	t.Helper()
	token, err := identity.IssueToken(p.key, origin, at, identity.MaxTokenLife)
	if err != nil {
		t.Fatal(err)
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

func (h *house) ledgerClient() pb.LedgerServiceClient { return pb.NewLedgerServiceClient(h.conn) }

// mine registers an invented mine with an administrator and returns the latter.
func (h *house) mine(party string) person {
	h.t.Helper()
	p := newPerson(h.t)
	h.append(h.admin.event(h.t, registers(party, pb.PartyKind_PARTY_KIND_MINE)))
	h.append(h.admin.event(h.t, enrols(party, "head", p, pb.Role_ROLE_ADMINISTRATOR)))
	return p
}

// infoOf returns the ErrorInfo of a status.
func infoOf(err error) *errdetails.ErrorInfo {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info
		}
	}
	return nil
}

// wantRefusal checks code and reason of an error from the wire.
func wantRefusal(t testing.TB, err error, code codes.Code, reason string) {
	t.Helper()
	if status.Code(err) != code || infoOf(err).GetReason() != reason || infoOf(err).GetDomain() != "barward" {
		t.Errorf("got %v with %v, want %s and %s", err, infoOf(err), code, reason)
	}
}

// wantSize checks how many entries the ledger has.
func (h *house) wantSize(size uint64) {
	h.t.Helper()
	if got := h.ledger.Size(); got != size {
		h.t.Errorf("the ledger has %d entries, want %d", got, size)
	}
}

// eventually waits until what holds; it fails the test only when what never does, however slow the machine is.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("never: %s", what)
}

func partyID(i int) string { return fmt.Sprintf("p%05d", i) }
