package settlement

import (
	"fmt"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
)

// Random terms and lots. Every draw is settled through the same door as a file.

func drawDecimal(t *rapid.T, what string, least, most, places int) quantity.Decimal {
	scale := 1
	for range places {
		scale *= 10
	}
	return quantity.NewDecimal(int64(rapid.IntRange(least*scale, most*scale).Draw(t, what))).Shift(-places)
}

func drawRounding(t *rapid.T, what string, least, most int) quantity.Rounding {
	return rounding(rapid.IntRange(least, most).Draw(t, what+" places"), rapid.SampledFrom([]quantity.Mode{quantity.HalfUp, quantity.HalfEven, quantity.Down}).Draw(t, what+" mode"))
}

func drawUnit(t *rapid.T, what string) quantity.Unit {
	return rapid.SampledFrom([]quantity.Unit{quantity.Gram, quantity.Kilogram, quantity.TroyOunce}).Draw(t, what)
}

func drawMetal(t *rapid.T, e assay.Element, banded bool) MetalTerms {
	at := string(e)
	m := MetalTerms{
		Element: e, Unit: drawUnit(t, at+" unit"), Valuation: ByPayable,
		FineRounding: drawRounding(t, at+" fine", 1, 6), PayableRounding: drawRounding(t, at+" payable", 1, 6),
		Price: &PriceTerms{
			Series: at, Unit: drawUnit(t, at+" price unit"), Period: SingleDay, Rounding: drawRounding(t, at+" price", 1, 4),
			Day: Dating{Event: "exchange", Count: CalendarDays, Rule: Following},
		},
	}
	m.Payable.Floor = fineness("0 ppt")
	first := PayableBand{From: fineness("0 ppt")}
	switch rapid.IntRange(0, 4).Draw(t, at+" payable terms") {
	case 0:
		first.DeductFineness = quantity.MustFineness(drawDecimal(t, at+" deduct ppt", 0, 20, 2).String() + " ppt")
	case 1:
		first.DeductMass = quantity.Grams(drawDecimal(t, at+" deduct g", 0, 50, 2))
	case 2:
		first.Percent = number(drawDecimal(t, at+" percent", 80, 100, 2))
		first.DeductFineness, first.Deduction = fineness("1.5 ppt"), rapid.SampledFrom([]DeductionRule{PaysLess, DeductFirst}).Draw(t, at+" rule")
	default:
		first.Percent = number(drawDecimal(t, at+" percent", 80, 100, 2))
	}
	m.Payable.Bands = []PayableBand{first}
	if banded && rapid.Bool().Draw(t, at+" banded") {
		m.Payable.Floor = quantity.MustFineness(fmt.Sprintf("%d ppt", rapid.IntRange(0, 300).Draw(t, at+" floor")))
		m.Payable.Bands = append(m.Payable.Bands, PayableBand{From: fineness("400 ppt"), Percent: number(drawDecimal(t, at+" upper", 80, 100, 1))})
	}
	return m
}

