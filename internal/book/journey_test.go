package book

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

const (
	onHandoff    = pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_HANDOFF
	onArrival    = pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL
	totalDiffers = pb.DiscrepancyKind_DISCREPANCY_KIND_CONSIGNMENT_TOTAL
	meltLoss     = pb.DiscrepancyKind_DISCREPANCY_KIND_MELT_LOSS
	inDoubt      = pb.DiscrepancyKind_DISCREPANCY_KIND_BALANCE_IN_DOUBT
	disagree     = pb.DiscrepancyKind_DISCREPANCY_KIND_READINGS_DISAGREE
	assaySplit   = pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SPLIT
	assaySum     = pb.DiscrepancyKind_DISCREPANCY_KIND_ASSAY_SUM
	duplicates   = pb.DiscrepancyKind_DISCREPANCY_KIND_DUPLICATES_DISAGREE
	sealWrong    = pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL
	barMissing   = pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_MISSING
	barExtra     = pb.DiscrepancyKind_DISCREPANCY_KIND_BAR_EXTRA
	unreadable   = pb.DiscrepancyKind_DISCREPANCY_KIND_MARK_UNREADABLE
	boxCount     = pb.DiscrepancyKind_DISCREPANCY_KIND_BOX_COUNT
	tooLate      = pb.DiscrepancyKind_DISCREPANCY_KIND_ACCEPTED_LATE
	custodyKind  = pb.DiscrepancyKind_DISCREPANCY_KIND_CUSTODY
	unwitnessed  = pb.DiscrepancyKind_DISCREPANCY_KIND_UNWITNESSED_POUR
	returnOff    = pb.DiscrepancyKind_DISCREPANCY_KIND_RETURN_DIFFERS
	incident     = pb.DiscrepancyKind_DISCREPANCY_KIND_INCIDENT
	mismatch     = pb.DiscrepancyKind_DISCREPANCY_KIND_REVEAL_MISMATCH
	keyInDoubt   = pb.DiscrepancyKind_DISCREPANCY_KIND_KEY_IN_DOUBT
	condition    = pb.DiscrepancyKind_DISCREPANCY_KIND_CONDITION

	opened = pb.DiscrepancyState_DISCREPANCY_STATE_OPEN
	lapsed = pb.DiscrepancyState_DISCREPANCY_STATE_LAPSED
	ended  = pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED
)

