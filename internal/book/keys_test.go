package book

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

func anyPour(id string) *pb.PourRecorded {
	return &pb.PourRecorded{PourId: id, Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: id, Readings: twice("100.00 g")}}}
}

// Rotated: the new key signs and the old one does not, for the ledger and for calls; what the old one signed stands.
func TestRotatedOutKeyIsRefused(t *testing.T) {
	h := staffed(t)
	stands := h.must("ibbet", anyPour("A"))
	h.people["ibbet, before"] = h.rotate("ibbet")
	h.refused("ibbet, before", anyPour("B"), "KEY_REPLACED")
	backdated := wrap(t, anyPour("B"))
	backdated.OccurredAt = "2027-02-01T08:00:00-05:00" // before the rotation, by its author
	h.refused("ibbet, before", backdated, "KEY_REPLACED")
	h.view(func(b *ledger.Book) {
		if _, err := CallerOf(b, h.people["ibbet, before"].public()); !refusal.Is(err, "KEY_REPLACED") {
			t.Errorf("the old key makes calls: %v", err)
		}
		if got := AuthorOf(b, h.people["ibbet, before"].public()); got != "quillmoss/ibbet" {
			t.Errorf("the author of an old entry is %q", got)
		}
	})
	h.must("ibbet", anyPour("B"))
	h.must("tamsin", h.countersign(stands))
	h.refused("ibbet", h.countersign(stands), "OWN_ENTRY") // another key is no second person
	if keys := load(h, persons, "quillmoss/ibbet").Keys; len(keys) != 2 || keys[0].Ended != "rotated" || keys[0].EndedEntry != keys[1].Entry || keys[1].Until != "" {
		t.Errorf("the keys are %v", keys)
	}
	h.people["thief"] = &person{"quillmoss", "ibbet", keyOf("thief")}
	theirs := &pb.KeyRotated{NewPublicKey: h.people["hob"].public(), Proof: proves(h.people["hob"], h.people["ibbet"])}
	h.refused("ibbet", theirs, "KEY_IN_USE")
	back := &pb.KeyRotated{NewPublicKey: h.people["ibbet, before"].public(), Proof: proves(h.people["ibbet, before"], h.people["ibbet"])}
	h.refused("ibbet", back, "KEY_IN_USE") // a key belongs to one person once
	for name, proof := range map[string][]byte{
		"none": nil, "of another person": proves(h.people["thief"], h.people["hob"]), "by another key": proves(h.people["tamsin"], h.people["ibbet"]),
		"of another old key": proves(h.people["thief"], h.people["ibbet, before"]),
	} {
		_, err := h.send("ibbet", &pb.KeyRotated{NewPublicKey: h.people["thief"].public(), Proof: proof})
		if !refusal.Is(err, "KEY_NOT_PROVEN") {
			t.Errorf("a proof %s: %v", name, err)
		}
	}
}

// Revoked: refused from the ledger's own time on, whatever time the author claims; before `since` it stands, between it
// and the revocation it is in doubt, is shown so, and the party answers.
func TestRevokedKeyWithDoubt(t *testing.T) {
	h := staffed(t)
	before := h.must("ibbet", anyPour("A"))
	since := h.now.Add(30 * time.Second).Format(time.RFC3339)
	first := h.must("ibbet", anyPour("B"))
	other := h.must("tamsin", h.countersign(first))
	second := h.must("ibbet", anyPour("C"))
	key := h.people["ibbet"].public()
	future := h.now.Add(time.Hour).Format(time.RFC3339)
	h.refused("wren", &pb.KeyRevoked{PublicKey: key, Reason: "stolen, invented", Since: future}, "TIME_IN_FUTURE")
	h.refused("wren", &pb.KeyRevoked{PublicKey: key, Reason: "stolen, invented", Since: "last week"}, "TIME_MALFORMED")
	d := h.one(h.raises("wren", &pb.KeyRevoked{PublicKey: key, Reason: "stolen, invented", Since: since}, keyInDoubt), keyInDoubt)
	if !slices.Equal(d.Evidence[:2], []uint64{first, second}) || d.Answerable != "quillmoss" || !slices.Equal(d.Parties, []string{"quillmoss"}) {
		t.Errorf("in doubt are %v", d)
	}
	backdated := wrap(t, anyPour("D"))
	backdated.OccurredAt = "2027-02-01T08:00:00-05:00"
	h.refused("ibbet", backdated, "KEY_REVOKED")
	h.view(func(b *ledger.Book) {
		for seq, doubted := range map[uint64]bool{before: false, first: true, second: true, other: false} {
			e, err := h.l.Entry(seq)
			if err != nil {
				t.Fatal(err)
			}
			if got := DoubtOf(b, e.Author, e.RecordedAt); (got != "") != doubted {
				t.Errorf("entry %d is in doubt: %q, want %v", seq, got, doubted)
			}
		}
	})
	// A key that left without doubt may turn out to have been in other hands; that is said once.
	h.enrol("wren", "leaver", "quillmoss", officer)
	h.must("leaver", anyPour("E"))
	leaver := h.people["leaver"].public()
	h.quiet("wren", &pb.KeyRevoked{PublicKey: leaver, Reason: "left"})
	h.raises("wren", &pb.KeyRevoked{PublicKey: leaver, Reason: "found copied", Since: since}, keyInDoubt)
	h.refused("wren", &pb.KeyRevoked{PublicKey: leaver, Reason: "again", Since: since}, "KEY_REVOKED_ALREADY")
}

