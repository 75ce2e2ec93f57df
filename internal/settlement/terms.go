package settlement

import (
	"barward/internal/assay"
	"barward/internal/quantity"
	"barward/internal/weighing"
)

// Basis says which weight counts.
type Basis string

const (
	// Received is the weight of the bars as they came.
	Received Basis = "received"
	// AfterMelt is the weight once melted and poured again.
	AfterMelt Basis = "after_melt"
)

// Per says for what fine and payable content are each computed and rounded once.
type Per string

const (
	PerBar  Per = "bar"  // each unit of the lot is one bar
	PerMelt Per = "melt" // each unit of the lot is one melt
	PerLot  Per = "lot"  // the units are added exactly and rounded once
)

// Terms is one version of an agreement between a seller and a refiner: everything that decides what a lot pays. Nothing
// in it that moves metal or money has a default; what a term leaves out and a lot needs is refused (see Check).
type Terms struct {
	ID         string            `json:"id"`      // the agreement's
	Version    int               `json:"version"` // from 1
	Seller     string            `json:"seller"`  // party id
	Refiner    string            `json:"refiner"` // party id
	Currency   quantity.Currency `json:"currency"`
	Weight     Basis             `json:"settlement_weight"`
	WeightStep *WeightStep       `json:"weight_rounding,omitempty"` // of each unit's settlement weight; absent: as weighed
	Per        Per               `json:"settle_per"`
	Metals     []MetalTerms      `json:"metals"`
	Charges    []Charge          `json:"charges,omitempty"`
	Penalties  []Penalty         `json:"penalties,omitempty"`
	Money      MoneyRounding     `json:"money_rounding"`
	Payment    Payment           `json:"payment"`
	Conversion *Conversion       `json:"conversion,omitempty"`
	Advance    *Advance          `json:"advance,omitempty"`
	Limits     *WeightLimits     `json:"weight_limits,omitempty"`
	AssaySum   quantity.Fineness `json:"assay_sum_tolerance,omitzero"` // how far all elements together may be from 1000 ppt
	Claims     []Claim           `json:"claims,omitempty"`
	Reporting  *Reporting        `json:"reporting,omitempty"`
	// Returns is up to which difference a line of a return agrees with the statement; required at signing.
	Returns *Tolerances `json:"return_tolerances,omitempty"`
}

// WeightStep rounds a unit's settlement weight before anything is computed from it.
type WeightStep struct {
	Unit     quantity.Unit     `json:"unit"`
	Rounding quantity.Rounding `json:"rounding"`
}

// MetalTerms is what the agreement says of one metal that is paid for.
type MetalTerms struct {
	Element         assay.Element       `json:"element"`
	Exchange        assay.ExchangeTerms `json:"exchange,omitzero"`   // how the two assays become one; required at signing
	Unit            quantity.Unit       `json:"unit"`                // of fine and payable content
	FineRounding    quantity.Rounding   `json:"fine_rounding"`       // in Unit
	Payable         Payable             `json:"payable"`             //
	PayableRounding quantity.Rounding   `json:"payable_rounding"`    // in Unit
	Valuation       Valuation           `json:"valuation,omitempty"` // required for cash
	RateRounding    quantity.Rounding   `json:"rate_rounding,omitzero"`
	Price           *PriceTerms         `json:"price,omitempty"` // required for cash
	// Reproducibility is the standard deviation of reproducibility of one result (ISO 5725-1), for warnings only: it
	// settles nothing.
	Reproducibility quantity.Fineness `json:"reproducibility_sd,omitzero"`
}

// Valuation says which figure the price is multiplied by.
type Valuation string

const (
	// ByPayable multiplies payable metal by the price: value = payable × price.
	ByPayable Valuation = "by_payable"
	// ByGross makes a rate for a gross unit first and rounds it by RateRounding: rate = price × fineness × payable share;
	// value = gross weight × rate.
	ByGross Valuation = "by_gross"
)

