package service

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	"barward/internal/identity"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// member enrols a person of a party by its administrator.
func (h *house) member(by person, party, id string, roles ...pb.Role) person {
	h.t.Helper()
	p := newPerson(h.t)
	h.append(by.event(h.t, enrols(party, id, p, roles...)))
	return p
}

func pricesOf(series string) *pb.Event {
	return &pb.Event{Body: &pb.Event_PricesPublished{PricesPublished: &pb.PricesPublished{
		Series: series, Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2026-03-02", Price: "2100.00"}}}}}
}

// Auditors read what was granted to them while the grant runs, over the wire as in the book: one by one, in lists and in
// a watch; before, after, and when it is withdrawn they are answered as if it were not there.
func TestAuditorsReadInTheirTimeOnly(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	manager := h.member(head, "ottermere", "tansy", pb.Role_ROLE_COMMERCIAL_MANAGER)
	h.append(h.admin.event(t, registers("plumbline", pb.PartyKind_PARTY_KIND_AUDITOR)))
	auditor := newPerson(t)
	h.append(h.admin.event(t, enrols("plumbline", "quentin", auditor, pb.Role_ROLE_ADMINISTRATOR)))
	hidden := h.append(manager.event(t, pricesOf("invented-gold")))
	client, books := h.ledgerClient(), pb.NewBookServiceClient(h.conn)

	reads := func(want bool) bool {
		ctx := h.as(auditor)
		_, one := client.GetEntry(ctx, &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: hidden}})
		_, thing := books.Get(ctx, &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_PRICE_SERIES, Name: "invented-gold"})
		list, err := client.ListEntries(ctx, &pb.ListEntriesRequest{Kind: "prices_published"})
		if err != nil {
			t.Fatal(err)
		}
		things, err := books.List(ctx, &pb.ListRequest{Kind: pb.ThingKind_THING_KIND_PRICE_SERIES})
		if err != nil {
			t.Fatal(err)
		}
		watch, err := client.WatchEntries(ctx, &pb.WatchEntriesRequest{FromSequence: hidden})
		if err != nil {
			t.Fatal(err)
		}
		got, err := watch.Recv() // there is always an entry after it that everybody reads
		if err != nil {
			t.Fatal(err)
		}
		return (one == nil) == want && (thing == nil) == want && (len(list.Entries) == 1) == want && (len(things.Things) == 1) == want &&
			(got.Entry.Sequence == hidden) == want
	}
	at := func(d time.Duration) string { return time.Now().Add(d).Format(time.RFC3339) }
	grant := func(id, from, until string, sorts ...pb.InformationSort) uint64 {
		return h.append(manager.event(t, &pb.Event{Body: &pb.Event_AccessGranted{AccessGranted: &pb.AccessGranted{
			GrantId: id, Auditor: "plumbline", Sorts: sorts, From: from, Until: until, Purpose: "invented"}}}))
	}
	money := pb.InformationSort_INFORMATION_SORT_MONEY
	h.append(h.admin.event(t, mine("vendleby")))
	for name, step := range map[string]func(){
		"without a grant":     func() {},
		"after its time":      func() { grant("G1", at(-2*time.Hour), at(-time.Minute), money) },
		"before its time":     func() { grant("G2", at(time.Hour), at(2*time.Hour), money) },
		"of another sort":     func() { grant("G3", at(-time.Hour), at(time.Hour), pb.InformationSort_INFORMATION_SORT_CUSTODY) },
		"of another than his": func() { h.append(h.admin.event(t, mine("brackwater"))) },
	} {
		step()
		eventually(t, name+" the auditor reads nothing", func() bool { return reads(false) })
	}
	grant("G4", at(-time.Hour), at(time.Hour), money)
	eventually(t, "in its time the auditor reads", func() bool { return reads(true) })
	h.append(manager.event(t, &pb.Event{Body: &pb.Event_AccessWithdrawn{AccessWithdrawn: &pb.AccessWithdrawn{Grant: "ottermere/G4"}}}))
	eventually(t, "withdrawn, the auditor reads nothing", func() bool { return reads(false) })
}