// The computed settlement of reference 04 section 5, from the pour to the payment, through events alone.
func TestWholeRouteToTheLastDigit(t *testing.T) {
	const source = "reference 04 section 5"
	h := staffed(t)
	agreement := h.agree("A1")
	r := h.poured("C1", agreement, "18452.30 g", "19107.80 g")
	r.assayed("812.30 ppt", "147.60 ppt")
	r.advised()
	r.carried()
	h.quiet("dilly", passed("thistlequay/TB1"))
	h.quiet("dilly", passed("thistlequay/TM1"))
	h.quiet("dilly", r.receipt(0, twice("18452.30 g")...))
	h.quiet("dilly", r.receipt(1, twice("19107.80 g")...))
	if got := load(h, consignments, r.consignment()); got.ReceivedTotal != "37560.10 g" || got.AdvisedTotal != "37560.10 g" {
		t.Errorf("%s: received %s of %s advised, want 37560.10 g of both", source, got.ReceivedTotal, got.AdvisedTotal)
	}
	h.quiet("dilly", r.opening())
	h.quiet("dilly", r.melt("37560.10 g", "37548.60 g"))
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.58 ppt", "148.90 ppt"})
	lot := h.lot(r.lotName())
	if lot.State != pb.LotState_LOT_STATE_ASSAYS_SETTLED || lot.Received != "37560.10 g" {
		t.Errorf("the lot is %v with %s received", lot.State, lot.Received)
	}
	for i, want := range []string{"812.44 ppt", "148.25 ppt"} {
		if got := lot.Assays[i].Settled; got != want {
			t.Errorf("%s: %s settles at %s, want %s", source, lot.Assays[i].Element, got, want)
		}
	}
	h.quiet("fennimore", &pb.AdvancePaid{Lot: r.lotName(), Amount: "2077165.99 USD", PaidOn: "2027-03-01"})
	h.clock("2027-03-13T10:00:00Z")
	seq := r.issue("lucan", "ST1", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	if raised := h.raisedBy(seq); len(raised) > 0 {
		t.Errorf("the statement raised %v", raised)
	}
	st := load(h, statements, "quillmoss/ST1")
	for code, want := range map[string]string{
		"fine_total/Au":    "980.790 oz",
		"fine_total/Ag":    "178.970 oz",
		"payable_total/Au": "979.809 oz",
		"payable_total/Ag": "175.390 oz",
		"value/Au":         "979.809 oz | 2350.25 USD/oz | 2302796.10 USD",
		"value/Ag":         "175.390 oz | 29.4550 USD/oz | 5166.11 USD", // the terms round this price to 4 places
		"metal_value":      "2307962.21 USD",
		"charge/treatment": "1207.216 oz | 0.55 USD/oz | -663.97 USD",
		"net_value":        "2307298.24 USD",
		"advance/1":        "-2077165.99 USD",
		"interest/1":       "12 days | 5.50 percent a year | -3808.14 USD",
		"net":              "226324.11 USD",
	} {
		if got := line(t, st, code); got != want {
			t.Errorf("%s: %s is %s, want %s", source, code, got, want)
		}
	}
	if st.Net != "226324.11 USD" {
		t.Errorf("%s: net %s, want 226324.11 USD", source, st.Net)
	}
	h.quiet("fennimore", h.countersign(seq))
	h.quiet("lucan", &pb.ReturnReceived{ReturnId: "RT1", Lot: r.lotName(), Document: returnOf(t, st, 0)})
	h.quiet("fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST1", Amount: "226324.10 USD", PaidOn: "2027-03-13"})
	if got := h.lot(r.lotName()).State; got != pb.LotState_LOT_STATE_STATED {
		t.Errorf("one cent is still due, and the lot is %v", got)
	}
	h.quiet("fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST1", Amount: "0.01 USD", PaidOn: "2027-03-13"})
	if got := h.lot(r.lotName()).State; got != pb.LotState_LOT_STATE_PAID {
		t.Errorf("all is paid, and the lot is %v", got)
	}
	var trace *pb.TraceBarResponse
	c := h.caller("lucan")
	h.view(func(b *ledger.Book) { trace, _ = Trace(b, c, r.mark(0)) })
	var actions []string
	for _, s := range trace.GetSteps() {
		actions = append(actions, s.Action)
	}
	want := "poured sampled assayed packed advised released accepted released accepted received lot melted"
	if got := strings.Join(actions, " "); got != want {
		t.Errorf("the route of the bar is\n%s, want\n%s", got, want)
	}
	if len(trace.GetDiscrepancies()) > 0 {
		t.Errorf("a route without fault has %v", trace.Discrepancies)
	}
}

// returnOf writes a statement's own figures as a refinery's return, with more money net by so many cents.
func returnOf(t testing.TB, st *pb.Statement, cents int64) string {
	t.Helper()
	parsed, err := settlement.ParseStatement([]byte(st.DocumentJson))
	if err != nil {
		t.Fatal(err)
	}
	r := parsed.Return()
	for i, l := range r.Lines {
		if l.Code != settlement.Net {
			continue
		}
		if r.Lines[i].Amount, err = quantity.NewMoney(l.Amount.Amount().Add(quantity.NewDecimal(cents).Shift(-2)), l.Amount.Currency()); err != nil {
			t.Fatal(err)
		}
	}
	return string(r.JSON())
}

