package book

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Each test here is one attack, by somebody who has a key of their own and knows every name there is.

// outsiders are all who are no side of the exchange of a lot of quillmoss and thistlequay, with the auditors of either.
var outsiders = []string{"hob", "marjory", "umbra", "vera", "odo", "gale", "rook", "quentin"}

const whileGranted = "2027-03-01T12:00:00Z"

// silentOn demands that nobody of these can make the book say any of the secrets.
func (h *house) silentOn(stage string, secrets []string, readers ...string) {
	h.Helper()
	for _, who := range readers {
		said := h.allSaidTo(h.callerAt(who, whileGranted), whileGranted)
		for _, secret := range secrets {
			if at := strings.Index(said, secret); at >= 0 {
				h.Errorf("%s: %s reads %s: …%s…", stage, who, secret, said[max(0, at-300):min(len(said), at+60)])
			}
		}
	}
}

// Learn the other side's result before it is revealed: by reading, listing, tracing, watching (MaySeeEntry is what a
// watch asks), receipts, errors, previews, advice and bias reports, at every stage, with a grant of either side as well.
func TestAttackLearnTheOthersResultBeforeReveal(t *testing.T) {
	h := staffed(t)
	r := h.poured("SE", h.agree("A1"), "20000.00 g")
	r.assayed("811.004 ppt", "146.004 ppt") // the mine's declared figures, open
	r.arrived("20000.00 g")
	h.must("lucan", r.grant("G1", "plumbline", "2027-01-01T00:00:00Z", "2027-12-01T00:00:00Z"))
	h.must("fennimore", &pb.AccessGranted{GrantId: "G1", Auditor: "plumbline", Sorts: []pb.InformationSort{1, 2, 3}, From: "2027-01-01T00:00:00Z", Until: "2027-12-01T00:00:00Z", Purpose: "invented"})
	r.melted("20000.00 g", "19995.00 g")
	theirs, ours := []string{"812.937", "147.613"}, []string{"815.248", "150.531"}
	mine, refinery := []string{"lucan", "perpetua", "ibbet"}, []string{"fennimore", "ansel", "dilly"}
	stage := func(name string, sealedOfRefinery, sealedOfMine bool) {
		t.Helper()
		if sealedOfRefinery {
			h.silentOn(name, theirs, append(mine, outsiders...)...)
		}
		if sealedOfMine {
			h.silentOn(name, ours, append(refinery, outsiders...)...)
		}
	}
	h.must("dilly", &pb.SampleTaken{SampleId: "SL", Source: r.lotName(), Method: pb.SampleMethod_SAMPLE_METHOD_DIP,
		Packets: []*pb.Packet{{PacketId: "U", Seal: "U1", Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE}}})
	h.must("dilly", &pb.SampleTaken{SampleId: "SB", Source: r.mark(0), Method: pb.SampleMethod_SAMPLE_METHOD_DRILL})
	first := h.must("ansel", &pb.AssayReported{AssayId: "RL", Sample: "thistlequay/SL", Results: results2("812.937 ppt", "147.612 ppt")})
	h.must("ansel", &pb.AssayReported{AssayId: "RB", Sample: "thistlequay/SB", Results: results2("812.937 ppt", "147.613 ppt")})
	h.must("ansel", h.correct(first, &pb.AssayReported{AssayId: "RL", Sample: "thistlequay/SL", Results: results2("812.937 ppt", "147.613 ppt")}))
	h.must("perpetua", &pb.AssayReported{AssayId: "RM", Sample: "thistlequay/SL", Results: results2("815.248 ppt", "150.531 ppt")})
	stage("before any commitment", true, true)
	sc, sr := r.sealed(assay.Seller, 1, "815.248 ppt", "150.531 ppt")
	rc, rr := r.sealed(assay.Refiner, 1, "812.937 ppt", "147.613 ppt")
	h.must("ansel", rc)
	stage("one has committed", true, true)
	h.refused("ansel", rr, "REVEAL_BEFORE_COMMITS") // and leaves no trace
	h.must("perpetua", sc)
	stage("both have committed", true, true)
	h.must("perpetua", sr)
	stage("the mine has revealed", true, false)
	h.silentOn("the mine has revealed", ours, "hob", "marjory", "umbra", "vera", "odo", "gale", "rook")
	h.must("ansel", rr)
	h.silentOn("both have revealed", slices.Concat(theirs, ours), "hob", "marjory", "umbra", "vera", "odo", "gale", "rook")
	// The other reports stay sealed until the umpire has spoken, which is none of the umpire's business before or after.
	h.must("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au", "Ag"}, Laboratory: "umbercount", PacketSeal: "U1"})
	h.must("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("814.001 ppt", "149.001 ppt"), PacketSeal: "U1"})
	h.silentOn("the umpire has reported", slices.Concat(theirs, ours), "hob", "marjory", "umbra", "vera", "odo", "gale", "rook")
}