// A key that was rotated out opens no call, and an entry that a doubtful key signed says so to whoever reads it.
func TestRotatedAndDoubtfulKeys(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	officer := h.member(head, "ottermere", "brindle", pb.Role_ROLE_GOLD_ROOM_OFFICER, pb.Role_ROLE_COMMERCIAL_MANAGER)
	before := h.append(officer.event(t, pricesOf("invented-gold")))
	entry, err := h.ledger.Entry(before)
	if err != nil {
		t.Fatal(err)
	}
	since := entry.RecordedAt.Add(time.Microsecond)
	after := h.append(officer.event(t, pricesOf("invented-silver")))
	next := newPerson(t)
	h.append(officer.event(t, &pb.Event{Body: &pb.Event_KeyRotated{KeyRotated: &pb.KeyRotated{NewPublicKey: next.key.Public(),
		Proof: identity.ProvePossession(next.key, "ottermere/brindle", officer.key.Public())}}}))
	_, err = h.ledgerClient().ListEntries(h.as(officer), new(pb.ListEntriesRequest))
	wantRefusal(t, err, codes.Unauthenticated, "KEY_REPLACED")
	_, err = h.record(next, officer.event(t, pricesOf("invented-lead")))
	wantRefusal(t, err, codes.Unauthenticated, "KEY_REPLACED")

	h.append(head.event(t, &pb.Event{Body: &pb.Event_KeyRevoked{KeyRevoked: &pb.KeyRevoked{PublicKey: officer.key.Public(),
		Reason: "found copied, invented", Since: since.Format(time.RFC3339Nano)}}}))
	for seq, doubted := range map[uint64]bool{before: false, after: true} {
		got, err := h.ledgerClient().GetEntry(h.as(next), &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: seq}})
		if err != nil || (got.Entry.Doubt != "") != doubted {
			t.Errorf("entry %d is in doubt: %q, %v", seq, got.GetEntry().GetDoubt(), err)
		}
	}
}

// A cosignature says something of this log only if it stands under a checkpoint of this log.
func TestCosignatureOfAnotherLog(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	cosign := func(body []byte) *pb.SignedEvent {
		c, err := proof.Cosign(body, "ottermere/head", head.key.Private(), time.Now())
		if err != nil {
			t.Fatal(err)
		}
		return head.event(t, &pb.Event{Body: &pb.Event_CheckpointCosigned{CheckpointCosigned: &pb.CheckpointCosigned{
			Note: string(body) + "\n" + c.Line()}}})
	}
	other := proof.Checkpoint{Origin: "log.example/another", Size: 1, Root: proof.Hash{1}}
	_, err := h.record(head, cosign(other.Marshal()))
	wantRefusal(t, err, codes.InvalidArgument, "CHECKPOINT_ORIGIN")
	signed, err := h.ledger.Checkpoint()
	if err != nil {
		t.Fatal(err)
	}
	body, _, _ := strings.Cut(string(signed), "\n\n")
	if _, err := h.record(head, cosign([]byte(body+"\n"))); err != nil {
		t.Error(err)
	}
	got, err := pb.NewBookServiceClient(h.conn).Get(h.as(h.admin), &pb.GetRequest{Kind: pb.ThingKind_THING_KIND_COSIGNATURE, Name: "ottermere"})
	if err != nil || got.Thing.GetCosignature().GetSize() != 4 { // by hand: two of the keeper, two of the mine
		t.Errorf("got %v, %v", got, err)
	}
}

// Proofs are hashes, and the same call for what a caller may read and for what it may not: they tell that there is an
// entry, which the size of the log tells too, and nothing of it.
func TestProofsTellNothingOfTheHidden(t *testing.T) {
	h := open(t, nil)
	head := h.mine("ottermere")
	manager := h.member(head, "ottermere", "tansy", pb.Role_ROLE_COMMERCIAL_MANAGER)
	hidden := h.append(manager.event(t, pricesOf("invented-gold")))
	h.append(h.admin.event(t, mine("vendleby")))
	entry, err := h.ledger.Entry(hidden)
	if err != nil {
		t.Fatal(err)
	}
	stranger := h.admin // the operator sees no prices
	client := h.ledgerClient()
	if _, err := client.GetEntry(h.as(stranger), &pb.GetEntryRequest{Key: &pb.GetEntryRequest_Sequence{Sequence: hidden}}); err == nil {
		t.Fatal("the entry is not hidden")
	}
	size := h.ledger.Size()
	for seq := range size {
		for _, who := range []person{stranger, manager} {
			got, err := client.ProveInclusion(h.as(who), &pb.ProveInclusionRequest{Sequence: seq, TreeSize: size})
			if err != nil {
				t.Fatalf("entry %d: %v", seq, err)
			}
			for _, hash := range got.Hashes {
				if len(hash) != 32 {
					t.Errorf("entry %d: a hash of %d bytes", seq, len(hash))
				}
			}
			if raw := got.String(); strings.Contains(raw, "invented") || strings.Contains(raw, entry.ID.String()) {
				t.Errorf("entry %d: the proof tells %s", seq, raw)
			}
		}
	}
	_, err = client.ProveInclusion(h.as(stranger), &pb.ProveInclusionRequest{Sequence: size, TreeSize: size})
	wantRefusal(t, err, codes.OutOfRange, "BEYOND_TREE")
}