// A weight that differs by exactly its limit is within it ("not exceeding", reference 04 section 1; the limits here are
// those of the demonstration: the larger of 0.5 g and 0.02 per mille).
func TestWeightLimits(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1", func(m map[string]any) {
		m["weight_limits"].(map[string]any)["consignment_total"] = map[string]any{"absolute": "0.90 g", "rule": "larger"}
	})
	for _, tt := range []struct {
		name, poured, arrived string
		want                  []pb.DiscrepancyKind
		source                string
	}{
		{"W1", "20000.00 g", "19999.50 g", nil, "by hand: 0.50 g lighter; 0.02 per mille are 0.40 g, so 0.5 g counts"},
		{"W2", "20000.00 g", "20000.50 g", nil, "by hand: 0.50 g heavier"},
		{"W3", "20000.00 g", "19999.49 g", []pb.DiscrepancyKind{onArrival}, "by hand: 0.51 g"},
		{"W4", "30000.00 g", "29999.40 g", nil, "by hand: 0.02 per mille of 30 kg are 0.60 g"},
		{"W5", "30000.00 g", "29999.39 g", []pb.DiscrepancyKind{onArrival}, "by hand: 0.61 g"},
		{"W6", "30000.00 g", "29999.09 g", []pb.DiscrepancyKind{onArrival, totalDiffers}, "by hand: 0.91 g is beyond 0.90 g of the total too"},
	} {
		r := h.poured(tt.name, agreement, tt.poured)
		r.advised()
		r.carried()
		h.must("dilly", passed("thistlequay/TB1"))
		seq := h.raises("dilly", r.receipt(0, twice(tt.arrived)...), tt.want...)
		if t.Failed() {
			t.Fatal(tt.name, tt.source)
		}
		if len(tt.want) > 0 {
			d := h.one(seq, onArrival)
			if d.State != opened || d.Subject != r.mark(0) || d.Answerable != "quillmoss" || len(d.Evidence) != 2 {
				t.Errorf("%s: %v", tt.name, d)
			}
			if got := load(h, bars, r.mark(0)).Discrepancies; len(got) != 1 || got[0] != d.Name {
				t.Errorf("%s: the bar has %v", tt.name, got)
			}
		}
	}
	// The total has a limit of its own: two bars within theirs, 0.45 g each, make 0.90 g, and 0.46 g make 0.91 g.
	for name, tt := range map[string]struct {
		second string
		want   []pb.DiscrepancyKind
	}{"T1": {"19999.55 g", nil}, "T2": {"19999.54 g", []pb.DiscrepancyKind{totalDiffers}}} {
		r := h.poured(name, agreement, "20000.00 g", "20000.00 g")
		r.advised()
		r.carried()
		h.quiet("dilly", r.receipt(0, twice("19999.55 g")...))
		h.raises("dilly", r.receipt(1, twice(tt.second)...), tt.want...)
	}
	// Gross weights at a hand-off.
	r := h.poured("G1", agreement, "20000.00 g")
	h.must("ibbet", &pb.BoxPacked{BoxId: "G1-B0", Bars: []string{r.mark(0)}, Seals: []string{r.seal(0)}, Gross: "21000.00 g"})
	h.must("ibbet", r.advice())
	gross := func(s string) *pb.Released {
		e := r.release("pebblewing")
		e.Boxes[0].Gross = s
		return e
	}
	h.quiet("ibbet", gross("21000.50 g"))
	accept := r.accept("quillmoss")
	accept.Boxes[0].Gross = "20999.99 g"
	d := h.one(h.raises("hob", accept, onHandoff), onHandoff)
	if d.Observed != "-0.51 g" || d.Limit != "0.5 g" || d.Answerable != "quillmoss" {
		t.Errorf("by hand: 20999.99 − 21000.50 = -0.51 g beyond 0.5 g; got %s beyond %s, to be answered by %s", d.Observed, d.Limit, d.Answerable)
	}
}

// From 3 900 m to the sea half a gram of a 20 kg bar may be buoyancy: the discrepancy says how much it explains.
func TestBuoyancyIsExplained(t *testing.T) {
	h := staffed(t)
	r := h.poured("BU", h.agree("A1"), "20000.00 g")
	r.assayed("812.30 ppt", "147.60 ppt")
	r.advised()
	r.carried()
	h.must("dilly", passed("thistlequay/TB1"))
	d := h.one(h.raises("dilly", r.receipt(0, twice("20000.52 g")...), onArrival), onArrival)
	// by hand, by the formula of job.md: 20000 g × (0.824 − 1.225) kg/m³ × (1/17000 − 1/8000) is about +0.53 g, so about
	// all of 0.52 g is explained; the density of 812 gold, 148 silver and 40 copper is near 16 600 kg/m³ by ideal mixing.
	if !strings.HasPrefix(d.Explained, "0.5") || !strings.HasPrefix(strings.TrimPrefix(d.Remaining, "-"), "0.0") || d.Uncertainty == "" {
		t.Errorf("explained %s, remaining %s, uncertainty %s", d.Explained, d.Remaining, d.Uncertainty)
	}
	// by hand: 0.52 g × 0.8123 / 31.1034768 = 0.01358 oz, at 2300.00 USD/oz = 31.23 USD
	if d.FineOunces != "0.014 oz Au" || d.Money != "31.23 USD" {
		t.Errorf("at stake %s and %s, want 0.014 oz Au and 31.23 USD", d.FineOunces, d.Money)
	}
	if d.ClaimBy != "2027-02-11" {
		t.Errorf("by hand: ten days after 2027-02-01 are 2027-02-11; got %s", d.ClaimBy)
	}
}

