package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// grpcurl runs a general-purpose gRPC client that none of us wrote, at the version pinned in .tools.
func grpcurl(t *testing.T, args ...string) (string, error) {
	t.Helper()
	cmd := exec.Command("go", append([]string{"tool", "-modfile=.tools/grpcurl.tool.mod", "grpcurl"}, args...)...)
	cmd.Dir = ".."
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		return errs.String(), err
	}
	return out.String(), nil
}

// A stranger's tool finds out by reflection what is spoken, and reads a bar with nothing but a token.
func TestAStrangersToolReadsABar(t *testing.T) {
	if said, err := grpcurl(t, "-version"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("grpcurl cannot be built: %v\n%s", err, said)
		}
		t.Skipf("grpcurl cannot be built here, so no client but our own was tried: %v\n%s", err, said)
	}
	p := newLedger(t)
	ready, _ := p.serve(nil)
	officer := pourABar(t, p, p.dial(ready, insecure.NewCredentials()))

	listed, err := grpcurl(t, "-plaintext", ready.Listening, "list")
	if err != nil {
		t.Fatal(listed, err)
	}
	for _, name := range []string{"barward.v1.BookService", "barward.v1.LedgerService", "barward.v1.SettlementService",
		"grpc.health.v1.Health"} {
		if !strings.Contains(listed, name+"\n") {
			t.Errorf("reflection does not list %s: %q", name, listed)
		}
	}
	token, err := identity.IssueToken(officer, testOrigin, time.Now(), identity.MaxTokenLife)
	if err != nil {
		t.Fatal(err)
	}
	ask := []string{"-plaintext", "-d", `{"kind":"THING_KIND_BAR","name":"ottermere/OT-0412"}`}
	read, err := grpcurl(t, append(ask, "-H", "authorization: Bearer "+token, ready.Listening, "barward.v1.BookService/Get")...)
	if err != nil {
		t.Fatal(read, err)
	}
	var got struct {
		Thing struct {
			Bar struct {
				Name    string
				State   string
				Weights []struct {
					Mass     string
					Readings []string
				}
			}
		}
	}
	if err := json.Unmarshal([]byte(read), &got); err != nil {
		t.Fatal(read, err)
	}
	bar := got.Thing.Bar
	if bar.Name != "ottermere/OT-0412" || bar.State != "BAR_STATE_POURED" || len(bar.Weights) != 1 ||
		bar.Weights[0].Mass != "12441.4 g" || strings.Join(bar.Weights[0].Readings, " ") != "12441.4 g 12441.4 g" {
		t.Errorf("it read %s", read)
	}
	// Without a token it is told what is missing.
	said, err := grpcurl(t, append(ask, ready.Listening, "barward.v1.BookService/Get")...)
	if err == nil || !strings.Contains(said, "Unauthenticated") || !strings.Contains(said, "TOKEN_MISSING") {
		t.Errorf("without a token: %q, %v", said, err)
	}
}

// pourABar records, through the service, an invented mine with an officer and a balance, and a pour of one bar.
func pourABar(t *testing.T, p place, conn *grpc.ClientConn) (officer identity.Key) {
	t.Helper()
	client := pb.NewLedgerServiceClient(conn)
	record := func(key identity.Key, event *pb.Event) {
		t.Helper()
		id, err := uuid.NewV7()
		if err != nil {
			t.Fatal(err)
		}
		event.EventId, event.AuthorKey, event.OccurredAt = id.String(), key.Public(), time.Now().Format(time.RFC3339)
		encoded, err := proto.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		signed := proof.Sign(key.Private(), encoded)
		if _, err := client.Record(as(t, key), &pb.RecordRequest{
			SignedEvent: &pb.SignedEvent{Event: signed.Event, Signature: signed.Signature}}); err != nil {
			t.Fatal(err)
		}
	}
	head, officer := newKey(t), newKey(t)
	enrol := func(by identity.Key, person string, key identity.Key, role pb.Role) {
		t.Helper()
		record(by, &pb.Event{Body: &pb.Event_PersonEnrolled{PersonEnrolled: &pb.PersonEnrolled{
			PersonId: person, PartyId: "ottermere", DisplayName: "Invented " + person, PublicKey: key.Public(), Roles: []pb.Role{role}}}})
	}
	record(p.admin, &pb.Event{Body: &pb.Event_PartyRegistered{PartyRegistered: &pb.PartyRegistered{
		PartyId: "ottermere", DisplayName: "The invented Ottermere", Kind: pb.PartyKind_PARTY_KIND_MINE,
		Sites: []*pb.Site{{SiteId: "gold-room", DisplayName: "Gold room", ElevationM: "3900"}}}}})
	enrol(p.admin, "head", head, pb.Role_ROLE_ADMINISTRATOR)
	enrol(head, "brindle", officer, pb.Role_ROLE_GOLD_ROOM_OFFICER)
	record(head, &pb.Event{Body: &pb.Event_BalanceRegistered{BalanceRegistered: &pb.BalanceRegistered{
		BalanceId: "B-1", Site: "ottermere/gold-room", AccuracyClass: "II", Capacity: "32000 g", Readability: "0.1 g",
		VerificationInterval: "1 g", Repeatability: "0.2 g", CheckEveryDays: 7}}})
	record(officer, &pb.Event{Place: "ottermere/gold-room", Body: &pb.Event_PourRecorded{PourRecorded: &pb.PourRecorded{
		PourId: "P-77", Balance: "ottermere/B-1",
		Bars: []*pb.PouredBar{{Mark: "OT-0412", Readings: []string{"12441.4 g", "12441.4 g"}}}}}})
	return officer
}