func drawTerms(t *rapid.T, banded bool) Terms {
	terms := Terms{
		ID: "random", Version: 1, Seller: "seller", Refiner: "refiner", Currency: "USD",
		Weight: rapid.SampledFrom([]Basis{Received, AfterMelt}).Draw(t, "weight"), Per: rapid.SampledFrom([]Per{PerBar, PerMelt, PerLot}).Draw(t, "per"),
		Metals: []MetalTerms{drawMetal(t, "Au", banded), drawMetal(t, "Ag", banded)}, Payment: Payment{In: Cash},
	}
	money := drawRounding(t, "money", 0, 3)
	terms.Money = MoneyRounding{Value: money, Charge: drawRounding(t, "charge money", 0, 3), Penalty: money, Advance: money, Interest: money}
	if rapid.Bool().Draw(t, "weight step") {
		terms.WeightStep = &WeightStep{Unit: quantity.Gram, Rounding: drawRounding(t, "weight step", 0, 2)}
	}
	rate := number(drawDecimal(t, "rate", 0, 3, 2))
	for _, c := range []Charge{
		{Code: "gross", Per: ChargeGross, Weight: AfterMelt, Unit: quantity.TroyOunce, QuantityRounding: rounding(3, quantity.HalfUp), Rate: rate},
		{Code: "payable", Per: ChargePayable, Element: "Au", Unit: quantity.TroyOunce, QuantityRounding: rounding(3, quantity.Down), Rate: rate},
		{Code: "value", Per: ChargeValue, Rate: rate}, {Code: "bar", Per: ChargeBar, Rate: rate}, {Code: "melt", Per: ChargeMelt, Rate: rate},
		{Code: "lot", Per: ChargeLot, Rate: rate, Minimum: ptr("2")}, {Code: "umpire", Per: ChargePassedOn, Cost: CostUmpire},
	} {
		if rapid.Bool().Draw(t, c.Code) {
			terms.Charges = append(terms.Charges, c)
		}
	}
	if rapid.Bool().Draw(t, "penalty") {
		terms.Penalties = []Penalty{mercury(rapid.SampledFrom([]StepRule{WholeSteps, StartedSteps, ProRata}).Draw(t, "steps"), rapid.SampledFrom([]PenaltyBasis{PenaltyGross, PenaltyFine}).Draw(t, "penalty per"))}
	}
	if rapid.Bool().Draw(t, "advance") {
		terms.Advance = &Advance{Percent: ptr("90"), Of: rapid.SampledFrom([]AdvanceBase{OfMetalValue, OfNetValue}).Draw(t, "of"), Assays: SellerAssay, Weight: Received, Price: AdvancePeriod, InterestRate: ptr("5.5"), DayCount: Actual360}
	}
	return terms
}

func drawLot(t *rapid.T, terms Terms) Lot {
	day := MustDate("2028-02-28")
	lot := Lot{
		ID: "L", Number: "S", Version: 1, Kind: rapid.SampledFrom([]Kind{Provisional, Final}).Draw(t, "kind"),
		Dates:  []Event{{Name: "exchange", Date: day, Refs: []Ref{"exchange"}}},
		Prices: []Series{{Name: "Au", Points: []Point{{Date: day, Value: drawDecimal(t, "gold", 1, 3000, 2)}}}, {Name: "Ag", Points: []Point{{Date: day, Value: drawDecimal(t, "silver", 1, 40, 3)}}}},
	}
	for i := range rapid.IntRange(1, 4).Draw(t, "units") {
		received := drawDecimal(t, "received", 100, 25000, 2)
		u := Unit{ID: fmt.Sprintf("U%d", i), Received: []Bar{{ID: fmt.Sprintf("B%d", i), Mass: quantity.Grams(received), Refs: []Ref{Ref(fmt.Sprintf("w%d", i))}}}}
		u.AfterMelt = quantity.Grams(received.Sub(drawDecimal(t, "loss", -1, 20, 2)))
		gold := drawDecimal(t, "gold ppt", 0, 600, 2)
		for _, of := range []AssayOf{SettledAssay, SellerAssay} {
			for e, f := range map[assay.Element]quantity.Decimal{"Au": gold, "Ag": quantity.NewDecimal(399).Sub(gold.Mul(dec("0.5"))), "Hg": dec("1.75")} {
				u.Assays = append(u.Assays, Assay{Element: e, Fineness: quantity.MustFineness(f.String() + " ppt"), Of: of, Refs: []Ref{Ref("a" + string(e))}})
			}
		}
		lot.Units = append(lot.Units, u)
	}
	if terms.Advance != nil && lot.Kind == Final {
		lot.Advances = []AdvancePaid{{Amount: quantity.MustMoney("1000.00 USD"), Date: MustDate("2028-02-20"), Refs: []Ref{"advance"}}}
		lot.Payment = &Event{Name: "payment", Date: MustDate("2028-03-05")}
	}
	for _, c := range terms.Charges {
		if c.Cost == CostUmpire {
			lot.Costs = []Cost{{Kind: CostUmpire, Amount: quantity.MustMoney("901.01 USD"), SellerShare: dec("50"), Refs: []Ref{"invoice"}}}
		}
	}
	return lot
}

