package book

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"time"

	"barward/internal/assay"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// adviceFigures is what the record cannot know of an open difference: how well each laboratory works, and what the umpire
// asks. Everything else comes from the lot.
type adviceFigures struct {
	Side       assay.Side       `json:"side,omitempty"` // whose interest; required of a reader who is neither side
	SellerLab  assay.Laboratory `json:"seller_lab"`
	RefinerLab assay.Laboratory `json:"refiner_lab"`
	UmpireLab  assay.Laboratory `json:"umpire_lab"`
	Fee        quantity.Money   `json:"fee"`
}

// advised is the advice with the figures that it rests on, so that a reader can check what was taken from the record.
type advised struct {
	Input  assay.AdviceInput `json:"input"`
	Advice assay.Advice      `json:"advice"`
}

// AdviseUmpire says what going on to the umpire is worth. With a lot, the results, the limits, the settlement weight, the
// payable share and the last published price come from the record, and figures holds the rest; without, figures holds all
// of it (assay.AdviceInput). It writes nothing.
func AdviseUmpire(pages *ledger.Book, caller identity.Caller, lotName, element string, figures []byte) (*pb.AdviseUmpireResponse, error) {
	var in assay.AdviceInput
	if lotName == "" {
		if err := strictly(figures, &in); err != nil {
			return nil, err
		}
		if err := in.Check(); err != nil {
			return nil, refusal.In(err, "figures_json")
		}
	} else {
		var given adviceFigures
		if err := strictly(figures, &given); err != nil {
			return nil, err
		}
		s := &store{pages: pages}
		lot, err := lotSeen(s, caller, lotName)
		if err != nil {
			return nil, err
		}
		if in, err = s.openDifference(lot, assay.Element(element)); err != nil {
			return nil, err
		}
		in.SellerLab, in.RefinerLab, in.UmpireLab, in.Fee = given.SellerLab, given.RefinerLab, given.UmpireLab, given.Fee
		switch caller.PartyID {
		case lot.Seller:
			in.Side = assay.Seller
		case lot.Party:
			in.Side = assay.Refiner
		}
		if given.Side != "" {
			in.Side = given.Side
		}
		if err := in.Check(); err != nil {
			return nil, refusal.In(err, "figures_json")
		}
	}
	advice, err := assay.Advise(in)
	if err != nil {
		return nil, err
	}
	document, err := json.MarshalIndent(advised{in, advice}, "", "  ")
	if err != nil {
		return nil, err
	}
	return &pb.AdviseUmpireResponse{Words: strings.Join(advice.Words, "\n"), DocumentJson: string(document)}, nil
}

// strictly reads one JSON value with no field that we do not know.
func strictly(b []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); errors.Is(more, io.EOF) {
			return nil
		}
		return refusal.Invalidf("JSON_MALFORMED", "figures_json", "the figures have more text after their end; give one JSON value only")
	}
	if refused := refusal.As(err); refused != nil {
		return refusal.In(refused, "figures_json")
	}
	return refusal.Invalidf("JSON_MALFORMED", "figures_json", "the figures cannot be read as JSON: %s; mend them and ask again", clip(err.Error())).Because(err)
}

// openDifference gathers what is on record of an element that has gone beyond its splitting limit.
func (s *store) openDifference(lot *pb.Lot, element assay.Element) (in assay.AdviceInput, err error) {
	if err := element.Check(); err != nil {
		return in, err
	}
	agreement, ok := agreements.load(s, lot.Agreement)
	if !ok {
		return in, unknown("agreement", "agreement", lot.Agreement)
	}
	terms, err := termsOf(agreement)
	if err != nil {
		return in, err
	}
	metal, ok := terms.Metal(element)
	if !ok {
		return in, refusal.Invalidf("ELEMENT_NOT_SETTLED", "element", "agreement %s pays for no %s; ask for a metal of its terms", lot.Agreement, element)
	}
	steps, err := exchangeSteps(lot.Steps)
	if err != nil {
		return in, err
	}
	x, err := assay.Progress(lot.Name, steps, exchangeTerms(terms), time.Time{})
	if err != nil {
		return in, err
	}
	e, _ := x.Element(element)
	n := len(e.Splits)
	switch {
	case e.State == assay.StateSettled:
		return in, refusal.New(refusal.Precondition, "ELEMENT_SETTLED", "element", "%s of lot %s is settled already: %s", element, lot.Name, e.Words).About(lot.Name)
	case n == 0:
		return in, refusal.New(refusal.Precondition, "RESULTS_SEALED", "element", "the results of lot %s for %s are not both open yet, so there is no difference to advise on", lot.Name, element).About(lot.Name)
	}
	in.Seller, in.Refiner, in.Terms, in.Base = e.Splits[n-1].Seller, e.Splits[n-1].Refiner, metal.Exchange, x.Base
	weight := lot.AfterMelt
	if terms.Weight == settlement.Received {
		weight = lot.Received
	}
	if in.Mass, err = quantity.ParseMass(weight); err != nil {
		return in, err
	}
	mean, err := quantity.NewFineness(in.Seller.PerMille().Add(in.Refiner.PerMille()).Mul(quantity.MustDecimal("0.5")), quantity.PerMille)
	if err != nil {
		return in, err
	}
	in.Payable = metal.NextOunce(mean, in.Mass)
	in.Price, err = s.lastPrice(metal, "9999-12-31")
	return in, err
}

// lastPrice returns the last price of a metal published up to a day, for one troy ounce.
func (s *store) lastPrice(metal settlement.MetalTerms, upTo string) (quantity.Money, error) {
	missing := refusal.New(refusal.Precondition, "PRICES_UNKNOWN", "price", "no price of %s is on record; publish one first", metal.Element)
	if metal.Price == nil {
		return quantity.Money{}, missing
	}
	known, ok := series.load(s, metal.Price.Series)
	if !ok {
		return quantity.Money{}, missing
	}
	last := ""
	for _, p := range known.Prices {
		if p.Date > upTo {
			break
		}
		last = p.Price
	}
	if last == "" {
		return quantity.Money{}, missing
	}
	price, err := quantity.ParseDecimal(last)
	if err != nil {
		return quantity.Money{}, err
	}
	if metal.Price.Unit != quantity.TroyOunce {
		one, err := quantity.NewMass(quantity.NewDecimal(1), metal.Price.Unit)
		if err != nil {
			return quantity.Money{}, err
		}
		if price, err = price.Mul(quantity.GramsPerOunce).Quo(one.Grams(), estimate); err != nil {
			return quantity.Money{}, err
		}
	}
	return quantity.NewMoney(price, quantity.Currency(known.Currency))
}

// estimate rounds a price that is shown for another unit than it was published for; nothing is settled by it.
var estimate = quantity.Rounding{Places: 6, Mode: quantity.HalfEven}