// An administrator gives a person a new key alone; an administrator's own takes two persons, of whom one is of the party.
func TestRecoveryTakesTwoForAnAdministrator(t *testing.T) {
	h := staffed(t)
	h.people["ibbet, before"] = h.recover("wren", "ibbet", "")
	h.refused("ibbet, before", anyPour("A"), "KEY_REPLACED")
	h.must("ibbet", anyPour("A"))

	h.enrol("odo", "otto", "lanternfold", admin)
	h.enrol("wren", "wilf", "quillmoss", admin)
	h.enrol("wren", "winnow", "quillmoss", admin)
	own, _ := h.recovery("wren", "")
	h.refused("wren", own, "OWN_ENTRY")
	foreign, _ := h.recovery("wren", "")
	h.refused("gale", foreign, "KEY_UNKNOWN_HERE")
	plain, _ := h.recovery("ibbet", "")
	h.refused("odo", plain, "KEY_UNKNOWN_HERE") // the operator recovers administrators only

	for name, c := range map[string]struct {
		author, second string
		never          []string
	}{
		"another administrator and a third":     {"wilf", "winnow", []string{"ibbet", "gale", "hob"}},
		"another administrator and operator":    {"wilf", "odo", []string{"lucan"}},
		"the operator and a person of theirs":   {"odo", "lucan", []string{"otto", "gale"}},
		"the operator and an administrator":     {"otto", "wilf", []string{"odo"}},
		"the same again after the first counts": {"winnow", "wilf", nil},
	} {
		e, next := h.recovery("wren", "")
		entry := h.must(c.author, e)
		h.refused(c.author, h.countersign(entry), "OWN_ENTRY")
		h.refused("wren", h.countersign(entry), "NOT_THE_SECOND_PERSON") // the key that is said to be lost
		for _, n := range c.never {
			h.refused(n, h.countersign(entry), "NOT_THE_SECOND_PERSON")
		}
		lost := h.people["wren"]
		h.must("wren", &pb.PartyChanged{PartyId: "quillmoss", DisplayName: "Quillmoss " + name}) // it counts until then
		h.people["wren, waiting"] = next
		h.refused("wren, waiting", &pb.PartyChanged{PartyId: "quillmoss", DisplayName: "Q"}, "KEY_UNKNOWN")
		h.must(c.second, h.countersign(entry))
		h.people["wren, lost"], h.people["wren"] = lost, next
		h.refused("wren, lost", &pb.PartyChanged{PartyId: "quillmoss", DisplayName: "Q"}, "KEY_REPLACED")
		h.must("wren", &pb.PartyChanged{PartyId: "quillmoss", DisplayName: "Quillmoss"})
		h.refused(c.second, h.countersign(entry), "COUNTERSIGNED_ALREADY")
	}
	// Whoever still has the key and rotates it has lost nothing.
	e, _ := h.recovery("wren", "")
	entry := h.must("wilf", e)
	h.rotate("wren")
	h.refused("winnow", h.countersign(entry), "NOTHING_WAITS")
}

// A recovered key was lost since an instant: what it signed since then is in doubt as with a revocation.
func TestRecoveryWithDoubt(t *testing.T) {
	h := staffed(t)
	since := h.now.Add(30 * time.Second).Format(time.RFC3339)
	signed := h.must("ibbet", anyPour("A"))
	e, next := h.recovery("ibbet", since)
	d := h.one(h.raises("wren", e, keyInDoubt), keyInDoubt)
	h.people["ibbet"] = next
	if d.Evidence[0] != signed || d.Subject != "quillmoss/ibbet" {
		t.Errorf("in doubt is %v", d)
	}
}