func mustSettle(t rapid.TB, lot Lot, terms Terms) Statement {
	t.Helper()
	s, err := Settle(lot, terms)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestEveryStatementBalancesAndReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, true)
		lot := drawLot(t, terms)
		s := mustSettle(t, lot, terms)
		if err := s.Balance(); err != nil {
			t.Fatal(err)
		}
		// From the printed lines alone, by fractions: what counts sums to the net, and so does each step.
		net := new(big.Rat)
		for _, l := range s.Lines {
			if l.Counts {
				net.Add(net, l.Amount.Amount().Rat())
			}
		}
		if net.Cmp(s.Net.Amount().Rat()) != 0 {
			t.Fatalf("the lines sum to %s, the net is %s", net.FloatString(6), s.Net)
		}
		if again := mustSettle(t, lot, terms); again.Digest() != s.Digest() {
			t.Fatal("settled twice, two digests")
		}
		read, err := ParseStatement(s.JSON())
		if err != nil || read.Digest() != s.Digest() {
			t.Fatalf("does not read back: %v", err)
		}
		e, err := s.Explain("net")
		if err != nil || len(e.Refs()) == 0 {
			t.Fatalf("the net rests on nothing: %v", err)
		}
	})
}

// oracle recomputes fine, payable and value of a bar from fractions of any size, rounding with math/big only.
func oracle(r *big.Rat, by quantity.Rounding) *big.Rat {
	scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(by.Places)), nil))
	scaled := new(big.Rat).Mul(r, scale)
	floor := new(big.Int).Quo(scaled.Num(), scaled.Denom()) // toward zero; contents are never below it
	rest := new(big.Rat).Sub(scaled, new(big.Rat).SetInt(floor))
	half := rest.Cmp(big.NewRat(1, 2))
	if by.Mode != quantity.Down && (half > 0 || half == 0 && (by.Mode == quantity.HalfUp || floor.Bit(0) == 1)) {
		floor.Add(floor, big.NewInt(1))
	}
	return new(big.Rat).Quo(new(big.Rat).SetInt(floor), scale)
}

func TestBarsAgreeWithFractions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, false)
		terms.Per, terms.Advance, terms.WeightStep, terms.Charges, terms.Penalties = PerBar, nil, nil, nil, nil
		lot := drawLot(t, terms)
		s := mustSettle(t, lot, terms)
		for _, m := range terms.Metals {
			in, per := gramsIn(m.Unit).Rat(), gramsIn(m.Price.Unit).Rat()
			total := new(big.Rat)
			for i := range lot.Units {
				u := &lot.Units[i]
				grams := u.Received[0].Mass.Grams().Rat()
				if terms.Weight == AfterMelt {
					grams = u.AfterMelt.Grams().Rat()
				}
				a, _ := u.assay(m.Element, SettledAssay)
				content := new(big.Rat).Mul(grams, a.Fineness.PerMille().Rat())
				fine := oracle(content.Quo(content, new(big.Rat).Mul(in, big.NewRat(1000, 1))), m.FineRounding)
				due := oraclePayable(m.Payable.Bands[0], fine, grams, in)
				payable := oracle(due, m.PayableRounding)
				wantRat(t, s, fmt.Sprintf("fine/%s/%s", m.Element, u.ID), fine)
				wantRat(t, s, fmt.Sprintf("payable/%s/%s", m.Element, u.ID), payable)
				total.Add(total, payable)
			}
			wantRat(t, s, "payable_total/"+string(m.Element), total)
			series, _ := find(lot.Prices, string(m.Element))
			price := oracle(series.Points[0].Value.Rat(), m.Price.Rounding)
			value := oracle(new(big.Rat).Quo(new(big.Rat).Mul(new(big.Rat).Mul(total, in), price), per), terms.Money.Value)
			if got := s.Find("value/" + string(m.Element))[0].Amount.Amount().Rat(); got.Cmp(value) != 0 {
				t.Fatalf("value of %s is %s, by fractions %s", m.Element, got.FloatString(6), value.FloatString(6))
			}
		}
	})
}

