package book

import (
	"os"
	"path/filepath"
	"testing"

	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A provisional statement rests on the bars and on what the seller reported of them; a final one of terms that settle
// bar by bar on the bars and the settled assays. By hand, each bar rounded by itself with the rules of reference 04
// section 5: 18452.30 g × 812.30 / 1000 / 31.1034768 = 481.9012 → 481.901 oz, × 0.999 = 481.419099 → 481.419 down, and so
// on; the sums are below.
func TestProvisionalAndBarByBar(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1", func(m map[string]any) {
		m["settle_per"], m["settlement_weight"] = "bar", "received"
		m["advance"].(map[string]any)["weight"] = "received"
		m["charges"].([]any)[0].(map[string]any)["weight"] = "received"
	})
	r := h.poured("P1", agreement, "18452.30 g", "19107.80 g")
	r.assayed("812.30 ppt", "147.60 ppt")
	r.arrived("18452.30 g", "19107.80 g")
	h.must("dilly", r.opening())
	h.clock("2027-03-01T10:00:00Z")
	r.exchanged(1, [2]string{"812.30 ppt", "147.60 ppt"}, [2]string{"812.58 ppt", "148.90 ppt"})
	r.issue("fennimore", "SP", pb.StatementKind_STATEMENT_KIND_PROVISIONAL, "2027-03-01")
	wantLines(t, load(h, statements, "thistlequay/SP"), map[string]string{
		"payable_total/Au": "979.939 oz", "payable_total/Ag": "174.673 oz",
		"value/Au": "979.939 oz | 2350.25 USD/oz | 2303101.63 USD", "value/Ag": "174.673 oz | 29.4550 USD/oz | 5144.99 USD",
		"metal_value": "2308246.62 USD", "charge/treatment": "1207.585 oz | 0.55 USD/oz | -664.17 USD",
	})
	if got := h.lot(r.lotName()).State; got != pb.LotState_LOT_STATE_ASSAYS_SETTLED {
		t.Errorf("a provisional statement moved the lot to %v", got)
	}
	r.issue("lucan", "SF", pb.StatementKind_STATEMENT_KIND_FINAL, "2027-03-01")
	st := load(h, statements, "quillmoss/SF")
	wantLines(t, st, map[string]string{
		"fine_total/Au": "981.090 oz", "fine_total/Ag": "179.024 oz", "payable_total/Au": "980.108 oz", "payable_total/Ag": "175.443 oz",
		"value/Au": "980.108 oz | 2350.25 USD/oz | 2303498.83 USD", "value/Ag": "175.443 oz | 29.4550 USD/oz | 5167.67 USD",
		"metal_value": "2308666.50 USD",
	})
	c := h.caller("lucan")
	h.view(func(b *ledger.Book) {
		got, err := Reconcile(b, c, r.lotName(), returnOf(t, st, -3))
		if err != nil {
			t.Fatal(err)
		}
		if got.Statement != "quillmoss/SF" || got.Reconciliation.Difference != "-0.03 USD" {
			t.Errorf("got %s and %s", got.Statement, got.Reconciliation.Difference)
		}
	})
}

func wantLines(t *testing.T, st *pb.Statement, want map[string]string) {
	t.Helper()
	for code, figures := range want {
		if got := line(t, st, code); got != figures {
			t.Errorf("by hand: %s of %s is %s; got %s", code, st.Name, figures, got)
		}
	}
}

// The published settlement of reference 04 section 5, as figures and without a record.
func TestPreviewOfFiguresAlone(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "settlement", "testdata", "full_settlement.json"))
	if err != nil {
		t.Fatal(err)
	}
	st, err := PreviewFigures(b)
	if err != nil {
		t.Fatal(err)
	}
	if st.Net != "226324.11 USD" || st.Kind != pb.StatementKind_STATEMENT_KIND_FINAL || st.Name != "" {
		t.Errorf("reference 04 section 5: 226324.11 USD; got %s, %v", st.Net, st.Kind)
	}
	if _, err := PreviewFigures([]byte("{")); refusal.As(err) == nil || refusal.As(err).Field == "" {
		t.Errorf("got %v", err)
	}
}

