package settlement

import (
	"bytes"
	"strings"
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

func strict() Tolerances {
	return Tolerances{Mass: quantity.MustMass("0 g"), Fineness: fineness("0 ppt"), Rate: ptr("0"), Money: ptr("0")}
}

func reconciled(t testing.TB, ours Statement, theirs Return) Reconciliation {
	t.Helper()
	r, err := Reconcile(ours, theirs, strict())
	if err != nil {
		t.Fatal(err)
	}
	wantSums(t, r)
	return r
}

// wantSums checks that the parts add up exactly, in metal and in money.
func wantSums(t testing.TB, r Reconciliation) {
	t.Helper()
	add := func(shares []Share) (sum quantity.Decimal) {
		for i, s := range shares {
			if s.Part != Parts[i] {
				t.Errorf("part %d is %s, want %s", i, s.Part, Parts[i])
			}
			sum = sum.Add(s.Amount)
		}
		return sum
	}
	for _, m := range r.Metal {
		if sum := add(m.Parts); !sum.Equal(m.Difference) || !m.Difference.Equal(m.Theirs.Sub(m.Ours)) {
			t.Errorf("%s: the parts add up to %s, the difference is %s = %s - %s", m.Element, sum, m.Difference, m.Theirs, m.Ours)
		}
	}
	if sum := add(r.Money.Parts); !sum.Equal(r.Money.Difference) || !r.Money.Difference.Equal(r.Money.Theirs.Sub(r.Money.Ours)) {
		t.Errorf("money: the parts add up to %s, the difference is %s", sum, r.Money.Difference)
	}
}

// shown writes the parts that are not zero.
func shown(shares []Share) string {
	var parts []string
	for _, s := range shares {
		if !s.Amount.IsZero() {
			parts = append(parts, string(s.Part)+" "+s.Amount.Trim().String())
		}
	}
	return strings.Join(parts, ", ")
}

func TestReconcileWithItself(t *testing.T) {
	for _, file := range []string{"full_settlement", "full_provisional", "order_of_rounding", "direction_of_rounding", "bar_by_the_pound", "charge_taken_off"} {
		s := settled(t, file)
		r := reconciled(t, s, s.Return())
		if !r.Agrees || shown(r.Money.Parts) != "" || len(r.Notes) != 0 {
			t.Errorf("%s differs from itself: %s %v", file, shown(r.Money.Parts), r.Notes)
		}
		for _, m := range r.Metal {
			if shown(m.Parts) != "" {
				t.Errorf("%s: %s differs from itself: %s", file, m.Element, shown(m.Parts))
			}
		}
		for _, l := range r.Lines {
			if l.Verdict != Same {
				t.Errorf("%s: %s %s", file, l.Path, l.Verdict)
			}
		}
	}
}

// Each cause alone lands in its own part. Ours is the settlement of reference 04, 5; the parts are worked out by hand, to
// what rounding leaves.
func TestEachCauseHasItsPart(t *testing.T) {
	for _, tt := range []struct {
		cause        string
		change       func(*PreviewInput)
		metal, money string
		hand         string
	}{
		{"weight", func(in *PreviewInput) {
			in.Lot.Units[0].AfterMelt = quantity.MustMass("37448.60 g")
			in.Terms.Charges = nil
		}, "weight", "weight, charges", "100 g less"},
		{"assay", func(in *PreviewInput) { in.Lot.Units[0].Assays[0].Fineness = fineness("811.44 ppt") }, "assay", "assay", "1 ppt less"},
		{"payable terms", func(in *PreviewInput) { band(in).Percent = ptr("99.5") }, "payable_terms", "payable_terms", "0.4 % less"},
		{"a deduction", func(in *PreviewInput) { band(in).Percent, band(in).DeductMass = nil, quantity.MustMass("3 oz") }, "payable_terms", "payable_terms", "3 oz off"},
		{"price", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Value = dec("2340.25") }, "", "price", "10 less an ounce"},
		{"charges", func(in *PreviewInput) { treatment(in).Rate = ptr("0.60") }, "", "charges", "0.05 more an ounce"},
		{"interest", func(in *PreviewInput) { in.Terms.Advance.InterestRate = ptr("6") }, "", "charges", "half a percent more"},
		{"rounding", func(in *PreviewInput) {
			gold(in).FineRounding.Mode = quantity.Down
			gold(in).PayableRounding.Mode = quantity.HalfUp
		}, "", "", "nothing moves here"},
		{"rounding of the value", func(in *PreviewInput) { in.Terms.Money.Value = rounding(1, quantity.Down) }, "", "rounding", "cut to tenths"},
	} {
		ours := settled(t, "full_settlement")
		theirs := settled(t, "full_settlement", tt.change)
		if tt.cause == "weight" {
			ours = settled(t, "full_settlement", func(in *PreviewInput) { in.Terms.Charges = nil })
			tt.money = "weight"
		}
		r := reconciled(t, ours, theirs.Return())
		checkParts(t, tt.cause+", metal", r.Metal[0].Parts, tt.metal, "0.001")
		checkParts(t, tt.cause+", money", r.Money.Parts, tt.money, "3")
		if r.Agrees != (tt.money == "") {
			t.Errorf("%s: agrees %v", tt.cause, r.Agrees)
		}
	}
}

