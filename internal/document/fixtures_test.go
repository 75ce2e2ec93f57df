package document

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	pb "barward/proto/barward/v1"
)

// Everything in these papers is invented, and its names are chosen to be improbable.

var printedAt = time.Date(2026, 3, 9, 16, 20, 0, 0, time.FixedZone("", -5*3600))

func leaf(b byte) []byte { return bytes.Repeat([]byte{b}, 32) }

func paper() Paper {
	return Paper{
		Printed: printedAt, PrintedBy: "ottermere/wren",
		Notice: "Invented data: no such mine, refinery or metal exists.",
		Names: map[string]string{"ottermere": "Ottermere Doré Works (invented)",
			"quillhaven": "Quillhaven Refining (invented)",
			"swiftmole":  "Swiftmole Carriers (invented)", "ottermere/wren": "Wren Åkerbloom", "ottermere/tam": "Tam Ó Dálaigh",
			"lab-fen": "Fen Laboratory (invented)", "quillhaven/ivo": "Ivo Šťastný"},
		Proof: Proof{Origin: "ledger.example/ottermere-quillhaven", Entries: []uint64{41, 42, 44}, Leaf: leaf(0xa7),
			Size: 120,
			Root: leaf(0x5c), At: printedAt, Verified: true},
	}
}

func bar(i int) *pb.Bar {
	name := fmt.Sprintf("ottermere/OT-%04d", 400+i)
	return &pb.Bar{
		Name: name, Party: "ottermere", State: pb.BarState_BAR_STATE_RECEIVED, Pour: "ottermere/P-31", Holder: "quillhaven",
		Box: fmt.Sprintf("ottermere/B-%d", 1+i/4), Consignment: "ottermere/C-7",
		Weights: []*pb.WeightRecord{
			{Stage: pb.WeighingStage_WEIGHING_STAGE_POUR, Mass: "12441.4 g", Readings: []string{"12441.3 g", "12441.4 g"},
				Spread: "0.1 g", Balance: "ottermere/B1", WeighedAt: "2026-03-02T07:40:00-05:00", Entry: 41,
				Notes: []string{"The air was not measured."}},
			{Stage: pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, Mass: "12440.9 g", Spread: "0.0 g", Balance: "quillhaven/R2",
				WeighedAt: "2026-03-06T10:12:00+01:00", Entry: 77},
		},
		Assays: []*pb.AssayRecord{{Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.44 ppt"},
			{Element: "Ag", Fineness: "151.2 ppt"}}}},
		Route: []*pb.RouteStep{
			{Entry: 41, OccurredAt: "2026-03-02T07:40:00-05:00", Action: "poured", Party: "ottermere", Person: "ottermere/wren",
				Place: "ottermere/gold-room", Mass: "12441.4 g"},
			{Entry: 77, OccurredAt: "2026-03-06T10:12:00+01:00", Action: "received", Party: "quillhaven",
				Person: "quillhaven/ivo", Place: "quillhaven/door", Seals: []string{"SN-101", "SN-102"}, Mass: "12440.9 g",
				Findings: []string{"0.5 g light; air buoyancy explains 0.3 g; the limit is ≤ 1.0 g"}},
		},
	}
}

func bars(n int) (list []*pb.Bar) {
	for i := range n {
		list = append(list, bar(i))
	}
	return list
}

func pour(n int) *pb.Pour {
	p := &pb.Pour{
		Name: "ottermere/P-31", Party: "ottermere", PouredAt: "2026-03-02T07:40:00-05:00",
		Witnesses: []string{"ottermere/tam"}, Total: "49765.6 g", AgainstExpected: "-12.4 g", Entries: []uint64{41, 42},
		Recorded: &pb.PourRecorded{PourId: "P-31", Charge: "61.2 kg",
			ChargeDescription: "Electrowinning sludge, dried – doré 2 ‰ moist",
			Slag:              "14.9 kg", Expected: "49778.0 g", Balance: "ottermere/B1",
			Air: &pb.Air{TemperatureC: "21.4", PressureHpa: "702.1", HumidityPercent: "38"}},
	}
	for i := range n {
		p.Recorded.Bars = append(p.Recorded.Bars, &pb.PouredBar{Mark: fmt.Sprintf("OT-%04d", 400+i),
			Readings: []string{"12441.3 g", "12441.4 g"}})
		p.Bars = append(p.Bars, fmt.Sprintf("ottermere/OT-%04d", 400+i))
	}
	return p
}

