package book

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/internal/ledger"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// failedCheck is a check of a balance at 20 kg that showed an error of 1 g, five times what class I with e = 0.1 g may show
// in service there (OIML R 76-1, table 6: 200 000 e, ±1.0 e, doubled: 0.2 g).
func failedCheck(balance string) *pb.BalanceChecked {
	return &pb.BalanceChecked{Balance: balance, Points: []*pb.CheckPoint{{Nominal: "20000 g", WeightClass: "E2", Observed: "20001.00 g"}}}
}

// A failed check puts in doubt what the balance weighed since its last good check, wherever that lies, and nothing else.
func TestAFailedCheckTaintsExactlyWhatItShould(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	before := h.poured("W0", agreement, "1000.00 g") // before the good check
	h.quiet("ibbet", passed("quillmoss/QB1"))
	since := h.now
	r := h.poured("W1", agreement, "20000.00 g", "15000.00 g")
	wrong := h.must("ibbet", &pb.Weighed{Subject: r.mark(1), Stage: pb.WeighingStage_WEIGHING_STAGE_RELEASE, Balance: "quillmoss/QB1", Readings: twice("15000.10 g")})
	right := h.must("ibbet", h.correct(wrong, &pb.Weighed{Subject: r.mark(1), Stage: pb.WeighingStage_WEIGHING_STAGE_RELEASE, Balance: "quillmoss/QB1", Readings: twice("15000.01 g")}))
	r.packed()
	boxed := h.must("ibbet", &pb.Weighed{Subject: r.box(0), Stage: pb.WeighingStage_WEIGHING_STAGE_RELEASE, Balance: "quillmoss/QB1", Readings: twice("20500.00 g")})
	h.must("ibbet", r.advice())
	r.carried()
	h.must("dilly", passed("thistlequay/TB1")) // another balance, and another party's
	h.must("dilly", passed("thistlequay/TM1"))
	arrival := h.must("dilly", r.receipt(0, twice("20000.01 g")...))
	h.must("dilly", r.receipt(1, twice("15000.01 g")...))
	melt := r.melted("35000.02 g", "34990.00 g")

	failed := h.raises("ibbet", failedCheck("quillmoss/QB1"), inDoubt)
	d := h.one(failed, inDoubt)
	doubts := func(weights []*pb.WeightRecord) (list []uint64) {
		for _, w := range weights {
			if w.Doubt != "" {
				list = append(list, w.Entry)
			}
		}
		return list
	}
	for _, tt := range []struct {
		what string
		got  []uint64
		want []uint64
	}{
		{"before the good check", doubts(h.bar(before.mark(0)).Weights), nil},
		{"poured since", doubts(h.bar(r.mark(0)).Weights), []uint64{r.pour}},
		{"poured since and weighed again, the corrected weighing and not the one it replaced", doubts(h.bar(r.mark(1)).Weights), []uint64{r.pour, right}},
		{"a box weighed since", doubts(load(h, boxes, r.box(0)).Weights), []uint64{boxed}},
	} {
		if !slices.Equal(tt.got, tt.want) {
			t.Errorf("%s: in doubt are %v, want %v", tt.what, tt.got, tt.want)
		}
	}
	slices.Sort(d.Evidence)
	if want := []uint64{r.pour, right, boxed, failed}; !slices.Equal(d.Evidence, want) {
		t.Errorf("the evidence is %v, want %v", d.Evidence, want)
	}
	for _, part := range []string{"4 weighings", since.Format(time.RFC3339), r.mark(0), r.box(0)} {
		if !strings.Contains(d.Words, part) {
			t.Errorf("%q is not said: %s", part, d.Words)
		}
	}
	if !slices.Contains(h.bar(r.mark(0)).Discrepancies, d.Name) || slices.Contains(h.bar(before.mark(0)).Discrepancies, d.Name) || !slices.Contains(d.Parties, "thistlequay") {
		t.Errorf("the discrepancy hangs on the wrong bars, or is hidden from the other side: %v", d)
	}

	// The refinery's own balances: the arrival weights of TB1, then the melt of TM1.
	h.raises("dilly", failedCheck("thistlequay/TB1"), inDoubt)
	if got := doubts(h.bar(r.mark(0)).Weights); !slices.Equal(got, []uint64{r.pour, arrival}) {
		t.Errorf("after TB1 failed in doubt are %v", got)
	}
	if lot := h.lot(r.lotName()); lot.MeltDoubt != "" || lot.MeltBalance != "thistlequay/TM1" || lot.MeltUncertainty == "" {
		t.Errorf("melt on %s ± %s, doubt %q", lot.MeltBalance, lot.MeltUncertainty, lot.MeltDoubt)
	}
	d = h.one(h.raises("dilly", failedCheck("thistlequay/TM1"), inDoubt), inDoubt)
	if lot := h.lot(r.lotName()); lot.MeltDoubt == "" || !slices.Contains(lot.Discrepancies, d.Name) || !slices.Contains(d.Evidence, melt) {
		t.Errorf("the melt is not in doubt: %v, %v", lot, d)
	}
	// A second failure finds nothing new to put in doubt, and says so.
	if d = h.one(h.raises("dilly", failedCheck("thistlequay/TM1"), inDoubt), inDoubt); len(d.Evidence) != 1 || !strings.Contains(d.Words, "nothing was weighed") {
		t.Errorf("%v", d)
	}
}

