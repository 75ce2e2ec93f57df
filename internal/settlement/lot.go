package settlement

import (
	"barward/internal/assay"
	"barward/internal/quantity"
)

// Ref names a ledger entry, or any other document, that a figure was taken from.
type Ref string

// Kind is the kind of a statement.
type Kind string

const (
	Provisional Kind = "provisional"
	Final       Kind = "final"
	Corrected   Kind = "corrected"
)

// Lot is everything about one lot that its terms ask for: figures that were recorded, each with the entries it rests on.
type Lot struct {
	ID       string `json:"id"`
	Kind     Kind   `json:"kind"`               // of the statement to be made
	Number   string `json:"number"`             // of the statement
	Version  int    `json:"version"`            // of the statement, from 1
	Previous string `json:"previous,omitempty"` // digest of the statement that this one follows; required by corrected

	Units []Unit  `json:"units"` // bars or melts, as the terms settle
	Dates []Event `json:"dates,omitempty"`

	Prices   []Series   `json:"prices,omitempty"`
	Rates    []Series   `json:"rates,omitempty"` // of exchange between currencies
	Holidays []Calendar `json:"holidays,omitempty"`
	PricedTo Date       `json:"priced_to,omitzero"` // provisional: the last day whose price is known

	Costs    []Cost        `json:"costs,omitempty"`
	Advances []AdvancePaid `json:"advances,omitempty"`
	Payment  *Event        `json:"payment,omitempty"` // the day of payment, to which interest runs; absent: the terms' value date
}

// Unit is one bar or one melt.
type Unit struct {
	ID        string        `json:"id"` // a bar's mark or a melt's number; each once
	Received  []Bar         `json:"received"`
	AfterMelt quantity.Mass `json:"after_melt,omitzero"`
	Slag      quantity.Mass `json:"slag,omitzero"`
	MeltRefs  []Ref         `json:"melt_refs,omitempty"` // entries behind AfterMelt and Slag
	Assays    []Assay       `json:"assays"`
}

// Bar is one bar as received.
type Bar struct {
	ID   string        `json:"id"`
	Mass quantity.Mass `json:"mass"`
	Refs []Ref         `json:"refs,omitempty"`
}

// AssayOf says whose figure an assay is.
type AssayOf string

const (
	SettledAssay AssayOf = "settled" // the outcome of the exchange
	SellerAssay  AssayOf = "seller"
	RefinerAssay AssayOf = "refiner"
)

// Assay is the fineness of one element in a unit.
type Assay struct {
	Element  assay.Element     `json:"element"`
	Fineness quantity.Fineness `json:"fineness"`
	Of       AssayOf           `json:"of"`
	Refs     []Ref             `json:"refs,omitempty"`
}

// Event is a named day of the lot, such as its arrival.
type Event struct {
	Name string `json:"name"`
	Date Date   `json:"date"`
	Refs []Ref  `json:"refs,omitempty"`
}

// Cost is a cost of the lot, of which the seller bears a share.
type Cost struct {
	Kind        CostKind         `json:"kind"`
	Amount      quantity.Money   `json:"amount"`       // the whole cost, in the agreement's currency; not negative
	SellerShare quantity.Decimal `json:"seller_share"` // percent, 0 to 100
	Refs        []Ref            `json:"refs,omitempty"`
}

// AdvancePaid is an advance that was paid to the seller.
type AdvancePaid struct {
	Amount quantity.Money `json:"amount"` // in the agreement's currency; more than zero
	Date   Date           `json:"date"`
	Refs   []Ref          `json:"refs,omitempty"`
}