// PartyChanged adds and rewrites sites, takes none away, and leaves what was weighed before as it was.
func TestPartyChanged(t *testing.T) {
	h := staffed(t)
	h.must("ibbet", anyPour("A"))
	air := h.bar("quillmoss/A").Weights[0].AirKgM3
	h.must("wren", &pb.PartyChanged{PartyId: "quillmoss", Sites: []*pb.Site{{SiteId: "works", DisplayName: "Works", ElevationM: "0"}, {SiteId: "pit", DisplayName: "Pit", ElevationM: "10"}}})
	party := load(h, parties, "quillmoss")
	if len(party.Sites) != 2 || party.Sites[0].ElevationM != "0" || party.DisplayName != "quillmoss (invented)" || party.Kind != pb.PartyKind_PARTY_KIND_MINE {
		t.Errorf("the party is %v", party)
	}
	h.must("odo", &pb.PartyChanged{PartyId: "quillmoss", DisplayName: "Quillmoss"})
	h.must("ibbet", anyPour("B"))
	if a, b := h.bar("quillmoss/A").Weights[0].AirKgM3, h.bar("quillmoss/B").Weights[0].AirKgM3; a != air || a == b {
		t.Errorf("the air was %s, is %s for the same weighing and %s at the new elevation", air, a, b)
	}
}

// A cosignature is checked, the newest of each party is kept, and everybody may see it.
func TestCheckpointCosigned(t *testing.T) {
	h := staffed(t)
	old, err := h.l.Checkpoint()
	if err != nil {
		t.Fatal(err)
	}
	h.cosign("fennimore")
	newest := h.cosign("dilly")
	h.must("fennimore", h.cosigned("fennimore", old)) // on record, and not kept
	thing, err := h.get("hob", pb.ThingKind_THING_KIND_COSIGNATURE, "thistlequay")
	if err != nil {
		t.Fatal(err)
	}
	if c := thing.GetCosignature(); c.Size != newest || c.CosignedBy != "thistlequay/dilly" || c.Origin != ledgertest.Origin || c.Entry != newest {
		t.Errorf("kept is %v", c)
	}
	e := h.cosigned("lucan", old)
	bent := proto.CloneOf(e)
	bent.Note = strings.Replace(bent.Note, "/test\n", "/toast\n", 1) // another origin than was cosigned
	h.refused("lucan", bent, "COSIGNATURE_INVALID")
	h.refused("ibbet", e, "COSIGNATURE_MISSING") // somebody else's
	h.refused("lucan", &pb.CheckpointCosigned{Note: "not a note"}, "CHECKPOINT_UNREADABLE")
	h.refused("odo", h.cosigned("odo", old), "ROLE_DOES_NOT_ALLOW")
	// A checkpoint ahead of the log, signed by its key: a log that was rolled back. Made here by signing in another house.
	ahead := h.ahead(5)
	h.refused("lucan", h.cosigned("lucan", ahead), "CHECKPOINT_AHEAD")
}

// A price of a day that has not come is taken, since clocks may be wrong, and its author is told. Ten hours before
// midnight UTC the next day has begun at UTC+14, and no day after it anywhere.
func TestPriceOfADayToCome(t *testing.T) {
	h := staffed(t)
	at := time.Date(2027, 2, 2, 14, 0, 0, 0, time.UTC)
	h.now = at
	for date, told := range map[string]int{"2027-02-03": 0, "2027-02-04": 1} {
		seq := h.must("lucan", &pb.PricesPublished{Series: "of " + date, Currency: "USD", Prices: []*pb.DailyPrice{{Date: date, Price: "1.00"}}})
		own := h.caller("lucan")
		h.view(func(b *ledger.Book) {
			if got := Remarks(b, own, seq); len(got) != told {
				t.Errorf("of the price of %s its author is told %q", date, got)
			}
		})
	}
}