// Random days at one balance against the plain rule: a weighing is in doubt if the check before it failed, is missing or
// is older than seven days, or if the check after it failed.
func TestDoubtAgainstThePlainRule(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, 4))
			h := staffed(t)
			type moment struct {
				at            time.Time
				check, passed bool
				mark          string
			}
			first := when(t, load(h, balances, "quillmoss/QB1").Checks[0].CheckedAt)
			moments := []moment{{at: first, check: true, passed: true}}
			for i := range 60 {
				h.now = h.now.Add(time.Duration(random.IntN(60)) * time.Hour)
				m := moment{check: random.IntN(4) == 0, passed: random.IntN(3) > 0, mark: fmt.Sprintf("D%d", i)}
				var body proto.Message = &pb.PourRecorded{PourId: m.mark, Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: m.mark, Readings: twice("1000.00 g")}}}
				if m.check {
					if body = passed("quillmoss/QB1"); !m.passed {
						body = failedCheck("quillmoss/QB1")
					}
				}
				m.at = when(t, h.sent[h.must("ibbet", body)].OccurredAt)
				moments = append(moments, m)
			}
			for i, m := range moments {
				if m.check {
					continue
				}
				var last, next *moment
				for j := range moments {
					switch {
					case !moments[j].check:
					case j < i:
						last = &moments[j]
					case next == nil:
						next = &moments[j]
					}
				}
				want := !last.passed || m.at.After(last.at.AddDate(0, 0, 7)) || next != nil && !next.passed
				if got := h.bar("quillmoss/" + m.mark).Weights[0].Doubt; (got != "") != want {
					t.Errorf("moment %d at %s: doubt %q, want %v", i, m.at, got, want)
				}
			}
		})
	}
}

// What reaches the ledger after a failed check and was weighed before it is in doubt from the start.
func TestALateWeighingBeforeAFailedCheck(t *testing.T) {
	h := staffed(t)
	early := h.now.Add(2 * time.Minute).Format(time.RFC3339)
	h.now = h.now.Add(time.Hour)
	h.raises("ibbet", failedCheck("quillmoss/QB1"), inDoubt)
	late := wrap(t, &pb.PourRecorded{PourId: "L", Balance: "quillmoss/QB1", Bars: []*pb.PouredBar{{Mark: "L", Readings: twice("1000.00 g")}}})
	late.OccurredAt = early
	h.raises("ibbet", late, inDoubt)
	if got := h.bar("quillmoss/L").Weights[0].Doubt; got != "the next check of the balance failed" {
		t.Errorf("doubt %q", got)
	}
}