// Payable turns fine content into payable content.
type Payable struct {
	Bands []PayableBand     `json:"bands"` // in rising order; the first from 0 ppt
	Floor quantity.Fineness `json:"floor"` // a unit below it is paid nothing; 0 ppt says that there is none; required
}

// PayableBand holds from one fineness, itself included, up to the next band's.
type PayableBand struct {
	From           quantity.Fineness `json:"from"`
	Percent        *quantity.Decimal `json:"percent,omitempty"`        // of fine content, 0 to 100
	DeductFineness quantity.Fineness `json:"deduct_fineness,omitzero"` // of gross weight, such as 1 ppt
	DeductMass     quantity.Mass     `json:"deduct_mass,omitzero"`     // from each bar, melt or lot that is settled
	Deduction      DeductionRule     `json:"deduction_rule,omitempty"` // required beside a percentage and a deduction
}

// DeductionRule says how a percentage and a minimum deduction go together.
type DeductionRule string

const (
	// PaysLess takes the smaller of fine × percent and fine - deduction.
	PaysLess DeductionRule = "pays_less"
	// DeductFirst takes (fine - deduction) × percent.
	DeductFirst DeductionRule = "deduct_first"
)

// Dating names a day by an event of the lot.
type Dating struct {
	Event     string      `json:"event"`             // such as arrival, melt, exchange; the lot gives its date
	Lag       int         `json:"lag_days"`          // days after it; negative: before it
	Count     DayKind     `json:"lag_count"`         // business or calendar
	Rule      BusinessDay `json:"business_day_rule"` // what happens when the day is not a business day
	Calendars []string    `json:"calendars"`         // holiday calendars that must all be open; may be empty: weekends only
}

// DayKind says which days are counted.
type DayKind string

const (
	BusinessDays DayKind = "business"
	CalendarDays DayKind = "calendar"
)

// BusinessDay says where a day that is not a business day goes.
type BusinessDay string

const (
	Following         BusinessDay = "following"
	ModifiedFollowing BusinessDay = "modified_following" // unless that is in the next month: then preceding
	Preceding         BusinessDay = "preceding"
)

// PriceTerms names the price of one metal.
type PriceTerms struct {
	Series      string            `json:"series"`                // of published daily prices
	Unit        quantity.Unit     `json:"unit"`                  // the price is for one of these
	Period      Period            `json:"period"`                //
	Days        int               `json:"days,omitempty"`        // of a mean of n business days
	Day         Dating            `json:"day"`                   // the day, the first day of the mean, or a day of the month meant
	Missing     MissingPrice      `json:"missing,omitempty"`     // a business day without a price; absent: an error
	Provisional ProvisionalPrice  `json:"provisional,omitempty"` // for provisional statements; absent: as for final ones
	Rounding    quantity.Rounding `json:"rounding"`              // of the price used
}

// Period is the quotational period.
type Period string

const (
	SingleDay  Period = "day"
	MeanOfDays Period = "mean_of_days" // n business days from the day
	MonthOf    Period = "month_of"     // every business day of the day's calendar month
	MonthAfter Period = "month_after"  // every business day of the month after it
)

// MissingPrice says what a business day without a published price does.
type MissingPrice string

const (
	MissingIsError    MissingPrice = "error"
	MissingSkipped    MissingPrice = "skip"        // the mean divides by the number published
	MissingLastBefore MissingPrice = "last_before" // the last published before the day stands for it
	MissingNextAfter  MissingPrice = "next_after"  // the next published after the day stands for it
)

// ProvisionalPrice says how a period that has not ended is priced.
type ProvisionalPrice string

// KnownDays takes the mean of the days of the period that are known on the lot's PricedTo day.
const KnownDays ProvisionalPrice = "known_days"

// MoneyRounding names the rounding of each kind of money line. A kind that the terms use is required.
type MoneyRounding struct {
	Value      quantity.Rounding `json:"value,omitzero"`
	Charge     quantity.Rounding `json:"charge,omitzero"`
	Penalty    quantity.Rounding `json:"penalty,omitzero"`
	Advance    quantity.Rounding `json:"advance,omitzero"`
	Interest   quantity.Rounding `json:"interest,omitzero"`
	Conversion quantity.Rounding `json:"conversion,omitzero"`
}

