package book

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"barward/internal/assay"
	"barward/internal/ledger"
	"barward/internal/quantity"
	pb "barward/proto/barward/v1"
)

// meltedLot is a lot of one bar of 20 kg that melted to 19995 g.
func (h *house) meltedLot(name, agreement string) *route {
	h.Helper()
	r := h.poured(name, agreement, "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	return r
}

func panel(laboratories ...string) func(map[string]any) {
	return func(m map[string]any) {
		for _, metal := range m["metals"].([]any) {
			metal.(map[string]any)["exchange"].(map[string]any)["panel"] = laboratories
		}
	}
}

func version(n int) func(map[string]any) {
	return func(m map[string]any) { m["version"] = n }
}

// A side that lets its day pass loses by the agreement's rule, once the other has reported and declares it.
func TestSilenceDeclared(t *testing.T) {
	for rule, want := range map[string]string{"other_conclusive": "812.90 ppt", "umpire_decides": ""} {
		h := staffed(t)
		r := h.meltedLot("S1", h.agree("A1", func(m map[string]any) {
			for _, metal := range m["metals"].([]any) {
				metal.(map[string]any)["exchange"].(map[string]any)["no_report_rule"] = rule
			}
		}))
		silence := &pb.SilenceDeclared{Lot: r.lotName()}
		h.refused("lucan", silence, "OTHER_NOT_REPORTED") // neither has reported
		commit, reveal := r.sealed(assay.Seller, 1, "812.90 ppt", "147.60 ppt")
		h.quiet("perpetua", commit)
		h.refused("lucan", silence, "DAY_NOT_PAST")
		h.refused("fennimore", silence, "HAS_REPORTED") // the seller has
		h.refused("perpetua", silence, "ROLE_DOES_NOT_ALLOW")
		h.refused("rook", silence, "NAME_UNKNOWN") // the manager of a refinery that has no part in it
		opened := when(t, h.lot(r.lotName()).Steps[0].OccurredAt)
		h.clock(opened.AddDate(0, 0, 21).UTC().Format("2006-01-02") + "T23:00:00Z") // report_days 21: its last day is in time
		h.refused("lucan", silence, "DAY_NOT_PAST")
		h.clock(opened.AddDate(0, 0, 22).UTC().Format("2006-01-02") + "T01:00:00Z")
		h.quiet("lucan", silence)
		late, _ := r.sealed(assay.Refiner, 1, "812.20 ppt", "147.60 ppt")
		h.refused("ansel", late, "EXCHANGE_CLOSED")
		if rule == "other_conclusive" {
			h.quiet("perpetua", reveal)
		}
		l := h.lot(r.lotName())
		if got := l.Assays[0]; got.Settled != want {
			t.Errorf("%s: gold is settled at %q, want %q: %s", rule, got.Settled, want, got.Words)
		}
		if step := l.Steps[2]; step.Action != "not_reported" || step.Side != "refiner" {
			t.Errorf("%s: the step is %s of %s", rule, step.Action, step.Side)
		}
		if rule == "umpire_decides" {
			h.quiet("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au", "Ag"}, Laboratory: "umbercount", PacketSeal: "U-1"})
			h.quiet("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("812.50 ppt", ""), PacketSeal: "U-1", Fee: "640.00 USD"})
			h.quiet("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("", "147.00 ppt"), PacketSeal: "U-1"})
			l = h.lot(r.lotName())
			if l.Assays[0].Settled != "812.50 ppt" || l.Costs[0].SellerSharePercent != "0" {
				t.Errorf("the umpire alone settles at the cost of the silent refiner: %s, seller bears %s %%", l.Assays[0].Settled, l.Costs[0].SellerSharePercent)
			}
		}
		if got := l.State; got != pb.LotState_LOT_STATE_ASSAYS_SETTLED {
			t.Errorf("%s: the lot is %v", rule, got)
		}
	}
}

// Gold is settled in its round while silver goes on to a re-assay and to the umpire.
func TestGoldIsSettledWhileSilverWaits(t *testing.T) {
	h := staffed(t)
	r := h.meltedLot("W1", h.agree("A1", func(m map[string]any) {
		for _, metal := range m["metals"].([]any) {
			metal.(map[string]any)["exchange"].(map[string]any)["rounds"] = 2
		}
	}))
	h.raises("ansel", func() *pb.ResultRevealed {
		sc, sr := r.sealed(assay.Seller, 1, "812.40 ppt", "150.00 ppt")
		rc, rr := r.sealed(assay.Refiner, 1, "812.60 ppt", "147.00 ppt")
		h.quiet("perpetua", sc)
		h.quiet("ansel", rc)
		h.quiet("perpetua", sr)
		return rr
	}(), assaySplit)
	l := h.lot(r.lotName())
	if l.Assays[0].Settled != "812.50 ppt" || l.Assays[1].State != "awaiting_commitments" || l.State != pb.LotState_LOT_STATE_IN_EXCHANGE {
		t.Errorf("gold %s, silver %s, lot %v", l.Assays[0].Settled, l.Assays[1].State, l.State)
	}
	r.exchanged(2, [2]string{"", "149.80 ppt"}, [2]string{"", "147.20 ppt"})
	h.quiet("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Ag"}, Laboratory: "umbercount", PacketSeal: "U-1"})
	h.quiet("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("", "148.00 ppt"), PacketSeal: "U-1"})
	l = h.lot(r.lotName())
	// By hand: the middle of 149.80, 147.20 and 148.00.
	if l.Assays[0].Settled != "812.50 ppt" || l.Assays[1].Settled != "148.00 ppt" || l.State != pb.LotState_LOT_STATE_ASSAYS_SETTLED {
		t.Errorf("gold %s, silver %s, lot %v", l.Assays[0].Settled, l.Assays[1].Settled, l.State)
	}
}