func TestBalanceStatus(t *testing.T) {
	h := staffed(t)
	status := func(who, balance, at string) (s *pb.GetBalanceStatusResponse, err error) {
		c := h.caller(who)
		h.view(func(b *ledger.Book) { s, err = BalanceStatus(b, c, balance, at) })
		return s, err
	}
	checked := when(t, load(h, balances, "quillmoss/QB1").Checks[0].CheckedAt)
	r := h.poured("S1", "", "1000.00 g")
	for _, tt := range []struct{ balance, at, state, words string }{
		{"quillmoss/QB1", checked.Format(time.RFC3339), "in_date", "in date until " + checked.AddDate(0, 0, 7).Format(time.RFC3339)},
		{"quillmoss/QB1", checked.AddDate(0, 0, 7).Format(time.RFC3339), "in_date", "in date"}, // the last instant counts
		{"quillmoss/QB1", checked.AddDate(0, 0, 8).Format(time.RFC3339), "lapsed", "lapsed since " + checked.AddDate(0, 0, 7).Format(time.RFC3339)},
		{"quillmoss/QB1", checked.Add(-time.Hour).Format(time.RFC3339), "never", "never checked"},
		{"thistlequay/TB1", checked.Format(time.RFC3339), "never", "never checked"},
	} {
		s, err := status("ibbet", tt.balance, tt.at)
		if err != nil || s.State != tt.state || !strings.HasPrefix(s.Words, tt.words) {
			t.Errorf("%s at %s: %v, %v; want %s", tt.balance, tt.at, s, err, tt.words)
		}
	}
	now := h.now.Add(time.Hour).Format(time.RFC3339)
	s, err := status("ibbet", "quillmoss/QB1", now)
	if err != nil || len(s.Since) != 1 || s.Since[0].Subject != r.mark(0) || s.Since[0].Entry != r.pour || !strings.Contains(strings.Join(s.Notes, " "), "last adjustment are not stated") {
		t.Errorf("%v, %v", s, err)
	}
	if s, err = status("hob", "quillmoss/QB1", now); err != nil || len(s.Since) != 0 {
		t.Errorf("a carrier sees what is none of its business: %v, %v", s, err)
	}
	h.raises("ibbet", failedCheck("quillmoss/QB1"), inDoubt)
	if s, err = status("ibbet", "quillmoss/QB1", h.now.Format(time.RFC3339)); err != nil || s.State != "failed" || s.Until != "" || len(s.Since) != 1 || s.Since[0].Doubt == "" {
		t.Errorf("%v, %v", s, err)
	}
	if _, err = status("ibbet", "quillmoss/QB7", now); err == nil {
		t.Error("a balance that nobody registered has a status")
	}
	if _, err = status("ibbet", "quillmoss/QB1", "now"); err == nil {
		t.Error("an instant that is none is taken")
	}
}

// By hand, for a mean of two readings of 20 kg on QB1 (d = 0.01 g, r = 0.03 g, 0.2 g permitted in service):
// 2 √(0.01²/12 + (0.03/2.8)²/2 + 0.2²/3) = 0.2315 g.
func TestUncertaintyAndNotesOfAWeighing(t *testing.T) {
	h := staffed(t)
	r := h.poured("N1", "", "20000.00 g", "5.00 g")
	if got := h.bar(r.mark(0)).Weights[0]; got.Uncertainty != "0.23 g" || len(got.Notes) != 0 {
		t.Errorf("by hand 0.23 g and no note; got %s, %v", got.Uncertainty, got.Notes)
	}
	// 100 e = 10 g is the smallest load of class I (OIML R 76-1, table 3).
	notes := h.bar(r.mark(1)).Weights[0].Notes
	if len(notes) != 1 || !strings.Contains(notes[0], "below the 10.0 g") {
		t.Errorf("a load of 5 g is not warned of: %v", notes)
	}
	var told []string
	own, other := h.caller("ibbet"), h.caller("dilly")
	h.view(func(b *ledger.Book) {
		told = Remarks(b, own, r.pour)
		if r := Remarks(b, other, r.pour); r != nil {
			t.Errorf("another party is told %v", r)
		}
	})
	if len(told) != 1 || !strings.Contains(told[0], r.mark(1)) {
		t.Errorf("its author is told %v", told)
	}
}