// Charge is one charge of the refiner's. Exactly what its basis needs is required.
type Charge struct {
	Code             string            `json:"code"` // the agreement's own short name, such as treatment; each once
	Per              ChargeBasis       `json:"per"`
	Element          assay.Element     `json:"element,omitempty"`          // per payable: which; per value: which, empty all
	Weight           Basis             `json:"weight,omitempty"`           // per gross
	Unit             quantity.Unit     `json:"unit,omitempty"`             // per gross, per payable
	QuantityRounding quantity.Rounding `json:"quantity_rounding,omitzero"` // per gross, per payable: in Unit, over the lot
	Rate             *quantity.Decimal `json:"rate,omitempty"`             // currency per unit, or percent; absent when passed on
	Minimum          *quantity.Decimal `json:"minimum,omitempty"`          // least amount for the lot
	Cost             CostKind          `json:"cost,omitempty"`             // passed on: which
}

// ChargeBasis says what a charge is per.
type ChargeBasis string

const (
	ChargeGross    ChargeBasis = "gross"
	ChargePayable  ChargeBasis = "payable"
	ChargeBar      ChargeBasis = "bar"
	ChargeMelt     ChargeBasis = "melt"
	ChargeLot      ChargeBasis = "lot"
	ChargeValue    ChargeBasis = "value"     // percent of metal value
	ChargePassedOn ChargeBasis = "passed_on" // the seller's share of a cost that the lot carries
)

// CostKind is a cost that may be passed on.
type CostKind string

const (
	CostAssay     CostKind = "assay"
	CostUmpire    CostKind = "umpire"
	CostFreight   CostKind = "freight"
	CostInsurance CostKind = "insurance"
)

// Penalty is what an unwanted element costs. Content equal to the threshold is free.
type Penalty struct {
	Element          assay.Element     `json:"element"`
	Threshold        quantity.Fineness `json:"threshold"`
	Step             quantity.Fineness `json:"step"`              // the rate is for each of these above the threshold
	Steps            StepRule          `json:"steps"`             //
	Rate             *quantity.Decimal `json:"rate"`              // currency per step per Unit
	Per              PenaltyBasis      `json:"per"`               //
	Of               assay.Element     `json:"of,omitempty"`      // per fine: of which metal
	Unit             quantity.Unit     `json:"unit"`              //
	QuantityRounding quantity.Rounding `json:"quantity_rounding"` // of the weight that the rate is for, in Unit
}

// StepRule says how the content above the threshold is counted in steps.
type StepRule string

const (
	WholeSteps   StepRule = "whole"    // completed steps only
	StartedSteps StepRule = "started"  // a part of a step counts as a whole one
	ProRata      StepRule = "pro_rata" // in proportion
)

// PenaltyBasis says which weight a penalty is for.
type PenaltyBasis string

const (
	PenaltyGross PenaltyBasis = "gross"
	PenaltyFine  PenaltyBasis = "fine"
)

// Payment says how the seller is paid.
type Payment struct {
	In        PaymentKind `json:"in"`
	Account   string      `json:"account,omitempty"` // metal account: whose
	ValueDate *Dating     `json:"value_date,omitempty"`
}

// PaymentKind is cash or metal.
type PaymentKind string

const (
	Cash         PaymentKind = "cash"
	MetalAccount PaymentKind = "metal_account" // payable metal is credited; charges stay money
)

// Conversion turns the total, once, into another currency.
type Conversion struct {
	To        quantity.Currency `json:"to"`
	Series    string            `json:"series"`    // of published rates
	Direction Direction         `json:"direction"` //
	Day       Dating            `json:"day"`       // whose rate
	Missing   MissingPrice      `json:"missing,omitempty"`
}

// Direction says how the named rate is applied.
type Direction string

const (
	Multiply Direction = "multiply" // one unit of the agreement's currency costs rate units of the other
	Divide   Direction = "divide"   // one unit of the other costs rate units of the agreement's
)