// checkParts wants nothing but the named parts, and no more rounding than rounding can be.
func checkParts(t *testing.T, what string, shares []Share, want, mostRounding string) {
	t.Helper()
	var got []string
	for _, s := range shares {
		if s.Part == PartRounding && want != "rounding" {
			if s.Amount.Abs().Cmp(dec(mostRounding)) > 0 {
				t.Errorf("%s: %s is more than rounding", what, s.Amount)
			}
			continue
		}
		if !s.Amount.IsZero() {
			got = append(got, string(s.Part))
		}
	}
	if strings.Join(got, ", ") != want {
		t.Errorf("%s: parts %s, want %s", what, shown(shares), want)
	}
}

// The figures of one split, by hand: their percentage of 99.50 instead of 99.90 on 980.790 fine ounces at 2350.25.
// Exact fine content 980.790179186656 oz: at 99.90 it pays 979.809389 oz, at 99.50 it pays 975.886228 oz, 3.923161 less;
// printed 979.809 and 975.886 differ by 3.923, so 0.000161 is rounding. In money 3.9231607 × 2350.25 = 9220.4085.
func TestAWrongPercentageByHand(t *testing.T) {
	ours := settled(t, "full_settlement")
	theirs := settled(t, "full_settlement", func(in *PreviewInput) { band(in).Percent = ptr("99.50") })
	r := reconciled(t, ours, theirs.Return())
	if got := shown(r.Metal[0].Parts); got != "payable_terms -3.923161, rounding 0.000161" {
		t.Errorf("ounces: %s", got)
	}
	if got := r.Money.Difference.String(); got != "-9220.03" { // by hand: 975.886 × 2350.25 = 2293576.0715
		t.Errorf("money: %s", got)
	}
	if got := shown(r.Money.Parts); got != "payable_terms -9220.4085, rounding 0.3785" {
		t.Errorf("money: %s", got)
	}
}

// The charge on gross weight moves with the weight, and with its rate.
func TestChargesFollowTheirQuantity(t *testing.T) {
	ours := settled(t, "full_settlement")
	theirs := settled(t, "full_settlement", func(in *PreviewInput) {
		in.Lot.Units[0].AfterMelt = quantity.MustMass("37548.50 g")
		treatment(in).Rate = ptr("0.60")
	})
	r := reconciled(t, ours, theirs.Return())
	parts := map[Part]quantity.Decimal{}
	for _, s := range r.Money.Parts {
		parts[s.Part] = s.Amount
	}
	// By hand: 1207.213 oz × 0.05 more = 60.36065 charges.
	if got := parts[PartCharges]; got.String() != "-60.3606" && got.String() != "-60.3607" {
		t.Errorf("charges %s", got)
	}
}