func box(i int) *pb.Box {
	b := &pb.Box{Name: fmt.Sprintf("ottermere/B-%d", i), Party: "ottermere", Seals: []string{fmt.Sprintf("SN-%d01", i),
		fmt.Sprintf("SN-%d02", i)}, Consignment: "ottermere/C-7", Holder: "swiftmole",
		Weights: []*pb.WeightRecord{{Mass: "52.30 kg"}}}
	for j := range 4 {
		b.Bars = append(b.Bars, fmt.Sprintf("ottermere/OT-%04d", 396+4*i+j))
	}
	return b
}

// openedBoxes are two boxes that were taken over, the second of them with other seals each time, and opened.
func openedBoxes() []*pb.Box {
	list := boxes(2)
	list[0].Route = []*pb.RouteStep{{Action: "packed", Seals: list[0].Seals}}
	list[1].Route = []*pb.RouteStep{{Action: "packed", Party: "ottermere", Seals: list[1].Seals},
		{Action: "seal_replaced", Party: "ottermere", Seals: []string{"SN-209"}, Note: "SN-201 taken off: torn"},
		{Action: "released", Party: "ottermere", Seals: list[1].Seals},
		{Action: "accepted", Party: "swiftmole", Seals: []string{"SN-201", "SN-220"}},
		{Action: "received", Party: "quillhaven", Person: "quillhaven/ivo", Seals: []string{"SN-201", "SN-299"}}}
	return list
}

func boxes(n int) (list []*pb.Box) {
	for i := range n {
		list = append(list, box(i+1))
	}
	return list
}

func consignment(n int) *pb.Consignment {
	c := &pb.Consignment{Name: "ottermere/C-7", Party: "ottermere", Refiner: "quillhaven", AdvisedTotal: "99531.2 g",
		ReceivedTotal: "87086.3 g", Advised: &pb.ConsignmentAdvised{ConsignmentId: "C-7", Agreement: "quillhaven/A-7",
			Carrier: "swiftmole"}}
	for _, b := range bars(n) {
		c.Bars = append(c.Bars, b.GetName())
	}
	for i := range (n + 3) / 4 {
		c.Advised.Boxes = append(c.Advised.Boxes, fmt.Sprintf("ottermere/B-%d", i+1))
	}
	c.Received = c.Bars[:max(0, n-1)]
	c.Extra = []string{"ottermere/OT-9999"}
	return c
}

func discrepancies() []*pb.Discrepancy {
	return []*pb.Discrepancy{
		{Name: "d77.1", Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_WEIGHT_ON_ARRIVAL, Subject: "ottermere/OT-0402",
			Words: "1.9 g light, beyond the limit of 1.0 g; air buoyancy explains 0.3 g", Limit: "1.0 g", Observed: "-1.9 g",
			State: pb.DiscrepancyState_DISCREPANCY_STATE_OPEN, Answerable: "ottermere", ClaimBy: "2026-03-20", Entry: 77},
		{Name: "d78.1", Kind: pb.DiscrepancyKind_DISCREPANCY_KIND_SEAL, Subject: "ottermere/B-2",
			Words: "Seal SN-202 on record, SN-220 read", State: pb.DiscrepancyState_DISCREPANCY_STATE_DECIDED,
			Decision: pb.Decision_DECISION_ACCEPTED, Answerable: "swiftmole", Entry: 78},
	}
}

func released() *pb.Entry {
	return &pb.Entry{Sequence: 52, RecordedAt: "2026-03-03T13:00:02Z", Author: "ottermere/wren", Event: &pb.Event{
		OccurredAt: "2026-03-03T08:00:00-05:00", Place: "ottermere/gate", Body: &pb.Event_Released{
			Released: &pb.Released{Consignment: "ottermere/C-7", ToParty: "swiftmole", AcceptBy: "2026-03-03T09:00:00-05:00",
				Transport: "truck ÑZ-4", Boxes: []*pb.BoxReading{
					{Box: "ottermere/B-1", Seals: []string{"SN-101", "SN-102"}, Gross: "52.30 kg"},
					{Box: "ottermere/B-2", Seals: []string{"SN-201", "SN-202"}, Gross: "52.31 kg"},
					{Box: "ottermere/B-3", Seals: []string{"SN-301"}}}}}}}
}

