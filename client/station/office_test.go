package station

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/client/station/stationtest"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

func demoTerms(t *testing.T) settlement.Terms {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
	if err != nil {
		t.Fatal(err)
	}
	terms, err := settlement.ParseTerms(text)
	if err != nil {
		t.Fatal(err)
	}
	return terms
}

func demoLot(state pb.LotState, steps ...*pb.ExchangeStep) *pb.Lot {
	return &pb.Lot{Name: "works/L-1", Party: "works", Seller: "quarry", State: state, Steps: steps}
}

// The agreement of the demonstration gives 21 days to seal, 3 to open and 14 to the umpire; days are UTC days and
// the last counts (assay.Progress). The dates are counted by hand.
func TestTasksCountDownToTheLastDay(t *testing.T) {
	terms := demoTerms(t)
	opened := &pb.ExchangeStep{Action: "opened", OccurredAt: "2026-03-02T22:00:00-05:00", Entry: 7} // 3 March in UTC
	committed := func(side string, on string) *pb.ExchangeStep {
		return &pb.ExchangeStep{Action: "committed", Side: side, Round: 1, Elements: []string{"Au", "Ag"},
			Commitment: make([]byte, 31, 32), OccurredAt: on}
	}
	seller, refiner := committed("seller", "2026-03-10T09:00:00Z"), committed("refiner", "2026-03-11T09:00:00Z")
	seller.Commitment, refiner.Commitment = append(seller.Commitment, 1), append(refiner.Commitment, 2)
	for _, tt := range []struct {
		name   string
		lot    *pb.Lot
		today  string
		what   string
		by     []string
		left   int
		silent bool
	}{
		{"opened: both seal", demoLot(pb.LotState_LOT_STATE_MELTED, opened), "2026-03-04T12:00:00Z", "seal",
			[]string{"quarry", "works"}, 20, false},
		{"one has sealed", demoLot(pb.LotState_LOT_STATE_IN_EXCHANGE, opened, seller), "2026-03-24T23:59:00Z", "seal",
			[]string{"works"}, 0, false},
		{"their day is past", demoLot(pb.LotState_LOT_STATE_IN_EXCHANGE, opened, seller), "2026-03-25T00:01:00Z", "seal",
			[]string{"works"}, -1, true},
		{"both have sealed", demoLot(pb.LotState_LOT_STATE_IN_EXCHANGE, opened, seller, refiner), "2026-03-11T12:00:00Z",
			"open", []string{"quarry", "works"}, 3, false},
	} {
		today, err := time.Parse(time.RFC3339, tt.today)
		if err != nil {
			t.Fatal(err)
		}
		x, err := ExchangeOf(tt.lot, terms, today)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		tasks := Tasks(tt.lot, x, nil)
		if len(tasks) != 1 {
			t.Errorf("%s: %d tasks: %+v", tt.name, len(tasks), tasks)
			continue
		}
		got := tasks[0]
		if got.What != tt.what || !slices.Equal(got.By, tt.by) || DaysUntil(got.Due, today) != tt.left ||
			got.Silent != tt.silent ||
			!slices.Equal(got.Elements, []string{"Au", "Ag"}) {
			t.Errorf("%s: %+v, %d days", tt.name, got, DaysUntil(got.Due, today))
		}
	}
}

