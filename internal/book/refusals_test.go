package book

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/custody"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// Every reason that the source of this package gives is provoked here, and each refusal leaves no trace (see refused).
func TestEveryRefusal(t *testing.T) {
	h := staffed(t)
	provoked := map[string]bool{}
	no := func(reason, who string, body proto.Message) {
		t.Helper()
		provoked[reason] = true
		h.refused(who, body, reason)
	}
	says := func(reason string, err error) {
		t.Helper()
		provoked[reason] = true
		if !refusal.Is(err, reason) {
			t.Errorf("got %v, want %s", err, reason)
		}
	}
	event := func(body proto.Message, change func(*pb.Event)) *pb.Event {
		e := wrap(t, body)
		change(e)
		return e
	}
	long := strings.Repeat("x", 3000)

	// The event itself.
	_, err := Decode(make([]byte, MaxEvent+1))
	says("EVENT_TOO_LARGE", err)
	_, err = Decode([]byte{0xff})
	says("EVENT_MALFORMED", err)
	_, err = Decode(nil)
	says("EVENT_BODY_MISSING", err)
	says("EVENT_FIELD_UNKNOWN", decodes(protowire.AppendVarint(protowire.AppendTag(nil, 999, protowire.VarintType), 1)))
	pourOf := func(mark string) *pb.PourRecorded {
		return &pb.PourRecorded{PourId: mark, Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: mark, Readings: twice("100.00 g")}}}
	}
	for reason, at := range map[string]string{"TIME_MALFORMED": "yesterday", "TIME_OUT_OF_RANGE": "1912-03-02T07:40:00Z", "TIME_IN_FUTURE": h.now.Add(time.Hour).Format(time.RFC3339)} {
		no(reason, "ibbet", event(pourOf("Z1"), func(e *pb.Event) { e.OccurredAt = at }))
	}
	no("SITE_UNKNOWN", "ibbet", event(pourOf("Z1"), func(e *pb.Event) { e.Place = "quillmoss/nowhere" }))
	no("SUPERSEDES_OUT_OF_PLACE", "ibbet", event(pourOf("Z1"), func(e *pb.Event) { e.Supersedes = h.id(0) }))
	h.people["stranger"] = &person{"quillmoss", "stranger", keyOf("stranger")}
	no("KEY_UNKNOWN", "stranger", pourOf("Z1"))
	no("ROLE_DOES_NOT_ALLOW", "wren", pourOf("Z1"))

	// Registry.
	party := func(change func(*pb.PartyRegistered)) *pb.PartyRegistered {
		e := &pb.PartyRegistered{PartyId: "newcomer", DisplayName: "Newcomer", Kind: pb.PartyKind_PARTY_KIND_MINE, Sites: []*pb.Site{{SiteId: "pit", DisplayName: "Pit", ElevationM: "10"}}}
		change(e)
		return e
	}
	no("ID_MALFORMED", "odo", party(func(e *pb.PartyRegistered) { e.PartyId = "New Comer" }))
	no("TEXT_MISSING", "odo", party(func(e *pb.PartyRegistered) { e.DisplayName = " " }))
	no("TEXT_TOO_LONG", "odo", party(func(e *pb.PartyRegistered) { e.DisplayName = long }))
	no("TEXT_CONTROL_CHARACTER", "odo", party(func(e *pb.PartyRegistered) { e.DisplayName = "a\x07b" }))
	no("PARTY_KIND_MISSING", "odo", party(func(e *pb.PartyRegistered) { e.Kind = 99 }))
	no("SITE_REPEATED", "odo", party(func(e *pb.PartyRegistered) { e.Sites = append(e.Sites, e.Sites[0]) }))
	no("ELEVATION_OUT_OF_RANGE", "odo", party(func(e *pb.PartyRegistered) { e.Sites[0].ElevationM = "6000.1" }))
	no("NAME_IN_USE", "odo", party(func(e *pb.PartyRegistered) { e.PartyId = "quillmoss" }))
	enrol := func(change func(*pb.PersonEnrolled)) *pb.PersonEnrolled {
		e := &pb.PersonEnrolled{PersonId: "newt", PartyId: "quillmoss", DisplayName: "Newt", PublicKey: h.people["stranger"].public(), Roles: []pb.Role{officer}}
		change(e)
		return e
	}
	no("KEY_MALFORMED", "wren", enrol(func(e *pb.PersonEnrolled) { e.PublicKey = e.PublicKey[:31] }))
	no("ROLE_UNKNOWN", "wren", enrol(func(e *pb.PersonEnrolled) { e.Roles[0] = 0 }))
	no("NOT_YOUR_PARTY", "wren", enrol(func(e *pb.PersonEnrolled) { e.PartyId = "gorsefell" }))
	no("NOT_YOUR_PARTY", "odo", enrol(func(e *pb.PersonEnrolled) { e.Roles[0] = admin })) // quillmoss has one
	no("KEY_IN_USE", "wren", enrol(func(e *pb.PersonEnrolled) { e.PublicKey = h.people["hob"].public() }))
	no("KEY_UNKNOWN_HERE", "wren", &pb.KeyRevoked{PublicKey: h.people["hob"].public(), Reason: "invented"})
	h.enrol("wren", "gone", "quillmoss", officer)
	h.must("wren", &pb.KeyRevoked{PublicKey: h.people["gone"].public(), Reason: "left"})
	no("KEY_REVOKED", "gone", pourOf("Z1"))
	no("KEY_REVOKED_ALREADY", "wren", &pb.KeyRevoked{PublicKey: h.people["gone"].public(), Reason: "left"})
	no("NOTHING_CHANGED", "wren", &pb.PartyChanged{PartyId: "quillmoss"})
	no("NOT_YOUR_PARTY", "wren", &pb.PartyChanged{PartyId: "gorsefell", DisplayName: "Ours now"})
	no("NOT_YOUR_PARTY", "wren", &pb.PartyChanged{PartyId: "nowhere", DisplayName: "Ours now"})
	old := h.rotate("tamsin")
	h.people["tamsin, before"] = old
	no("KEY_REPLACED", "tamsin, before", pourOf("Z1"))
	lost, _ := h.recovery("auberon", "")
	entry := h.must("odo", lost)
	no("OWN_ENTRY", "odo", h.countersign(entry))
	h.enrol("odo", "otto", "lanternfold", admin)
	no("NOT_THE_SECOND_PERSON", "otto", h.countersign(entry))
	no("COUNTERSIGN_NOT_YOURS", "odo", h.countersign(0))
	h.must("dilly", h.countersign(entry))
	no("NOTHING_WAITS", "fennimore", h.countersign(entry))
	balance := func(change func(*pb.BalanceRegistered)) *pb.BalanceRegistered {
		e := &pb.BalanceRegistered{BalanceId: "QB2", Site: "quillmoss/works", AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7}
		change(e)
		return e
	}
	no("ADJUSTMENT_HALF_STATED", "wren", balance(func(e *pb.BalanceRegistered) { e.AdjustedOn = "2027-01-01" }))
	no("DATE_IN_FUTURE", "wren", balance(func(e *pb.BalanceRegistered) { e.AdjustedOn, e.AdjustedAt = "2027-06-01", "quillmoss/works" }))
	no("NUMBER_NOT_A_MARK", "wren", balance(func(e *pb.BalanceRegistered) { e.BalanceId = "QB 2" }))
	no("LIST_OUT_OF_BOUNDS", "ibbet", &pb.BalanceChecked{Balance: "quillmoss/QB1"})
	no("NAME_UNKNOWN", "ibbet", passed("thistlequay/TB1"))
	prices := func(series, currency string, list ...*pb.DailyPrice) *pb.PricesPublished {
		return &pb.PricesPublished{Series: series, Currency: currency, Prices: list}
	}
	no("DATE_MALFORMED", "lucan", prices("x", "USD", &pb.DailyPrice{Date: "1.2.2027", Price: "1"}))
	no("DATES_OUT_OF_ORDER", "lucan", prices("x", "USD", &pb.DailyPrice{Date: "2027-02-01", Price: "1"}, &pb.DailyPrice{Date: "2027-02-01", Price: "1"}))
	no("PRICE_NOT_POSITIVE", "lucan", prices("x", "USD", &pb.DailyPrice{Date: "2027-02-01", Price: "0"}))
	no("PRICE_IN_USE", "lucan", prices("gold (invented)", "USD", &pb.DailyPrice{Date: "2027-02-01", Price: "1"}))
	no("NOT_YOUR_SERIES", "fennimore", prices("gold (invented)", "USD", &pb.DailyPrice{Date: "2027-02-03", Price: "1"}))
	no("NOT_YOUR_SERIES", "lucan", &pb.HolidaysPublished{Calendar: "Lanternfold", Dates: []string{"2027-01-02"}})
	no("CURRENCY_MIXED", "lucan", prices("gold (invented)", "EUR", &pb.DailyPrice{Date: "2027-02-02", Price: "1"}))

	// Agreements.
	signed := func(id string, change ...func(map[string]any)) *pb.AgreementSigned {
		return &pb.AgreementSigned{AgreementId: id, TermsJson: terms(t, change...)}
	}
	set := func(key string, value any) func(map[string]any) { return func(m map[string]any) { m[key] = value } }
	no("DOCUMENT_TOO_LARGE", "lucan", &pb.AgreementSigned{AgreementId: "A1", TermsJson: strings.Repeat(" ", maxDocument+1)})
	no("PARTY_NOT_FIT", "lucan", signed("A1", set("refiner", "pebblewing")))
	no("NOT_YOUR_AGREEMENT", "gale", signed("A1"))
	agreed := h.must("lucan", signed("A1"))
	agreement := "quillmoss/A1"
	wrong := h.countersign(agreed)
	wrong.EventSha256 = bytes.Repeat([]byte{1}, 32)
	no("NOT_WHAT_WAS_SIGNED", "fennimore", wrong)
	no("OWN_ENTRY", "lucan", h.countersign(agreed))
	no("ROLE_DOES_NOT_ALLOW", "dilly", h.countersign(agreed)) // a receiving clerk binds nobody to terms
	no("NAME_UNKNOWN", "rook", h.countersign(agreed))
	r := h.poured("C1", agreement, "20000.00 g", "20000.00 g")
	r.packed()
	no("AGREEMENT_NOT_IN_FORCE", "ibbet", r.advice())
	h.must("fennimore", h.countersign(agreed))
	no("COUNTERSIGNED_ALREADY", "fennimore", h.countersign(agreed))
	no("VERSION_NOT_NEXT", "lucan", signed("A2", set("version", 3)))

	// Gold room.
	no("SEAL_IN_USE", "ibbet", &pb.SealReplaced{Box: r.box(0), RemovedSeal: r.seal(0), NewSeal: r.seal(1), Reason: "torn"})
	no("BAR_NOT_AT_HAND", "ibbet", &pb.BoxPacked{BoxId: "Z", Bars: []string{r.mark(0)}, Seals: []string{"ZS"}})
	loose := h.poured("C2", agreement, "100.00 g")
	no("GROSS_BELOW_NET", "ibbet", &pb.BoxPacked{BoxId: "Z", Bars: []string{loose.mark(0)}, Seals: []string{"ZS"}, Gross: "99.99 g"})
	no("STAGE_NOT_FIT", "ibbet", weighedAs(loose.mark(0), pb.WeighingStage_WEIGHING_STAGE_POUR, "quillmoss/QB1", "100.00 g"))
	no("STAGE_NOT_FIT", "ibbet", weighedAs(loose.mark(0), pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, "quillmoss/QB1", "100.00 g"))
	sample := func(change func(*pb.SampleTaken)) *pb.SampleTaken {
		e := &pb.SampleTaken{SampleId: "S1", Source: "quillmoss/C1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP, Packets: []*pb.Packet{{PacketId: "P1", Seal: "PS1", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER}}}
		change(e)
		return e
	}
	no("METHOD_MISSING", "ibbet", sample(func(e *pb.SampleTaken) { e.Method = 0 }))
	no("HOLDER_MISSING", "ibbet", sample(func(e *pb.SampleTaken) { e.Packets[0].Holder = 0 }))
	h.must("ibbet", sample(func(*pb.SampleTaken) {}))
	typed := h.must("perpetua", &pb.AssayReported{AssayId: "typed", Sample: "quillmoss/S1", Results: results2("812.50 ppt", "")})
	worksheet := strings.NewReplacer("CORNET", "162.46 mg", "CHLORIDE", "100.00 mg", "COPPER", "38.00 ppt").Replace(sheet)
	no("WORKSHEET_DISAGREES", "perpetua", &pb.AssayReported{AssayId: "R", Sample: "quillmoss/S1", WorksheetJson: worksheet, Results: results2("812.50 ppt", "")})
	no("WORKSHEET_BLOCKED", "perpetua", &pb.AssayReported{AssayId: "R", Sample: "quillmoss/S1", WorksheetJson: strings.Replace(worksheet, "199.95", "198.95", 1)})
	foreign := signed("G1", set("seller", "gorsefell"), set("id", "G"))
	first := h.must("gale", foreign)
	h.must("fennimore", h.countersign(first))
	no("NAME_UNKNOWN", "ibbet", &pb.ConsignmentAdvised{ConsignmentId: "Z", Agreement: "gorsefell/G1", Boxes: []string{r.box(0)}})

	// Hand-offs and arrival.
	h.must("ibbet", r.advice())
	again := r.advice()
	again.ConsignmentId = "Z"
	no("BOX_NOT_AT_HAND", "ibbet", again)
	twofold := r.release("pebblewing")
	twofold.Boxes = append(twofold.Boxes, twofold.Boxes[0])
	no("BOX_REPEATED", "ibbet", twofold)
	no("HANDOFF_TO_ONESELF", "ibbet", r.release("quillmoss"))
	no("HANDOFF_TO_ONESELF", "hob", r.accept("pebblewing"))
	many := r.accept("quillmoss")
	many.Count = -1
	no("COUNT_OUT_OF_RANGE", "hob", many)
	loose.packed()
	stray := r.release("pebblewing")
	stray.Boxes[0].Box = loose.box(0)
	no("BOX_NOT_IN_CONSIGNMENT", "ibbet", stray)
	no("NAME_UNKNOWN", "vera", r.accept("quillmoss"))
	r.carried()
	h.must("dilly", passed("thistlequay/TB1"))
	h.must("dilly", passed("thistlequay/TM1"))
	h.must("ibbet", r.release("rushbeck")) // by who does not hold it: recorded, and rushbeck may read it now
	early := r.receipt(0, twice("20000.00 g")...)
	early.Balance = "rushbeck/B"
	no("NOT_YOUR_CONSIGNMENT", "rook", early)
	no("BAR_NOT_RECEIVED", "dilly", r.opening())
	received := h.must("dilly", r.receipt(0, twice("20000.00 g")...))
	no("BAR_RECEIVED_ALREADY", "dilly", r.receipt(0, twice("20000.00 g")...))
	h.must("dilly", r.receipt(1, twice("20000.00 g")...))

	// The lot.
	other := r.opening()
	h.agree("A9", set("id", "other terms"))
	other.Agreement = "quillmoss/A9"
	no("BAR_UNDER_OTHER_AGREEMENT", "dilly", other)
	h.must("dilly", r.opening())
	no("EXCHANGE_NOT_OPEN", "fennimore", must1(r.sealed(assay.Refiner, 1, "812.00 ppt", "147.00 ppt")))
	h.must("dilly", r.melt("40000.00 g", "39990.00 g"))
	no("LOT_MELTED", "dilly", r.melt("40000.00 g", "39990.00 g"))
	no("COMMITMENT_MALFORMED", "ansel", &pb.ResultCommitted{Lot: r.lotName(), Round: 1, Elements: []string{"Au"}, Commitment: []byte{1}})
	no("NONCE_MALFORMED", "ansel", &pb.ResultRevealed{Lot: r.lotName(), Round: 1, Results: results2("812.00 ppt", ""), Nonce: []byte{1}})
	no("ASSAYS_OPEN", "lucan", r.previewless("Z", pb.StatementKind_STATEMENT_KIND_FINAL))
	no("KIND_MISSING", "lucan", r.previewless("Z", 0))
	no("NOTHING_TO_CORRECT", "lucan", r.previewless("Z", pb.StatementKind_STATEMENT_KIND_CORRECTED))
	no("NO_STATEMENT", "lucan", &pb.ReturnReceived{ReturnId: "Z", Lot: r.lotName(), Document: "code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,1.00 USD\n"})
	advise := func(element string) error {
		c := h.caller("lucan")
		h.view(func(b *ledger.Book) { _, err = AdviseUmpire(b, c, r.lotName(), element, []byte("{}")) })
		return err
	}
	says("RESULTS_SEALED", advise("Au"))
	says("ELEMENT_NOT_SETTLED", advise("Cu"))
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.90 ppt", "148.00 ppt"}, [2]string{"812.20 ppt", "151.00 ppt"})
	h.must("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au", "Ag"}, Laboratory: "umbercount", PacketSeal: "U1"})
	umpire := func(fee string, results ...*pb.AssayResult) *pb.UmpireReported {
		return &pb.UmpireReported{Lot: r.lotName(), Results: results, PacketSeal: "U1", Fee: fee}
	}
	no("FEE_NOT_FIT", "umbra", umpire("1.00 EUR", results2("812.40 ppt", "")...))
	no("FEE_OF_SEVERAL", "umbra", umpire("1.00 USD", results2("812.40 ppt", "148.10 ppt")...)) // the mine is farther in gold, the refinery in silver
	h.must("umbra", umpire("", results2("812.40 ppt", "")...))
	says("ELEMENT_SETTLED", advise("Au"))
	h.must("umbra", umpire("", results2("", "148.10 ppt")...))
	no("COST_UNKNOWN", "lucan", &pb.CostRecorded{Lot: r.lotName(), Kind: "umpire", Amount: "1.00 USD", SellerSharePercent: "50"})
	no("COST_NOT_AGREED", "lucan", &pb.CostRecorded{Lot: r.lotName(), Kind: "freight", Amount: "1.00 USD", SellerSharePercent: "50"})

	// Money.
	no("AMOUNT_NOT_FIT", "fennimore", &pb.AdvancePaid{Lot: r.lotName(), Amount: "0.00 USD", PaidOn: "2027-03-01"})
	half := r.statement("lucan", "Z", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	half.CheckpointSize = 1
	no("CHECKPOINT_HALF_STATED", "lucan", half)
	half.CheckpointSize, half.CheckpointRoot = h.l.Size()+1, make([]byte, 32)
	no("CHECKPOINT_AHEAD", "lucan", half)
	no("FIGURES_MOVED", "lucan", r.previewless("Z", pb.StatementKind_STATEMENT_KIND_FINAL))
	r.issue("lucan", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	no("LOT_STATED", "fennimore", &pb.AdvancePaid{Lot: r.lotName(), Amount: "1.00 USD", PaidOn: "2027-03-01"})
	no("LOT_STATED", "lucan", r.previewless("Z", pb.StatementKind_STATEMENT_KIND_FINAL))
	no("AMOUNT_NOT_FIT", "fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: "1.00 EUR", PaidOn: "2027-03-13"})
	no("PAYMENT_BEYOND_NET", "fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: "9999999999.00 USD", PaidOn: "2027-03-13"})
	no("PAYER_RECORDS", "lucan", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: "1.00 USD", PaidOn: "2027-03-13"})

	// Discrepancies and corrections.
	d := h.one(h.must("ibbet", &pb.IncidentReported{Subject: r.consignment(), Description: "delayed"}), incident).Name
	decide := &pb.DiscrepancyDecided{Discrepancy: d, Reason: "invented", Decision: pb.Decision_DECISION_UMPIRE}
	no("DECISION_MISSING", "lucan", decide)
	decide.Decision = pb.Decision_DECISION_WAIVED
	no("DECISION_NOT_YOURS", "lucan", decide)
	decide.Decision, decide.Conceded = pb.Decision_DECISION_MADE_GOOD, "-1.00 USD"
	no("AMOUNT_NOT_FIT", "lucan", decide)
	decide.Conceded = ""
	h.must("fennimore", h.countersign(h.must("lucan", decide)))
	no("DISCREPANCY_CLOSED", "lucan", decide)
	no("NOT_CORRECTABLE", "ibbet", h.correct(r.pour, nil))
	no("REPLACEMENT_NOT_FIT", "dilly", h.correct(received, r.melt("1.00 g", "1.00 g")))
	lighter := h.must("ibbet", weighedAs(loose.mark(0), release, "quillmoss/QB1", "100.00 g"))
	h.must("ibbet", h.correct(lighter, nil))
	no("CORRECTED_ALREADY", "ibbet", h.correct(lighter, nil))

	// Sight and proof.
	grant := func(change func(*pb.AccessGranted)) *pb.AccessGranted {
		e := r.grant("G1", "plumbline", "2027-03-01T00:00:00Z", "2027-04-01T00:00:00Z")
		change(e)
		return e
	}
	no("NAME_UNKNOWN", "lucan", grant(func(e *pb.AccessGranted) { e.Auditor = "thistlequay" }))
	no("SORT_NOT_FIT", "lucan", grant(func(e *pb.AccessGranted) { e.Sorts = []pb.InformationSort{1, 1} }))
	no("NAME_UNKNOWN", "rook", grant(func(e *pb.AccessGranted) { e.Consignments = []string{"quillmoss/C3"} }))
	no("GRANT_TIME", "lucan", grant(func(e *pb.AccessGranted) { e.Until = e.From }))
	no("GRANT_TIME", "lucan", grant(func(e *pb.AccessGranted) { e.Until = "2030-03-01T00:00:01Z" }))
	h.must("lucan", grant(func(*pb.AccessGranted) {}))
	no("ROLE_DOES_NOT_ALLOW", "quentin", &pb.AccessWithdrawn{Grant: "quillmoss/G1"})
	no("NAME_UNKNOWN", "fennimore", &pb.AccessWithdrawn{Grant: "quillmoss/G1"})
	h.must("lucan", &pb.AccessWithdrawn{Grant: "quillmoss/G1"})
	no("GRANT_WITHDRAWN", "lucan", &pb.AccessWithdrawn{Grant: "quillmoss/G1"})
	checkpoint, err := h.l.Checkpoint()
	if err != nil {
		t.Fatal(err)
	}
	no("COSIGNATURE_MISSING", "lucan", &pb.CheckpointCosigned{Note: string(checkpoint)})
	no("COSIGNATURE_MISSING", "lucan", h.cosigned("fennimore", checkpoint))
	no("DOCUMENT_TOO_LARGE", "lucan", &pb.CheckpointCosigned{Note: strings.Repeat("x", maxCosigned+1)})

	// Other terms: no advance, no tolerance, passed-on freight, settled as received, prices nobody published.
	p := h.poured("C3", h.agree("A3", set("id", "plain terms"), set("settlement_weight", "received"), func(m map[string]any) {
		delete(m, "advance")
		delete(m["money_rounding"].(map[string]any), "advance")
		delete(m["money_rounding"].(map[string]any), "interest")
		m["charges"] = append(m["charges"].([]any), map[string]any{"code": "freight", "per": "passed_on", "cost": "freight"})
		m["metals"].([]any)[1].(map[string]any)["price"].(map[string]any)["series"] = "unheard of"
		m["charges"].([]any)[0].(map[string]any)["weight"] = "received"
	}), "20000.00 g")
	p.arrived("20000.00 g")
	h.must("dilly", p.opening())
	no("ADVANCE_NOT_AGREED", "fennimore", &pb.AdvancePaid{Lot: p.lotName(), Amount: "1.00 USD", PaidOn: "2027-03-01"})
	no("COST_SHARE", "lucan", &pb.CostRecorded{Lot: p.lotName(), Kind: "freight", Amount: "1.00 USD", SellerSharePercent: "100.01"})
	p.exchanged(1, [2]string{"812.90 ppt", "148.00 ppt"}, [2]string{"812.50 ppt", "148.00 ppt"})
	no("PRICES_UNKNOWN", "lucan", p.previewless("Z", pb.StatementKind_STATEMENT_KIND_FINAL))
	h.must("dilly", p.melt("20000.00 g", "19990.00 g")) // settled as received, it may still be melted
	if got := h.lot(p.lotName()).State; got != pb.LotState_LOT_STATE_ASSAYS_SETTLED {
		t.Errorf("the melt moved the lot to %v", got)
	}
	h.must("lucan", &pb.PricesPublished{Series: "unheard of", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-03-01", Price: "29.455"}}})
	p.issue("lucan", "ST3", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	next := h.must("lucan", signed("A1v2", set("version", 2)))
	h.must("fennimore", h.countersign(next))
	n := h.poured("C4", agreement, "20000.00 g")
	n.packed()
	no("AGREEMENT_SUPERSEDED", "ibbet", n.advice())

	// The reader's side.
	_, err = Recompute(load(h, samples, "quillmoss/S1").Assays[0], h.sent[typed])
	says("WORKSHEET_NOT_KEPT", err)
	c := h.caller("lucan")
	h.view(func(b *ledger.Book) {
		list := func(kind pb.ThingKind, filter, token string, size int) error {
			_, _, err := List(b, c, kind, filter, token, size, h.l.Size())
			return err
		}
		bar := pb.ThingKind_THING_KIND_BAR
		says("THING_KIND_MISSING", list(0, "", "", 1))
		says("PAGE_SIZE", list(bar, "", "", maxPageSize+1))
		says("PAGE_TOKEN", list(bar, "", "AAAA", 1))
		says("FILTER_TOO_LONG", list(bar, long, "", 1))
		says("FILTER_MALFORMED", list(bar, "state", "", 1))
		says("FILTER_FIELD", list(bar, `colour = "yellow"`, "", 1))
		_, err := AdviseUmpire(b, c, "", "", []byte("{"))
		says("JSON_MALFORMED", err)
		_, err = Bias(b, c, &pb.ReportBiasRequest{SettingsJson: biasSettings, Element: "Au"})
		says("BIAS_OF_MISSING", err)
		_, err = Bias(b, c, &pb.ReportBiasRequest{SettingsJson: biasSettings, Of: pb.BiasOf_BIAS_OF_EXCHANGE, Element: "Au", Balance: "quillmoss/QB1"})
		says("FILTER_NOT_FIT", err)
		series, err := Bias(b, c, &pb.ReportBiasRequest{SettingsJson: biasSettings, Of: pb.BiasOf_BIAS_OF_EXCHANGE, Element: "Au", FromDate: "2029-01-01"})
		if err != nil {
			t.Error(err)
		}
		_, err = series.Report()
		says("DIFFERENCES_TOO_FEW", err)
	})

	// Not provoked through the ledger: a file that is damaged, a kind that the proto has and this build does not, a
	// register of two hundred thousand lines, and what other checks stand in front of.
	for _, reason := range []string{"BOOK_INCONSISTENT", "BOOK_UNREADABLE", "EVENT_KIND_UNKNOWN", "STATEMENT_CORRECTED", "RULES_UNKNOWN"} {
		provoked[reason] = true // TestDamagedBook, TestKindWithoutJudge, TestMeltCorrectedThenStatement, TestNewerRulesStopTheReplay
	}
	behind := map[string]string{
		"REGISTER_TOO_LONG":    "takes more discrepancies than a test should make; the bound is one comparison",
		"DIFFERENCES_TOO_MANY": "takes more lots than a test should make; the bound is one comparison",
		"BAR_NOT_WEIGHED":      "a receipt always weighs, and is not withdrawn",
		"FEE_BEARER_UNKNOWN":   "an umpire's report that is allowed settles what it reports",
		"FEE_NOT_DIVISIBLE":    "of version 1 of the rules; since then FEE_OF_SEVERAL comes first",
		"NOT_YOUR_GRANT":       "only grantor and auditors may read a grant, and auditors withdraw nothing",
		"NOT_YOUR_LOT":         "of refineries only the lot's own may read it, and only refineries melt or pay an advance",
		"TOLERANCES_MISSING":   "terms without them can no longer be signed; older ones may lack them",
		"NOT_A_SIDE":           "only the two sides have roles that may commit, reveal or appoint, and only they may read the lot",
		"NOT_YOUR_METAL":       "only the two sides may read an agreement, and a mine may not open a lot nor a refinery advise",
	}
	for reason := range reasons(t) {
		if !provoked[reason] && behind[reason] == "" {
			t.Errorf("the source gives the reason %s, and nothing here provokes it", reason)
		}
	}
}

func decodes(b []byte) error { _, err := Decode(b); return err }

func must1[A, B any](a A, _ B) A { return a }

// reasons are those that the source of this package gives.
func reasons(t *testing.T) map[string]bool {
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`refusal\.(?:Invalidf\(|New\([a-zA-Z.]+, )"([A-Z_]+)"`).FindAllSubmatch(b, -1) {
			found[string(m[1])] = true
		}
	}
	if len(found) < 80 {
		t.Fatalf("only %d reasons found: the pattern no longer fits the source", len(found))
	}
	return found
}

func put(t *testing.T, b *ledger.Book, table, key, value string) {
	t.Helper()
	if err := b.Table(table).Put([]byte(key), []byte(value)); err != nil {
		t.Fatal(err)
	}
}

// A damaged book is never read past: it says DataLoss, or panics with that refusal where the ledger catches it.
func TestDamagedBook(t *testing.T) {
	public := string((&person{key: keyOf("odo")}).public())
	func(b *ledger.Book) {
		put(t, b, "index", "key\x00"+public, "lanternfold/odo")
		_, err := CallerOf(b, []byte(public))
		if !refusal.Is(err, "BOOK_INCONSISTENT") {
			t.Errorf("got %v", err)
		}
		person, _ := proto.Marshal(&pb.Person{Name: "lanternfold/odo", Party: "lanternfold"})
		put(t, b, "person.name", "lanternfold/odo", "0123456789")
		put(t, b, "person", "0123456789", string(person))
		if _, err := CallerOf(b, []byte(public)); !refusal.Is(err, "BOOK_INCONSISTENT") {
			t.Errorf("a person without a party: got %v", err)
		}
		put(t, b, "bar.name", "a/B", "0123456789")
		put(t, b, "bar", "0123456789", "\xff")
		defer func() {
			if err, ok := recover().(error); !ok || !refusal.Is(err, "BOOK_UNREADABLE") || refusal.As(err).Kind != refusal.DataLoss {
				t.Errorf("a bar of broken bytes was read: %v", err)
			}
		}()
		bars.load(&store{pages: b}, "a/B")
	}(ledger.NewBook())
	func(b *ledger.Book) {
		f := newFold(b, &ledger.Entry{}, prepared(new(pb.Event), nil))
		box := &pb.Box{Name: "a/B", CustodyJson: "{"}
		f.who = identity.Caller{PartyID: "a"}
		f.at = time.Unix(1_800_000_000, 0)
		if err := f.follow("", box, custody.Step{Kind: custody.Packed}, nil, ""); !refusal.Is(err, "BOOK_UNREADABLE") {
			t.Errorf("custody of broken bytes was read: %v", err)
		}
	}(ledger.NewBook())
}

// The proto may know a kind that this build has no judge for: it is refused, and its judge cannot be forgotten.
func TestKindWithoutJudge(t *testing.T) {
	for i := range bodies.Fields().Len() {
		if name := string(bodies.Fields().Get(i).Name()); kinds[name] == nil {
			t.Errorf("the proto has the kind %s, and nobody judges it", name)
		}
	}
	if bodies.Fields().Len() != len(kinds) || len(identity.EventKinds) != len(kinds) {
		t.Errorf("%d kinds in the proto, %d judged, %d in the matrix", bodies.Fields().Len(), len(kinds), len(identity.EventKinds))
	}
	func(b *ledger.Book) {
		event := &pb.Event{AuthorKey: (&person{key: keyOf("odo")}).public(), OccurredAt: "2027-02-01T08:00:00Z",
			Body: &pb.Event_PartyRegistered{PartyRegistered: &pb.PartyRegistered{Kind: pb.PartyKind_PARTY_KIND_OPERATOR}}}
		f := newFold(b, &ledger.Entry{RecordedAt: time.Unix(1_900_000_000, 0)}, prepared(event, nil))
		f.kind = "unheard_of"
		if err := f.run(); !refusal.Is(err, "EVENT_KIND_UNKNOWN") {
			t.Errorf("got %v", err)
		}
	}(ledger.NewBook())
}

// Only whoever registered the operator enrols its first administrator.
func TestFounding(t *testing.T) {
	h := empty(t)
	h.people["odo"], h.people["thief"] = &person{"lanternfold", "odo", keyOf("odo")}, &person{"lanternfold", "thief", keyOf("thief")}
	mine := &pb.PartyRegistered{PartyId: "quillmoss", DisplayName: "Quillmoss", Kind: pb.PartyKind_PARTY_KIND_MINE}
	h.refused("odo", mine, "KEY_UNKNOWN")
	h.must("odo", &pb.PartyRegistered{PartyId: "lanternfold", DisplayName: "Lanternfold", Kind: pb.PartyKind_PARTY_KIND_OPERATOR})
	enrol := func(who string) *pb.PersonEnrolled {
		return &pb.PersonEnrolled{PersonId: who, PartyId: "lanternfold", DisplayName: who, PublicKey: h.people[who].public(), Roles: []pb.Role{admin}}
	}
	h.refused("thief", enrol("thief"), "KEY_UNKNOWN")
	h.refused("odo", enrol("thief"), "KEY_UNKNOWN")
	h.must("odo", enrol("odo"))
	h.refused("thief", enrol("thief"), "KEY_UNKNOWN")
}

const biasSettings = `{"sigma": "0.3", "confidence": "0.95", "shift": "0.3", "decision": "5", "lambda": "0.2", "width": "3", "borne": "0.5", "rounding": {"places": 3, "mode": "half_even"}}`