func TestMissingLines(t *testing.T) {
	s := settled(t, "full_settlement")
	for _, tt := range []struct {
		name         string
		without      []string
		more         []ReturnLine
		metal, money string
	}{
		{"a charge", []string{"charge/treatment", "net"}, nil, "", "missing_lines 663.97"},
		{"a charge, and the net stands", []string{"charge/treatment"}, nil, "", ""},
		{"gold not paid", []string{"payable/Au", "payable_total/Au", "value/Au", "net"}, nil, "missing_lines -979.809", "missing_lines -2302796.1"},
		{"gold not valued", []string{"value/Au", "net"}, nil, "", "missing_lines -2302796.1"},
		{"a charge not agreed", []string{"net"}, []ReturnLine{{Code: ChargeLine, Name: "courtesy", Amount: quantity.MustMoney("-50.00 USD")}}, "", "missing_lines -50"},
		{"a metal not ours", []string{"net"}, []ReturnLine{
			{Code: PayableTotal, Element: "Pt", Quantity: ptr("1.5"), QuantityUnit: "oz"},
			{Code: Value, Element: "Pt", Amount: quantity.MustMoney("1500.00 USD")},
		}, "", "missing_lines 1500"},
		{"fine and weight not stated", []string{"gross_weight", "gross_after_melt", "gross_after_melt/M1", "fine/Au", "fine_total/Au", "fine/Ag", "fine_total/Ag", "payable/Au", "payable/Ag"}, nil, "", ""},
		{"prices not stated", []string{"price/Au", "price/Ag"}, nil, "", ""},
	} {
		theirs := Return{Lines: tt.more}
		for _, l := range s.Return().Lines {
			if !strings.Contains("\n"+strings.Join(tt.without, "\n")+"\n", "\n"+l.Path()+"\n") {
				theirs.Lines = append(theirs.Lines, l)
			}
		}
		r := reconciled(t, s, theirs)
		if got := shown(r.Metal[0].Parts); got != tt.metal {
			t.Errorf("%s: metal %s, want %s", tt.name, got, tt.metal)
		}
		if got := shown(r.Money.Parts); tt.name != "a charge, and the net stands" && got != tt.money {
			t.Errorf("%s: money %s, want %s", tt.name, got, tt.money)
		}
	}
}

func TestBarsThatOnlyOneSideHas(t *testing.T) {
	two := func(in *PreviewInput) {
		in.Terms.Per = PerBar
		first := in.Lot.Units[0]
		first.Received = first.Received[:1]
		second := first
		second.ID, second.Received = "M2", []Bar{{ID: "B2", Mass: quantity.MustMass("100 oz")}}
		second.AfterMelt = quantity.MustMass("100 oz")
		in.Lot.Units = []Unit{first, second}
	}
	ours := settled(t, "full_settlement", two)
	r := reconciled(t, ours, without(ours.Return(), "payable/Au/M2", "payable_total/Au"))
	// By hand: 81.244 fine, × 0.999 = 81.162756, cut to 81.162.
	if got := shown(r.Metal[0].Parts); got != "missing_lines -81.162" {
		t.Errorf("a bar that they left out: %s", got)
	}
	r = reconciled(t, ours, without(ours.Return(), "payable/Au/M2"))
	if got := shown(r.Metal[0].Parts); got != "" || len(r.Notes) == 0 {
		t.Errorf("a bar left out of the list and not of the total: %s, %v", got, r.Notes)
	}
	theirs := ours.Return()
	theirs.Lines = append(theirs.Lines, ReturnLine{Code: PayableMetal, Element: "Au", Unit: "M3", Quantity: ptr("5.000"), QuantityUnit: "oz"})
	r = reconciled(t, ours, without(theirs, "payable_total/Au"))
	if got := shown(r.Metal[0].Parts); got != "missing_lines 5" {
		t.Errorf("a bar that we never had: %s", got)
	}
	// The same weight and the same metal, moved from one bar to the other, is no difference in total but one in each bar.
	swapped := settled(t, "full_settlement", two, func(in *PreviewInput) {
		in.Lot.Units[0].ID, in.Lot.Units[1].ID = "M2", "M1"
	})
	r = reconciled(t, ours, swapped.Return())
	checkParts(t, "swapped", r.Metal[0].Parts, "", "0.001")
	if r.Agrees {
		t.Error("swapped bars do not agree line by line")
	}
}

func without(r Return, paths ...string) Return {
	var kept Return
	for _, l := range r.Lines {
		drop := false
		for _, p := range paths {
			drop = drop || l.Path() == p
		}
		if !drop {
			kept.Lines = append(kept.Lines, l)
		}
	}
	return kept
}

