package book

import (
	"testing"

	pb "barward/proto/barward/v1"
)

func (h *house) state(name string) pb.DiscrepancyState {
	h.Helper()
	return load(h, discrepancies, name).State
}

func weighedAs(subject string, stage pb.WeighingStage, balance, mass string) *pb.Weighed {
	return &pb.Weighed{Subject: subject, Stage: stage, Balance: balance, Readings: twice(mass)}
}

const (
	release = pb.WeighingStage_WEIGHING_STAGE_RELEASE
	transit = pb.WeighingStage_WEIGHING_STAGE_TRANSIT
	recheck = pb.WeighingStage_WEIGHING_STAGE_RECHECK
)

// A weight that nobody has relied on is put right at once: what it raised lapses, what the new one shows is raised.
func TestWeightCorrectedBeforeReliance(t *testing.T) {
	h := staffed(t)
	r := h.poured("C1", h.agree("A1"), "20000.00 g")
	r.advised()
	first := h.raises("ibbet", weighedAs(r.mark(0), release, "quillmoss/QB1", "19990.00 g"), onHandoff)
	raised := h.one(first, onHandoff).Name
	fix := h.quiet("ibbet", h.correct(first, weighedAs(r.mark(0), release, "quillmoss/QB1", "19999.80 g")))
	if got := h.state(raised); got != lapsed {
		t.Errorf("the weight was put right and the discrepancy is %v", got)
	}
	w := h.bar(r.mark(0)).Weights
	if len(w) != 3 || w[1].SupersededBy != fix || w[2].Mass != "19999.80 g" || w[2].Entry != fix || w[2].WeighedAt != w[1].WeighedAt {
		t.Errorf("nothing is deleted, and the time of the weighing stays; got %v", w)
	}
	h.refused("ibbet", h.correct(first, weighedAs(r.mark(0), release, "quillmoss/QB1", "1.00 g")), "CORRECTED_ALREADY")
	// A correction is corrected in its turn, and withdrawn.
	worse := h.raises("ibbet", h.correct(fix, weighedAs(r.mark(0), release, "quillmoss/QB1", "19990.00 g")), onHandoff)
	h.quiet("ibbet", h.correct(worse, nil))
	if got := h.state(h.one(worse, onHandoff).Name); got != lapsed {
		t.Errorf("the weighing was withdrawn and its discrepancy is %v", got)
	}
	if got := standing(h.bar(r.mark(0)).Weights).Mass; got != "20000.00 g" {
		t.Errorf("the weight that stands is %s, want that of the pour", got)
	}
	// Another person of the same party may do it, but only one whose role may weigh; and it moves no weighing.
	second := h.quiet("ibbet", weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.00 g"))
	h.refused("perpetua", h.correct(second, weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.10 g")), "ROLE_DOES_NOT_ALLOW")
	h.refused("gale", h.correct(second, weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.10 g")), "NAME_UNKNOWN")
	h.refused("ibbet", h.correct(second, weighedAs(r.box(0), release, "quillmoss/QB1", "20000.10 g")), "REPLACEMENT_NOT_FIT")
	h.quiet("tamsin", h.correct(second, weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.10 g")))
}

// Once the refinery has received the bar it has relied on its weight: the correction waits for its countersignature, and
// then the arrival is compared with what stands.
func TestWeightCorrectedAfterReliance(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1", func(m map[string]any) {
		m["weight_limits"].(map[string]any)["consignment_total"] = map[string]any{"absolute": "0.90 g", "rule": "larger"}
	})
	r := h.poured("C2", agreement, "20000.00 g")
	r.advised()
	weighed := h.quiet("ibbet", weighedAs(r.mark(0), release, "quillmoss/QB1", "20000.00 g"))
	r.carried()
	h.must("dilly", passed("thistlequay/TB1"))
	receipt := h.raises("dilly", r.receipt(0, twice("19998.00 g")...), onArrival, totalDiffers)
	bar, total := h.one(receipt, onArrival).Name, h.one(receipt, totalDiffers).Name

	fix := h.quiet("ibbet", h.correct(weighed, weighedAs(r.mark(0), release, "quillmoss/QB1", "19998.00 g")))
	if got := load(h, corrections, h.id(fix)); got.WaitsFor != "thistlequay" {
		t.Errorf("the correction waits for %q", got.WaitsFor)
	}
	if h.state(bar) != opened || len(h.bar(r.mark(0)).Weights) != 3 {
		t.Error("a correction that waits has changed something")
	}
	h.refused("ibbet", h.correct(fix, nil), "NOT_CORRECTABLE")
	rival := h.quiet("ibbet", h.correct(weighed, weighedAs(r.mark(0), release, "quillmoss/QB1", "19997.00 g")))
	h.quiet("tamsin", h.countersign(fix)) // of the same party: it still waits
	if h.state(bar) != opened {
		t.Error("the mine agreed to its own correction")
	}
	h.refused("marjory", h.countersign(fix), "NAME_UNKNOWN")
	signed := h.raises("dilly", h.countersign(fix), onHandoff) // it is 2.00 g from the pour now
	if h.state(bar) != lapsed || h.state(total) != lapsed {
		t.Errorf("the weights agree now, and the discrepancies are %v and %v", h.state(bar), h.state(total))
	}
	w := h.bar(r.mark(0)).Weights
	before, arrival := aroundArrival(h.bar(r.mark(0)))
	if len(w) != 4 || before.GetMass() != "19998.00 g" || before.Entry != fix || before.Party != "quillmoss" || arrival.GetMass() != "19998.00 g" || before.WeighedAt != w[1].WeighedAt {
		t.Errorf("entry %d brought it into effect: %v", signed, w)
	}
	h.refused("dilly", h.countersign(rival), "CORRECTED_ALREADY")

	// The other way: what agreed differs by the corrected weight, and is raised against the arrival.
	back := h.quiet("ibbet", h.correct(fix, weighedAs(r.mark(0), release, "quillmoss/QB1", "19999.00 g")))
	h.raises("dilly", h.countersign(back), onHandoff, onArrival, totalDiffers)
}

// A receipt is the refinery's own until a statement rests on it. What it found beside the weight stands.
func TestReceiptCorrected(t *testing.T) {
	h := staffed(t)
	r := h.poured("C3", h.agree("A1"), "20000.00 g", "20000.00 g")
	r.advised()
	r.carried()
	h.must("dilly", passed("thistlequay/TB1"))
	h.must("dilly", passed("thistlequay/TM1"))
	receipt := r.receipt(0, twice("19990.00 g")...)
	receipt.Seals, receipt.Condition = []string{"OTHER"}, "cracked"
	first := h.raises("dilly", receipt, onArrival, sealWrong, condition)
	h.raises("dilly", r.receipt(1, twice("20000.00 g")...), totalDiffers) // by hand: 10.00 g are beyond 5.0 g
	if len(h.raisedBy(first)) != 3 {
		t.Fatal("three discrepancies expected")
	}
	total := h.consigned(r.consignment()).Discrepancies
	fix := h.quiet("dilly", h.correct(first, r.receipt(0, twice("20000.00 g")...)))
	for kind, want := range map[pb.DiscrepancyKind]pb.DiscrepancyState{onArrival: lapsed, sealWrong: opened, condition: opened} {
		if got := h.state(h.one(first, kind).Name); got != want {
			t.Errorf("the weight was put right, and %v is %v, want %v", kind, got, want)
		}
	}
	for _, name := range total {
		if d := load(h, discrepancies, name); d.Kind == totalDiffers && d.State != lapsed {
			t.Error("the total agrees now, and its discrepancy is open")
		}
	}
	if got := load(h, consignments, r.consignment()).ReceivedTotal; got != "40000.00 g" {
		t.Errorf("by hand: 20000.00 + 20000.00; got %s", got)
	}
	h.refused("dilly", h.correct(fix, nil), "REPLACEMENT_NOT_FIT")
	h.refused("dilly", h.correct(fix, r.receipt(1, twice("20000.00 g")...)), "REPLACEMENT_NOT_FIT")
	arrived := h.bar(r.mark(0)).Weights[1].WeighedAt
	h.quiet("dilly", r.opening())
	h.quiet("dilly", r.melt("40000.00 g", "39960.00 g")) // by hand: 40.00 g are 0.10 %, the most allowed
	fix = h.raises("dilly", h.correct(fix, r.receipt(0, twice("20000.10 g")...)), meltLoss)
	lot := h.lot(r.lotName())
	if lot.Received != "40000.10 g" || lot.ArrivedAt != arrived {
		t.Errorf("by hand: 40000.10 g since %s; got %s since %s", arrived, lot.Received, lot.ArrivedAt)
	}
	loss := h.one(fix, meltLoss).Name
	fix = h.quiet("dilly", h.correct(fix, r.receipt(0, twice("20000.00 g")...)))
	if got := h.state(loss); got != lapsed {
		t.Errorf("the loss is within its range again, and is %v", got)
	}
	// A statement rests on it: now the mine must agree.
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.58 ppt", "148.90 ppt"})
	r.issue("fennimore", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-05")
	fix = h.quiet("dilly", h.correct(fix, r.receipt(0, twice("20000.10 g")...)))
	if got := load(h, corrections, h.id(fix)).WaitsFor; got != "quillmoss" {
		t.Errorf("a statement rests on the weight, and its correction waits for %q", got)
	}
	h.raises("lucan", h.countersign(fix), meltLoss)
}

// A balance is judged at the time of the weighing that is put right, not at that of the correction.
func TestCorrectionKeepsItsTime(t *testing.T) {
	h := staffed(t)
	r := h.poured("C4", h.agree("A1"), "20000.00 g")
	receipts := r.arrived("20000.00 g")
	h.clock("2027-02-20T10:00:00Z") // both checks have lapsed
	h.quiet("dilly", h.correct(receipts[0], r.receipt(0, twice("20000.10 g")...)))
	if w := h.bar(r.mark(0)).Weights; w[2].Doubt != "" || w[2].WeighedAt != w[1].WeighedAt {
		t.Errorf("got %v", w[2])
	}
}

// A melt corrected after the final statement: the mine agrees, and a corrected statement takes the place of the final.
func TestMeltCorrectedThenStatement(t *testing.T) {
	h := staffed(t)
	r := h.poured("C5", h.agree("A1"), "18452.30 g", "19107.80 g")
	r.arrived("18452.30 g", "19107.80 g")
	melt := r.melted("37560.10 g", "37548.60 g")
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.58 ppt", "148.90 ppt"})
	h.refused("lucan", r.previewless("SC", pb.StatementKind_STATEMENT_KIND_CORRECTED), "NOTHING_TO_CORRECT")
	r.issue("lucan", "ST", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-13")
	h.quiet("fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: "1000.00 USD", PaidOn: "2027-03-13"})
	meltedAt := h.lot(r.lotName()).MeltedAt

	other := r.melt("37560.10 g", "37500.00 g")
	other.Lot = "thistlequay/C9"
	h.refused("dilly", h.correct(melt, other), "REPLACEMENT_NOT_FIT")
	fix := h.quiet("dilly", h.correct(melt, r.melt("37560.10 g", "37500.00 g")))
	if got := h.lot(r.lotName()).AfterMelt; got != "37548.60 g" {
		t.Errorf("the correction waits, and the lot has %s", got)
	}
	h.raises("lucan", h.countersign(fix), meltLoss) // by hand: 60.10 g are more than 37.56 g
	lot := h.lot(r.lotName())
	if lot.AfterMelt != "37500.00 g" || lot.MeltEntry != fix || lot.MeltedAt != meltedAt || lot.State != pb.LotState_LOT_STATE_STATED {
		t.Errorf("got %s by %d at %s, %v", lot.AfterMelt, lot.MeltEntry, lot.MeltedAt, lot.State)
	}
	h.refused("lucan", r.previewless("SF", pb.StatementKind_STATEMENT_KIND_FINAL), "LOT_STATED")
	r.issue("lucan", "SC", pb.StatementKind_STATEMENT_KIND_CORRECTED, "2027-03-13")
	h.refused("fennimore", &pb.PaymentRecorded{Statement: "quillmoss/ST", Amount: "1.00 USD", PaidOn: "2027-03-13"}, "STATEMENT_CORRECTED")
	st := load(h, statements, "quillmoss/SC")
	if st.Corrects != "quillmoss/ST" || st.Paid != "1000.00 USD" {
		t.Errorf("it corrects %q with %q paid", st.Corrects, st.Paid)
	}
	// by hand: 37500 × 812.44 / 1000 / 31.1034768 = 979.52072 → 979.521 oz; × 0.999 = 978.541479 → 978.541 down
	if got := line(t, st, "payable_total/Au"); got != "978.541 oz" {
		t.Errorf("by hand: 978.541 oz; got %s", got)
	}
}

// previewless is a statement whose figures nobody has read.
func (r *route) previewless(id string, kind pb.StatementKind) *pb.StatementIssued {
	return &pb.StatementIssued{StatementId: id, Lot: r.lotName(), Kind: kind, SettledOn: "2027-03-13", Digest: "0", Reason: "invented"}
}

func TestAssayCorrected(t *testing.T) {
	h := staffed(t)
	r := h.poured("C6", h.agree("A1"), "20000.00 g", "20000.00 g")
	h.must("ibbet", &pb.SampleTaken{SampleId: "C6", Source: "quillmoss/C6", Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	report := func(id, gold string) *pb.AssayReported {
		return &pb.AssayReported{AssayId: id, Sample: "quillmoss/C6", Results: results2(gold, "147.60 ppt")}
	}
	first := h.raises("perpetua", report("1", "912.30 ppt"), assaySum)
	h.refused("ibbet", h.correct(first, report("1", "812.30 ppt")), "ROLE_DOES_NOT_ALLOW")
	moved := report("1", "812.30 ppt")
	moved.Sample = "quillmoss/C7"
	h.refused("perpetua", h.correct(first, moved), "REPLACEMENT_NOT_FIT")
	fix := h.quiet("perpetua", h.correct(first, report("1", "812.30 ppt")))
	if got := h.state(h.one(first, assaySum).Name); got != lapsed {
		t.Errorf("the report was put right, and its discrepancy is %v", got)
	}
	for i := range r.bars {
		a := h.bar(r.mark(i)).Assays
		if len(a) != 2 || a[0].SupersededBy != fix || a[1].SupersededBy != 0 || a[1].Results[0].Fineness != "812.30 ppt" {
			t.Errorf("bar %d has %v", i, a)
		}
	}
	second := h.quiet("perpetua", report("2", "812.00 ppt"))
	h.quiet("perpetua", h.correct(second, nil))
	if f, ok := finenessOf(h.bar(r.mark(0)), "Au"); !ok || f.String() != "812.30 ppt" {
		t.Errorf("the second report was withdrawn, and the bar is of %s", f)
	}
	// Relied on once a bar was received.
	r.arrived("20000.00 g")
	fix = h.quiet("perpetua", h.correct(fix, report("1", "812.40 ppt")))
	if got := load(h, corrections, h.id(fix)).WaitsFor; got != "thistlequay" {
		t.Errorf("waits for %q", got)
	}
	h.quiet("fennimore", h.countersign(fix))
	if f, _ := finenessOf(h.bar(r.mark(0)), "Au"); f.String() != "812.40 ppt" {
		t.Errorf("countersigned, and the bar is of %s", f)
	}
	// A correction that can never take effect is not put before the other party.
	h.refused("perpetua", h.correct(fix, report("1", "1812.40 ppt")), "FINENESS_OUT_OF_RANGE")
}

func TestBoxWeightCorrected(t *testing.T) {
	h := staffed(t)
	r := h.poured("C8", h.agree("A1"), "20000.00 g")
	h.must("ibbet", &pb.BoxPacked{BoxId: "C8-B0", Bars: []string{r.mark(0)}, Seals: []string{r.seal(0)}, Gross: "21000.00 g"})
	h.must("ibbet", r.advice())
	bad := h.raises("ibbet", weighedAs(r.box(0), release, "quillmoss/QB1", "21001.00 g"), onHandoff)
	after := h.raises("ibbet", weighedAs(r.box(0), recheck, "quillmoss/QB1", "21000.20 g"), onHandoff)
	h.quiet("ibbet", h.correct(bad, weighedAs(r.box(0), release, "quillmoss/QB1", "21000.10 g")))
	if h.state(h.one(bad, onHandoff).Name) != lapsed || h.state(h.one(after, onHandoff).Name) != lapsed {
		t.Error("the gross weight was put right, and a discrepancy that rested on it is open")
	}
	if w := load(h, boxes, r.box(0)).Weights; len(w) != 4 || w[2].Mass != "21000.10 g" || standing(w).Mass != "21000.20 g" {
		t.Errorf("got %v", w)
	}
	h.quiet("ibbet", h.correct(after, nil))
	if got := standing(load(h, boxes, r.box(0)).Weights).Mass; got != "21000.10 g" {
		t.Errorf("the last weighing was withdrawn, and %s stands", got)
	}
}
