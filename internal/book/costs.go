package book

import (
	"slices"

	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/refusal"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// silenceDeclared closes the wait for a side that let its day pass. The author speaks for the other side: nobody
// declares their own silence, and the exchange takes it only once the author's own result is in and the day is past.
func (f *fold) silenceDeclared(e *pb.SilenceDeclared) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	side, err := f.side(lot)
	if err != nil {
		return err
	}
	return f.exchange(lot, terms, &pb.ExchangeStep{Action: string(assay.StepNotReported), Side: string(side.Other())})
}

// recordedCosts are the kinds of cost that a party records; the umpire's fee comes with the umpire's report.
var recordedCosts = []settlement.CostKind{settlement.CostAssay, settlement.CostFreight, settlement.CostInsurance}

// costRecorded puts a cost on a lot that the agreement passes on to the seller. It moves the next statement of the lot;
// one that stands already is put right by a corrected statement.
func (f *fold) costRecorded(e *pb.CostRecorded) error {
	lot, _, terms, err := f.lotFor("lot", e.Lot)
	if err != nil {
		return err
	}
	if _, err := f.side(lot); err != nil {
		return err
	}
	kind := settlement.CostKind(e.Kind)
	if !slices.Contains(recordedCosts, kind) {
		return refusal.Invalidf("COST_UNKNOWN", "kind", "%q is not a cost that a party records; use assay, freight or insurance (the umpire's fee comes with its report)", clip(e.Kind)).With("value", clip(e.Kind))
	}
	if !passesOn(terms, kind) {
		return refusal.New(refusal.Precondition, "COST_NOT_AGREED", "kind", "agreement %s passes no cost of %s on to the seller; agree on such a charge first", lot.Agreement, kind).
			About(lot.Name).With("kind", string(kind))
	}
	if err := positiveMoney("amount", e.Amount, terms.Currency); err != nil {
		return err
	}
	share, err := quantity.ParseDecimal(e.SellerSharePercent)
	if err != nil {
		return refusal.In(err, "seller_share_percent")
	}
	if share.Sign() < 0 || share.Cmp(quantity.NewDecimal(100)) > 0 {
		return refusal.Invalidf("COST_SHARE", "seller_share_percent", "a share of %s percent is outside 0 to 100", share).With("value", e.SellerSharePercent)
	}
	if err := text("reference", e.Reference, maxName, false); err != nil {
		return err
	}
	if err := count("costs", len(lot.Costs)+1, 1, maxLotCosts); err != nil {
		return err
	}
	lot.Costs = append(lot.Costs, &pb.LotCost{Kind: string(kind), Amount: e.Amount, SellerSharePercent: e.SellerSharePercent, Entry: f.entry.Seq, Reference: e.Reference})
	return nil
}

// passesOn reports whether terms pass a kind of cost on to the seller.
func passesOn(terms settlement.Terms, kind settlement.CostKind) bool {
	for _, c := range terms.Charges {
		if c.Per == settlement.ChargePassedOn && c.Cost == kind {
			return true
		}
	}
	return false
}