// Umpires are drawn in turn over all lots and over the versions of an agreement; a laboratory that holds the packet of a
// lot takes another element of it without a turn.
func TestUmpiresRotateOverLotsAndVersions(t *testing.T) {
	h := staffed(t)
	h.must("odo", &pb.PartyRegistered{PartyId: "cinderlow", DisplayName: "Cinderlow (invented)", Kind: pb.PartyKind_PARTY_KIND_LABORATORY})
	first := h.agree("A1", panel("umbercount", "cinderlow"))
	beyond := func(r *route) *route {
		r.exchanged(1, [2]string{"812.90 ppt", "150.00 ppt"}, [2]string{"812.20 ppt", "147.00 ppt"})
		return r
	}
	one, two, three := beyond(h.meltedLot("L1", first)), beyond(h.meltedLot("L2", first)), h.poured("L3", first, "20000.00 g")
	three.arrived("20000.00 g") // advised under the first version
	appoint := func(r *route, laboratory string, elements ...string) *pb.UmpireAppointed {
		return &pb.UmpireAppointed{Lot: r.lotName(), Elements: elements, Laboratory: laboratory, PacketSeal: "U-" + r.name}
	}
	h.refused("lucan", appoint(one, "cinderlow", "Au", "Ag"), "UMPIRE_OUT_OF_TURN")
	h.quiet("lucan", appoint(one, "umbercount", "Au", "Ag"))
	h.refused("lucan", appoint(two, "umbercount", "Au", "Ag"), "UMPIRE_OUT_OF_TURN")
	h.quiet("lucan", appoint(two, "cinderlow", "Au", "Ag"))

	second := h.agree("A2", panel("umbercount", "cinderlow"), version(2))
	three.melted("20000.00 g", "19995.00 g")
	beyond(three)
	h.refused("lucan", appoint(three, "cinderlow", "Au", "Ag"), "UMPIRE_OUT_OF_TURN") // two were drawn: it is umbercount's turn
	h.quiet("lucan", appoint(three, "umbercount", "Au", "Ag"))
	four := beyond(h.meltedLot("L4", second))
	h.refused("lucan", appoint(four, "umbercount", "Au", "Ag"), "UMPIRE_OUT_OF_TURN") // the turn went on with the old version's lot
	h.quiet("lucan", appoint(four, "cinderlow", "Au", "Ag"))
	for _, name := range []string{first, second} {
		if got := load(h, agreements, name).UmpiresCalled; got != 4 {
			t.Errorf("%s: %d umpires called, want 4", name, got)
		}
	}
}