// 0.003 % for each 100 m (National Physical Laboratory): from 3 m to 3900 m a load of 20 kg is misread by
// 20 000 × 0.0000003 × (3 − 3900) = −23.382 g.
func TestGravityIsWarnedOf(t *testing.T) {
	h := staffed(t)
	e := &pb.BalanceRegistered{BalanceId: "QB2", Site: "quillmoss/works", AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7}
	h.refused("wren", &pb.BalanceRegistered{BalanceId: "QB3", Site: e.Site, AccuracyClass: "I", Capacity: "32000 g", Readability: "0.01 g", VerificationInterval: "0.1 g", Repeatability: "0.03 g", CheckEveryDays: 7, AdjustedOn: "2027-01-20"}, "ADJUSTMENT_HALF_STATED")
	e.AdjustedOn, e.AdjustedAt = "2027-01-20", "thistlequay/nowhere"
	h.refused("wren", e, "SITE_UNKNOWN")
	e.AdjustedAt = "thistlequay/works"
	e.AdjustedOn = "2031-01-20"
	h.refused("wren", e, "DATE_IN_FUTURE")
	e.AdjustedOn = "2027-01-20"
	h.must("wren", e)
	h.must("ibbet", passed("quillmoss/QB2"))
	pour := func(id, readings string) []string {
		h.must("ibbet", &pb.PourRecorded{PourId: id, Balance: "quillmoss/QB2", Bars: []*pb.PouredBar{{Mark: id, Readings: twice(readings)}}})
		return h.bar("quillmoss/" + id).Weights[0].Notes
	}
	if notes := pour("G1", "20000.00 g"); len(notes) != 1 || !strings.Contains(notes[0], "-23.3820 g") {
		t.Errorf("by hand -23.382 g: %v", notes)
	}
	check := passed("quillmoss/QB2")
	check.AdjustedOn, check.AdjustedAt = "2027-02-01", "quillmoss/works"
	h.must("ibbet", check)
	if b := load(h, balances, "quillmoss/QB2"); b.AdjustedOn != "2027-02-01" || b.AdjustedAt != "quillmoss/works" {
		t.Errorf("adjusted on %s at %s", b.AdjustedOn, b.AdjustedAt)
	}
	if notes := pour("G2", "20000.00 g"); len(notes) != 0 {
		t.Errorf("adjusted where it stands: %v", notes)
	}
	away := wrap(t, &pb.PourRecorded{PourId: "G3", Balance: "quillmoss/QB2", Bars: []*pb.PouredBar{{Mark: "G3", Readings: twice("20000.00 g")}}})
	away.Place = "gorsefell/works" // 410 m: 20 000 × 0.0000003 × (3900 − 410) = 20.94 g
	h.must("ibbet", away)
	if notes := h.bar("quillmoss/G3").Weights[0].Notes; len(notes) != 1 || !strings.Contains(notes[0], "20.9400 g") {
		t.Errorf("carried elsewhere: %v", notes)
	}
}

// exchangedLots brings lots of 20 kg to their settled exchange; ahead is by how much the seller's gold is higher, in parts
// per thousand, and light by how many grams each bar arrives lighter.
func exchangedLots(h *house, agreement string, ahead, light []string) []*route {
	routes := meltedLots(h, agreement, light)
	for i, r := range routes {
		r.exchanged(1, [2]string{ahead[i], "147.60 ppt"}, [2]string{"812.00 ppt", "147.60 ppt"})
	}
	return routes
}

