package settlement

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/quantity"
)

// Before the melt nobody knows the weight after it. A provisional statement whose advance rests on the weight received
// takes a charge per gross after melt from that too, and says so; any other statement waits for the melt.
func TestProvisionalStatementBeforeTheMelt(t *testing.T) {
	unmelted := func(in *PreviewInput) {
		for i := range in.Lot.Units {
			in.Lot.Units[i].AfterMelt, in.Lot.Units[i].MeltRefs, in.Lot.Units[i].Slag = quantity.Mass{}, nil, quantity.Mass{}
		}
	}
	advanced := provisional(func(a *Advance) { a.Weight = Received })
	s := settled(t, "full_settlement", advanced, unmelted)
	wantFigures(t, "by hand: 37560.10 / 31.1034768 = 1207.58532; × 0.55 = 664.17175", s, "charge/treatment", "1207.585 oz at 0.55 USD/oz, -664.17 USD")
	if l := s.Find("charge/treatment")[0]; !strings.Contains(l.Text, "provisionally") || !strings.Contains(l.Formula, "the advance rests on") {
		t.Errorf("the line does not say which weight it took: %s, %s", l.Text, l.Formula)
	}
	melting := charge(Charge{Code: "melting", Per: ChargeMelt, Rate: ptr("120")})
	wantFigures(t, "no melt yet", settled(t, "full_settlement", advanced, unmelted, melting), "charge/melting", "0 melts at 120 USD/melt, 0.00 USD")

	// With the melt on record the charge is on its weight, also provisionally.
	wantFigures(t, "by hand: 37548.60 / 31.1034768 = 1207.21555; × 0.55 = 663.96880", settled(t, "full_settlement", advanced), "charge/treatment", "1207.216 oz at 0.55 USD/oz, -663.97 USD")

	for name, change := range map[string][]func(*PreviewInput){
		"final":                             {unmelted},
		"an advance on the weight after it": {provisional(func(a *Advance) { a.Weight = AfterMelt }), unmelted},
		"final on the weight received":      {unmelted, func(in *PreviewInput) { in.Terms.Weight = Received }},
		"provisional without an advance": {unmelted, func(in *PreviewInput) {
			in.Lot.Kind, in.Terms.Weight, in.Terms.Advance, in.Lot.Advances = Provisional, Received, nil, nil
		}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := tryPreview(t, load(t, "full_settlement", change...))
			wantRefused(t, "AFTER_MELT_MISSING", err)
		})
	}
}

// The value date moves the interest where no payment is known: by hand, days from 2027-03-02 (the advance) at 5.50 % of
// the advance over 360.
func TestValueDateMovesInterest(t *testing.T) {
	var days []string
	for _, lag := range []int{2, 4} {
		s := settled(t, "full_settlement", func(in *PreviewInput) {
			in.Lot.Payment, in.Terms.Payment.ValueDate.Lag = nil, lag
			in.Terms.Payment.ValueDate.Count = CalendarDays
			in.Terms.Payment.ValueDate.Rule = Following
		})
		l := s.Find("interest/1")[0]
		from := s.Find("advance/1")[0].Text
		days = append(days, l.Quantity.String())
		want := quantity.NewDecimal(int64(MustDate(s.ValueDate.String()).Sub(MustDate(from[len(from)-10:]))))
		if !l.Quantity.Equal(want) {
			t.Errorf("interest for %s days to value date %s, want %s", l.Quantity, s.ValueDate, want)
		}
	}
	if days[0] == days[1] {
		t.Errorf("a later value date moves nothing: %v days", days)
	}
}

// One more ounce of fine metal is paid by the percentage where the percentage decides, wholly where a deduction does, and
// not at all below the floor. All by hand.
func TestNextOunce(t *testing.T) {
	gross := quantity.MustMass("1000 oz")
	percent := PayableBand{From: fineness("0 ppt"), Percent: ptr("99.90")}
	both := percent
	both.DeductFineness, both.Deduction = fineness("0.50 ppt"), PaysLess
	first := both
	first.Deduction = DeductFirst
	deduct := PayableBand{From: fineness("0 ppt"), DeductFineness: fineness("1 ppt")}
	for name, tt := range map[string]struct {
		band     PayableBand
		floor    string
		fineness string
		want     string
	}{
		"percent alone":               {percent, "0 ppt", "812 ppt", "99.90"},
		"0.1 % of 812 is above 0.5":   {both, "0 ppt", "812 ppt", "99.90"},
		"0.1 % of 400 is below 0.5":   {both, "0 ppt", "400 ppt", "100"},
		"0.1 % of 500 is 0.5":         {both, "0 ppt", "500 ppt", "99.90"},
		"deduct first":                {first, "0 ppt", "400 ppt", "99.90"},
		"deduction alone":             {deduct, "0 ppt", "812 ppt", "100"},
		"the deduction takes it all":  {deduct, "0 ppt", "0.5 ppt", "0"},
		"below the floor":             {percent, "100 ppt", "99.9 ppt", "0"},
		"at the floor":                {percent, "100 ppt", "100 ppt", "99.90"},
		"nothing is paid of anything": {PayableBand{From: fineness("0 ppt"), Percent: ptr("0")}, "0 ppt", "812 ppt", "0"},
	} {
		m := MetalTerms{Unit: quantity.TroyOunce, Payable: Payable{Bands: []PayableBand{tt.band}, Floor: fineness(tt.floor)}}
		if got := m.NextOunce(fineness(tt.fineness), gross); !got.Equal(dec(tt.want)) {
			t.Errorf("%s: %s %%, want %s", name, got, tt.want)
		}
	}
}