// The next version replaces the one before when both have signed it. Metal is settled under the version it was advised
// under, and new metal is advised under the new one.
func TestAgreementIsAmended(t *testing.T) {
	h := staffed(t)
	first := h.agree("A1")
	underway := h.poured("V1", first, "20000.00 g")
	underway.arrived("20000.00 g")
	dearer := func(m map[string]any) { // 0.55 becomes 0.75 an ounce
		m["charges"].([]any)[0].(map[string]any)["rate"] = "0.75"
	}
	h.refused("lucan", &pb.AgreementSigned{AgreementId: "A2", TermsJson: terms(t, dearer)}, "VERSION_NOT_NEXT")
	h.refused("lucan", &pb.AgreementSigned{AgreementId: "A2", TermsJson: terms(t, dearer, version(3))}, "VERSION_NOT_NEXT")
	signed := h.must("lucan", &pb.AgreementSigned{AgreementId: "A2", TermsJson: terms(t, dearer, version(2))})
	rival := h.must("lucan", &pb.AgreementSigned{AgreementId: "A3", TermsJson: terms(t, version(2))})
	if a := load(h, agreements, first); a.SupersededBy != "" || !a.InForce {
		t.Errorf("signed by one party only, a version replaced the one before: %v", a)
	}
	h.must("fennimore", h.countersign(signed))
	h.refused("fennimore", h.countersign(rival), "VERSION_NOT_NEXT") // it was overtaken
	before, after := load(h, agreements, first), load(h, agreements, "quillmoss/A2")
	if before.SupersededBy != after.Name || after.Supersedes != before.Name || after.Version != 2 || !after.InForce || !before.InForce {
		t.Errorf("before %v, after %v", before, after)
	}

	old := h.poured("V2", first, "20000.00 g")
	old.packed()
	h.refused("ibbet", old.advice(), "AGREEMENT_SUPERSEDED")
	old.agreement = after.Name
	h.quiet("ibbet", old.advice())

	switched := underway.opening()
	switched.Agreement = after.Name
	h.refused("dilly", switched, "BAR_UNDER_OTHER_AGREEMENT") // nobody moves the terms of metal on its way
	underway.melted("20000.00 g", "19995.00 g")
	h.clock("2027-03-01T10:00:00Z")
	underway.exchanged(1, [2]string{"812.40 ppt", "148.00 ppt"}, [2]string{"812.60 ppt", "148.00 ppt"})
	underway.issue("lucan", "ST1", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-02")
	// By hand: 19995 / 31.1034768 = 642.8542 oz → 642.854 × 0.55 = 353.5697, at the old rate.
	if got := line(t, load(h, statements, "quillmoss/ST1"), "charge/treatment"); got != "642.854 oz | 0.55 USD/oz | -353.57 USD" {
		t.Errorf("the lot's charge is %s", got)
	}
}

// A cost is recorded only where the agreement passes it on; it is then the seller's share on the next statement.
func TestCostsArePassedOn(t *testing.T) {
	h := staffed(t)
	r := h.meltedLot("K1", h.agree("A1", func(m map[string]any) {
		m["charges"] = append(m["charges"].([]any), map[string]any{"code": "freight", "per": "passed_on", "cost": "freight"})
	}))
	freight := func(change func(*pb.CostRecorded)) *pb.CostRecorded {
		e := &pb.CostRecorded{Lot: r.lotName(), Kind: "freight", Amount: "2400.10 USD", SellerSharePercent: "37.5", Reference: "invented waybill 9"}
		change(e)
		return e
	}
	h.refused("lucan", freight(func(e *pb.CostRecorded) { e.Kind = "insurance" }), "COST_NOT_AGREED")
	h.refused("lucan", freight(func(e *pb.CostRecorded) { e.Kind = "umpire" }), "COST_UNKNOWN")
	h.refused("lucan", freight(func(e *pb.CostRecorded) { e.Amount = "2400.10 EUR" }), "AMOUNT_NOT_FIT")
	h.refused("lucan", freight(func(e *pb.CostRecorded) { e.SellerSharePercent = "100.01" }), "COST_SHARE")
	seq := h.quiet("lucan", freight(func(*pb.CostRecorded) {}))
	h.quiet("fennimore", freight(func(e *pb.CostRecorded) { e.Amount, e.SellerSharePercent = "10.00 USD", "100" }))
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.40 ppt", "148.00 ppt"}, [2]string{"812.60 ppt", "148.00 ppt"})
	r.issue("lucan", "ST1", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-02")
	st := load(h, statements, "quillmoss/ST1")
	// By hand: 2400.10 × 0.375 + 10.00 = 910.0375 → 910.04.
	if got := line(t, st, "charge/freight"); got != "-910.04 USD" {
		t.Errorf("freight passed on is %s", got)
	}
	for _, l := range st.Lines {
		if l.Code == "charge/freight" && !slices.Contains(l.Refs, ref(seq)) {
			t.Errorf("the line rests on %v, and not on entry %d", l.Refs, seq)
		}
	}
}

// The advice takes the difference, the limit, the weight, the payable share and the last price from the record.
func TestAdviseUmpireFromTheRecord(t *testing.T) {
	h := staffed(t)
	r := h.meltedLot("D1", h.agree("A1"))
	labs := []byte(`{"seller_lab": {"sigma": "1.10", "bias": "0"}, "refiner_lab": {"sigma": "0.90", "bias": "0.40"}, "umpire_lab": {"sigma": "0.60", "bias": "0"}, "fee": "640.00 USD"}`)
	ask := func(who, element string, figures []byte) (answer *pb.AdviseUmpireResponse, err error) {
		c := h.caller(who)
		h.view(func(b *ledger.Book) { answer, err = AdviseUmpire(b, c, r.lotName(), element, figures) })
		return answer, err
	}
	if _, err := ask("lucan", "Ag", labs); err == nil || !strings.Contains(err.Error(), "not both open") {
		t.Errorf("advice on sealed results: %v", err)
	}
	r.exchanged(1, [2]string{"812.40 ppt", "150.00 ppt"}, [2]string{"812.60 ppt", "147.00 ppt"})
	h.must("lucan", &pb.PricesPublished{Series: "silver (invented)", Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-02-20", Price: "30.125"}}})
	answer, err := ask("lucan", "Ag", labs)
	if err != nil {
		t.Fatal(err)
	}
	var got advised
	if err := json.Unmarshal([]byte(answer.DocumentJson), &got); err != nil {
		t.Fatal(err)
	}
	in := got.Input
	// Of record: the results, 19995 g after melt, 98 % payable, the price of the latest day that is published.
	if in.Side != assay.Seller || in.Seller.String() != "150.00 ppt" || in.Refiner.String() != "147.00 ppt" || in.Mass.String() != "19995.00 g" ||
		in.Payable.String() != "98.00" || in.Price.String() != "29.455 USD" || in.Fee.String() != "640.00 USD" || in.Base != assay.Gold {
		t.Errorf("taken from the record: %+v", in)
	}
	if !strings.HasPrefix(answer.Words, "Going on to the umpire is") || got.Advice.Limit != 2 || got.Advice.Difference != 3 {
		t.Errorf("%s\nlimit %v, difference %v", answer.Words, got.Advice.Limit, got.Advice.Difference)
	}
	other, err := ask("fennimore", "Ag", labs)
	if err != nil || !strings.Contains(other.Words, "for the refiner") {
		t.Errorf("the refiner is advised: %v, %v", other.GetWords(), err)
	}
	if _, err := ask("lucan", "Au", labs); err == nil || !strings.Contains(err.Error(), "settled already") {
		t.Errorf("advice on settled gold: %v", err)
	}
	if _, err := ask("umbra", "Ag", labs); err == nil || strings.Contains(err.Error(), "147.00") {
		t.Errorf("a laboratory that may be the umpire asked for the difference: %v", err)
	}
	if _, err := ask("lucan", "Ag", []byte(`{"mass": "1 g"}`)); err == nil || !strings.Contains(err.Error(), "mass") {
		t.Errorf("figures of the record were overruled: %v", err)
	}
}

// The register adds up exactly, by who must answer and by kind, and only over what its reader may see.
func TestRegisterAddsUp(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	var stake []quantity.Decimal
	for i, mass := range []string{"19990.00 g", "19980.00 g"} { // 10 g and 20 g light; limit 0.5 g
		r := h.poured([]string{"G1", "G2"}[i], agreement, "20000.00 g")
		r.assayed("812.30 ppt", "147.60 ppt")
		for _, seq := range r.arrived(mass) {
			stake = append(stake, quantity.MustMoney(h.one(seq, onArrival).Money).Amount())
		}
	}
	// By hand: 10 g × 0.8123 = 8.123 g = 0.26116 oz × 2300.00 = 600.67; twice that for 20 g, each rounded by itself.
	if stake[0].String() != "600.67" || stake[1].String() != "1201.34" {
		t.Errorf("at stake %v", stake)
	}
	sum := func(who, filter string) *pb.SummarizeDiscrepanciesResponse {
		c := h.caller(who)
		var answer *pb.SummarizeDiscrepanciesResponse
		h.view(func(b *ledger.Book) {
			var err error
			if answer, err = Summarize(b, c, filter, h.l.Size()); err != nil {
				t.Fatal(err)
			}
		})
		return answer
	}
	weights := func(s *pb.SummarizeDiscrepanciesResponse) *pb.DiscrepancyTotal {
		for _, l := range s.ByKind {
			if l.Of == "WEIGHT_ON_ARRIVAL" {
				return l
			}
		}
		return &pb.DiscrepancyTotal{}
	}
	if l := weights(sum("lucan", "")); l.Count != 2 || l.Open != 2 || len(l.MoneyOpen) != 1 || l.MoneyOpen[0] != "1802.01 USD" || l.NextClaimBy == "" {
		t.Errorf("by hand: 600.67 + 1201.34 = 1802.01; got %v", l)
	}
	var name string
	h.view(func(b *ledger.Book) {
		_ = discrepancies.each(b, func(d *pb.Discrepancy) error {
			if d.Kind == onArrival && name == "" {
				name = d.Name
			}
			return nil
		})
	})
	// Who holds the claim concedes nothing in the name of who must answer for it.
	for _, d := range []pb.Decision{pb.Decision_DECISION_SHARED, pb.Decision_DECISION_MADE_GOOD} {
		h.refused("fennimore", &pb.DiscrepancyDecided{Discrepancy: name, Decision: d, Reason: "invented"}, "DECISION_NOT_YOURS")
	}
	h.refused("fennimore", &pb.DiscrepancyDecided{Discrepancy: name, Decision: pb.Decision_DECISION_WAIVED, Reason: "invented",
		Conceded: "300.33 USD"}, "DECISION_NOT_YOURS")
	offer := h.must("lucan", &pb.DiscrepancyDecided{Discrepancy: name, Decision: pb.Decision_DECISION_SHARED, Reason: "shared (invented)", Conceded: "300.33 USD"})
	if l := weights(sum("fennimore", "")); l.Open != 2 || len(l.Conceded) != 0 {
		t.Errorf("who must answer has offered to share, and nobody has agreed: %v", l)
	}
	h.must("fennimore", h.countersign(offer))
	if l := weights(sum("fennimore", "")); l.Open != 1 || l.MoneyOpen[0] != "1201.34 USD" || len(l.Conceded) != 1 || l.Conceded[0] != "300.33 USD" {
		t.Errorf("after a decision: %v", l)
	}
	if l := weights(sum("lucan", `state = "DECIDED"`)); l.Count != 1 || l.Open != 0 || len(l.MoneyOpen) != 0 {
		t.Errorf("of the decided ones: %v", l)
	}
	for _, l := range sum("hob", "").ByKind { // a carrier knows what it carries, not what it is worth
		if len(l.MoneyOpen)+len(l.Conceded) > 0 {
			t.Errorf("a carrier reads money: %v", l)
		}
	}
	if s := sum("gale", ""); len(s.ByKind)+len(s.ByAnswerable) > 0 {
		t.Errorf("another mine reads the register: %v", s)
	}
	lines := sum("lucan", "").ByKind
	if !slices.IsSortedFunc(lines, func(x, y *pb.DiscrepancyTotal) int {
		return largest(y.MoneyOpen).Cmp(largest(x.MoneyOpen))
	}) {
		t.Errorf("the most money does not come first: %v", lines)
	}
}

func largest(amounts []string) (most quantity.Decimal) {
	for _, a := range amounts {
		most = quantity.Max(most, quantity.MustMoney(a).Amount())
	}
	return most
}

// A decision after a window in which silence accepts the figure stands, and is marked.
func TestLateDecisionsAreMarked(t *testing.T) {
	h := staffed(t)
	r := h.poured("T1", h.agree("A1"), "20000.00 g", "20000.00 g")
	receipts := r.arrived("19990.00 g", "19980.00 g")
	first, second := h.one(receipts[0], onArrival), h.one(receipts[1], onArrival)
	if first.ClaimSilence != "accepted" || first.ClaimBy == "" {
		t.Fatalf("the window is %s %q", first.ClaimBy, first.ClaimSilence)
	}
	decided := func(d *pb.Discrepancy) *pb.DiscrepancyDecided {
		return &pb.DiscrepancyDecided{Discrepancy: d.Name, Decision: pb.Decision_DECISION_REFERRED, Reason: "goes on (invented)"}
	}
	h.clock(first.ClaimBy + "T12:00:00-05:00") // the last day is in the window
	h.must("lucan", decided(first))
	h.clock(when(t, second.ClaimBy+"T12:00:00-05:00").AddDate(0, 0, 1).Format("2006-01-02T15:04:05Z07:00"))
	h.must("lucan", decided(second))
	if d := load(h, discrepancies, first.Name); d.State != pb.DiscrepancyState_DISCREPANCY_STATE_OPEN {
		t.Errorf("referred, and %s", d.State) // it goes on, and comes back to be decided
	}
	if load(h, discrepancies, first.Name).DecidedLate || !load(h, discrepancies, second.Name).DecidedLate {
		t.Error("the last day of the window is in time, the day after is late")
	}
	h.must("fennimore", &pb.DiscrepancyDecided{Discrepancy: first.Name, Decision: pb.Decision_DECISION_WAIVED, Reason: "invented"})
	if d := load(h, discrepancies, first.Name); d.State != pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED {
		t.Errorf("waived by the other side, and %s", d.State)
	}
}

// What a return may differ by is a term of the agreement, and a difference equal to it is within it.
func TestReturnTolerancesAreTerms(t *testing.T) {
	for tolerance, want := range map[string][]pb.DiscrepancyKind{"0.50": nil, "0.49": {returnOff}} {
		h := staffed(t)
		r := h.meltedLot("R1", h.agree("A1", func(m map[string]any) {
			m["return_tolerances"] = map[string]any{"mass": "0 g", "fineness": "0 ppt", "rate": "0", "money": tolerance}
		}))
		h.clock("2027-03-01T10:00:00Z")
		r.exchanged(1, [2]string{"812.40 ppt", "148.00 ppt"}, [2]string{"812.60 ppt", "148.00 ppt"})
		r.issue("lucan", "ST1", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-02")
		h.raises("lucan", &pb.ReturnReceived{ReturnId: "RT1", Lot: r.lotName(), Document: returnOf(t, load(h, statements, "quillmoss/ST1"), -50)}, want...)
	}
}

// A provisional statement rests on what the advance names: here the melt, at what the seller revealed of it.
func TestProvisionalStatementOnTheMelt(t *testing.T) {
	h := staffed(t)
	r := h.meltedLot("P1", h.agree("A1"))
	h.clock("2027-03-01T10:00:00Z")
	sc, sr := r.sealed(assay.Seller, 1, "812.40 ppt", "148.00 ppt")
	rc, rr := r.sealed(assay.Refiner, 1, "813.60 ppt", "148.00 ppt") // gold is beyond its limit: nothing is settled of it
	h.quiet("perpetua", sc)
	h.quiet("ansel", rc)
	h.quiet("perpetua", sr)
	h.must("ansel", rr)
	c := h.caller("lucan")
	h.view(func(b *ledger.Book) {
		// The price of the exchange has no day yet.
		if _, err := Preview(b, c, r.lotName(), pb.StatementKind_STATEMENT_KIND_PROVISIONAL, "2027-03-02", h.l.Size()); err == nil || !strings.Contains(err.Error(), "exchange") {
			t.Errorf("priced without a day: %v", err)
		}
	})
	h.quiet("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "U-1"})
	h.quiet("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("813.00 ppt", ""), PacketSeal: "U-1"})
	r.issue("lucan", "ST1", pb.StatementKind_STATEMENT_KIND_PROVISIONAL, "2027-03-02")
	st := load(h, statements, "quillmoss/ST1")
	// By hand: 19995 × 0.8124 / 31.1034768 = 522.2547… → 522.255 oz, at the seller's 812.40 and not the umpire's 813.00.
	if got := line(t, st, "fine/Au/"+r.lotName()); got != "522.255 oz | 812.40 ppt" {
		t.Errorf("gold is %s", got)
	}
}
