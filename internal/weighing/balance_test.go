package weighing

import (
	"strings"
	"testing"
	"time"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

const (
	r76  = "OIML R 76-1, classes and permitted errors, read in a public copy"
	r111 = "OIML R 111-1:2004 table 1"
)

func mass(s string) quantity.Mass      { return quantity.MustMass(s) }
func number(s string) quantity.Decimal { return quantity.MustDecimal(s) }

// bench is an invented balance: class II, 32 kg by 0.1 g, e = 1 g.
func bench() Balance {
	return Balance{Class: ClassII, Capacity: mass("32000 g"), Readability: mass("0.1 g"), Interval: mass("1 g"),
		Repeatability: mass("0.2 g"), CheckEvery: 1}
}

func balance(class Class, capacity, interval string) Balance {
	return Balance{Class: class, Capacity: mass(capacity), Readability: mass(interval), Interval: mass(interval),
		Repeatability: mass(interval), CheckEvery: 1}
}

func wantRefusal(t *testing.T, err error, reason, field string) {
	t.Helper()
	r := refusal.As(err)
	if r == nil {
		t.Fatalf("got %v, want a refusal %s", err, reason)
	}
	if r.Reason != reason || r.Field != field {
		t.Errorf("refused %s at %q, want %s at %q: %s", r.Reason, r.Field, reason, field, r.Text)
	}
	if len(r.Text) < 20 {
		t.Errorf("%s says too little: %q", reason, r.Text)
	}
}

func wantDecimal(t *testing.T, source, what string, got quantity.Decimal, want string) {
	t.Helper()
	if !got.Equal(number(want)) {
		t.Errorf("%s: %s is %s, want %s", source, what, got, want)
	}
}

func TestClassesOfR76(t *testing.T) {
	for _, tt := range []struct {
		class              Class
		capacity, interval string
		reason             string // empty: allowed
		minimum            string // g
	}{
		{ClassI, "50 g", "0.001 g", "", "0.1"},
		{ClassI, "49.999 g", "0.001 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassI, "10 g", "0.0009 g", "BALANCE_INTERVAL_NOT_ALLOWED", ""},
		{ClassI, "100000 kg", "0.001 g", "", "0.1"}, // no upper end
		{ClassII, "0.1 g", "0.001 g", "", "0.02"},
		{ClassII, "0.099 g", "0.001 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassII, "5000 g", "0.05 g", "", "1"},
		{ClassII, "5000.05 g", "0.05 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassII, "5000 g", "0.06 g", "BALANCE_INTERVAL_NOT_ALLOWED", ""}, // between the two rows of class II
		{ClassII, "5000 g", "0.09 g", "BALANCE_INTERVAL_NOT_ALLOWED", ""},
		{ClassII, "500 g", "0.1 g", "", "5"},
		{ClassII, "499.9 g", "0.1 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassII, "10 kg", "0.1 g", "", "5"},
		{ClassII, "10000.1 g", "0.1 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassII, "100 kg", "1 g", "", "50"},
		{ClassIII, "10 g", "0.1 g", "", "2"},
		{ClassIII, "9.9 g", "0.1 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassIII, "20 kg", "2 g", "", "40"},
		{ClassIII, "20.002 kg", "2 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassIII, "20 kg", "2.5 g", "BALANCE_INTERVAL_NOT_ALLOWED", ""},
		{ClassIII, "2500 g", "5 g", "", "100"},
		{ClassIII, "2499 g", "5 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassIII, "50 kg", "5 g", "", "100"},
		{ClassIII, "50.005 kg", "5 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassIIII, "500 g", "5 g", "", "50"},
		{ClassIIII, "499 g", "5 g", "BALANCE_INTERVALS_TOO_FEW", ""},
		{ClassIIII, "5 kg", "5 g", "", "50"},
		{ClassIIII, "5001 g", "5 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassIIII, "500 g", "2 g", "BALANCE_INTERVAL_NOT_ALLOWED", ""},
		// by hand: 18 450.0 g in intervals of 0.1 g is 184 500 e, outside class II; in intervals of 1 g it is 18 450 e
		{ClassII, "18450 g", "0.1 g", "BALANCE_INTERVALS_TOO_MANY", ""},
		{ClassII, "18450 g", "1 g", "", "50"},
	} {
		b := balance(tt.class, tt.capacity, tt.interval)
		err := b.Check()
		if tt.reason != "" {
			wantRefusal(t, err, tt.reason, "interval")
			continue
		}
		if err != nil {
			t.Errorf("%s: class %s, %s by %s refused: %v", r76, tt.class, tt.capacity, tt.interval, err)
			continue
		}
		wantDecimal(t, r76, "the smallest load of class "+string(tt.class), b.minimum(), tt.minimum)
	}
}

func TestRefusedIntervalsSayWhat(t *testing.T) {
	err := refusal.As(balance(ClassII, "18450 g", "0.1 g").Check())
	if err == nil || err.Values["n"] != "184500" || err.Values["allowed"] != "100000" {
		t.Fatalf("the refusal does not carry n and its bound: %+v", err)
	}
	if !strings.Contains(err.Text, "184500") || !strings.Contains(err.Text, "5000 to 100000") {
		t.Errorf("the refusal does not say n and the range: %s", err.Text)
	}
}

func TestBalanceMustBeWhole(t *testing.T) {
	for _, tt := range []struct {
		spoil         func(*Balance)
		reason, field string
	}{
		{func(b *Balance) { b.Class = "V" }, "BALANCE_CLASS_UNKNOWN", "class"},
		{func(b *Balance) { b.Class = "" }, "BALANCE_CLASS_UNKNOWN", "class"},
		{func(b *Balance) { b.Capacity = quantity.Mass{} }, "MASS_MISSING", "capacity"},
		{func(b *Balance) { b.Readability = mass("0 g") }, "MASS_NOT_POSITIVE", "readability"},
		{func(b *Balance) { b.Interval = mass("-1 g") }, "MASS_NOT_POSITIVE", "interval"},
		{func(b *Balance) { b.Repeatability = quantity.Mass{} }, "MASS_MISSING", "repeatability"},
		{func(b *Balance) { b.CheckEvery = 0 }, "BALANCE_CHECK_PERIOD", "check_every_days"},
		{func(b *Balance) { b.CheckEvery = maxCheckEvery + 1 }, "BALANCE_CHECK_PERIOD", "check_every_days"},
		{func(b *Balance) { b.Readability = mass("1.1 g") }, "BALANCE_READABILITY_ABOVE_INTERVAL", "readability"},
		{func(b *Balance) { b.Adjusted = Adjustment{On: "14 March", Place: "Zubrowka"} }, "DATE_MALFORMED", "adjusted.on"},
		{func(b *Balance) { b.Adjusted = Adjustment{On: "2025-03-14"} }, "PLACE_MALFORMED", "adjusted.place"},
		{func(b *Balance) {
			b.Adjusted = Adjustment{On: "2025-03-14", Place: "Zubrowka", Elevation: number("9001")}
		}, "ELEVATION_OUT_OF_RANGE", "adjusted.elevation_m"},
	} {
		b := bench()
		tt.spoil(&b)
		wantRefusal(t, b.Check(), tt.reason, tt.field)
	}
	if err := bench().Check(); err != nil {
		t.Fatal(err)
	}
}

func TestWarningsOfABalance(t *testing.T) {
	b := bench()
	b.Adjusted = Adjustment{On: "2025-03-14", Place: "Zubrowka", Elevation: number("3900")}
	if w := b.Warnings(); len(w) != 0 {
		t.Errorf("a plain balance warns: %v", w)
	}
	for _, tt := range []struct {
		reason string // OIML R 76-1 3.4.2 and 4.2.2.1, from memory
		spoil  func(*Balance)
	}{
		{"interval_above_ten_divisions", func(b *Balance) { b.Readability = mass("0.05 g") }},
		{"interval_differs_from_division", func(b *Balance) { b.Class = ClassIII; b.Interval = mass("5 g") }},
		{"division_unusual", func(b *Balance) { b.Readability = mass("0.3 g") }},
		{"division_unusual", func(b *Balance) { b.Readability = mass("0.11 g") }},
		{"repeatability_below_division", func(b *Balance) { b.Repeatability = mass("0.05 g") }},
		{"adjustment_unknown", func(b *Balance) { b.Adjusted = Adjustment{} }},
	} {
		spoiled := b
		tt.spoil(&spoiled)
		found := false
		for _, w := range spoiled.Warnings() {
			found = found || w.Reason == tt.reason && w.Text != ""
		}
		if !found {
			t.Errorf("no warning %s in %v", tt.reason, spoiled.Warnings())
		}
	}
}

// TestPermittedErrors takes both sides of every end of OIML R 76-1 table 6; upper ends belong to the lower band.
func TestPermittedErrors(t *testing.T) {
	for _, tt := range []struct {
		class    Class
		capacity string
		interval string
		loads    []string // in g
		errors   []string // in g, on first verification
	}{
		{ClassI, "300 g", "0.001 g", []string{"0.001", "50", "50.001", "200", "200.001", "300"},
			[]string{"0.0005", "0.0005", "0.001", "0.001", "0.0015", "0.0015"}},
		{ClassII, "100000 g", "1 g", []string{"1", "5000", "5000.01", "20000", "20000.01", "100000"},
			[]string{"0.5", "0.5", "1", "1", "1.5", "1.5"}},
		{ClassIII, "20000 g", "2 g", []string{"2", "1000", "1000.1", "4000", "4000.1", "20000"},
			[]string{"1", "1", "2", "2", "3", "3"}},
		{ClassIIII, "5000 g", "5 g", []string{"5", "250", "250.1", "1000", "1000.1", "5000"},
			[]string{"2.5", "2.5", "5", "5", "7.5", "7.5"}},
	} {
		b := balance(tt.class, tt.capacity, tt.interval)
		for i, load := range tt.loads {
			first, err := b.Permitted(mass(load+" g"), AtVerification)
			if err != nil {
				t.Fatal(err)
			}
			wantDecimal(t, r76, "the permitted error at "+load+" g, class "+string(tt.class), first, tt.errors[i])
			service, err := b.Permitted(mass(load+" g"), InService)
			if err != nil {
				t.Fatal(err)
			}
			// Doubled in service: a calculator page citing R 76-1; clause 3.5.2 from memory.
			if !service.Equal(first.Add(first)) {
				t.Errorf("in service at %s g: %s, want twice %s", load, service, first)
			}
		}
	}
	// by hand: class II, e = 1 g, 18 450 e: 1 g, in service 2 g
	got, err := bench().Permitted(mass("18450.0 g"), InService)
	if err != nil {
		t.Fatal(err)
	}
	wantDecimal(t, "by hand: 2 × 1.0 e", "permitted", got, "2")

	_, err = bench().Permitted(mass("32000.1 g"), InService)
	wantRefusal(t, err, "LOAD_ABOVE_CAPACITY", "load")
	_, err = bench().Permitted(mass("0 g"), InService)
	wantRefusal(t, err, "MASS_NOT_POSITIVE", "load")
	_, err = bench().Permitted(mass("1 kg"), "")
	wantRefusal(t, err, "OCCASION_UNKNOWN", "occasion")
	_, err = Balance{}.Permitted(mass("1 kg"), InService)
	wantRefusal(t, err, "BALANCE_CLASS_UNKNOWN", "balance.class")
}

// weightTable is OIML R 111-1:2004 table 1 in mg. Up to 5 kg from a weight maker's reprint; M1 and M2 from a ministry's
// consultation; E2, F1 and F2 from 10 kg up are from memory.
const weightTable = `
1 g	0.03	0.10	0.3	1.0	3.0
2 g	0.04	0.12	0.4	1.2	4.0
5 g	0.05	0.16	0.5	1.6	5.0
10 g	0.06	0.20	0.6	2.0	6.0
20 g	0.08	0.25	0.8	2.5	8.0
50 g	0.10	0.3	1.0	3.0	10
100 g	0.16	0.5	1.6	5.0	16
200 g	0.3	1.0	3.0	10	30
500 g	0.8	2.5	8.0	25	80
1 kg	1.6	5.0	16	50	160
2 kg	3.0	10	30	100	300
5 kg	8.0	25	80	250	800
10 kg	16	50	160	500	1600
20 kg	30	100	300	1000	3000
50 kg	80	250	800	2500	8000`

func TestWeightErrors(t *testing.T) {
	rows := strings.Split(strings.TrimSpace(weightTable), "\n")
	if len(rows) != len(nominals) {
		t.Fatalf("%d nominal values, want %d", len(nominals), len(rows))
	}
	for _, row := range rows {
		cells := strings.Split(row, "\t")
		for i, class := range []string{"E2", "F1", "F2", "M1", "M2"} {
			got, err := WeightError(mass(cells[0]), class)
			if err != nil {
				t.Fatal(err)
			}
			wantDecimal(t, r111, cells[0]+" "+class+" in mg", got.Shift(3), cells[i+1])
		}
	}
	_, err := WeightError(mass("3 kg"), "F1")
	wantRefusal(t, err, "WEIGHT_NOMINAL_UNKNOWN", "nominal")
	_, err = WeightError(mass("1 kg"), "E1")
	wantRefusal(t, err, "WEIGHT_CLASS_UNKNOWN", "weight_class")
}

func TestCheckBalance(t *testing.T) {
	points := []CheckPoint{
		{Nominal: mass("5 kg"), WeightClass: "F1", Observed: mass("5001.0 g")},     // 5000 e: 0.5 g, in service 1 g: equal
		{Nominal: mass("20000 g"), WeightClass: "F1", Observed: mass("19998.0 g")}, // 1 g, in service 2 g: equal
		{Nominal: mass("25 kg"), WeightClass: "F1", Observed: mass("25000.2 g"), Weights: []quantity.Mass{mass("20 kg"), mass("5 kg")}},
	}
	got, err := CheckBalance(bench(), points, InService)
	if err != nil {
		t.Fatal(err)
	}
	if !got.Passed || len(got.Warnings) != 0 {
		t.Errorf("a check with errors equal to the permitted ones: %+v", got)
	}
	for i, want := range []struct{ err, permitted, weight string }{{"1.0", "1", "0.025"}, {"-2.0", "2", "0.100"}, {"0.2", "3", "0.125"}} {
		wantDecimal(t, "by hand", "error", got.Points[i].Error, want.err)
		wantDecimal(t, r76, "permitted", got.Points[i].Permitted, want.permitted)
		wantDecimal(t, r111, "weights", got.Points[i].WeightError, want.weight)
	}
	got, err = CheckBalance(bench(), points, AtVerification)
	if err != nil {
		t.Fatal(err)
	}
	if got.Passed || got.Points[0].Passed || got.Points[1].Passed || !got.Points[2].Passed {
		t.Errorf("at verification the first two loads must fail and the last pass: %+v", got)
	}
	points[0].Observed = mass("5001.1 g")
	if got, err = CheckBalance(bench(), points, InService); err != nil || got.Passed || got.Points[0].Passed || !got.Points[1].Passed {
		t.Errorf("one division beyond the permitted error passed: %+v, %v", got, err)
	}
	// M2 and M1 at 20 kg: 3 g and 1 g, more than a third of 1 g (R 76-1 3.7.1, from memory)
	for class, warns := range map[string]bool{"M2": true, "M1": true, "F2": false} { // F2: 0.3 g
		p := []CheckPoint{{Nominal: mass("20 kg"), WeightClass: class, Observed: mass("20000.0 g")}}
		got, err = CheckBalance(bench(), p, AtVerification)
		if err != nil || (len(got.Warnings) == 1 && got.Warnings[0].Reason == "weights_too_coarse") != warns {
			t.Errorf("class %s weights: %+v, %v", class, got, err)
		}
	}
}

func TestCheckBalanceRefuses(t *testing.T) {
	good := CheckPoint{Nominal: mass("5 kg"), WeightClass: "F1", Observed: mass("5000.1 g")}
	for _, tt := range []struct {
		spoil         func(*CheckPoint)
		reason, field string
	}{
		{func(p *CheckPoint) { p.Nominal = quantity.Mass{} }, "MASS_MISSING", "points[1].nominal"},
		{func(p *CheckPoint) { p.Nominal = mass("50 kg") }, "LOAD_ABOVE_CAPACITY", "points[1].nominal"},
		{func(p *CheckPoint) { p.Nominal = mass("7 kg") }, "WEIGHT_NOMINAL_UNKNOWN", "points[1].nominal"},
		{func(p *CheckPoint) { p.WeightClass = "Z" }, "WEIGHT_CLASS_UNKNOWN", "points[1].weight_class"},
		{func(p *CheckPoint) { p.Observed = mass("5000.11 g") }, "READING_FINER_THAN_READABILITY", "points[1].observed"},
		{func(p *CheckPoint) { p.Observed = mass("32009.1 g") }, "READING_ABOVE_CAPACITY", "points[1].observed"},
		{func(p *CheckPoint) { p.Observed = quantity.Mass{} }, "READING_NOT_POSITIVE", "points[1].observed"},
		{func(p *CheckPoint) { p.Weights = []quantity.Mass{mass("2 kg"), mass("2 kg")} }, "CHECK_WEIGHTS", "points[1].weights"},
		{func(p *CheckPoint) { p.Weights = []quantity.Mass{mass("2 kg"), mass("3 kg")} }, "WEIGHT_NOMINAL_UNKNOWN", "points[1].weights[1]"},
		{func(p *CheckPoint) { p.Weights = make([]quantity.Mass, maxWeights+1) }, "CHECK_WEIGHTS", "points[1].weights"},
	} {
		bad := good
		tt.spoil(&bad)
		_, err := CheckBalance(bench(), []CheckPoint{good, bad}, InService)
		wantRefusal(t, err, tt.reason, tt.field)
	}
	_, err := CheckBalance(bench(), nil, InService)
	wantRefusal(t, err, "CHECK_POINTS", "points")
	_, err = CheckBalance(bench(), make([]CheckPoint, maxPoints+1), InService)
	wantRefusal(t, err, "CHECK_POINTS", "points")
	_, err = CheckBalance(bench(), []CheckPoint{good}, "yearly")
	wantRefusal(t, err, "OCCASION_UNKNOWN", "occasion")
	_, err = CheckBalance(Balance{}, []CheckPoint{good}, InService)
	wantRefusal(t, err, "BALANCE_CLASS_UNKNOWN", "balance.class")
	if _, err := CheckBalance(bench(), []CheckPoint{{Nominal: mass("20 kg"), WeightClass: "F1", Observed: mass("32009.0 g")}}, InService); err != nil {
		t.Errorf("nine intervals above capacity can be shown: %v", err)
	}
}

func TestStatusAndDoubt(t *testing.T) {
	day := func(d, h int) time.Time { return time.Date(2025, 3, d, h, 0, 0, 0, time.FixedZone("", -4*3600)) }
	b := bench()
	b.CheckEvery = 2
	checks := []DatedResult{ // in no order
		{day(10, 8), false},
		{day(1, 8), true},
		{day(8, 8), true},
		{day(11, 8), true},
	}
	for _, tt := range []struct {
		at    time.Time
		state State
		doubt Doubt
	}{
		{day(1, 7), Never, DoubtNever},
		{day(1, 8), InDate, ""}, // counts from its own instant
		{day(3, 8), InDate, ""}, // the last instant included
		{day(3, 8).Add(1), Lapsed, DoubtLapsed},
		{day(8, 7), Lapsed, DoubtLapsed},
		{day(8, 8), InDate, DoubtFailedLater},
		{day(9, 12), InDate, DoubtFailedLater},
		{day(10, 8), Failed, DoubtFailed},
		{day(11, 7), Failed, DoubtFailed},
		{day(11, 8), InDate, ""},
		{day(13, 9), Lapsed, DoubtLapsed},
		{day(11, 12).UTC(), InDate, ""}, // 08:00 at the site
	} {
		if got := Status(tt.at, checks, b); got != tt.state {
			t.Errorf("at %s: %s, want %s", tt.at, got, tt.state)
		}
		if got := InDoubt(tt.at, checks, b); got != tt.doubt {
			t.Errorf("at %s: doubt %q, want %q", tt.at, got, tt.doubt)
		}
	}
	if since, everything := TaintedSince(day(10, 8), checks); everything || !since.Equal(day(8, 8)) {
		t.Errorf("tainted since %s (%t), want the good check of the 8th", since, everything)
	}
	if _, everything := TaintedSince(day(1, 8), checks); !everything {
		t.Error("with no good check before the failed one every weighing is in doubt")
	}
	tie := []DatedResult{{day(1, 8), true}, {day(1, 8), false}, {day(2, 8), true}, {day(2, 8), false}}
	if got := Status(day(1, 9), tie, b); got != Failed {
		t.Errorf("of two checks at one instant the failed counts, got %s", got)
	}
	if got := InDoubt(day(1, 9), []DatedResult{{day(1, 8), true}, tie[2], tie[3]}, b); got != DoubtFailedLater {
		t.Errorf("of two later checks at one instant the failed counts, got %q", got)
	}
}