func oraclePayable(b PayableBand, fine, grams, in *big.Rat) *big.Rat {
	left := new(big.Rat).Set(fine)
	if !b.DeductFineness.IsZero() {
		left.Sub(left, new(big.Rat).Quo(new(big.Rat).Mul(grams, b.DeductFineness.PerMille().Rat()), new(big.Rat).Mul(in, big.NewRat(1000, 1))))
	}
	if !b.DeductMass.IsZero() {
		left.Sub(left, new(big.Rat).Quo(b.DeductMass.Grams().Rat(), in))
	}
	due := left
	if b.Percent != nil {
		share := new(big.Rat).Mul(b.Percent.Rat(), big.NewRat(1, 100))
		switch b.Deduction {
		case PaysLess:
			if by := new(big.Rat).Mul(fine, share); by.Cmp(left) < 0 {
				due = by
			}
		default:
			due = new(big.Rat).Mul(left, share)
		}
	}
	if due.Sign() < 0 {
		return new(big.Rat)
	}
	return due
}

func wantRat(t rapid.TB, s Statement, path string, want *big.Rat) {
	t.Helper()
	if got := s.Find(path)[0].Quantity.Rat(); got.Cmp(want) != 0 {
		t.Fatalf("%s is %s, by fractions %s", path, got.FloatString(9), want.FloatString(9))
	}
}

func TestNamesOfThePartiesMoveNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, true)
		lot := drawLot(t, terms)
		a := mustSettle(t, lot, terms)
		terms.Seller, terms.Refiner = terms.Refiner, terms.Seller
		b := mustSettle(t, lot, terms)
		if string(canonical(a.Lines)) != string(canonical(b.Lines)) || a.Net.String() != b.Net.String() {
			t.Fatal("the parties changed names, and the figures moved")
		}
	})
}

func TestMoreFineMetalNeverPaysLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, false)
		lot := drawLot(t, terms)
		lot.Kind, lot.Advances = Final, nil
		poor := mustSettle(t, lot, terms)
		unit := &lot.Units[rapid.IntRange(0, len(lot.Units)-1).Draw(t, "which")]
		unit.Assays = append([]Assay(nil), unit.Assays...)
		for i, a := range unit.Assays {
			if a.Element == "Au" {
				richer := a.Fineness.PerMille().Add(drawDecimal(t, "more", 0, 100, 2))
				unit.Assays[i].Fineness = quantity.MustFineness(richer.String() + " ppt")
			}
		}
		rich := mustSettle(t, lot, terms)
		for _, path := range []string{"fine_total/Au", "payable_total/Au"} {
			if rich.Find(path)[0].Quantity.Less(*poor.Find(path)[0].Quantity) {
				t.Fatalf("more gold, and less %s: %s after %s", path, rich.Find(path)[0].Quantity, poor.Find(path)[0].Quantity)
			}
		}
		if rich.Find("value/Au")[0].Amount.Amount().Less(poor.Find("value/Au")[0].Amount.Amount()) {
			t.Fatal("more gold, and less value")
		}
	})
}

// Any two statements: other terms, other lots, other bars, lines left out.
func TestPartsAddUpForAnyTwoStatements(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, true)
		ours := mustSettle(t, drawLot(t, terms), terms)
		others := drawTerms(t, true)
		theirs := mustSettle(t, drawLot(t, others), others).Return()
		var kept Return
		for i, l := range theirs.Lines {
			if rapid.IntRange(0, 9).Draw(t, "kept") > 0 || i == 0 {
				kept.Lines = append(kept.Lines, l)
			}
		}
		r, err := Reconcile(ours, kept, strict())
		if err != nil {
			t.Fatal(err)
		}
		addUp(t, r)
		back, err := Reconcile(ours, ours.Return(), strict())
		if err != nil || !back.Agrees || shown(back.Money.Parts) != "" {
			t.Fatalf("differs from itself: %v %s", err, shown(back.Money.Parts))
		}
	})
}