func TestReadingsAndBalanceChecks(t *testing.T) {
	h := staffed(t)
	pour := func(id string, readings ...string) *pb.PourRecorded {
		return &pb.PourRecorded{PourId: id, Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: id, Readings: readings}}}
	}
	// The repeatability registered is 0.03 g.
	h.quiet("ibbet", pour("R1", "20000.00 g", "20000.03 g"))
	d := h.one(h.raises("ibbet", pour("R2", "20000.00 g", "20000.04 g"), disagree), disagree)
	if got := h.bar("quillmoss/R2").Discrepancies; len(got) != 1 || got[0] != d.Name {
		t.Errorf("readings of a pour that disagree do not hang on the bar: %v", got)
	}
	// The check was good for seven days from its instant, that instant included.
	checked := when(t, load(h, balances, "quillmoss/QB1").Checks[0].CheckedAt)
	at := func(body proto.Message, s string) *pb.Event {
		e := wrap(t, body)
		e.OccurredAt = s
		return e
	}
	h.now = checked.AddDate(0, 0, 8)
	h.quiet("ibbet", at(pour("R3", twice("1000.00 g")...), checked.AddDate(0, 0, 7).Format("2006-01-02T15:04:05Z07:00")))
	h.raises("ibbet", at(pour("R4", twice("1000.00 g")...), checked.AddDate(0, 0, 7).Add(1e9).Format("2006-01-02T15:04:05Z07:00")), inDoubt)
	// One balance in doubt is one discrepancy, however many bars it weighed.
	many := pour("R5", twice("1000.00 g")...)
	many.Bars = append(many.Bars, &pb.PouredBar{Mark: "R5b", Readings: twice("1000.00 g")})
	h.raises("ibbet", many, inDoubt)
	failed := passed("quillmoss/QB1")
	failed.Points[0].Observed = "20001.00 g"
	d = h.one(h.raises("ibbet", failed, inDoubt), inDoubt) // the three weighings since the last good check, and no more
	if len(d.Evidence) != 4 {
		t.Errorf("the check failed, and in doubt are %v", d.Evidence)
	}
	h.raises("ibbet", pour("R6", twice("1000.00 g")...), inDoubt)
	h.quiet("ibbet", passed("quillmoss/QB1"))
	h.quiet("ibbet", pour("R7", twice("1000.00 g")...))
	if got := h.bar("quillmoss/R6").Weights[0].Doubt; got == "" {
		t.Error("a weight taken on a balance that failed its check is not marked")
	}
	// A balance that was never checked.
	h.must("auberon", &pb.BalanceRegistered{BalanceId: "TB9", Site: "thistlequay/works", AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7})
	r := h.poured("R8", h.agree("A1"), "1000.00 g")
	r.advised()
	r.carried()
	receipt := r.receipt(0, twice("1000.00 g")...)
	receipt.Balance = "thistlequay/TB9"
	h.raises("dilly", receipt, inDoubt)
}

func TestMeltLossRange(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	for _, tt := range []struct {
		name, before, after string
		want                []pb.DiscrepancyKind
		source              string
	}{
		{"M1", "20000.00 g", "19980.00 g", nil, "by hand: 20.00 g are 0.10 % of 20 kg, the most allowed"},
		{"M2", "20000.00 g", "19979.99 g", []pb.DiscrepancyKind{meltLoss}, "by hand: 20.01 g are more"},
		{"M3", "20000.00 g", "20000.00 g", nil, "by hand: no loss is the least allowed"},
		{"M4", "20000.00 g", "20000.01 g", []pb.DiscrepancyKind{meltLoss}, "by hand: a gain"},
		{"M5", "19985.00 g", "19979.99 g", []pb.DiscrepancyKind{meltLoss}, "by hand: 5.01 g of the weight before, but 20.01 g of what was received"},
	} {
		r := h.poured(tt.name, agreement, "20000.00 g")
		r.arrived("20000.00 g")
		h.quiet("dilly", r.opening())
		h.raises("dilly", r.melt(tt.before, tt.after), tt.want...)
		if t.Failed() {
			t.Fatal(tt.name, tt.source)
		}
	}
}