func TestTasksAfterTheExchange(t *testing.T) {
	issued := &pb.Statement{Name: "quarry/ST-1", Issuer: "quarry", Kind: pb.StatementKind_STATEMENT_KIND_FINAL}
	early := &pb.Statement{Name: "quarry/ST-0", Issuer: "works", Kind: pb.StatementKind_STATEMENT_KIND_PROVISIONAL}
	agreed := &pb.Statement{Name: "quarry/ST-1", Issuer: "quarry", Kind: pb.StatementKind_STATEMENT_KIND_FINAL,
		CountersignedBy: []string{"works/mira"}, Net: "10.00 USD"}
	owing := proto.CloneOf(agreed)
	owing.Net = "-10.00 USD" // below zero it is due from the seller (Statement.net)
	for _, tt := range []struct {
		state      pb.LotState
		statements []*pb.Statement
		want       string
	}{
		{pb.LotState_LOT_STATE_OPENED, nil, "melt works"},
		{pb.LotState_LOT_STATE_ASSAYS_SETTLED, []*pb.Statement{early}, "state quarry/works"},
		{pb.LotState_LOT_STATE_STATED, []*pb.Statement{early, issued}, "agree works"},
		{pb.LotState_LOT_STATE_STATED, []*pb.Statement{agreed}, "return quarry, pay works"},
		{pb.LotState_LOT_STATE_STATED, []*pb.Statement{owing}, "return quarry, pay quarry"},
		{pb.LotState_LOT_STATE_PAID, []*pb.Statement{agreed}, ""},
	} {
		lot := demoLot(tt.state)
		x, err := ExchangeOf(lot, demoTerms(t), time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, task := range Tasks(lot, x, tt.statements) {
			got = append(got, task.What+" "+strings.Join(task.By, "/"))
		}
		if strings.Join(got, ", ") != tt.want {
			t.Errorf("%s: %q, want %q", tt.state, strings.Join(got, ", "), tt.want)
		}
	}
}

// The limits are those of the demonstration's agreement: 0.5 g or 0.02 per mille, the larger; of 20 kg that is 0.5 g.
func TestWeighingsAgainstTheOneBefore(t *testing.T) {
	bar := &pb.Bar{Weights: []*pb.WeightRecord{
		{Stage: pb.WeighingStage_WEIGHING_STAGE_POUR, Mass: "20000.0 g"},
		{Stage: pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, Mass: "19000.0 g", SupersededBy: 9},
		{Stage: pb.WeighingStage_WEIGHING_STAGE_ARRIVAL, Mass: "19999.5 g"},
		{Stage: pb.WeighingStage_WEIGHING_STAGE_RECHECK, Mass: "19998.9 g"},
	}}
	for i, want := range []struct {
		difference, limit string
		within            bool
	}{{"", "", false}, {"", "", false}, {"-0.5 g", "0.5 g", true}, {"-0.6 g", "0.5 g",
		false}} { // by hand; a limit met is within
		got := Weighings(bar, demoTerms(t).Limits)[i]
		if got.Difference != want.difference || got.Limit != want.limit || got.Within != want.within {
			t.Errorf("weighing %d: %q, limit %q, within %v", i, got.Difference, got.Limit, got.Within)
		}
	}
	if got := Weighings(bar, nil)[2]; got.Difference != "-0.5 g" || got.Limit != "" {
		t.Errorf("without an agreement: %+v", got)
	}
}

func TestHoldersOfARoute(t *testing.T) {
	step := func(entry uint64, action, party, other, at string) *pb.RouteStep {
		return &pb.RouteStep{Entry: entry, Action: action, Party: party, Counterparty: other, OccurredAt: at}
	}
	legs := Holders([]*pb.RouteStep{
		step(1, "poured", "quarry", "", "2026-03-02T08:00:00Z"), step(2, "weighed", "quarry", "", "2026-03-02T08:10:00Z"),
		step(3, "packed", "quarry", "", "2026-03-03T08:00:00Z"), step(4, "released", "quarry", "cart",
			"2026-03-04T08:00:00Z"),
		step(5, "accepted", "cart", "quarry", "2026-03-04T08:30:00Z"), step(6, "released", "cart", "works",
			"2026-03-05T09:00:00Z"),
		step(7, "accepted", "works", "cart", "2026-03-05T09:20:00Z"), step(8, "received", "works", "",
			"2026-03-05T11:00:00Z"),
	})
	var got []string
	for _, l := range legs {
		to := "still"
		if !l.To.IsZero() {
			to = l.To.Format("02T15:04")
		}
		got = append(got, l.Holder+" "+l.From.Format("02T15:04")+" to "+to+" by "+l.Ref)
	}
	want := "quarry 02T08:00 to 04T08:30 by entry 1; cart 04T08:30 to 05T09:20 by entry 5; works 05T09:20 to still by entry 7"
	if strings.Join(got, "; ") != want { // by hand: possession moves when it is accepted
		t.Errorf("%s\nwant %s", strings.Join(got, "; "), want)
	}
}

func TestReturnNamesTheLineAndColumn(t *testing.T) {
	for _, tt := range []struct{ text, where string }{
		{"{\"lines\": [\n  {\"code\": \"net\",, }\n]}", "line 2, column 18"}, // by hand: the second comma
		{"{", ""},
		{"code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,12,5 USD\n", "row 2"},
		{"code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,12.5\n", "row 2.amount"},
	} {
		_, err := ReadReturn(tt.text)
		r := AsRefusal(err)
		if r == nil || r.Field != tt.where {
			t.Errorf("%q: %v", tt.text, err)
		}
	}
	if _, err := ReadReturn("code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,12.50 USD\n"); err != nil {
		t.Errorf("a return that is sound: %v", err)
	}
}

// A statement names the tree that it rests on. A tree that our log never had convicts whoever shows it, not our log.
func TestHadTree(t *testing.T) {
	f := stationtest.New(t)
	server, _ := f.Serve(t, "127.0.0.1:0")
	s := bench(t, f, server)
	record(t, s, incident, incident)
	if err := s.Advance(t.Context()); err != nil {
		t.Fatal(err)
	}
	then, _ := s.Seen()
	record(t, s, incident)
	for _, tt := range []struct {
		name string
		size uint64
		root []byte
		had  bool
	}{
		{"the tree it had", then.Size, then.Root[:], true},
		{"another root", then.Size, append([]byte{then.Root[0] ^ 1}, then.Root[1:]...), false},
		{"another size", then.Size - 1, then.Root[:], false},
		{"more than there is", 99, then.Root[:], false},
		{"half a root", then.Size, then.Root[:16], false},
		{"no tree", 0, then.Root[:], false},
	} {
		err := s.HadTree(t.Context(), tt.size, tt.root)
		if (err == nil) != tt.had || err != nil && !errors.Is(err, ErrOtherTree) {
			t.Errorf("%s: %v", tt.name, err)
		}
		var alarm *Untrusted
		if errors.As(err, &alarm) {
			t.Errorf("%s: it is held against our own log: %v", tt.name, err)
		}
	}
}

// What is shown of a statement must be what its own document says, which has the digest that is signed.
func TestStatementOfHoldsItsDocument(t *testing.T) {
	figures, err := os.ReadFile(filepath.Join("..", "..", "testdata", "examples", "statement-preview.json"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := settlement.Preview(figures)
	if err != nil {
		t.Fatal(err)
	}
	shown := &pb.Statement{DocumentJson: string(s.JSON()), Digest: s.Digest(), Net: s.Net.String()}
	if _, err := StatementOf(shown); err != nil {
		t.Fatalf("a statement that is sound: %v", err)
	}
	for name, spoil := range map[string]func(*pb.Statement){
		"another net":    func(s *pb.Statement) { s.Net = "1.00 USD" },
		"another digest": func(s *pb.Statement) { s.Digest = strings.Repeat("0", 64) },
		"another document": func(s *pb.Statement) {
			s.DocumentJson = strings.Replace(s.DocumentJson, `"lot": "`, `"lot": "X`, 1)
		},
	} {
		other := proto.CloneOf(shown)
		spoil(other)
		if _, err := StatementOf(other); err == nil {
			t.Errorf("%s passes", name)
		}
	}
}

// By hand, with the right triangle of 3, 4 and 5: standard deviations of 3 and 4 give 5 for a difference, of which three
// are 15. Biases of 2 and -1 move it by 3.
func TestPrecisionsFit(t *testing.T) {
	for _, tt := range []struct {
		seller, refiner, sellerBias, refinerBias string
		want                                     bool
	}{
		{"815.00", "800.00", "0", "0", true}, {"815.01", "800.00", "0", "0", false}, {"800.00 ppt", "815.01 ppt", "0", "0", false},
		{"818.00", "800.00", "2", "-1", true}, {"818.01", "800.00", "2", "-1", false},
	} {
		fits, err := PrecisionsFit(tt.seller, tt.refiner, "3", tt.sellerBias, "4", tt.refinerBias)
		if err != nil || fits != tt.want {
			t.Errorf("%+v: %v, %v", tt, fits, err)
		}
	}
	if _, err := PrecisionsFit("", "800.00", "3", "0", "4", "0"); err == nil {
		t.Error("a result that is not there has a precision")
	}
}