func addUp(t rapid.TB, r Reconciliation) {
	t.Helper()
	check := func(what string, parts []Share, difference quantity.Decimal) {
		sum := new(big.Rat)
		for _, p := range parts {
			sum.Add(sum, p.Amount.Rat())
		}
		if sum.Cmp(difference.Rat()) != 0 {
			t.Fatalf("%s: the parts add up to %s and not to %s", what, sum.FloatString(9), difference)
		}
	}
	for _, m := range r.Metal {
		check(string(m.Element), m.Parts, m.Theirs.Sub(m.Ours))
	}
	check("money", r.Money.Parts, r.Money.Theirs.Sub(r.Money.Ours))
}

// Under the same terms, two lots that differ in weight and assay alone leave nothing to payable terms, price or charges
// that rounding does not explain.
func TestSameTermsLeaveNothingToTerms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := drawTerms(t, false)
		terms.Per, terms.Penalties, terms.Advance, terms.Charges, terms.WeightStep = PerBar, nil, nil, nil, nil
		lot := drawLot(t, terms)
		ours := mustSettle(t, lot, terms)
		lot.Units = append([]Unit(nil), lot.Units...)
		for i := range lot.Units {
			u := &lot.Units[i]
			u.AfterMelt = quantity.Grams(u.AfterMelt.Grams().Add(drawDecimal(t, "more", 0, 5, 2)))
			u.Received = []Bar{{ID: u.Received[0].ID, Mass: quantity.Grams(u.Received[0].Mass.Grams().Add(drawDecimal(t, "more received", 0, 5, 2)))}}
		}
		r, err := Reconcile(ours, mustSettle(t, lot, terms).Return(), strict())
		if err != nil {
			t.Fatal(err)
		}
		addUp(t, r)
		for _, m := range r.Metal {
			for _, p := range m.Parts {
				if p.Part != PartWeight && p.Part != PartRounding && !p.Amount.IsZero() {
					t.Fatalf("%s: weight alone moved, and %s is %s", m.Element, p.Part, p.Amount)
				}
			}
		}
		for _, p := range r.Money.Parts {
			if p.Part != PartWeight && p.Part != PartRounding && !p.Amount.IsZero() {
				t.Fatalf("weight alone moved, and %s is %s", p.Part, p.Amount)
			}
		}
	})
}

// The largest and finest figures that are accepted must not run the arithmetic out of digits.
func TestExtremesAreSettledOrRefused(t *testing.T) {
	large, fine := mostFigure.Sub(dec("0.000000000001")), dec("0.000000000001")
	for _, mass := range []string{"9999999.999999 kg", "0.000001 mg"} {
		for _, number := range []*quantity.Decimal{&large, &fine} {
			in := load(t, "full_settlement", penalty(mercury(ProRata, PenaltyFine)), func(in *PreviewInput) {
				u := &in.Lot.Units[0]
				u.AfterMelt = quantity.MustMass(mass)
				for i := range u.Received {
					u.Received[i].Mass = quantity.MustMass(mass)
				}
				u.Assays[0].Fineness = fineness("999.999999999999 ppt")
				in.Lot.Prices[0].Points[0].Value = *number
				in.Terms.Penalties[0].Rate = number
				in.Terms.Penalties[0].Step = fineness("0.000000000001 ppt")
				in.Terms.Charges = append(in.Terms.Charges, Charge{Code: "value", Per: ChargeValue, Rate: ptr("99.999999999999")})
				band(in).Percent, band(in).DeductFineness, band(in).Deduction = ptr("99.999999999999"), fineness("0.000000000001 ppt"), DeductFirst
				for _, r := range []*quantity.Rounding{&in.Terms.Money.Value, &in.Terms.Money.Charge, &gold(in).FineRounding, &gold(in).PayableRounding, &gold(in).Price.Rounding} {
					r.Places = 12
				}
				in.Terms.Limits = nil
				convert(Divide, number.String())(in)
			})
			s, err := tryPreview(t, in)
			if err != nil {
				if refusal.As(err) == nil || refusal.As(err).Kind == refusal.Internal {
					t.Errorf("%s, %s: %v", mass, number, err)
				}
				continue
			}
			if _, err := ParseStatement(s.JSON()); err != nil {
				t.Errorf("%s, %s does not read back: %v", mass, number, err)
			}
			reconciled(t, s, settled(t, "full_settlement").Return())
			reconciled(t, settled(t, "full_settlement"), s.Return())
		}
	}
}