// What a return credits decides, not what it says that it used.
func TestAStatedFactorThatDoesNotGiveItsFigure(t *testing.T) {
	s := settled(t, "full_settlement")
	for _, tt := range []struct {
		path   string
		change func(*ReturnLine)
		part   Part
		note   string
	}{
		{"payable/Au", func(l *ReturnLine) { l.Quantity = ptr("970.000") }, PartPayable, "payable terms"},
		{"value/Au", func(l *ReturnLine) { l.Amount = quantity.MustMoney("2300000.00 USD") }, PartPrice, "price"},
	} {
		theirs := without(s.Return(), "payable_total/Au", "net", "metal_value", "net_value")
		for i := range theirs.Lines {
			if theirs.Lines[i].Path() == tt.path {
				tt.change(&theirs.Lines[i])
			}
		}
		r := reconciled(t, s, theirs)
		if len(r.Notes) == 0 || !strings.Contains(strings.Join(r.Notes, "\n"), tt.note) {
			t.Errorf("%s: notes %v", tt.path, r.Notes)
		}
		for _, share := range r.Money.Parts {
			if share.Part == tt.part && share.Amount.Abs().Cmp(dec("1000")) < 0 {
				t.Errorf("%s: %s", tt.path, shown(r.Money.Parts))
			}
			if share.Part == PartRounding && share.Amount.Abs().Cmp(dec("3")) > 0 {
				t.Errorf("%s: more than rounding: %s", tt.path, shown(r.Money.Parts))
			}
		}
	}
}

func TestTolerances(t *testing.T) {
	s := settled(t, "full_settlement")
	theirs := s.Return()
	for i := range theirs.Lines {
		switch theirs.Lines[i].Path() {
		case "payable/Au", "payable_total/Au":
			theirs.Lines[i].Quantity = ptr("979.808")
		case "value/Au":
			theirs.Lines[i].Amount = quantity.MustMoney("2302793.75 USD")
		case "net":
			theirs.Lines[i].Amount = quantity.MustMoney("226321.76 USD")
		}
	}
	for _, tt := range []struct {
		mass, money string
		agrees      bool
	}{
		{"0.001 oz", "2.35", true}, {"0.0311034768 g", "2.35", true}, {"0.0311034767 g", "2.35", false}, {"0.001 oz", "2.34", false},
	} {
		r, err := Reconcile(s, theirs, Tolerances{Mass: quantity.MustMass(tt.mass), Fineness: fineness("0 ppt"), Rate: ptr("0"), Money: ptr(tt.money)})
		if err != nil || r.Agrees != tt.agrees {
			t.Errorf("%s, %s: agrees %v, %v", tt.mass, tt.money, r.Agrees, err)
		}
	}
	_, err := Reconcile(s, theirs, Tolerances{})
	wantRefused(t, "TOLERANCES_INCOMPLETE", err)
	theirs.Lines[len(theirs.Lines)-1].Amount = quantity.MustMoney("1 CHF")
	_, err = Reconcile(s, theirs, strict())
	wantRefused(t, "CURRENCY_MIXED", err)
}

