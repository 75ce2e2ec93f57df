package evidence

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"barward/internal/assay"
	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	pb "barward/proto/barward/v1"
)

// judged is a world whose events the service's own book takes too, or the test fails.
type judged struct {
	*world
	ledger   *ledger.Ledger
	compared int // statements that both computed
}

func judge(t *testing.T) *judged {
	t.Helper()
	j := &judged{}
	config := ledgertest.Config()
	config.Judge, config.Rules = book.New(), book.Rules
	config.Clock = func() time.Time {
		now, err := time.Parse(time.RFC3339, j.now)
		if err != nil {
			t.Fatal(err)
		}
		return now.Add(time.Second)
	}
	l, err := ledger.Create(filepath.Join(t.TempDir(), "ledger"), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	j.ledger = l
	w := &world{TB: t, now: "2025-02-24T09:00:00+00:00", keys: map[string]identity.Key{}}
	j.world = w
	w.judge = j.take
	w.found()
	return j
}

// take has the book decide on an event.
func (j *judged) take(signed proof.Signed) {
	j.Helper()
	envelope, err := proof.Open(signed)
	if err != nil {
		j.Fatal(err)
	}
	event, err := book.Decode(signed.Event)
	if err != nil {
		j.Fatal(err)
	}
	sub := ledger.Submission{Signed: signed, Envelope: envelope, Memo: event}
	if _, err := j.ledger.Append(context.Background(), sub); err != nil {
		j.Fatalf("the book refuses %v: %v", event.Body, err)
	}
}

// compare computes each kind of statement of the lot from the entries so far, and by the book. Where the book computes
// one, ours must have its bytes.
func (j *judged) compare() {
	j.Helper()
	for _, kind := range []pb.StatementKind{pb.StatementKind_STATEMENT_KIND_PROVISIONAL,
		pb.StatementKind_STATEMENT_KIND_FINAL,
		pb.StatementKind_STATEMENT_KIND_CORRECTED} {
		var theirs *pb.Statement
		err := j.ledger.View(func(b *ledger.Book, size uint64) (err error) {
			caller := identity.Caller{PartyID: "quillmoss", PartyKind: identity.Mine}
			theirs, err = book.Preview(b, caller, "thistlequay/L-1", kind, "2025-04-04", size)
			return err
		})
		if err != nil {
			continue // not in this state
		}
		ours, err := j.try(&pb.StatementIssued{Lot: "thistlequay/L-1", Kind: kind, SettledOn: "2025-04-04"})
		if err != nil {
			j.Errorf("after entry %d the book computes a %v, and the entries alone do not: %v", len(j.entries)-1, kind, err)
			continue
		}
		if !bytes.Equal(ours.JSON(), []byte(theirs.DocumentJson)) {
			j.Errorf("after entry %d a %v is, by the book,\n%s\nand by the entries alone\n%s", len(j.entries)-1, kind,
				theirs.DocumentJson, ours.JSON())
		}
		j.compared++
	}
}

// do records and compares.
func (j *judged) do(record func()) {
	j.Helper()
	record()
	j.compare()
}

func (j *judged) report(author, number, sample string, results ...string) uint64 {
	j.Helper()
	e := &pb.AssayReported{AssayId: number, Sample: sample, Method: "fire assay"}
	for _, r := range results {
		element, fineness, _ := strings.Cut(r, "=")
		e.Results = append(e.Results, &pb.AssayResult{Element: element, Fineness: fineness + " ppt"})
	}
	return j.record(author, e)
}

func (j *judged) right(author string, target uint64, body *pb.Corrected) uint64 {
	j.Helper()
	body.Reason = "misread"
	event := j.event(author, body)
	event.Supersedes = j.events[target].EventId
	return j.put(author, event)
}

// The account that this package puts together from signed entries and the book of the service share no code. They must
// come to the same bytes, at every moment at which the book can compute a statement, under terms of several kinds and
// through corrections of everything that a statement rests on. The book is the second opinion here; the figures of both
// are held against those by hand in TestStatementsAreComputedAgain and in the tests of package settlement.
func TestTheBookComesToTheSame(t *testing.T) {
	replace := func(pairs ...string) func(string) string { return strings.NewReplacer(pairs...).Replace }
	for name, terms := range map[string]func(string) string{
		"as in the demonstration": replace(),
		"settled as received":     replace(`"settlement_weight": "after_melt"`, `"settlement_weight": "received"`),
		"bar by bar": replace(`"settlement_weight": "after_melt"`, `"settlement_weight": "received"`,
			`"settle_per": "melt"`, `"settle_per": "bar"`),
		"an advance on the refiner's": replace(`"assays": "seller"`, `"assays": "refiner"`),
		"an advance on the melt": replace(`"weight": "received",`+"\n"+`    "price": "day"`,
			`"weight": "after_melt",`+"\n"+`    "price": "day"`),
		"an advance on what is settled": replace(`"assays": "seller"`, `"assays": "settled"`),
		"costs of assay and freight borne": replace(`{"code": "umpire", "per": "passed_on", "cost": "umpire"}`,
			`{"code": "umpire", "per": "passed_on", "cost": "umpire"},
    {"code": "freight", "per": "passed_on", "cost": "freight"}`),
	} {
		t.Run(name, func(t *testing.T) {
			j := judge(t)
			j.journey(terms)
			if j.compared < 4 {
				t.Errorf("only %d statements were compared", j.compared)
			}
		})
	}
}

// journey takes two bars from the pour to a corrected statement, with a slip at every step that is put right.
func (j *judged) journey(terms func(string) string) {
	const ibbet, perpetua, lucan = "quillmoss/ibbet", "quillmoss/perpetua", "quillmoss/lucan"
	const dilly, ansel, fennimore = "thistlequay/dilly", "thistlequay/ansel", "thistlequay/fennimore"
	j.people()
	j.agree(terms)
	j.now = "2025-03-05T10:00:00-04:00"
	j.pour("QM-1", "49562.4 g", "QM-2", "49562.2 g")
	j.record(ibbet, &pb.SampleTaken{SampleId: "S-1", Source: "quillmoss/P-1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	j.report(perpetua, "R-0", "quillmoss/S-1", "Au=811.00", "Ag=140.00") // a later one counts
	slip := j.report(perpetua, "R-1", "quillmoss/S-1", "Au=813.90", "Ag=184.20")
	j.right(perpetua, slip,
		&pb.Corrected{Replacement: &pb.Corrected_AssayReported{AssayReported: &pb.AssayReported{AssayId: "R-1",
			Sample: "quillmoss/S-1", Results: []*pb.AssayResult{{Element: "Au", Fineness: "813.90 ppt"}, {Element: "Ag",
				Fineness: "148.20 ppt"}}}}})
	j.ship("QM-1", "QM-2")
	j.now = "2025-03-10T17:05:00+00:00"
	first := j.receive("QM-1", "49562.3 g")
	second := j.receive("QM-2", "49561.1 g")
	j.now = "2025-03-10T18:05:00+00:00"
	j.right(dilly, second, &pb.Corrected{Replacement: &pb.Corrected_BarReceived{BarReceived: j.receipt("QM-2",
		"49562.1 g")}})
	j.record(dilly, &pb.SampleTaken{SampleId: "S-1", Source: "quillmoss/QM-1",
		Method: pb.SampleMethod_SAMPLE_METHOD_DRILL})
	j.report(ansel, "R-1", "thistlequay/S-1", "Au=813.10", "Ag=146.00") // sealed: the bar has arrived
	j.record(perpetua, &pb.SampleTaken{SampleId: "S-2", Source: "quillmoss/QM-1",
		Method: pb.SampleMethod_SAMPLE_METHOD_DRILL})
	j.report(perpetua, "R-2", "quillmoss/S-2", "Au=815.00", "Ag=150.00") // and so does the mine's own
	j.now = "2025-03-11T08:00:00+00:00"
	j.do(func() {
		j.record(dilly, &pb.LotOpened{LotId: "L-1", Agreement: "quillmoss/TQ-2025-04", Bars: []string{"quillmoss/QM-1",
			"quillmoss/QM-2"}})
	})
	j.now = "2025-03-12T10:00:00+00:00"
	j.do(func() {
		j.record(fennimore, &pb.AdvancePaid{Lot: "thistlequay/L-1", Amount: "5000000.00 USD", PaidOn: "2025-03-12"})
	})
	var melt uint64
	j.do(func() {
		melt = j.record(dilly, &pb.Melted{Lot: "thistlequay/L-1", Balance: "thistlequay/TB1", Before: "99124 g",
			After: "99097 g", Slag: "12 g"})
	})
	melted := func(after string) *pb.Corrected {
		return &pb.Corrected{Replacement: &pb.Corrected_Melted{Melted: &pb.Melted{Lot: "thistlequay/L-1",
			Balance: "thistlequay/TB1",
			Before:  "99124 g", After: after, Slag: "12 g"}}}
	}
	j.do(func() { melt = j.right(dilly, melt, melted("99095 g")) })
	j.now = "2025-03-20T10:00:00+00:00"
	j.exchange(perpetua, assay.Seller, ansel, assay.Refiner, j.compare)
	j.now = "2025-03-21T09:00:00+00:00"
	j.do(func() {
		j.record(fennimore, &pb.UmpireAppointed{Lot: "thistlequay/L-1", Elements: []string{"Ag"}, Laboratory: "umbercount",
			PacketSeal: "QS-2"})
	})
	j.now = "2025-03-27T15:00:00+00:00"
	j.do(func() {
		j.record("umbercount/umbra", &pb.UmpireReported{Lot: "thistlequay/L-1",
			Results:    []*pb.AssayResult{{Element: "Ag", Fineness: "146.80 ppt"}},
			PacketSeal: "QS-2", Fee: "640.00 USD"})
	})
	if strings.Contains(terms(`{"code": "umpire", "per": "passed_on", "cost": "umpire"}`), "freight") {
		j.do(func() {
			j.record(lucan, &pb.CostRecorded{Lot: "thistlequay/L-1", Kind: "freight", Amount: "100.10 USD",
				SellerSharePercent: "33.3", Reference: "waybill"})
		})
	}
	j.now = "2025-04-03T10:00:00+00:00"
	issue := func(number string, kind pb.StatementKind) uint64 {
		issued := &pb.StatementIssued{StatementId: number, Lot: "thistlequay/L-1", Kind: kind, SettledOn: "2025-04-04",
			Reason: "put right"}
		st, err := j.try(issued)
		if err != nil {
			j.Fatal(err)
		}
		issued.Digest = st.Digest()
		return j.record(lucan, issued) // the book refuses another digest than its own
	}
	j.do(func() { j.countersign(fennimore, issue("ST-1", pb.StatementKind_STATEMENT_KIND_FINAL)) })
	j.now = "2025-04-03T11:00:00+00:00"
	waiting := j.right(dilly, first, &pb.Corrected{Replacement: &pb.Corrected_BarReceived{BarReceived: j.receipt("QM-1",
		"49561.3 g")}})
	j.compare() // not in effect yet
	j.do(func() { j.countersign(lucan, waiting) })
	j.do(func() {
		fix := j.right(dilly, melt, melted("99091 g"))
		j.compare()
		j.countersign(lucan, fix)
	})
	j.do(func() { j.countersign(fennimore, issue("ST-1C", pb.StatementKind_STATEMENT_KIND_CORRECTED)) })
}