// The words of the demonstration's agreement say each figure that its document states.
func TestWordsSayTheFigures(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
	if err != nil {
		t.Fatal(err)
	}
	terms, err := ParseTerms(b)
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Join(terms.Words(), "\n")
	for _, want := range []string{ // copied from the document
		"quillmoss sells to thistlequay", "version 1", "USD", "0.50 ppt", "2.00 ppt", "the middle of the three", "umbercount", "about 0.3 % of honest lots", // 0.50 / (0.12 √2) = 2.946: 2(1 - 0.9984), table of the normal distribution
		"within 21 days", "99.90 %",
		"98.00 %", "Lanternfold gold (invented)", "the day 2 business days after exchange", "rounded down to 3 places", "0.55 USD per oz", "450.00 USD per lot",
		"Advance: 90 %", "5.50 % a year, ACT/360", "0.02 ‰", "from 0 to 0.10 %", "10 ppt from 1000", "within 10 days", "decides nothing", "0.01 USD",
	} {
		if !strings.Contains(words, want) {
			t.Errorf("the words leave out %q:\n%s", want, words)
		}
	}
	if strings.Contains(words, "%!") || strings.Contains(words, "<nil>") {
		t.Errorf("the words are broken:\n%s", words)
	}
	for name, other := range map[string]func(*Terms){ // each of these terms changes what is said
		"umpire rule": func(t *Terms) { t.Metals[0].Exchange.UmpireRule = "umpire_alone" },
		"silence":     func(t *Terms) { t.Metals[0].Exchange.NoReportRule = "umpire_decides" },
		"rounds":      func(t *Terms) { t.Metals[0].Exchange.Rounds = 2 },
		"period":      func(t *Terms) { t.Metals[0].Price.Period, t.Metals[0].Price.Days = MeanOfDays, 5 },
		"month":       func(t *Terms) { t.Metals[0].Price.Period = MonthAfter },
		"missing":     func(t *Terms) { t.Metals[0].Price.Missing = MissingLastBefore },
		"provisional": func(t *Terms) { t.Metals[0].Price.Provisional = KnownDays },
		"valuation":   func(t *Terms) { t.Metals[1].Valuation = ByGross },
		"floor":       func(t *Terms) { t.Metals[0].Payable.Floor = fineness("5 ppt") },
		"lag":         func(t *Terms) { t.Metals[0].Price.Day.Lag = -1 },
		"weight step": func(t *Terms) { t.WeightStep = &WeightStep{Unit: "g", Rounding: rounding(1, quantity.Down)} },
		"charge":      func(t *Terms) { t.Charges[0].Per, t.Charges[0].Element = ChargeValue, "Au" },
		"minimum":     func(t *Terms) { t.Charges[0].Minimum = ptr("7") },
		"penalty": func(t *Terms) {
			t.Penalties = []Penalty{{Element: "Hg", Steps: ProRata, Rate: ptr("1"), Per: PenaltyFine, Of: "Au", Unit: "oz"}}
		},
		"account":       func(t *Terms) { t.Payment.In, t.Payment.Account = MetalAccount, "invented 7" },
		"conversion":    func(t *Terms) { t.Conversion = &Conversion{To: "CHF", Series: "invented", Direction: Divide} },
		"advance price": func(t *Terms) { t.Advance.Price = AdvancePeriod },
		"base":          func(t *Terms) { t.Metals[0].Exchange.SplittingLimits[0].Base = "Ag" },
		"relative":      func(t *Terms) { t.Limits.ArrivalBar.Absolute = quantity.Mass{} },
	} {
		changed, err := ParseTerms(b)
		if err != nil {
			t.Fatal(err)
		}
		if other(&changed); strings.Join(changed.Words(), "\n") == words {
			t.Errorf("%s: the words stay the same", name)
		}
	}
}