func accepted() *pb.Entry {
	return &pb.Entry{Author: "swiftmole/ned", Event: &pb.Event{ // on the workstation still
		OccurredAt: "2026-03-03T08:20:00-05:00", Body: &pb.Event_Accepted{
			Accepted: &pb.Accepted{Consignment: "ottermere/C-7", FromParty: "ottermere", Count: 2, Remarks: "one box short",
				Boxes: []*pb.BoxReading{
					{Box: "ottermere/B-1", Seals: []string{"SN-101", "SN-102"}, Gross: "52.30 kg"},
					{Box: "ottermere/B-2", Seals: []string{"SN-201", "SN-220"}, Condition: "lid dented"},
					{Box: "ottermere/B-9", Seals: nil}}}}}}
}

func lot() *pb.Lot {
	return &pb.Lot{
		Name: "quillhaven/L-1", Party: "quillhaven", Seller: "ottermere", Agreement: "quillhaven/A-7",
		State: pb.LotState_LOT_STATE_ASSAYS_SETTLED, Bars: []string{"ottermere/OT-0400", "ottermere/OT-0401"},
		Received: "99527.2 g", BeforeMelt: "99527.0 g", AfterMelt: "99461.0 g", Slag: "60.0 g",
		MeltedAt: "2026-03-10T09:00:00+01:00", MeltEntry: 90, OpenedAt: "2026-03-09T09:00:00+01:00",
		Entries: []uint64{88, 90},
		Steps: []*pb.ExchangeStep{
			{Action: "opened", Elements: []string{"Au", "Ag"}, OccurredAt: "2026-03-11T09:00:00+01:00", Entry: 92},
			{Action: "committed", Side: "seller", Round: 1, Elements: []string{"Au", "Ag"}, Commitment: leaf(0x11),
				OccurredAt: "2026-03-12T09:00:00-05:00", Entry: 93},
			{Action: "revealed", Side: "seller", Round: 1, Nonce: leaf(0x22), OccurredAt: "2026-03-13T09:00:00-05:00", Entry: 95,
				Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.44 ppt"}, {Element: "Ag", Fineness: "151.2 ppt"}}},
			{Action: "umpire_appointed", Side: "umpire", Laboratory: "lab-fen", Elements: []string{"Au"},
				OccurredAt: "2026-03-14T09:00:00+01:00", Entry: 97, Turn: 0},
			{Action: "umpire_reported", Side: "umpire", Laboratory: "lab-fen", OccurredAt: "2026-03-18T09:00:00+01:00",
				Entry:   99,
				Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.05 ppt"}}},
		},
		Assays: []*pb.SettledAssay{
			{Element: "Au", State: "settled", Seller: "812.44 ppt", Refiner: "811.60 ppt", Umpire: "812.05 ppt",
				Difference: "0.84",
				Limit:      "0.50", Settled: "812.05 ppt", Words: "the middle of three; the refiner bears the umpire's cost",
				SellerCostShare: "0", Entries: []uint64{95, 96, 99}},
			{Element: "Ag", State: "settled", Seller: "151.2 ppt", Refiner: "150.8 ppt", Difference: "0.4", Limit: "2",
				Settled: "151.0 ppt", Words: "within the limit: the mean", Entries: []uint64{95, 96}},
		},
		Costs: []*pb.LotCost{{Kind: "umpire", Amount: "450.00 USD", SellerSharePercent: "0", Entry: 99, Reference: "FEN-88"}},
	}
}

func statement(n int) *pb.Statement {
	st := &pb.Statement{Name: "quillhaven/S-1", Lot: "quillhaven/L-1", Kind: pb.StatementKind_STATEMENT_KIND_FINAL,
		SettledOn: "2026-03-25", Net: "226324.11 USD", Payable: []string{"2591.553 oz Au", "470.1 oz Ag"},
		Digest: strings.Repeat("ab", 32), Issuer: "quillhaven", CountersignedBy: []string{"ottermere/tam"}, Paid: "",
		TreeSize: 118, Entries: []uint64{110, 111}}
	for i := range n {
		st.Lines = append(st.Lines, &pb.StatementLine{Code: fmt.Sprintf("line_%d_Au", i+1),
			Description: "value of payable gold",
			Element:     "Au", Quantity: "2591.553 oz", Rate: "2104.10 USD/oz", Amount: fmt.Sprintf("%d226.11 USD", i+1),
			Exact: "5452926.6673", Rounding: "amount: to 0.01, half to even", Refs: []string{"90", "95", "96", "99"}})
	}
	st.Lines = append(st.Lines, &pb.StatementLine{Code: "charge_lot", Description: "treatment charge, flat",
		Amount: "-900.00 USD",
		Refs:   []string{"12"}})
	return st
}

func refReturn() *pb.Return {
	return &pb.Return{Name: "quillhaven/R-1", Lot: "quillhaven/L-1", Statement: "quillhaven/S-1", Entry: 115,
		Reconciliation: &pb.Reconciliation{Ours: "226324.11 USD", Theirs: "225120.07 USD", Difference: "-1204.04 USD",
			Parts: []*pb.ReconciliationPart{{Cause: "weight", Element: "Au", Ounces: "-0.412", Amount: "-866.89 USD"},
				{Cause: "payable_terms", Element: "Ag", Ounces: "0.000", Amount: "0.00 USD"},
				{Cause: "charges", Amount: "-337.20 USD"}, {Cause: "rounding", Amount: "0.05 USD"}},
			Findings: []string{"value_Au differs by 866.89 USD, beyond its tolerance of 1.00 USD"}}}
}

func sample() *pb.Sample {
	return &pb.Sample{Name: "quillhaven/M-4", Party: "quillhaven", TakenAt: "2026-03-10T09:05:00+01:00",
		Taken: &pb.SampleTaken{SampleId: "M-4", Source: "quillhaven/L-1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP,
			Positions: []string{"start of pour"}, Packets: []*pb.Packet{
				{PacketId: "M-4/1", Seal: "PK-7001", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER},
				{PacketId: "M-4/2", Seal: "PK-7002", Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE},
				{PacketId: "M-4/3", Holder: pb.PacketHolder_PACKET_HOLDER_RESERVE}}}}
}

func evidence() Evidence {
	return Evidence{Subject: "discrepancy d77.1", Purpose: "The arrival weight of bar OT-0402 is disputed.",
		Question: "1.9 g of doré between the gold room and the refinery's door", MadeFor: []string{"ottermere", "quillhaven"},
		From: printedAt.AddDate(0, 0, -7), To: printedAt,
		Files: []EvidenceFile{{"entries.jsonl", "every entry as signed, one a line", 81234, strings.Repeat("0f", 32)},
			{"route.epcis.json", "the bar's route as a standard custody file", 4120, strings.Repeat("1e", 32)}},
		Checks: []string{"Compare the SHA-256 of each file with this page.", "barward ledger verify-inclusion 77"}}
}

// everyPaper is one of each kind.
func everyPaper(t *testing.T, p Paper) map[string][]byte {
	t.Helper()
	code, err := NewSSCC("9520123", 1, 52)
	if err != nil {
		t.Fatal(err)
	}
	made := map[string][]byte{}
	for name, make := range map[string]func() ([]byte, error){
		"pour-sheet": func() ([]byte, error) { return PourSheet(p, pour(4), bars(4)) },
		"bar-list":   func() ([]byte, error) { return BarList(p, "bars of consignment C-7", "99531.2 g", bars(8)) },
		"bar-labels": func() ([]byte, error) {
			return BarLabels(p, []BarLabel{{Bar: bar(1)}, {Bar: bar(2)}, {Bar: bar(3), Proof: Proof{}}})
		},
		"box-labels": func() ([]byte, error) {
			return BoxLabels(p, []BoxLabel{{Box: box(1), Consignee: "quillhaven", SSCC: code},
				{Box: box(2), Consignee: "quillhaven"}})
		},
		"packet-labels":      func() ([]byte, error) { return PacketLabels(p, sample()) },
		"consignment-advice": func() ([]byte, error) { return ConsignmentAdvice(p, consignment(8), boxes(2), bars(8)) },
		"custody-receipt": func() ([]byte, error) {
			return CustodyReceipt(p, released(), accepted(), discrepancies()[1:])
		},
		"arrival-report": func() ([]byte, error) {
			return ArrivalReport(p, consignment(8), openedBoxes(), bars(8), discrepancies())
		},
		"exchange-certificate": func() ([]byte, error) { return ExchangeCertificate(p, lot()) },
		"umpire-certificate":   func() ([]byte, error) { return UmpireCertificate(p, lot()) },
		"settlement-statement": func() ([]byte, error) { return SettlementStatement(p, statement(12)) },
		"reconciliation-sheet": func() ([]byte, error) { return ReconciliationSheet(p, refReturn()) },
		"evidence-cover":       func() ([]byte, error) { return EvidenceCover(p, evidence()) },
	} {
		pdf, err := make()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		made[name] = pdf
	}
	return made
}