// Reveal another result than was committed: it stays on record, counts for nothing, its author answers for it, and who
// then stays silent loses by the agreement's rule.
func TestAttackRevealAnotherResult(t *testing.T) {
	h := staffed(t)
	r := h.poured("RA", h.agree("A1"), "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	h.clock("2027-03-01T10:00:00Z")
	sc, sr := r.sealed(assay.Seller, 1, "812.30 ppt", "147.60 ppt")
	rc, rr := r.sealed(assay.Refiner, 1, "812.20 ppt", "147.60 ppt")
	committed := h.must("perpetua", sc)
	h.must("ansel", rc)
	h.quiet("ansel", rr)
	before := h.lot(r.lotName())
	for name, change := range map[string]func(*pb.ResultRevealed){
		"a better figure":        func(e *pb.ResultRevealed) { e.Results[0].Fineness = "812.40 ppt" },
		"the same less a zero":   func(e *pb.ResultRevealed) { e.Results[0].Fineness = "812.3 ppt" },
		"another nonce":          func(e *pb.ResultRevealed) { e.Nonce[0] ^= 1 },
		"figures put about":      func(e *pb.ResultRevealed) { e.Results[0].Fineness, e.Results[1].Fineness = "147.60 ppt", "812.30 ppt" },
		"the other side's, aped": func(e *pb.ResultRevealed) { e.Results, e.Nonce = rr.Results, rr.Nonce },
	} {
		e := proto.CloneOf(sr)
		change(e)
		seq := h.raises("perpetua", e, mismatch)
		d := h.one(seq, mismatch)
		if d.Answerable != "quillmoss" || !slices.Equal(d.Evidence, []uint64{committed, seq}) || !slices.Equal(d.Parties, []string{"quillmoss", "thistlequay"}) || d.Lot != r.lotName() {
			t.Errorf("%s: %v", name, d)
		}
		for _, who := range []string{"lucan", "fennimore"} {
			if !h.seen(who, seq) {
				t.Errorf("%s: %s does not see the evidence", name, who)
			}
		}
		if h.seen("umbra", seq) || h.seen("hob", seq) {
			t.Errorf("%s: others see it", name)
		}
		after := h.lot(r.lotName())
		if len(after.Steps) != len(before.Steps) || after.State != before.State || fmt.Sprint(after.Assays) != fmt.Sprint(before.Assays) {
			t.Errorf("%s moved the exchange: %v", name, after)
		}
	}
	// It may still reveal in its days; here it does not, and loses by the rule of this agreement.
	h.clock("2027-03-20T10:00:00Z")
	h.must("fennimore", &pb.SilenceDeclared{Lot: r.lotName()})
	if got := h.lot(r.lotName()).Assays[0].Settled; got != "812.20 ppt" {
		t.Errorf("who commits and never reveals loses by the agreement's rule; settled is %q", got)
	}
	h.refused("perpetua", sr, "EXCHANGE_CLOSED")
}

func (h *house) seen(who string, seq uint64) (sees bool) {
	h.Helper()
	c := h.callerAt(who, whileGranted)
	h.view(func(b *ledger.Book) { sees = MaySeeEntry(b, c, h.sent[seq]) })
	return sees
}

// A carrier and a vault read boxes, seals and gross weights: no assay, no money, no price, in nothing that they can ask.
func TestAttackCarrierReadsAssaysOrMoney(t *testing.T) {
	r, _ := everything(t)
	found := r.must("dilly", &pb.IncidentReported{Subject: r.box(1), Description: "invented"})
	r.must("fennimore", &pb.DiscrepancyDecided{Discrepancy: r.one(found, incident).Name, Decision: pb.Decision_DECISION_SHARED, Reason: "invented", Conceded: "12345.67 USD"})
	secrets := []string{" ppt", "USD", "oz A", "812.", "147.", "2300.00", "2350.25", "12345.67"}
	for _, who := range []string{"hob", "marjory", "vera"} {
		said := r.allSaidTo(r.callerAt(who, whileGranted), whileGranted)
		said = strings.ReplaceAll(said, `"1.00 USD"`, "") // what we asked with
		for _, secret := range secrets {
			if at := strings.Index(said, secret); at >= 0 {
				t.Errorf("%s reads %q: …%s…", who, secret, said[max(0, at-300):min(len(said), at+60)])
			}
		}
	}
	if !strings.Contains(r.allSaidTo(r.callerAt("hob", whileGranted), whileGranted), "E1-S0") {
		t.Error("the carrier does not read the seals that it carries")
	}
}

// The umpire and a laboratory that is named read their own packet and nothing else of the sample or the lot.
func TestAttackUmpireReadsMoreThanItsPacket(t *testing.T) {
	h := staffed(t)
	h.must("odo", &pb.PartyRegistered{PartyId: "cupelrow", DisplayName: "Cupelrow (invented)", Kind: pb.PartyKind_PARTY_KIND_LABORATORY})
	h.enrol("odo", "cup", "cupelrow", admin, assayer)
	r := h.poured("UM", h.agree("A1"), "20000.00 g")
	r.assayed("811.004 ppt", "146.004 ppt")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	taken := &pb.SampleTaken{SampleId: "SL", Source: r.lotName(), Method: pb.SampleMethod_SAMPLE_METHOD_DIP, Mass: "55.55 g", Packets: []*pb.Packet{
		{PacketId: "P1", Seal: "SEAL-SELLER", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER, Laboratory: "cupelrow"},
		{PacketId: "P2", Seal: "SEAL-REFINER", Holder: pb.PacketHolder_PACKET_HOLDER_REFINER},
		{PacketId: "P3", Seal: "SEAL-UMPIRE", Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE},
	}}
	h.must("dilly", taken)
	nobodys := proto.CloneOf(taken)
	nobodys.SampleId, nobodys.Packets = "SX", []*pb.Packet{{PacketId: "P1", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER, Laboratory: "pebblewing"}}
	h.refused("dilly", nobodys, "NAME_UNKNOWN") // a carrier is no laboratory
	sample := func(who string) string {
		thing, err := h.get(who, pb.ThingKind_THING_KIND_SAMPLE, "thistlequay/SL")
		if err != nil {
			if !refusal.Is(err, "NAME_UNKNOWN") {
				t.Error(err)
			}
			return ""
		}
		return prototext.Format(thing)
	}
	if got := sample("umbra"); got != "" {
		t.Errorf("before its appointment the umpire reads %s", got)
	}
	only := func(who, seal string) {
		t.Helper()
		got := sample(who)
		own := []string{seal, h.people[who].party + "/RC", h.people[who].party + "/RU", map[string]string{"cup": "812.777", "umbra": "812.666"}[who]}
		for _, s := range []string{"SEAL-SELLER", "SEAL-REFINER", "SEAL-UMPIRE", "55.55", r.lotName(), "812.777", "812.666", "813.248", "812.137", "cupelrow/RC", "umbercount/RU"} {
			if strings.Contains(got, s) && !slices.Contains(own, s) {
				t.Errorf("%s reads %s in %s", who, s, got)
			}
		}
		if !strings.Contains(got, seal) {
			t.Errorf("%s does not read its packet: %s", who, got)
		}
	}
	only("cup", "SEAL-SELLER")
	h.must("cup", &pb.AssayReported{AssayId: "RC", Sample: "thistlequay/SL", Results: results2("812.777 ppt", "147.60 ppt")})
	h.refused("umbra", &pb.AssayReported{AssayId: "RU", Sample: "thistlequay/SL", Results: results2("812.666 ppt", "147.60 ppt")}, "NAME_UNKNOWN")
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"813.248 ppt", "147.60 ppt"}, [2]string{"812.137 ppt", "147.60 ppt"})
	h.quiet("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "SEAL-UMPIRE"})
	only("umbra", "SEAL-UMPIRE")
	only("cup", "SEAL-SELLER")
	h.must("umbra", &pb.AssayReported{AssayId: "RU", Sample: "thistlequay/SL", Results: results2("812.666 ppt", "147.60 ppt")})
	only("umbra", "SEAL-UMPIRE")
	only("cup", "SEAL-SELLER")
	h.silentOn("an exchange with an umpire", []string{"813.248", "812.137", "812.777", "811.004"}, "umbra")
	h.silentOn("an exchange with an umpire", []string{"813.248", "812.137", "812.666", "811.004"}, "cup")
	// An umpire cannot find out by trial which side is nearer: a fee with several elements is refused whatever they say.
	h.must("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("812.666 ppt", ""), PacketSeal: "SEAL-UMPIRE", Fee: "10.00 USD"})
}

// The umpire's packet is the one that was sealed when the sample was split, and arrives under the seal it was sent under.
func TestAttackUmpirePacketExchanged(t *testing.T) {
	const seal = pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL
	h := staffed(t)
	r := h.poured("UX", h.agree("A1"), "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	h.must("dilly", &pb.SampleTaken{SampleId: "SL", Source: r.lotName(), Method: pb.SampleMethod_SAMPLE_METHOD_DIP, Packets: []*pb.Packet{
		{PacketId: "P3", Seal: "SEAL-U", Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE}, {PacketId: "P4", Seal: "SEAL-4", Holder: pb.PacketHolder_PACKET_HOLDER_RESERVE}}})
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"813.20 ppt", "147.60 ppt"}, [2]string{"812.10 ppt", "147.60 ppt"})
	d := h.one(h.raises("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "FORGED"}, seal), seal)
	if d.Limit != "SEAL-U, SEAL-4" || d.Observed != "FORGED" || d.Answerable != "quillmoss" {
		t.Errorf("got %v", d)
	}
	d = h.one(h.raises("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("812.40 ppt", ""), PacketSeal: "SEAL-U"}, seal), seal)
	if d.Limit != "FORGED" || d.Observed != "SEAL-U" {
		t.Errorf("got %v", d)
	}
}

// A refinery reads nothing of a consignment that goes to another one, not even that there is one.
func TestAttackRefineryReadsAnothersConsignment(t *testing.T) {
	r, _ := everything(t)
	for _, who := range []string{"rook", "gale"} {
		c := r.callerAt(who, whileGranted)
		var said strings.Builder
		r.view(func(b *ledger.Book) {
			for kind := range byKind {
				things, _, err := List(b, c, kind, "", "", maxPageSize, r.l.Size())
				fmt.Fprintln(&said, things, err)
			}
			for seq := range r.l.Size() {
				if MaySeeEntry(b, c, r.sent[seq]) {
					fmt.Fprintln(&said, r.sent[seq])
				}
				fmt.Fprintln(&said, Raised(b, c, seq), Remarks(b, c, seq))
			}
			sums, err := Summarize(b, c, "", r.l.Size())
			fmt.Fprintln(&said, sums.ByAnswerable, sums.ByKind, err)
		})
		for _, secret := range []string{"/E1", "/E2", "E1-", "E2-", r.agreement, "quillmoss/ST", "812."} {
			if at := strings.Index(said.String(), secret); at >= 0 {
				t.Errorf("%s reads %s: …%s…", who, secret, said.String()[max(0, at-200):min(said.Len(), at+60)])
			}
		}
	}
}

// Read by guessing: what an event may not touch is refused to the letter as what nobody has, whatever the event.
func TestAttackReadByGuessingIDs(t *testing.T) {
	r, first := everything(t)
	note := func(seq uint64) *pb.Countersigned { return r.countersign(seq) }
	name := func(n, z string, known bool) string {
		if known {
			return n
		}
		return z
	}
	z := func(n string) string { return strings.Repeat("z", len(n)) }
	lot, bar, box, consignment := r.lotName(), r.mark(0), r.box(0), r.consignment()
	d := r.one(first["incident_reported"], incident).Name
	tries := map[string]func(known bool) (string, proto.Message){
		"weigh a bar": func(k bool) (string, proto.Message) {
			return "gale", weighedAs(name(bar, z(bar), k), recheck, "gorsefell/B", "1.00 g")
		},
		"sample a lot": func(k bool) (string, proto.Message) {
			return "rook", &pb.SampleTaken{SampleId: "X", Source: name(lot, z(lot), k), Method: 1}
		},
		"pack a bar": func(k bool) (string, proto.Message) {
			return "gale", &pb.BoxPacked{BoxId: "X", Bars: []string{name(bar, z(bar), k)}, Seals: []string{"X"}}
		},
		"replace a seal": func(k bool) (string, proto.Message) {
			return "marjory", &pb.SealReplaced{Box: name(box, z(box), k), RemovedSeal: "A", NewSeal: "B", Reason: "x"}
		},
		"accept": func(k bool) (string, proto.Message) {
			return "marjory", &pb.Accepted{Consignment: name(consignment, z(consignment), k), FromParty: "quillmoss"}
		},
		"report an incident": func(k bool) (string, proto.Message) {
			return "vera", &pb.IncidentReported{Subject: name(bar, z(bar), k), Description: "x"}
		},
		"receive": func(k bool) (string, proto.Message) {
			return "rook", &pb.BarReceived{Consignment: name(consignment, z(consignment), k), Box: box}
		},
		"open a lot": func(k bool) (string, proto.Message) {
			return "rook", &pb.LotOpened{LotId: "X", Agreement: name(r.agreement, z(r.agreement), k), Bars: []string{bar}}
		},
		"melt":            func(k bool) (string, proto.Message) { return "rook", &pb.Melted{Lot: name(lot, z(lot), k)} },
		"commit":          func(k bool) (string, proto.Message) { return "gale", &pb.ResultCommitted{Lot: name(lot, z(lot), k)} },
		"reveal":          func(k bool) (string, proto.Message) { return "rook", &pb.ResultRevealed{Lot: name(lot, z(lot), k)} },
		"declare silence": func(k bool) (string, proto.Message) { return "gale", &pb.SilenceDeclared{Lot: name(lot, z(lot), k)} },
		"record a cost":   func(k bool) (string, proto.Message) { return "gale", &pb.CostRecorded{Lot: name(lot, z(lot), k)} },
		"issue": func(k bool) (string, proto.Message) {
			return "gale", &pb.StatementIssued{StatementId: "X", Lot: name(lot, z(lot), k)}
		},
		"pay": func(k bool) (string, proto.Message) {
			return "rook", &pb.PaymentRecorded{Statement: name("quillmoss/ST", z("quillmoss/ST"), k)}
		},
		"decide": func(k bool) (string, proto.Message) {
			return "gale", &pb.DiscrepancyDecided{Discrepancy: name(d, z(d), k)}
		},
		"grant": func(k bool) (string, proto.Message) {
			return "rook", &pb.AccessGranted{GrantId: "X", Auditor: "plumbline", Sorts: []pb.InformationSort{1}, Consignments: []string{name(consignment, z(consignment), k)}}
		},
		"withdraw": func(k bool) (string, proto.Message) {
			return "rook", &pb.AccessWithdrawn{Grant: name("quillmoss/G1", z("quillmoss/G1"), k)}
		},
		"countersign a pour": func(k bool) (string, proto.Message) {
			e := note(first["pour_recorded"])
			e.EventId = name(e.EventId, z(e.EventId), k)
			return "gale", e
		},
		"countersign results": func(k bool) (string, proto.Message) {
			e := note(first["result_committed"])
			e.EventId = name(e.EventId, z(e.EventId), k)
			return "umbra", e
		},
		"correct a weighing": func(k bool) (string, proto.Message) {
			e := r.correct(first["weighed"], nil)
			e.Supersedes = name(e.Supersedes, z(e.Supersedes), k)
			return "gale", e
		},
		"assay": func(k bool) (string, proto.Message) {
			return "umbra", &pb.AssayReported{AssayId: "X", Sample: name("quillmoss/E1", z("quillmoss/E1"), k)}
		},
	}
	for _, what := range slices.Sorted(maps.Keys(tries)) {
		who, known := tries[what](true)
		_, unheard := tries[what](false)
		answers := [2]string{}
		for i, body := range []proto.Message{known, unheard} {
			_, err := r.send(who, body)
			if err == nil {
				t.Errorf("%s: %s is taken", what, who)
				continue
			}
			f := refusal.As(err)
			answers[i] = fmt.Sprint(f.Kind, f.Reason, f.Field, f.Subject, f.Values, f.Error())
		}
		for _, n := range []string{lot, bar, box, consignment, d, r.agreement, "quillmoss/ST", "quillmoss/G1", "quillmoss/E1", r.id(first["pour_recorded"]), r.id(first["result_committed"]), r.id(first["weighed"])} {
			answers[0] = strings.ReplaceAll(answers[0], n, z(n))
		}
		if answers[0] != answers[1] {
			t.Errorf("%s: forbidden answers\n%s\nunknown\n%s", what, answers[0], answers[1])
		}
	}
}

// Replay a signed event under another id, or other bytes under its id: neither is taken, and the same again counts once.
func TestAttackReplayUnderAnotherID(t *testing.T) {
	h := staffed(t)
	ibbet := h.people["ibbet"]
	event := wrap(t, anyPour("A"))
	event.EventId, event.OccurredAt, event.AuthorKey = ledgertest.ID(70_000).String(), h.now.Format("2006-01-02T15:04:05Z07:00"), ibbet.public()
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(event)
	if err != nil {
		t.Fatal(err)
	}
	first, err := h.offer(ibbet, b)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := h.offer(ibbet, b); err != nil || again != first {
		t.Errorf("the same again is entry %d, %v", again, err)
	}
	size := h.l.Size()
	signed := proof.Sign(ibbet.key, b)
	signed.Event = []byte(strings.Replace(string(b), event.EventId, ledgertest.ID(70_001).String(), 1))
	if _, err := proof.Open(signed); !refusal.Is(err, "SIGNATURE_INVALID") {
		t.Errorf("under another id: %v", err)
	}
	event.GetPourRecorded().ChargeDescription = "another"
	other, err := proto.MarshalOptions{Deterministic: true}.Marshal(event)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.offer(ibbet, other); !refusal.Is(err, "EVENT_ID_REUSED") {
		t.Errorf("other bytes under its id: %v", err)
	}
	if h.l.Size() != size {
		t.Error("a replay left a trace")
	}
}

// Witness oneself: nobody countersigns their own entry, with whatever key of theirs, in whatever matter.
func TestAttackWitnessOneself(t *testing.T) {
	h := staffed(t)
	h.must("wren", &pb.PersonEnrolled{PersonId: "all", PartyId: "quillmoss", DisplayName: "All", PublicKey: (&person{key: keyOf("all")}).public(), Roles: []pb.Role{officer, witness, manager}})
	h.people["all"] = &person{"quillmoss", "all", keyOf("all")}
	pour := h.must("all", anyPour("A"))
	agreement := h.must("all", &pb.AgreementSigned{AgreementId: "A1", TermsJson: terms(t)})
	for _, seq := range []uint64{pour, agreement} {
		h.refused("all", h.countersign(seq), "OWN_ENTRY")
	}
	h.rotate("all")
	for _, seq := range []uint64{pour, agreement} {
		h.refused("all", h.countersign(seq), "OWN_ENTRY")
	}
	second := h.must("tamsin", h.countersign(pour))
	h.refused("tamsin", h.countersign(pour), "COUNTERSIGNED_ALREADY")
	h.refused("tamsin", h.countersign(second), "OWN_ENTRY")
	if got := load(h, pours, "quillmoss/A").Witnesses; !slices.Equal(got, []string{"quillmoss/tamsin"}) {
		t.Errorf("the witnesses are %v", got)
	}
	// And nobody signs both sides of a hand-off: a person is of one party, a key is one person's, and a party gives nothing
	// to itself.
	r := h.poured("HO", h.agree("A2"), "100.00 g")
	r.advised()
	h.refused("ibbet", r.release("quillmoss"), "HANDOFF_TO_ONESELF")
	h.quiet("ibbet", r.release("pebblewing"))
	h.refused("ibbet", r.accept("quillmoss"), "HANDOFF_TO_ONESELF")
	h.refused("odo", &pb.PersonEnrolled{PersonId: "ibbet", PartyId: "pebblewing", DisplayName: "Ibbet again", PublicKey: h.people["ibbet"].public(), Roles: []pb.Role{custodian}}, "NOT_YOUR_PARTY")
	h.refused("hob", &pb.PersonEnrolled{PersonId: "ibbet", PartyId: "pebblewing", DisplayName: "Ibbet again", PublicKey: h.people["ibbet"].public(), Roles: []pb.Role{custodian}}, "KEY_IN_USE")
}
