package settlement

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"barward/internal/quantity"
)

func TestMetalBalanceOfTheFullSettlement(t *testing.T) {
	s := settled(t, "full_settlement")
	// By hand: received 37 560.10 g × 0.81244 / 31.1034768 = 981.0906; loss 981.091 - 980.790; unpaid 980.790 - 979.809.
	for i, want := range [][4]string{{"981.091", "979.809", "0.981", "0.301"}, {"179.025", "175.390", "3.580", "0.055"}} {
		m := s.Metal[i]
		got := [4]string{m.Received.String(), m.Payable.String(), m.Unpaid.String(), m.Loss.String()}
		if got != want {
			t.Errorf("%s: received, payable, unpaid, loss %v, want %v", m.Element, got, want)
		}
	}
}

func TestAlteredStatementsDoNotBalance(t *testing.T) {
	for name, alter := range map[string]func(*Statement){
		"amount":        func(s *Statement) { line(s, "value/Au").Amount = quantity.MustMoney("2302796.11 USD") },
		"currency":      func(s *Statement) { line(s, "value/Au").Amount = quantity.MustMoney("2302796.10 CHF") },
		"net":           func(s *Statement) { s.Net = quantity.MustMoney("226324.12 USD") },
		"money net":     func(s *Statement) { s.Money.Net = dec("0") },
		"charges":       func(s *Statement) { s.Money.Charges, s.Money.Value = dec("0"), s.Money.Value.Add(s.Money.Charges) },
		"payable":       func(s *Statement) { line(s, "payable/Au").Quantity = ptr("979.810") },
		"payable total": func(s *Statement) { line(s, "payable_total/Au").Quantity = ptr("979.810") },
		"metal":         func(s *Statement) { s.Metal[0].Loss = dec("0.302") },
		"counted net":   func(s *Statement) { line(s, "net").Counts = true },
	} {
		s := settled(t, "full_settlement")
		if err := s.Balance(); err != nil {
			t.Fatal(err)
		}
		alter(&s)
		err := s.Balance()
		if err == nil {
			t.Errorf("%s altered, and the statement balances", name)
			continue
		}
		wantRefused(t, "STATEMENT_UNBALANCED", err)
		_, err = ParseStatement(s.JSON())
		wantRefused(t, "STATEMENT_UNBALANCED", err)
	}
}

func line(s *Statement, path string) *Line {
	for i := range s.Lines {
		if s.Lines[i].Path() == path {
			return &s.Lines[i]
		}
	}
	panic("no line " + path)
}

func TestExplainLeadsToTheEntries(t *testing.T) {
	s := settled(t, "full_settlement")
	for path, want := range map[string][]Ref{
		"net": {"prices-invented-gold", "prices-invented-silver", "weighing-M1-1", "weighing-M1-2", "melt-M1", "exchange-Au",
			"exchange-Ag", "exchange-1", "advance-1", "payment-1"},
		"payable_total/Au": {"melt-M1", "exchange-Au"},
		"charge/treatment": {"melt-M1"},
		"interest/1":       {"advance-1", "payment-1"},
		"gross_received":   {"weighing-M1-1", "weighing-M1-2"},
		"price/Ag":         {"prices-invented-silver", "exchange-1"},
	} {
		e, err := s.Explain(path)
		if err != nil {
			t.Fatal(err)
		}
		got := e.Refs()
		for _, r := range got {
			if !slices.Contains(want, r) {
				t.Errorf("%s rests on %s, which it should not: %v", path, r, got)
			}
		}
		for _, r := range want {
			if path == "net" && (r == "weighing-M1-1" || r == "weighing-M1-2") {
				continue // the settlement weight is the one after melt
			}
			if !slices.Contains(got, r) {
				t.Errorf("%s does not rest on %s: %v", path, r, got)
			}
		}
	}
	_, err := s.Explain("payable")
	wantRefused(t, "LINE_AMBIGUOUS", err)
	_, err = s.Explain("no such line")
	wantRefused(t, "LINE_UNKNOWN", err)
	byNumber, err := s.Explain("1")
	if err != nil || byNumber.Line.Code != GrossReceived {
		t.Errorf("line 1: %v, %v", byNumber.Line, err)
	}
}