func meltedLots(h *house, agreement string, light []string) (routes []*route) {
	for i := range light {
		if i%3 == 0 { // keep the balances in date
			h.must("ibbet", passed("quillmoss/QB1"))
		}
		r := h.poured(fmt.Sprintf("X%d", i+1), agreement, "20000.00 g")
		r.assayed("812.50 ppt", "147.60 ppt")
		r.arrived(light[i])
		r.melted(light[i], light[i])
		routes = append(routes, r)
	}
	return routes
}

// Twelve lots through the book, the seller always ahead and never beyond its limit.
func TestBiasFromTheRecord(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	ahead := []string{"812.30 ppt", "812.40 ppt", "812.25 ppt", "812.35 ppt", "812.30 ppt", "812.20 ppt", "812.45 ppt", "812.30 ppt"}
	light := []string{"20000.10 g", "20000.05 g", "20000.12 g", "20000.08 g", "20000.10 g", "20000.02 g", "20000.15 g", "20000.10 g"}
	routes := exchangedLots(h, agreement, ahead, light)
	report := func(who string, r *pb.ReportBiasRequest) (*pb.ReportBiasResponse, error) {
		c := h.caller(who)
		if r.SettingsJson == "" {
			r.SettingsJson = biasSettings
		}
		var s BiasSeries
		var err error
		h.view(func(b *ledger.Book) { s, err = Bias(b, c, r) })
		if err != nil {
			return nil, err
		}
		return s.Report()
	}
	exchange := &pb.ReportBiasRequest{Of: pb.BiasOf_BIAS_OF_EXCHANGE, Element: "Au"}
	got, err := report("lucan", exchange)
	if err != nil {
		t.Fatal(err)
	}
	// By hand: differences add up to 2.55 ppt. Cost: Σ mass × d / 1000 × 0.5 / 31.1034768 g; nearly 20 kg each, so
	// 20 × 2.55 / 2 = 25.5 g = 0.820 oz, at the 2300.00 USD published when the lots were opened: 0.819857 oz × 2300 = 1885.67.
	// CUSUM k = 0.15: 0.15 0.40 0.50 0.70 0.85 0.90 1.20 1.35, below h = 5 × 0.3 = 1.5.
	if got.Count != 8 || got.Mean != "0.318750 ppt" || got.CostOunces != "0.820 oz Au" || !strings.HasPrefix(got.CostMoney, "1885.") || got.SignalledAt != "" {
		t.Errorf("by hand: 8, 0.318750 ppt, 0.820 oz, no signal; got %v %s %s %s %q", got.Count, got.Mean, got.CostOunces, got.CostMoney, got.SignalledAt)
	}
	if !strings.Contains(got.Words, "Always inside the limit, always on one side") || !strings.Contains(got.Words, "no lasting bias is found") {
		t.Error(got.Words)
	}
	if p := got.Points[1]; p.Of != routes[1].lotName() || p.Difference != "0.40 ppt" || p.Limit != "0.50 ppt" || len(p.Date) != 10 {
		t.Errorf("%v", p)
	}
	d := xml.NewDecoder(strings.NewReader(got.ChartSvg))
	for err == nil {
		_, err = d.Token()
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("the chart is no XML: %v", err)
	}
	// h = 4 × 0.3 = 1.20: the seventh sum equals it and is not beyond it, the eighth, 1.35, is.
	exchange.SettingsJson = strings.Replace(biasSettings, `"decision": "5"`, `"decision": "4"`, 1)
	if got, err = report("fennimore", exchange); err != nil || got.SignalledAt != routes[7].lotName() || !strings.Contains(got.Words, "rising since "+routes[0].lotName()) {
		t.Errorf("by hand: the signal is at the eighth; %v, %v", got, err)
	}
	// Filters: by day, by party.
	exchange.SettingsJson, exchange.ToDate = "", got.Points[4].Date
	exchange.FromDate = got.Points[4].Date
	if got, err = report("lucan", exchange); err != nil || got.Count < 2 || got.Points[0].Date != exchange.FromDate {
		t.Errorf("%v, %v", got, err)
	}
	exchange.FromDate, exchange.ToDate, exchange.Counterparty = "", "", "rushbeck"
	_, err = report("lucan", exchange)
	wantRefused(t, "with a refinery that has no lot", err, "DIFFERENCES_TOO_FEW")
	exchange.Counterparty = ""
	_, err = report("gale", exchange)
	wantRefused(t, "another mine", err, "DIFFERENCES_TOO_FEW")
	_, err = report("hob", exchange)
	wantRefused(t, "a carrier", err, "DIFFERENCES_TOO_FEW")
	exchange.SettingsJson = `{"sigma": "0.3"}`
	_, err = report("lucan", exchange)
	wantRefused(t, "settings that leave out", err, "SETTING_OUT_OF_RANGE")

	// The mine reported 812.50; settled is the mean of the two to two places, a half up: 812.15, .20, .13, .18, .15, .10, .23,
	// .15. By hand: 0.5 − 1.29/8 = 0.33875.
	mine := &pb.ReportBiasRequest{Of: pb.BiasOf_BIAS_OF_MINE_AGAINST_SETTLED, Element: "Au"}
	if got, err = report("lucan", mine); err != nil || got.Count != 8 || got.Mean != "0.338750 ppt" {
		t.Errorf("by hand 0.338750 ppt: %v, %v", got, err)
	}
	mine.Laboratory = "umbercount"
	_, err = report("lucan", mine)
	wantRefused(t, "a laboratory without reports", err, "DIFFERENCES_TOO_FEW")

	// Bars arrive 0.02 to 0.15 g heavier, and thin air explains more than that: what remains is a loss.
	weights := &pb.ReportBiasRequest{Of: pb.BiasOf_BIAS_OF_ARRIVAL_WEIGHT}
	if got, err = report("lucan", weights); err != nil || got.Count != 8 || strings.HasPrefix(got.Mean, "-") || !strings.Contains(got.Words, "Air buoyancy was taken off") || got.CostMoney == "" {
		t.Errorf("%v, %v", got, err)
	}
	_, err = report("hob", weights)
	wantRefused(t, "a carrier, who sees boxes and no bars", err, "DIFFERENCES_TOO_FEW")
	weights.Balance = "thistlequay/TM1"
	_, err = report("lucan", weights)
	wantRefused(t, "a balance that weighed no arrival", err, "DIFFERENCES_TOO_FEW")
}