func TestSplittingLimitAndUmpire(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	lot := func(name string) *route {
		r := h.poured(name, agreement, "20000.00 g")
		r.arrived("20000.00 g")
		r.melted("20000.00 g", "19995.00 g")
		return r
	}
	// reference 04 section 1: a difference equal to the limit passes (0.50 gold, 2.00 silver), and the mean is final.
	r := lot("X1")
	seq := r.exchanged(1, [2]string{"812.90 ppt", "147.60 ppt"}, [2]string{"812.40 ppt", "149.60 ppt"})
	if raised := h.raisedBy(seq); len(raised) > 0 {
		t.Errorf("equal to the limit raised %v", raised)
	}
	if got := h.lot(r.lotName()).Assays; got[0].Settled != "812.65 ppt" || got[1].Settled != "148.60 ppt" {
		t.Errorf("by hand: the means are 812.65 and 148.60; got %s and %s", got[0].Settled, got[1].Settled)
	}
	// reference 04 section 2, the computed example: S 812.90, B 812.20, limit 0.50.
	for name, tt := range map[string]struct{ umpire, settled, share string }{
		"X2": {"812.40 ppt", "812.40 ppt", "100"},
		"X3": {"812.55 ppt", "812.55 ppt", "50"},
		"X4": {"813.10 ppt", "812.90 ppt", "0"},
		"X5": {"814.00 ppt", "812.90 ppt", "0"},
	} {
		r := lot(name)
		seq := r.exchanged(1, [2]string{"812.90 ppt", "147.60 ppt"}, [2]string{"812.20 ppt", "147.60 ppt"})
		d := h.one(seq, assaySplit)
		// by hand: 19995 g × 0.70 / 1000 = 13.9965 g = 0.450 oz
		if d.Observed != "0.70 ppt" || d.Limit != "0.50 ppt" || d.FineOunces != "0.450 oz Au" {
			t.Errorf("%s: %s beyond %s, %s at stake", name, d.Observed, d.Limit, d.FineOunces)
		}
		h.quiet("lucan", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "U-" + name})
		h.quiet("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2(tt.umpire, ""), PacketSeal: "U-" + name, Fee: "640.00 USD"})
		l := h.lot(r.lotName())
		if got := l.Assays[0]; got.Settled != tt.settled || got.Umpire != tt.umpire {
			t.Errorf("reference 04 section 2, middle of three: %s settles at %s, want %s", tt.umpire, got.Settled, tt.settled)
		}
		if len(l.Costs) != 1 || l.Costs[0].SellerSharePercent != tt.share && l.Costs[0].SellerSharePercent != tt.share+".0" {
			t.Errorf("%s: reference 04 section 2, the farther pays: costs %v, want %s %%", name, l.Costs, tt.share)
		}
		if got := load(h, discrepancies, d.Name); got.State != ended || got.Decision != pb.Decision_DECISION_UMPIRE || got.DecidedBy != "umbercount/umbra" {
			t.Errorf("%s: the umpire reported and the difference is %v %v by %s", name, got.State, got.Decision, got.DecidedBy)
		}
	}
	// The umpire's packet under another seal.
	r = lot("X6")
	r.exchanged(1, [2]string{"812.90 ppt", "147.60 ppt"}, [2]string{"812.20 ppt", "147.60 ppt"})
	h.quiet("fennimore", &pb.UmpireAppointed{Lot: r.lotName(), Elements: []string{"Au"}, Laboratory: "umbercount", PacketSeal: "U-X6"})
	h.raises("umbra", &pb.UmpireReported{Lot: r.lotName(), Results: results2("812.40 ppt", ""), PacketSeal: "U-66"}, sealWrong)
}

// A re-assay that differs as well is a discrepancy of its own, and ends the first; one that agrees ends it too.
func TestReassay(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A2", func(m map[string]any) {
		for _, metal := range m["metals"].([]any) {
			metal.(map[string]any)["exchange"].(map[string]any)["rounds"] = 3
		}
	})
	r := h.poured("RA", agreement, "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	first := h.one(r.exchanged(1, [2]string{"812.90 ppt", "147.60 ppt"}, [2]string{"812.20 ppt", "147.60 ppt"}), assaySplit)
	second := h.one(r.exchanged(2, [2]string{"812.90 ppt", ""}, [2]string{"812.30 ppt", ""}), assaySplit)
	if got := load(h, discrepancies, first.Name).State; got != lapsed {
		t.Errorf("a re-assay took the place of the first difference, which is %v", got)
	}
	r.exchanged(3, [2]string{"812.50 ppt", ""}, [2]string{"812.40 ppt", ""})
	if got := load(h, discrepancies, second.Name).State; got != lapsed {
		t.Errorf("the re-assay agrees and the difference is %v", got)
	}
	if got := h.lot(r.lotName()).Assays[0].Settled; got != "812.45 ppt" {
		t.Errorf("by hand: the mean of 812.50 and 812.40 is 812.45; got %s", got)
	}
}

