package book

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/ledger"
	pb "barward/proto/barward/v1"
)

// everything records every kind of event there is, by persons who may, and returns where.
func everything(t testing.TB) (*route, map[string]uint64) {
	h := staffed(t)
	freight := func(m map[string]any) {
		m["charges"] = append(m["charges"].([]any), map[string]any{"code": "freight", "per": "passed_on", "cost": "freight"})
	}
	r := h.poured("E1", h.agree("A1", freight), "20000.00 g", "20000.00 g")
	r.assayed("812.90 ppt", "147.60 ppt")
	weighed := h.must("ibbet", weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.00 g"))
	h.must("ibbet", h.correct(weighed, weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.01 g")))
	receipts := r.arrived("20000.00 g", "20000.00 g")
	h.must("dilly", h.correct(receipts[1], r.receipt(1, twice("20000.00 g")...)))
	h.enrol("wren", "leaver", "quillmoss", officer)
	h.must("wren", &pb.KeyRevoked{PublicKey: h.people["leaver"].public(), Reason: "left"})
	h.must("wren", &pb.PartyChanged{PartyId: "quillmoss", Sites: []*pb.Site{{SiteId: "shaft", DisplayName: "Shaft (invented)", ElevationM: "3950"}}})
	h.rotate("lucan")
	h.enrol("wren", "loser", "quillmoss", officer)
	h.recover("wren", "loser", "")
	h.cosign("fennimore")
	h.must("dilly", &pb.SealReplaced{Box: r.box(1), RemovedSeal: "X", NewSeal: "E1-N", Reason: "invented"})
	found := h.must("dilly", &pb.IncidentReported{Subject: r.box(0), Description: "invented"})
	h.must("fennimore", &pb.DiscrepancyDecided{Discrepancy: h.one(found, incident).Name, Decision: pb.Decision_DECISION_MADE_GOOD, Reason: "invented"})
	r.melted("40000.00 g", "39990.00 g")
	h.must("lucan", &pb.CostRecorded{Lot: r.lotName(), Kind: "freight", Amount: "100.00 USD", SellerSharePercent: "50"})
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.90 ppt", "147.60 ppt"}, [2]string{"812.20 ppt", "147.60 ppt"})
	h.must("fennimore", &pb.AdvancePaid{Lot: r.lotName(), Amount: "1000.00 USD", PaidOn: "2027-03-01"})
	h.must("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "U1"})
	h.must("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("812.40 ppt", ""), PacketSeal: "U1", Fee: "640.00 USD"})
	issued := r.issue("lucan", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	h.must("fennimore", h.countersign(issued))
	st := load(h, statements, "quillmoss/ST")
	h.must("lucan", &pb.ReturnReceived{ReturnId: "RT", Lot: r.lotName(), Document: returnOf(t, st, 5)})
	h.must("fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: st.Net, PaidOn: "2027-03-13"})
	h.must("lucan", r.grant("G1", "plumbline", "2027-03-01T00:00:00Z", "2027-04-01T00:00:00Z"))
	h.must("lucan", r.grant("G2", "plumbline", "2027-03-01T00:00:00Z", "2027-04-01T00:00:00Z"))
	h.must("lucan", &pb.AccessWithdrawn{Grant: "quillmoss/G2", Reason: "invented"})
	// A second lot, on which the mine falls silent.
	s := h.poured("E2", r.agreement, "20000.00 g")
	s.arrived("20000.00 g")
	s.melted("20000.00 g", "19995.00 g")
	commitment, reveal := s.sealed(assay.Refiner, 1, "812.20 ppt", "147.60 ppt")
	h.must("ansel", commitment)
	h.refused("lucan", &pb.SilenceDeclared{Lot: s.lotName()}, "HAS_REPORTED")
	h.clock("2027-03-22T10:00:00Z") // by hand: 21 days after 2027-03-01 are that day, which is in time
	h.refused("fennimore", &pb.SilenceDeclared{Lot: s.lotName()}, "DAY_NOT_PAST")
	h.clock("2027-03-23T10:00:00Z")
	h.must("fennimore", &pb.SilenceDeclared{Lot: s.lotName()})
	h.must("ansel", reveal)
	if got := h.lot(s.lotName()).Assays[0].Settled; got != "812.20 ppt" {
		t.Errorf("the other's result is conclusive (reference 04 section 1); got %s", got)
	}
	first := map[string]uint64{}
	for seq := range h.l.Size() {
		kind := kindOf(h.sent[seq])
		if _, ok := first[kind]; !ok {
			first[kind] = seq
		}
	}
	return r, first
}

// Every kind can be recorded by somebody. TestRoleMatrixOfReads says who reads it back.
func TestEveryKindIsRecorded(t *testing.T) {
	r, first := everything(t)
	for kind := range kinds {
		if _, ok := first[kind]; !ok {
			t.Errorf("no event of kind %s was recorded", kind)
		}
	}
	r.view(func(b *ledger.Book) {
		note, ok := NoteOf(b, r.id(first["weighed"]))
		if !ok || note.Kind != "weighed" || note.Author != "quillmoss/ibbet" || note.CorrectedBy == "" || note.Sequence != first["weighed"] {
			t.Errorf("the note of the weighing is %v", note)
		}
	})
}

// A result under seal is nowhere to be read before it is opened, and a bar's own discrepancy tells a carrier no money.
func TestSealedResultsStaySealed(t *testing.T) {
	h := staffed(t)
	r := h.poured("E3", h.agree("A1"), "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	sc, sr := r.sealed(assay.Seller, 1, "812.937 ppt", "147.60 ppt")
	rc, _ := r.sealed(assay.Refiner, 1, "812.20 ppt", "147.60 ppt")
	h.must("perpetua", sc)
	h.refused("perpetua", sr, "REVEAL_BEFORE_COMMITS")
	h.must("ansel", rc)
	for _, who := range []string{"fennimore", "lucan"} {
		thing, err := h.get(who, pb.ThingKind_THING_KIND_LOT, r.lotName())
		if err != nil || strings.Contains(fmt.Sprint(thing), "812.937") {
			t.Errorf("%s reads a sealed result: %v", who, err)
		}
	}
	changed := proto.CloneOf(sr)
	changed.Results[0].Fineness = "812.938 ppt"
	h.raises("perpetua", changed, mismatch)
	h.must("perpetua", sr)
}

// Two persons for what needs two.
// What the refinery's laboratory reports of the lot or of a bar that arrived stays with the refinery, correction included,
// until the exchange has settled the assays; then both sides read it. What the mine declared before is open.
func TestReportsBeforeTheExchangeStaySealed(t *testing.T) {
	h := staffed(t)
	r := h.poured("SR", h.agree("A1"), "18452.30 g")
	r.assayed("812.30 ppt", "147.60 ppt")
	r.arrived("18452.30 g")
	r.melted("18452.30 g", "18450.00 g")
	h.must("dilly", &pb.SampleTaken{SampleId: "SL", Source: r.lotName(), Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	h.must("dilly", &pb.SampleTaken{SampleId: "SB", Source: r.mark(0), Method: pb.SampleMethod_SAMPLE_METHOD_DRILL})
	first := h.must("ansel", &pb.AssayReported{AssayId: "RL", Sample: "thistlequay/SL", Results: results2("812.58 ppt", "148.90 ppt")})
	bar := h.must("ansel", &pb.AssayReported{AssayId: "RB", Sample: "thistlequay/SB", Results: results2("812.60 ppt", "148.80 ppt")})
	right := h.must("ansel", h.correct(first, &pb.AssayReported{AssayId: "RL", Sample: "thistlequay/SL", Results: results2("812.57 ppt", "148.90 ppt")}))
	look := func(who string) (reports int, entries int) {
		t.Helper()
		for _, name := range []string{"thistlequay/SL", "thistlequay/SB"} {
			thing, err := h.get(who, pb.ThingKind_THING_KIND_SAMPLE, name)
			if err != nil {
				t.Fatal(err)
			}
			reports += len(thing.GetSample().Assays)
		}
		thing, err := h.get(who, pb.ThingKind_THING_KIND_BAR, r.mark(0))
		if err != nil {
			t.Fatal(err)
		}
		reports += len(thing.GetBar().Assays)
		h.view(func(b *ledger.Book) {
			for _, seq := range []uint64{first, bar, right} {
				if MaySeeEntry(b, h.caller(who), &pb.Event{EventId: h.id(seq)}) {
					entries++
				}
			}
		})
		return reports, entries
	}
	if reports, entries := look("lucan"); reports != 1 || entries != 0 { // 1: the mine's own of the bar
		t.Errorf("before the exchange the mine reads %d reports and %d entries", reports, entries)
	}
	if reports, entries := look("fennimore"); reports != 5 || entries != 3 {
		t.Errorf("the refinery reads %d of its own reports and %d entries", reports, entries)
	}
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.57 ppt", "148.90 ppt"})
	if reports, entries := look("lucan"); reports != 5 || entries != 3 {
		t.Errorf("after it the mine reads %d reports and %d entries", reports, entries)
	}
}

func TestTwoPersons(t *testing.T) {
	h := staffed(t)
	seq := h.must("ibbet", &pb.PourRecorded{PourId: "T1", Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: "T1", Readings: twice("100.00 g")}}})
	h.refused("ibbet", h.countersign(seq), "OWN_ENTRY")
	h.refused("gale", h.countersign(seq), "NAME_UNKNOWN")
	h.must("tamsin", h.countersign(seq))
	if got := load(h, pours, "quillmoss/T1").Witnesses; !slices.Equal(got, []string{"quillmoss/tamsin"}) {
		t.Errorf("witnesses %v", got)
	}
	h.enrol("wren", "lena", "quillmoss", manager)
	signed := h.must("lucan", &pb.AgreementSigned{AgreementId: "A1", TermsJson: terms(t)})
	h.must("lena", h.countersign(signed)) // a second person of the same party binds nobody
	if load(h, agreements, "quillmoss/A1").InForce {
		t.Error("one party alone brought an agreement into force")
	}
	h.refused("ansel", h.countersign(signed), "ROLE_DOES_NOT_ALLOW")
	h.must("fennimore", h.countersign(signed))
	if !load(h, agreements, "quillmoss/A1").InForce {
		t.Error("both have signed, and the agreement is not in force")
	}
}

// Pages are those of the tree as it was when the first was read: nothing twice, nothing left out, nothing new.
func TestPagesArePinned(t *testing.T) {
	h := staffed(t)
	pour := func(i int) {
		h.must("ibbet", &pb.PourRecorded{PourId: fmt.Sprint("P", i), Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{
			{Mark: fmt.Sprintf("P%da", i), Readings: twice("100.00 g")}, {Mark: fmt.Sprintf("P%db", i), Readings: twice("100.00 g")}}})
	}
	var want []string
	for i := range 7 {
		pour(i)
		want = append(want, fmt.Sprintf("quillmoss/P%da", i), fmt.Sprintf("quillmoss/P%db", i))
	}
	c := h.caller("ibbet")
	for _, size := range []int{40, 14, 5, 2, 1} {
		pinned := slices.Clone(want)
		var got []string
		for token, turned := "", false; ; turned = true {
			if turned { // something new arrives each time that a page is turned
				i := len(want)
				pour(i)
				want = append(want, fmt.Sprintf("quillmoss/P%da", i), fmt.Sprintf("quillmoss/P%db", i))
			}
			var things []*pb.Thing
			h.view(func(b *ledger.Book) {
				var err error
				if things, token, err = List(b, c, pb.ThingKind_THING_KIND_BAR, `state = "POURED"`, token, size, h.l.Size()); err != nil {
					t.Fatal(err)
				}
			})
			if len(things) > size {
				t.Fatalf("a page of %d has %d", size, len(things))
			}
			for _, thing := range things {
				got = append(got, thing.GetBar().Name)
			}
			if token == "" {
				break
			}
		}
		if !slices.Equal(got, pinned) {
			t.Fatalf("pages of %d: got %v, want %v", size, got, pinned)
		}
	}
	list := func(filter string) (names []string) {
		h.view(func(b *ledger.Book) {
			things, _, err := List(b, c, pb.ThingKind_THING_KIND_BAR, filter, "", 500, h.l.Size())
			if err != nil {
				t.Fatal(err)
			}
			for _, thing := range things {
				names = append(names, thing.GetBar().Name)
			}
		})
		return names
	}
	for filter, n := range map[string]int{`pour = "quillmoss/P3"`: 2, `pour = "quillmoss/P3" AND name = "quillmoss/P3a"`: 1, `state = "PACKED"`: 0,
		`parties = "quillmoss" AND pour = "quillmoss/P1"`: 2, `parties = "thistlequay"`: 0, `state = "BAR_STATE_POURED" AND pour = "quillmoss/P0"`: 2, `state = "STATE_POURED"`: 0} {
		if got := list(filter); len(got) != n {
			t.Errorf("%s finds %v, want %d", filter, got, n)
		}
	}
}