// A statement names the checkpoint that it rests on.
func TestStatementNamesItsCheckpoint(t *testing.T) {
	h := staffed(t)
	r := h.settledLot("CP")
	e := r.statement("lucan", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	e.CheckpointSize, e.CheckpointRoot = h.l.Size(), make([]byte, 32)
	h.must("lucan", e)
	if st := load(h, statements, "quillmoss/ST"); st.CheckpointSize != e.CheckpointSize || len(st.CheckpointRoot) != 32 {
		t.Errorf("the statement rests on %d", st.CheckpointSize)
	}
}

// Entries of rules that this program does not know stop it: it neither skips them nor judges them by its own.
func TestNewerRulesStopTheReplay(t *testing.T) {
	h := staffed(t)
	e, err := h.l.Entry(0)
	if err != nil {
		t.Fatal(err)
	}
	for _, rules := range []uint16{0, Rules + 1, 65535} {
		newer := ledger.Entry{Seq: e.Seq, RecordedAt: e.RecordedAt, Rules: rules, ID: e.ID, Author: e.Author, Event: e.Event}
		h.view(func(b *ledger.Book) {
			for what, err := range map[string]error{"decide": New().Decide(b, &newer), "apply": New().Apply(b, &newer)} {
				if !refusal.Is(err, "RULES_UNKNOWN") || !strings.Contains(err.Error(), "bring the program up to date") {
					t.Errorf("%s by rules %d: %v", what, rules, err)
				}
			}
		})
	}
}

// What version 1 of the rules took it takes on replay, and what version 2 refuses it refuses.
func TestOldRulesStandBesideTheNew(t *testing.T) {
	h := staffed(t)
	add := wrap(t, &pb.PricesPublished{Series: "gold (invented)", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-02-02", Price: "1.00"}}})
	add.EventId, add.OccurredAt, add.AuthorKey = ledgertest.ID(9999).String(), h.now.Format(time.RFC3339), h.people["fennimore"].public()
	b, err := proto.Marshal(add)
	if err != nil {
		t.Fatal(err)
	}
	h.view(func(pages *ledger.Book) {
		for rules, want := range map[uint16]string{1: "", 2: "NOT_YOUR_SERIES"} {
			err := New().Decide(pages, &ledger.Entry{Seq: h.l.Size(), RecordedAt: h.now, Rules: rules, Author: add.AuthorKey, Event: b})
			if want == "" && err != nil || want != "" && !refusal.Is(err, want) {
				t.Errorf("rules %d: %v", rules, err)
			}
		}
	})
}

// Whoever may not see a grant's subject is not helped by it, and auditors see in its time only.
func TestGrantCountsInItsTime(t *testing.T) {
	r, _ := everything(t) // G1 runs from 2027-03-01 to 2027-04-01; G2 was withdrawn
	lot := func(c identity.Caller) error {
		var err error
		r.view(func(b *ledger.Book) { _, err = Get(b, c, pb.ThingKind_THING_KIND_LOT, r.lotName()) })
		return err
	}
	for at, sees := range map[string]bool{
		"2027-02-28T23:59:59Z": false, "2027-03-01T00:00:00Z": true, "2027-03-31T23:59:59Z": true, "2027-04-01T00:00:00Z": false,
	} {
		if err := lot(r.callerAt("quentin", at)); (err == nil) != sees {
			t.Errorf("at %s: %v", at, err)
		}
	}
	c := r.callerAt("quentin", "2027-03-02T00:00:00Z")
	if err := lot(identity.Caller{PartyID: c.PartyID, PartyKind: c.PartyKind}); !refusal.Is(err, "NAME_UNKNOWN") {
		t.Errorf("without its grants: %v", err)
	}
	r.must("lucan", &pb.AccessWithdrawn{Grant: "quillmoss/G1", Reason: "invented"})
	if err := lot(r.callerAt("quentin", "2027-03-02T00:00:00Z")); !refusal.Is(err, "NAME_UNKNOWN") {
		t.Errorf("after it was withdrawn: %v", err)
	}
	// Sorts and consignments are kept: custody alone shows a bar without its assays, and no lot.
	e := r.grant("G3", "plumbline", "2027-03-01T00:00:00Z", "2027-04-01T00:00:00Z")
	e.Sorts = []pb.InformationSort{pb.InformationSort_INFORMATION_SORT_CUSTODY}
	r.must("lucan", e)
	c = r.callerAt("quentin", "2027-03-02T00:00:00Z")
	r.view(func(b *ledger.Book) {
		thing, err := Get(b, c, pb.ThingKind_THING_KIND_BAR, r.mark(0))
		if err != nil || len(thing.GetBar().Assays) != 0 {
			t.Errorf("custody alone: %v, %v", thing, err)
		}
		if _, err := Get(b, c, pb.ThingKind_THING_KIND_BAR, "quillmoss/E2-0"); !refusal.Is(err, "NAME_UNKNOWN") {
			t.Errorf("a bar of another consignment: %v", err)
		}
	})
	if err := lot(c); !refusal.Is(err, "NAME_UNKNOWN") {
		t.Errorf("custody alone shows the lot: %v", err)
	}
}