// Advance is what is paid before the figures are final, and what it costs.
type Advance struct {
	Percent      *quantity.Decimal `json:"percent"`
	Of           AdvanceBase       `json:"of"`
	Assays       AssayOf           `json:"assays"`        // whose assays the provisional value rests on
	Weight       Basis             `json:"weight"`        // which weight it rests on
	Price        AdvancePrice      `json:"price"`         // which price
	Day          *Dating           `json:"day,omitempty"` // price "day": which
	InterestRate *quantity.Decimal `json:"interest_rate"` // percent a year, simple, charged to the seller; 0 is none
	DayCount     DayCount          `json:"day_count"`     //
}

// AdvanceBase says what the percentage is of.
type AdvanceBase string

const (
	OfMetalValue AdvanceBase = "metal_value"
	OfNetValue   AdvanceBase = "net_value" // metal value less charges and penalties
)

// AdvancePrice says which price values the metal provisionally.
type AdvancePrice string

const (
	AdvancePeriod AdvancePrice = "period" // the quotational period of each metal
	AdvanceDay    AdvancePrice = "day"    // the price of one day
)

// WeightLimits are the limits beyond which a weight difference becomes a discrepancy.
type WeightLimits struct {
	HandOffBar     weighing.Limit `json:"handoff_bar"`
	ArrivalBar     weighing.Limit `json:"arrival_bar"`
	ConsignmentSum weighing.Limit `json:"consignment_total"` // a limit of its own, not the sum of the bars'
	MeltLoss       LossRange      `json:"melt_loss"`
}

// LossRange is the melt loss that is expected, in percent of the received weight, ends included. Least may be negative.
type LossRange struct {
	Least *quantity.Decimal `json:"least_percent"`
	Most  *quantity.Decimal `json:"most_percent"`
}

// Claim is how long a difference of one kind may be claimed.
type Claim struct {
	Kind    ClaimKind `json:"kind"`
	Days    int       `json:"days"` // calendar days after the day on which the difference could be seen
	Silence Silence   `json:"silence"`
}

// ClaimKind is what a claim is about.
type ClaimKind string

const (
	ClaimWeight    ClaimKind = "weight"
	ClaimAssay     ClaimKind = "assay"
	ClaimSeal      ClaimKind = "seal"
	ClaimStatement ClaimKind = "statement"
)

// ClaimKinds lists every kind, in the order in which they are listed.
var ClaimKinds = []ClaimKind{ClaimWeight, ClaimAssay, ClaimSeal, ClaimStatement}

// Silence says what a claim not made within its window is.
type Silence string

const (
	SilenceAccepts Silence = "accepted" // the figure stands
	SilenceNothing Silence = "open"     // the claim may still be made
)

// Reporting says within how many calendar days each step is due.
type Reporting struct {
	Melt      int `json:"melt_days"`      // after arrival
	Assay     int `json:"assay_days"`     // after the melt
	Statement int `json:"statement_days"` // after the assays are settled
	Payment   int `json:"payment_days"`   // after the final statement
}

// Metal returns the terms of one metal.
func (t Terms) Metal(e assay.Element) (MetalTerms, bool) {
	for _, m := range t.Metals {
		if m.Element == e {
			return m, true
		}
	}
	return MetalTerms{}, false
}

// Claim returns the claim window of one kind.
func (t Terms) Claim(kind ClaimKind) (Claim, bool) {
	for _, c := range t.Claims {
		if c.Kind == kind {
			return c, true
		}
	}
	return Claim{}, false
}

// Deadline returns the last day on which a claim may be made for a difference that could be seen on a day, and whether
// silence until then accepts the figure. The day itself is included. It returns false when the terms have no window of
// that kind.
func (t Terms) Deadline(kind ClaimKind, seen Date) (last Date, accepts, ok bool) {
	c, ok := t.Claim(kind)
	if !ok {
		return Date{}, false, false
	}
	return seen.Add(c.Days), c.Silence == SilenceAccepts, true
}
