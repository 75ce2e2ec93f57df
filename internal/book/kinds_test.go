package book

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/refusal"
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

// Every kind can be recorded by somebody, and read back by those whom it concerns and by nobody else.
func TestEveryKindIsReadBack(t *testing.T) {
	r, first := everything(t)
	for kind := range kinds {
		if _, ok := first[kind]; !ok {
			t.Errorf("no event of kind %s was recorded", kind)
		}
	}
	const (
		mine, refinery, carrier, umpire, rival, operator = "lucan", "fennimore", "hob", "umbra", "rook", "odo"
	)
	all := []string{mine, refinery, carrier, umpire, rival, operator}
	trade := []string{mine, refinery, rival} // those who see money at all, of what is nobody's in particular
	seen := map[string][]string{
		"party_registered": all, "person_enrolled": all, "key_revoked": all, "balance_registered": all, "balance_checked": all,
		"holidays_published": all, "prices_published": trade,
		"agreement_signed": {mine, refinery}, "pour_recorded": {mine, refinery}, "weighed": {mine, refinery}, "sample_taken": {mine, refinery},
		"assay_reported": {mine, refinery}, "lot_opened": {mine, refinery}, "melted": {mine, refinery}, "result_committed": {mine, refinery},
		"result_revealed": {mine, refinery}, "umpire_appointed": {mine, refinery, umpire}, "umpire_reported": {mine, refinery, umpire},
		"silence_declared": {mine, refinery}, "cost_recorded": {mine, refinery}, "advance_paid": {mine, refinery}, "statement_issued": {mine, refinery},
		"return_received": {mine, refinery}, "payment_recorded": {mine, refinery}, "corrected": {mine, refinery},
		"box_packed": {mine, refinery, carrier}, "consignment_advised": {mine, refinery, carrier}, "released": {mine, refinery, carrier},
		"accepted": {mine, refinery, carrier}, "seal_replaced": {mine, refinery, carrier}, "incident_reported": {mine, refinery, carrier},
		"bar_received": {mine, refinery, carrier}, "discrepancy_decided": {mine, refinery, carrier},
		"countersigned": {mine, refinery}, // the first one is under the agreement
	}
	for kind, seq := range first {
		var got []string
		for _, who := range all {
			c := r.caller(who)
			r.view(func(b *Bucket) {
				if MaySeeEntry(b, c, r.sent[seq]) {
					got = append(got, who)
				}
			})
		}
		if !slices.Equal(got, seen[kind]) {
			t.Errorf("%s (entry %d) is read by %v, want %v", kind, seq, got, seen[kind])
		}
	}
	r.view(func(b *Bucket) {
		note, ok := NoteOf(b, r.id(first["weighed"]))
		if !ok || note.Kind != "weighed" || note.Author != "quillmoss/ibbet" || note.CorrectedBy == "" || note.Sequence != first["weighed"] {
			t.Errorf("the note of the weighing is %v", note)
		}
	})
}