// What an entry raised is told to those who may see it; who signed is known of a revoked key too.
func TestRaisedAndAuthor(t *testing.T) {
	h := staffed(t)
	r := h.poured("RA", h.agree("A1"), "20000.00 g")
	r.assayed("812.30 ppt", "147.60 ppt")
	r.advised()
	h.quiet("ibbet", r.release("pebblewing"))
	accept := r.accept("quillmoss")
	accept.Boxes[0].Seals = []string{"OTHER"}
	seal := h.raises("hob", accept, sealWrong)
	h.must("hob", func() *pb.Released {
		e := r.release("thistlequay")
		e.Boxes[0].Seals = []string{"OTHER"}
		return e
	}())
	h.must("dilly", passed("thistlequay/TB1"))
	back := r.accept("pebblewing")
	back.Boxes[0].Seals = []string{"OTHER"}
	h.must("dilly", back)
	light := h.raises("dilly", &pb.BarReceived{Consignment: r.consignment(), Box: r.box(0), Bar: r.mark(0), Seals: []string{"OTHER"}, Balance: "thistlequay/TB1", Readings: twice("19999.00 g")}, onArrival)
	for _, tt := range []struct {
		seq  uint64
		sees map[string]int
	}{
		{seal, map[string]int{"lucan": 1, "fennimore": 1, "hob": 1, "marjory": 0, "umbra": 0, "odo": 0, "rook": 0}},
		{light, map[string]int{"lucan": 1, "fennimore": 1, "hob": 0, "marjory": 0, "umbra": 0, "odo": 0, "rook": 0}},
	} {
		for who, want := range tt.sees {
			c := h.caller(who)
			h.view(func(b *ledger.Book) {
				if got := Raised(b, c, tt.seq); len(got) != want {
					t.Errorf("%s is told %v of entry %d, want %d", who, got, tt.seq, want)
				}
			})
		}
	}
	h.enrol("wren", "gone", "quillmoss", officer)
	h.must("wren", &pb.KeyRevoked{PublicKey: h.people["gone"].public(), Reason: "left"})
	h.view(func(b *ledger.Book) {
		if got := AuthorOf(b, h.people["gone"].public()); got != "quillmoss/gone" {
			t.Errorf("a revoked key is of %q", got)
		}
		if got := AuthorOf(b, make([]byte, 32)); got != "" {
			t.Errorf("an unknown key is of %q", got)
		}
	})
}

// The air is that of the site's elevation, or as measured beside the balance.
func TestAirAtTheBalance(t *testing.T) {
	h := staffed(t)
	pour := func(id string, air *pb.Air) *pb.PourRecorded {
		return &pb.PourRecorded{PourId: id, Balance: "quillmoss/QB1", Air: air, Bars: []*pb.PouredBar{{Mark: id, Readings: twice("100.00 g")}}}
	}
	h.must("ibbet", pour("A1", nil))
	// reference 05: the standard atmosphere has 0.81913 kg/m³ at 4000 m, and air is denser by about 0.01 a hundred metres down
	if got := h.bar("quillmoss/A1").Weights[0].AirKgM3; got < "0.81913" || got > "0.83" {
		t.Errorf("air at 3900 m is %s kg/m³", got)
	}
	// reference 05: CIPM-2007 at 101 325 Pa, 20 °C and 50 % gives 1.1993
	h.must("ibbet", pour("A2", &pb.Air{TemperatureC: "20", PressureHpa: "1013.25", HumidityPercent: "50"}))
	if got := h.bar("quillmoss/A2").Weights[0].AirKgM3; got < "1.19925" || got > "1.19935" {
		t.Errorf("air as measured is %s kg/m³", got)
	}
	h.refused("ibbet", pour("A3", &pb.Air{TemperatureC: "20", PressureHpa: "1013.25"}), "NUMBER_MISSING")
}