func TestReturnFromCSV(t *testing.T) {
	const table = "code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\r\n" +
		"payable_total,Au,,,979.809,oz,,,\r\n" +
		"value,Au,,,979.809,oz,2350.25,USD/oz,2302796.10 USD\r\n" +
		"charge,,treatment,,1207.216,oz,0.55,USD/oz,-663.97 USD\r\n" +
		"net,,,,,,,,226324.11 USD\r\n"
	r, err := ParseReturn([]byte("\ufeff" + table))
	if err != nil || len(r.Lines) != 4 || r.Lines[2].Row != 4 || r.Lines[2].Path() != "charge/treatment" {
		t.Fatalf("%v, %v", r, err)
	}
	if got := r.CSV(); string(got) != strings.ReplaceAll(table, "\r\n", "\n") {
		t.Errorf("printed as %s", got)
	}
	again, err := ParseReturn(r.JSON())
	if err != nil || !bytes.Equal(again.JSON(), r.JSON()) {
		t.Errorf("as JSON: %v", err)
	}
	s := settled(t, "full_settlement")
	whole, err := ParseReturn(s.Return().CSV())
	if err != nil {
		t.Fatal(err)
	}
	if rec := reconciled(t, s, whole); !rec.Agrees {
		t.Error("a statement written as CSV agrees with itself")
	}

	for name, tt := range map[string]struct{ table, reason, at string }{
		"no column":         {"code,element\nnet,\n", "COLUMN_MISSING", "row 1"},
		"a column too many": {strings.Replace(table, "code,", "mood,code,", 1), "COLUMN_UNKNOWN", "row 1"},
		"a column twice":    {strings.Replace(table, "name", "code", 1), "COLUMN_REPEATED", "row 1"},
		"no rows":           {table[:strings.Index(table, "\r\n")], "TABLE_EMPTY", ""},
		"nothing":           {"", "ROW_MALFORMED", "row 1"},
		"an exponent":       {strings.Replace(table, "0.55", "5e-1", 1), "NUMBER_MALFORMED", "row 4"},
		"a cell too few":    {strings.Replace(table, "net,,", "net,", 1), "ROW_MALFORMED", "row 5"},
		"an open quote":     {strings.Replace(table, "net", "\"net", 1), "ROW_MALFORMED", "row 5"},
		"no currency":       {strings.Replace(table, "226324.11 USD", "226324.11", 1), "MONEY_MALFORMED", "row 5"},
		"no unit":           {strings.Replace(table, "979.809,oz,,,", "979.809,,,,", 1), "UNIT_MISSING", "row 2"},
		"a wrong unit":      {strings.Replace(table, "979.809,oz,,,", "979.809,lb,,,", 1), "UNIT_UNKNOWN", "row 2"},
		"an unknown code":   {strings.Replace(table, "net", "grand_total", 1), "LINE_CODE", "row 5"},
		"a line twice":      {table + "net,,,,,,,,226324.11 USD\r\n", "LINE_REPEATED", "row 6"},
		"an empty line":     {table + "metal_value,,,,,,,,\r\n", "LINE_EMPTY", "row 6"},
		"an unknown metal":  {strings.Replace(table, "total,Au", "total,AU", 1), "ELEMENT_UNKNOWN", "row 2"},
	} {
		got, err := ParseReturn([]byte(tt.table))
		wantRefused(t, tt.reason, err)
		if e := refusal.As(err); e != nil && !strings.HasPrefix(e.Field, tt.at) {
			t.Errorf("%s: at %q, want %q", name, e.Field, tt.at)
		}
		if len(got.Lines) != 0 {
			t.Errorf("%s: %d lines were taken", name, len(got.Lines))
		}
	}
}

func TestPricesAndHolidays(t *testing.T) {
	series, err := ParsePrices([]byte("date,value,series\n2027-03-02,2351,invented gold\n2027-03-01,2350.25,invented gold\n2027-03-01,29.455,invented silver\n"))
	if err != nil || len(series) != 2 || series[0].Name != "invented gold" || series[0].Points[0].Value.String() != "2350.25" {
		t.Fatalf("%v, %v", series, err)
	}
	calendars, err := ParseHolidays([]byte("calendar,date\ninvented bank,2027-12-27\ninvented bank,2027-12-24\n"))
	if err != nil || len(calendars) != 1 || calendars[0].Days[0].String() != "2027-12-24" {
		t.Fatalf("%v, %v", calendars, err)
	}
	for table, reason := range map[string]string{
		"series,date,value\nx,2027-03-01,1\nx,2027-03-01,2\n": "PRICE_REPEATED",
		"series,date,value\nx,2027-03-32,1\n":                 "DATE_MALFORMED",
		"series,date,value\nx,2027-03-01,0\n":                 "PRICE_NOT_POSITIVE",
		"series,date,value\nx,2027-03-01,NaN\n":               "NUMBER_MALFORMED",
		"series,date,value\n,2027-03-01,1\n":                  "NAME_MISSING",
		"series,date\nx,2027-03-01\n":                         "COLUMN_MISSING",
	} {
		_, err := ParsePrices([]byte(table))
		wantRefused(t, reason, err)
	}
	for table, reason := range map[string]string{
		"calendar,date\nx,2027-12-24\nx,2027-12-24\n": "HOLIDAY_REPEATED",
		"calendar,date\nx,Christmas\n":                "DATE_MALFORMED",
	} {
		_, err := ParseHolidays([]byte(table))
		wantRefused(t, reason, err)
	}
}

func TestComparePreview(t *testing.T) {
	in := load(t, "full_settlement")
	theirs := settled(t, "full_settlement", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Value = dec("2340.25") })
	b := canonical(CompareInput{Terms: in.Terms, Lot: in.Lot, Return: theirs.Return(), Tolerances: strict()})
	r, err := ComparePreview(b)
	if err != nil {
		t.Fatal(err)
	}
	if got := shown(r.Money.Parts); got != "price -9798.09" { // by hand: 979.809 × 10
		t.Errorf("%s", got)
	}
}