// The statements' ounces against the returns': none credits less.
func TestBiasOfReturns(t *testing.T) {
	h := staffed(t)
	agreement := h.agree("A1")
	routes := meltedLots(h, agreement, twice("20000.00 g"))
	for series, price := range map[string]string{"gold (invented)": "2400.00", "silver (invented)": "29.000"} {
		h.must("lucan", &pb.PricesPublished{Series: series, Currency: "USD", Prices: []*pb.DailyPrice{{Date: "2027-02-15", Price: price}}})
	}
	h.clock("2027-02-15T08:00:00-05:00") // the day of the exchange prices the lot
	for i, r := range routes {
		r.exchanged(1, [2]string{"812.00 ppt", "147.60 ppt"}, [2]string{"812.00 ppt", "147.60 ppt"})
		id := fmt.Sprintf("ST%d", i)
		r.issue("lucan", id, pb.StatementKind_STATEMENT_KIND_FINAL, "2027-02-16")
		st := load(h, statements, "quillmoss/"+id)
		h.must("lucan", &pb.ReturnReceived{ReturnId: fmt.Sprintf("RT%d", i), Lot: r.lotName(), Document: returnOf(t, st, 0)})
	}
	c := h.caller("lucan")
	var s BiasSeries
	var err error
	h.view(func(b *ledger.Book) {
		s, err = Bias(b, c, &pb.ReportBiasRequest{Of: pb.BiasOf_BIAS_OF_STATEMENT_AGAINST_RETURN, Element: "Au", SettingsJson: biasSettings})
	})
	if err != nil {
		t.Fatal(err)
	}
	r, err := s.Report()
	if err != nil || r.Count != 2 || !strings.Contains(r.Words, "no difference at all") || r.Points[0].Difference != "0.000000 oz" {
		t.Errorf("%v, %v", r, err)
	}
	// The price of each is that of its own statement, not the last one published before it.
	if p := s.Points[0].Price.String(); p != "2400.00 USD" && p != "2400.000000 USD" {
		t.Errorf("the price is %s", p)
	}
}