// Every line leads to an entry of the ledger, directly or through the lines below it.
func TestEveryLineHasAReference(t *testing.T) {
	for _, file := range []string{"full_settlement", "full_provisional", "order_of_rounding", "direction_of_rounding", "bar_gold", "charge_taken_off"} {
		s := settled(t, file)
		for _, l := range s.Lines {
			if l.Code == Net || l.Code == NetValue || l.Code == Fineness {
				continue // of a lot paid in metal there may be no money at all
			}
			e, err := s.Explain(l.Path())
			if err != nil {
				t.Fatal(err)
			}
			if l.Code == FineContent && len(l.Refs) == 0 && file != "full_settlement" && file != "full_provisional" {
				continue // assays of the short files were entered without one
			}
			if len(e.Refs()) == 0 {
				t.Errorf("%s: %s rests on nothing", file, l.Path())
			}
		}
	}
}

func TestCorrect(t *testing.T) {
	first := settled(t, "full_settlement")
	second := settled(t, "full_settlement", func(in *PreviewInput) {
		in.Lot.Units[0].Assays[0].Fineness = fineness("812.55 ppt") // by hand: 980.923 oz fine, 979.942 oz payable
	})
	c, err := Correct(first, second)
	if err != nil {
		t.Fatal(err)
	}
	s := c.Statement
	if s.Kind != Corrected || s.Version != 2 || s.Previous != first.Digest() {
		t.Errorf("%s version %d after %s", s.Kind, s.Version, s.Previous)
	}
	if c.NetBefore.String() != "226324.11 USD" || !c.Difference.Equal(c.NetAfter.Amount().Sub(c.NetBefore.Amount())) {
		t.Errorf("net %s, %s, %s", c.NetBefore, c.NetAfter, c.Difference)
	}
	changed := map[string]Change{}
	for _, change := range c.Changes {
		changed[change.Path] = change
	}
	for _, path := range []string{"fine/Au", "payable/Au", "payable_total/Au", "value/Au", "net"} {
		if why := changed[path].Because; len(why) != 1 || why[0] != "fine/Au" {
			t.Errorf("%s changed because of %v, want fine/Au", path, why)
		}
	}
	if _, moved := changed["payable/Ag"]; moved {
		t.Error("silver did not move")
	}
	if _, err := ParseStatement(s.JSON()); err != nil {
		t.Errorf("a correction reads back: %v", err)
	}

	byTerms := settled(t, "full_settlement", func(in *PreviewInput) { in.Terms.Version, treatment(in).Rate = 2, ptr("0.50") })
	c, err = Correct(first, byTerms)
	if err != nil || c.Changes[0].Path != "charge/treatment" || c.Changes[0].Because[0] != "terms reference-5 version 2" {
		t.Errorf("%v, %v", c.Changes, err)
	}
	dropped := settled(t, "full_settlement", func(in *PreviewInput) { in.Terms.Charges = nil })
	c, err = Correct(first, dropped)
	if err != nil || c.Changes[len(c.Changes)-1].Path != "charge/treatment" || c.Changes[len(c.Changes)-1].After != "" {
		t.Errorf("%v, %v", c.Changes, err)
	}

	_, err = Correct(first, first)
	wantRefused(t, "CORRECTION_EMPTY", err)
	other := first
	other.Lot = "another"
	_, err = Correct(first, other)
	wantRefused(t, "LOT_MIXED", err)
	other = second
	other.Number = "another"
	_, err = Correct(first, other)
	wantRefused(t, "NUMBER_MIXED", err)
}

func TestDigestIsOfTheFigures(t *testing.T) {
	for _, file := range []string{"full_settlement", "full_provisional", "direction_of_rounding", "bar_odd_ounces"} {
		a, b := settled(t, file), settled(t, file)
		if a.Digest() != b.Digest() || len(a.Digest()) != 64 {
			t.Errorf("%s: equal figures, unequal digests", file)
		}
		read, err := ParseStatement(a.JSON())
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		if !bytes.Equal(read.JSON(), a.JSON()) {
			t.Errorf("%s does not print as it was read", file)
		}
	}
	a := settled(t, "full_settlement")
	b := settled(t, "full_settlement", func(in *PreviewInput) { in.Lot.Units[0].Received[0].Refs[0] = "another entry" })
	if a.Digest() == b.Digest() {
		t.Error("another entry, the same digest")
	}
}