// What each sort of party gets of each kind of thing. Unknown and forbidden answer alike, to the letter.
func TestWhoGetsWhat(t *testing.T) {
	r, _ := everything(t)
	name := map[pb.ThingKind]string{
		pb.ThingKind_THING_KIND_PARTY: "quillmoss", pb.ThingKind_THING_KIND_PERSON: "quillmoss/ibbet", pb.ThingKind_THING_KIND_BALANCE: "quillmoss/QB1",
		pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR: "Lanternfold", pb.ThingKind_THING_KIND_PRICE_SERIES: "gold (invented)", pb.ThingKind_THING_KIND_AGREEMENT: r.agreement,
		pb.ThingKind_THING_KIND_POUR: "quillmoss/E1", pb.ThingKind_THING_KIND_BAR: r.mark(0), pb.ThingKind_THING_KIND_SAMPLE: "quillmoss/E1",
		pb.ThingKind_THING_KIND_BOX: r.box(0), pb.ThingKind_THING_KIND_CONSIGNMENT: r.consignment(), pb.ThingKind_THING_KIND_LOT: r.lotName(),
		pb.ThingKind_THING_KIND_STATEMENT: "quillmoss/ST", pb.ThingKind_THING_KIND_RETURN: "quillmoss/RT",
	}
	r.view(func(b *Bucket) {
		if err := corrections.each(b, func(c *pb.Correction) error { name[pb.ThingKind_THING_KIND_CORRECTION] = c.Name; return nil }); err != nil {
			t.Fatal(err)
		}
		if err := discrepancies.each(b, func(d *pb.Discrepancy) error {
			if d.Kind == assaySplit {
				name[pb.ThingKind_THING_KIND_DISCREPANCY] = d.Name
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	})
	if len(name) != len(byKind) {
		t.Errorf("%d kinds of thing are read, the book has %d", len(name), len(byKind))
	}
	registry := []pb.ThingKind{pb.ThingKind_THING_KIND_PARTY, pb.ThingKind_THING_KIND_PERSON, pb.ThingKind_THING_KIND_BALANCE, pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR}
	boxed := append([]pb.ThingKind{pb.ThingKind_THING_KIND_BOX, pb.ThingKind_THING_KIND_CONSIGNMENT}, registry...)
	var everyKind []pb.ThingKind
	for kind := range name {
		everyKind = append(everyKind, kind)
	}
	for who, may := range map[string][]pb.ThingKind{
		"lucan": everyKind, "ibbet": everyKind, "fennimore": everyKind, "dilly": everyKind, // the matrix is of parties, not of persons
		"hob": boxed, "marjory": registry, "umbra": registry, "vera": registry, "odo": registry,
		"rook": append([]pb.ThingKind{pb.ThingKind_THING_KIND_PRICE_SERIES}, registry...), "gale": append([]pb.ThingKind{pb.ThingKind_THING_KIND_PRICE_SERIES}, registry...),
	} {
		for kind, of := range name {
			thing, err := r.get(who, kind, of)
			if slices.Contains(may, kind) {
				if err != nil || thing == nil {
					t.Errorf("%s may read %v and gets %v", who, kind, err)
				}
				continue
			}
			_, unheard := r.get(who, kind, strings.Repeat("z", len(of)))
			if !refusal.Is(err, "NAME_UNKNOWN") || !refusal.Is(unheard, "NAME_UNKNOWN") {
				t.Errorf("%s reads %v: %v", who, kind, err)
				continue
			}
			if strings.ReplaceAll(err.Error(), of, "") != strings.ReplaceAll(unheard.Error(), strings.Repeat("z", len(of)), "") {
				t.Errorf("a forbidden name and an unknown one differ: %q and %q", err, unheard)
			}
		}
	}
	for _, who := range []string{"hob", "umbra", "rook", "odo"} {
		c := r.caller(who)
		r.view(func(b *Bucket) {
			if _, err := Trace(b, c, r.mark(0)); !refusal.Is(err, "NAME_UNKNOWN") {
				t.Errorf("%s traces a bar: %v", who, err)
			}
			if _, err := Preview(b, c, r.lotName(), pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13", 1); !refusal.Is(err, "NAME_UNKNOWN") {
				t.Errorf("%s previews a statement: %v", who, err)
			}
			if _, err := Reconcile(b, c, r.lotName(), "{}"); !refusal.Is(err, "NAME_UNKNOWN") {
				t.Errorf("%s reconciles: %v", who, err)
			}
			for kind := range byKind {
				things, _, err := List(b, c, kind, "", "", 500, r.l.Size())
				if err != nil {
					t.Error(err)
				}
				for _, thing := range things { // no fineness and no sum of money in anything that they get
					text := fmt.Sprint(thing)
					if kind != pb.ThingKind_THING_KIND_PRICE_SERIES && (strings.Contains(text, " ppt") || strings.Contains(text, " USD") || strings.Contains(text, "oz Au")) {
						t.Errorf("%s reads %s", who, text)
					}
				}
			}
		})
	}
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
	h.refused("perpetua", changed, "REVEAL_MISMATCH")
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
		h.view(func(b *Bucket) {
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
			h.view(func(b *Bucket) {
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
		h.view(func(b *Bucket) {
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