const sheet = `{"run": "R-12", "method": "fire assay", "proofs": [
	{"gold": "200.00 mg", "fineness": "1000 ppt", "cornet": "199.95 mg"}, {"gold": "200.00 mg", "fineness": "1000 ppt", "cornet": "199.97 mg"}],
	"portions": [{"sample": "200.00 mg", "cornet": "162.50 mg"}, {"sample": "200.00 mg", "cornet": "CORNET"}],
	"silver": {"method": "chloride", "portions": [{"mass": "500.00 mg", "chloride": "100.00 mg"}, {"mass": "500.00 mg", "chloride": "CHLORIDE"}],
		"factor": "0.75", "limit": "0.3", "rounding": {"places": 2, "mode": "half_up"}},
	"base_metals": [{"element": "Cu", "fineness": "COPPER"}],
	"limits": {"proof": "0.2", "duplicate": "0.5", "sum": "1.0"}, "gold_rounding": {"places": 2, "mode": "half_up"}}`

func TestAssaySumAndDuplicates(t *testing.T) {
	h := staffed(t)
	h.poured("AS", "", "20000.00 g")
	h.must("ibbet", &pb.SampleTaken{SampleId: "AS", Source: "quillmoss/AS", Method: pb.SampleMethod_SAMPLE_METHOD_DRILL})
	report := func(id string, results ...*pb.AssayResult) *pb.AssayReported {
		return &pb.AssayReported{AssayId: id, Sample: "quillmoss/AS", Results: results}
	}
	copper := func(s string) *pb.AssayResult { return &pb.AssayResult{Element: "Cu", Fineness: s} }
	h.quiet("perpetua", report("1", append(results2("812.00 ppt", "188.00 ppt"), copper("10.00 ppt"))...)) // 1010 in all, gold and silver 1000
	h.raises("perpetua", report("2", append(results2("812.00 ppt", "188.00 ppt"), copper("10.01 ppt"))...), assaySum)
	h.raises("perpetua", report("3", results2("812.00 ppt", "188.01 ppt")...), assaySum)
	// By hand: delta is the mean of 0.05 and 0.03 mg, so the portions give 1000 × 162.54/200 = 812.70 and 812.50, mean
	// 812.60. Silver as chloride: 0.75 × 100.00/500 = 150.00 ppt and 0.75 × 100.20/500 = 150.30, apart by the limit of
	// 0.30; 100.21 mg are apart by 0.315. Gold that agrees is reported all the same. With 38.25 of copper all add to 1001.00,
	// the sheet's own tolerance of 1.0; 38.26 is beyond it.
	worksheet := func(id, chloride, copper string) *pb.AssayReported {
		e := report(id)
		e.WorksheetJson = strings.NewReplacer("CORNET", "162.46 mg", "CHLORIDE", chloride, "COPPER", copper).Replace(sheet)
		return e
	}
	h.quiet("perpetua", worksheet("4", "100.20 mg", "38.25 ppt"))
	if got := load(h, samples, "quillmoss/AS").Assays[3].Results; len(got) < 2 || got[0].Fineness != "812.60 ppt" || got[1].Fineness != "150.15 ppt" {
		t.Errorf("by hand: 812.60 and 150.15; got %v", got)
	}
	h.raises("perpetua", worksheet("5", "100.21 mg", "38.25 ppt"), duplicates)
	if got := load(h, samples, "quillmoss/AS").Assays[4].Results; strings.Contains(fmt.Sprint(got), `"Ag"`) {
		t.Errorf("silver that disagrees was reported: %v", got)
	}
	h.raises("perpetua", worksheet("6", "100.20 mg", "38.26 ppt"), assaySum)
	// What was settled, against the tolerance, where the statement is made.
	agreement := h.agree("A1")
	for name, tt := range map[string]struct {
		silver string
		want   int
	}{"S1": {"188.00 ppt", 0}, "S2": {"188.01 ppt", 1}} {
		r := h.poured(name, agreement, "20000.00 g")
		r.arrived("20000.00 g")
		r.melted("20000.00 g", "19995.00 g")
		h.clock("2027-03-01T10:00:00Z")
		r.exchanged(1, [2]string{"812.00 ppt", tt.silver}, [2]string{"812.00 ppt", tt.silver})
		seq := r.issue("lucan", name, pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-05")
		if got := h.raisedBy(seq); len(got) != tt.want {
			t.Errorf("by hand: 812.00 + %s; raised %v, want %d", tt.silver, got, tt.want)
		}
		h.now = when(t, "2027-02-02T08:00:00-05:00")
	}
}

func TestSealsCountsAndCustody(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	ready := func(name string, n int) *route {
		w := make([]string, n)
		for i := range w {
			w[i] = "20000.00 g"
		}
		r := h.poured(name, agreement, w...)
		r.advised()
		return r
	}
	// Another seal than the one on record, and then none further: each change is found once.
	r := ready("K1", 1)
	h.quiet("ibbet", r.release("pebblewing"))
	accept := r.accept("quillmoss")
	accept.Boxes[0].Seals = []string{"OTHER-1"}
	d := h.one(h.raises("hob", accept, sealWrong), sealWrong)
	if d.Limit != r.seal(0) || d.Observed != "OTHER-1" || d.Answerable != "quillmoss" || d.ClaimBy != "2027-02-04" {
		t.Errorf("by hand: three days for seals; got %v", d)
	}
	release := r.release("thistlequay")
	release.Boxes[0].Seals = []string{"OTHER-1"}
	h.quiet("hob", release)
	// The deadline is the last instant in time.
	for name, tt := range map[string]struct {
		at   string
		want []pb.DiscrepancyKind
	}{"K2": {"2027-02-01T18:00:00-05:00", nil}, "K3": {"2027-02-01T18:00:01-05:00", []pb.DiscrepancyKind{tooLate}}} {
		r := ready(name, 1)
		release := r.release("pebblewing")
		release.AcceptBy = "2027-02-01T23:00:00Z"
		h.quiet("ibbet", release)
		if got := load(h, boxes, r.box(0)); got.ReleasedTo != "pebblewing" || got.AcceptBy == "" || got.Holder != "quillmoss" {
			t.Errorf("%s: released, and the box says %v", name, got)
		}
		e := wrap(t, r.accept("quillmoss"))
		e.OccurredAt = tt.at
		was := h.now
		h.now = when(t, "2027-02-01T18:30:00-05:00")
		h.raises("hob", e, tt.want...)
		h.now = was
		if got := load(h, boxes, r.box(0)).Holder; got != "pebblewing" {
			t.Errorf("%s: accepted, and %s holds it", name, got)
		}
		if got := h.bar(r.mark(0)).Holder; got != "pebblewing" {
			t.Errorf("%s: the box is with pebblewing and its bar with %s", name, got)
		}
	}
	// Counts.
	r = ready("K4", 2)
	h.quiet("ibbet", r.release("pebblewing"))
	accept = r.accept("quillmoss")
	accept.Count, accept.Boxes = 1, accept.Boxes[:1]
	h.raises("hob", accept, boxCount)
	accept = r.accept("quillmoss")
	accept.Count, accept.Boxes = 1, accept.Boxes[1:]
	h.quiet("hob", accept)
	// Given by who does not hold it, and taken from who has not given it.
	r = ready("K5", 1)
	h.raises("hob", r.release("thistlequay"), custodyKind)
	h.raises("hob", r.accept("quillmoss"), custodyKind)
	if got := load(h, boxes, r.box(0)).Holder; got != "quillmoss" {
		t.Errorf("contrary evidence moved the box to %s", got)
	}
	// Seal replaced; incident; condition.
	r = ready("K6", 1)
	h.quiet("ibbet", &pb.SealReplaced{Box: r.box(0), RemovedSeal: r.seal(0), NewSeal: "K6-N", Reason: "torn"})
	h.raises("ibbet", &pb.SealReplaced{Box: r.box(0), RemovedSeal: r.seal(0), NewSeal: "K6-M", Reason: "torn"}, sealWrong)
	h.raises("ibbet", &pb.IncidentReported{Subject: r.box(0), Description: "dropped"}, incident)
	h.raises("wren", &pb.IncidentReported{Subject: r.consignment(), Description: "delayed"}, incident)
	d = h.one(h.raises("tamsin", &pb.IncidentReported{Subject: r.mark(0), Description: "scratched"}, incident), incident)
	if got := h.bar(r.mark(0)).Discrepancies; len(got) != 1 || got[0] != d.Name {
		t.Errorf("the incident does not hang on the bar: %v", got)
	}
	release = r.release("pebblewing")
	release.Boxes[0].Seals, release.Boxes[0].Condition = []string{"K6-M", "K6-N"}, "dented"
	h.raises("ibbet", release, condition)
}

func TestArrivalFindings(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	r := h.poured("V1", agreement, "20000.00 g", "20000.00 g", "20000.00 g")
	r.advised()
	r.carried()
	other := h.poured("V2", agreement, "20000.00 g")
	h.must("gale", &pb.BalanceRegistered{BalanceId: "G1", Site: "gorsefell/works", AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7})
	h.must("gale", &pb.PourRecorded{PourId: "S1", Balance: "gorsefell/G1", Bars: []*pb.PouredBar{{Mark: "S1", Readings: twice("100.00 g")}}})
	h.must("dilly", passed("thistlequay/TB1"))
	before := load(h, bars, "gorsefell/S1")

	wrong := r.receipt(0, twice("20000.00 g")...)
	wrong.Box, wrong.Seals = r.box(1), []string{r.seal(1)}
	h.raises("dilly", wrong, barExtra) // out of another box than it was packed in
	foreign := r.receipt(1, twice("100.00 g")...)
	foreign.Bar = "gorsefell/S1"
	h.raises("dilly", foreign, barExtra)
	if got := load(h, bars, "gorsefell/S1"); !proto.Equal(got, before) {
		t.Errorf("a refinery that says it saw another mine's bar changed it: %v", got)
	}
	unknownBar := r.receipt(1, twice("100.00 g")...)
	unknownBar.Bar = "nowhere/Z9"
	h.raises("dilly", unknownBar, barExtra)
	notAdvised := r.receipt(1, twice("20000.00 g")...)
	notAdvised.Bar = other.mark(0)
	h.raises("dilly", notAdvised, barExtra)
	blank := r.receipt(2, twice("100.00 g")...)
	blank.Bar, blank.Seals = "", []string{"V1-S9"}
	h.raises("dilly", blank, unreadable, sealWrong)
	poor := r.receipt(1, twice("20000.00 g")...)
	poor.Condition = "cracked"
	h.raises("dilly", poor, condition)
	if got := h.consigned(r.consignment()); len(got.Received) != 2 || len(got.Extra) != 4 {
		t.Errorf("received %v, extra %v", got.Received, got.Extra)
	}
	// The third bar is missing when a lot is made; once.
	opening := r.opening()
	opening.Bars = opening.Bars[:1]
	d := h.one(h.raises("dilly", opening, barMissing), barMissing)
	if d.Subject != r.mark(2) || d.Answerable != "thistlequay" {
		t.Errorf("got %v", d)
	}
	again := r.opening()
	again.LotId, again.Bars = "V1b", again.Bars[1:2]
	h.quiet("dilly", again)
}

func TestUnwitnessedPour(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	h.must("ibbet", &pb.PourRecorded{PourId: "N1", Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: "N1-0", Readings: twice("20000.00 g")}}})
	r := &route{house: h, agreement: agreement, name: "N1", bars: []string{"N1-0"}}
	r.packed()
	d := h.one(h.raises("ibbet", r.advice(), unwitnessed), unwitnessed)
	if d.Subject != "quillmoss/N1" || d.Answerable != "quillmoss" {
		t.Errorf("got %v", d)
	}
	r = h.poured("N2", agreement, "20000.00 g")
	r.packed()
	h.quiet("ibbet", r.advice())
}

func TestReturnDiffers(t *testing.T) {
	h := staffed(t)
	r := h.poured("RR", h.agree("A1"), "20000.00 g")
	r.arrived("20000.00 g")
	r.melted("20000.00 g", "19995.00 g")
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.58 ppt", "148.90 ppt"})
	r.issue("fennimore", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-05")
	st := load(h, statements, "thistlequay/ST")
	h.quiet("lucan", &pb.ReturnReceived{ReturnId: "R0", Lot: r.lotName(), Document: returnOf(t, st, 0)})
	h.quiet("lucan", &pb.ReturnReceived{ReturnId: "R1", Lot: r.lotName(), Document: returnOf(t, st, 1)}) // the tolerance agreed
	d := h.one(h.raises("lucan", &pb.ReturnReceived{ReturnId: "R2", Lot: r.lotName(), Document: returnOf(t, st, -2)}, returnOff), returnOff)
	if d.Observed != "-0.02 USD" || d.Money != "0.02 USD" {
		t.Errorf("by hand: two cents less; observed %s, at stake %s", d.Observed, d.Money)
	}
	if d.Answerable != "thistlequay" || d.ClaimBy == "" || len(d.Evidence) != 2 {
		t.Errorf("got %v", d)
	}
}