func TestStatementsThatRunAstrayAreRefused(t *testing.T) {
	for reason, alter := range map[string]func(*Statement){
		"LINE_ORDER":      func(s *Statement) { s.Lines[2].From = []int{3} },
		"LINE_NUMBER":     func(s *Statement) { s.Lines[2].No = 2 },
		"LINE_CODE":       func(s *Statement) { s.Lines[2].Code = "" },
		"LINES_MISSING":   func(s *Statement) { s.Lines = nil },
		"KIND_UNKNOWN":    func(s *Statement) { s.Kind = "final-ish" },
		"VERSION_MISSING": func(s *Statement) { s.Version = 0 },
		"NAME_MISSING":    func(s *Statement) { s.Lot = "" },
		"LINE_DEPTH": func(s *Statement) {
			for len(s.Lines) < 100 {
				s.Lines = append(s.Lines, Line{No: len(s.Lines) + 1, Code: Fineness, From: []int{len(s.Lines)}})
			}
		},
	} {
		s := settled(t, "full_settlement")
		alter(&s)
		_, err := ParseStatement(s.JSON())
		wantRefused(t, reason, err)
	}
}

func TestLotsThatCannotBeSettledAreRefused(t *testing.T) {
	unit := func(in *PreviewInput) *Unit { return &in.Lot.Units[0] }
	for name, tt := range map[string]struct {
		reason string
		change func(*PreviewInput)
	}{
		"no units":         {"UNITS_MISSING", func(in *PreviewInput) { in.Lot.Units = nil }},
		"no weight":        {"MASS_MISSING", func(in *PreviewInput) { unit(in).Received[0].Mass = quantity.Mass{} }},
		"negative weight":  {"MASS_NOT_POSITIVE", func(in *PreviewInput) { unit(in).Received[0].Mass = quantity.MustMass("-1 g") }},
		"absurd weight":    {"FIGURE_OUT_OF_RANGE", func(in *PreviewInput) { unit(in).Received[0].Mass = quantity.MustMass("10000001 kg") }},
		"no melt":          {"AFTER_MELT_MISSING", func(in *PreviewInput) { unit(in).AfterMelt = quantity.Mass{} }},
		"no assay":         {"ASSAY_MISSING", func(in *PreviewInput) { unit(in).Assays = unit(in).Assays[1:] }},
		"two assays":       {"ASSAY_REPEATED", func(in *PreviewInput) { unit(in).Assays = append(unit(in).Assays, unit(in).Assays[0]) }},
		"nobody's assay":   {"ASSAY_OF_UNKNOWN", func(in *PreviewInput) { unit(in).Assays[0].Of = "hearsay" }},
		"unknown element":  {"ELEMENT_UNKNOWN", func(in *PreviewInput) { unit(in).Assays[0].Element = "Xx" }},
		"bar twice":        {"BAR_REPEATED", func(in *PreviewInput) { unit(in).Received[1].ID = unit(in).Received[0].ID }},
		"unit twice":       {"UNIT_REPEATED", func(in *PreviewInput) { in.Lot.Units = append(in.Lot.Units, in.Lot.Units[0]) }},
		"no price":         {"PRICE_MISSING", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Date = MustDate("2027-03-02") }},
		"no series":        {"SERIES_MISSING", func(in *PreviewInput) { in.Lot.Prices = in.Lot.Prices[1:] }},
		"price of nothing": {"PRICE_NOT_POSITIVE", func(in *PreviewInput) { in.Lot.Prices[0].Points[0].Value = dec("0") }},
		"price twice":      {"SERIES_ORDER", func(in *PreviewInput) { p := &in.Lot.Prices[0]; p.Points = append(p.Points, p.Points[0]) }},
		"no day":           {"EVENT_MISSING", func(in *PreviewInput) { in.Lot.Dates = nil }},
		"no calendar":      {"CALENDAR_MISSING", func(in *PreviewInput) { gold(in).Price.Day.Calendars = []string{"unheard of"} }},
		"cost not agreed": {"COST_NOT_AGREED", func(in *PreviewInput) {
			c := cost(CostUmpire, "1 USD", "100")
			charges := in.Terms.Charges
			c(in)
			in.Terms.Charges = charges
		}},
		"cost in francs":    {"COST_AMOUNT", cost(CostUmpire, "1 CHF", "100")},
		"cost shared twice": {"COST_SHARE", cost(CostUmpire, "1 USD", "100.1")},
		"advance not agreed": {"ADVANCE_NOT_AGREED", func(in *PreviewInput) {
			in.Terms.Advance, in.Terms.Money.Advance, in.Terms.Money.Interest = nil, quantity.Rounding{}, quantity.Rounding{}
		}},
		"advance in francs":   {"ADVANCE_AMOUNT", func(in *PreviewInput) { in.Lot.Advances[0].Amount = quantity.MustMoney("1 CHF") }},
		"paid before advance": {"PAYMENT_BEFORE_ADVANCE", func(in *PreviewInput) { in.Lot.Payment.Date = MustDate("2027-02-28") }},
		"correction of what":  {"PREVIOUS_MISSING", func(in *PreviewInput) { in.Lot.Kind = Corrected }},
		"unknown kind":        {"KIND_UNKNOWN", func(in *PreviewInput) { in.Lot.Kind = "interim" }},
		"no version":          {"VERSION_MISSING", func(in *PreviewInput) { in.Lot.Version = 0 }},
		"weight rounded away": {"WEIGHT_ROUNDED_AWAY", func(in *PreviewInput) {
			in.Terms.WeightStep = &WeightStep{Unit: quantity.Kilogram, Rounding: rounding(0, quantity.Down)}
			unit(in).AfterMelt = quantity.MustMass("999 g")
		}},
		"empty reference":    {"REF_MALFORMED", func(in *PreviewInput) { unit(in).MeltRefs = []Ref{""} }},
		"control characters": {"NAME_MALFORMED", func(in *PreviewInput) { in.Lot.ID = "L\x1b[2J" }},
		"no rate":            {"SERIES_MISSING", func(in *PreviewInput) { convert(Multiply, "1")(in); in.Lot.Rates = nil }},
		"terms with gaps":    {"TERMS_INCOMPLETE", func(in *PreviewInput) { in.Terms.Per = "" }},
	} {
		_, err := tryPreview(t, load(t, "full_settlement", tt.change))
		if err == nil {
			t.Errorf("%s was settled", name)
			continue
		}
		wantRefused(t, tt.reason, err)
	}
}

func TestPreviewIsStrict(t *testing.T) {
	for text, reason := range map[string]string{
		`{"terms":{},"lot":{},"extra":1}`:                          "JSON_MALFORMED",
		`{"terms":{"settle_bar":"x"}}`:                             "JSON_MALFORMED",
		`{} {}`:                                                    "JSON_MALFORMED",
		`{"lot":{"units":[{"after_melt":"1e3 g"}]}}`:               "NUMBER_MALFORMED",
		`{"lot":{"units":[{"after_melt":"1 stone"}]}}`:             "UNIT_UNKNOWN",
		`{"lot":{"units":[{"assays":[{"fineness":"1001 ppt"}]}]}}`: "FINENESS_OUT_OF_RANGE",
		`{"lot":{"priced_to":"tomorrow"}}`:                         "DATE_MALFORMED",
		"{\"lot\":\"\xff\"}":                                       "TEXT_MALFORMED",
		`{}`:                                                       "TERMS_INCOMPLETE",
	} {
		_, err := Preview([]byte(text))
		wantRefused(t, reason, err)
	}
	_, err := ParseTerms([]byte(strings.Repeat(" ", maxTermsBytes+1)))
	wantRefused(t, "DOCUMENT_TOO_LONG", err)
}