// The sheet that was signed is computed again, and so is a corrected one.
func TestRecompute(t *testing.T) {
	h := staffed(t)
	sheet, err := os.ReadFile(filepath.Join("..", "..", "testdata", "examples", "measurement", "worksheet.json"))
	if err != nil {
		t.Fatal(err)
	}
	h.poured("K1", "", "20000.00 g")
	h.must("ibbet", &pb.SampleTaken{SampleId: "K1", Source: "quillmoss/K1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP})
	seq := h.must("perpetua", &pb.AssayReported{AssayId: "R1", Sample: "quillmoss/K1", WorksheetJson: string(sheet)})
	h.must("perpetua", &pb.AssayReported{AssayId: "R2", Sample: "quillmoss/K1", Results: results2("812.24 ppt", "")})
	recompute := func(who, name string) (out *pb.RecomputeAssayResponse, err error) {
		c := h.caller(who)
		var record *pb.AssayRecord
		h.view(func(b *ledger.Book) { record, err = ReportOf(b, c, name) })
		if err != nil {
			return nil, err
		}
		return Recompute(record, h.sent[record.Entry])
	}
	out, err := recompute("perpetua", "quillmoss/R1")
	// By hand, as in the example: gold 812.24, silver 148.1.
	if err != nil || !out.Agrees || out.Entry != seq || out.WorksheetJson != string(sheet) || out.Computed[0].Fineness != "812.24 ppt" || out.Computed[1].Fineness != "148.1 ppt" {
		t.Errorf("%v, %v", out, err)
	}
	_, err = recompute("perpetua", "quillmoss/R2")
	wantRefused(t, "a report without its sheet", err, "WORKSHEET_NOT_KEPT")
	_, err = recompute("hob", "quillmoss/R1")
	wantRefused(t, "a carrier", err, "NAME_UNKNOWN")
	_, err = recompute("perpetua", "quillmoss/R9")
	wantRefused(t, "no such report", err, "NAME_UNKNOWN")
	changed := strings.Replace(string(sheet), `"cornet": "203.10 mg"`, `"cornet": "203.05 mg"`, 1) // a cornet that was misread
	fixed := h.must("perpetua", h.correct(seq, &pb.AssayReported{AssayId: "R1", Sample: "quillmoss/K1", WorksheetJson: changed}))
	if out, err = recompute("perpetua", "quillmoss/R1"); err != nil || !out.Agrees || out.Entry != fixed || out.Computed[0].Fineness == "812.24 ppt" {
		t.Errorf("%v, %v", out, err)
	}
	record := &pb.AssayRecord{Report: "quillmoss/R1", Entry: seq, Results: results2("812.25 ppt", "148.1 ppt")}
	if out, err = Recompute(record, h.sent[seq]); err != nil || out.Agrees || !strings.Contains(out.Words, "reported as 812.25 ppt and computes to 812.24 ppt") {
		t.Errorf("%v, %v", out, err)
	}
}

func wantRefused(t *testing.T, what string, err error, reason string) {
	t.Helper()
	if !refusal.Is(err, reason) {
		t.Errorf("%s: %v, want %s", what, err, reason)
	}
}
