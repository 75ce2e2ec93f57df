package book

import (
	pb "barward/proto/barward/v1"
)

// table keeps things of one kind. The key of a thing is the sequence number of the entry that made it and its place in
// that entry, so things lie in the order of time and a day's work touches the last pages only. A second table leads from
// the name to the key, and a third from what lists are filtered by (see index.go).
type table[T thing] struct {
	table   string
	kind    pb.ThingKind
	blank   func() T
	wrap    func(T) *pb.Thing
	kept    bool          // read by nearly every event and changed seldom: kept decoded (see kept.go)
	columns []string      // fields by which a list finds its things without walking past others
	keys    func(T) keyed // the values of these fields, in the order of columns, and the parties that may read the thing
}

func (t table[T]) title() string { return t.table }

// keyed is what a thing is found by.
type keyed struct {
	values  [maxColumns]string
	parties []string
}

const maxColumns = 6

var (
	parties = table[*pb.Party]{table: "party", kind: pb.ThingKind_THING_KIND_PARTY,
		blank: func() *pb.Party { return new(pb.Party) },
		wrap:  func(v *pb.Party) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Party{Party: v}} },
		kept:  true,
	}
	persons = table[*pb.Person]{table: "person", kind: pb.ThingKind_THING_KIND_PERSON,
		blank:   func() *pb.Person { return new(pb.Person) },
		wrap:    func(v *pb.Person) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Person{Person: v}} },
		kept:    true,
		columns: []string{"party"},
		keys:    func(p *pb.Person) keyed { return keyed{values: [maxColumns]string{p.Party}} },
	}
	balances = table[*pb.Balance]{table: "balance", kind: pb.ThingKind_THING_KIND_BALANCE,
		blank:   func() *pb.Balance { return new(pb.Balance) },
		wrap:    func(v *pb.Balance) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Balance{Balance: v}} },
		kept:    true,
		columns: []string{"party"},
		keys:    func(b *pb.Balance) keyed { return keyed{values: [maxColumns]string{b.Party}} },
	}
	agreements = table[*pb.Agreement]{table: "agreement", kind: pb.ThingKind_THING_KIND_AGREEMENT,
		blank:   func() *pb.Agreement { return new(pb.Agreement) },
		wrap:    func(v *pb.Agreement) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Agreement{Agreement: v}} },
		kept:    true,
		columns: []string{"terms_id", "seller", "refiner"},
		keys: func(a *pb.Agreement) keyed {
			return keyed{values: [maxColumns]string{a.TermsId, a.Seller, a.Refiner},
				parties: a.Parties}
		},
	}
	series = table[*pb.PriceSeries]{table: "price_series", kind: pb.ThingKind_THING_KIND_PRICE_SERIES,
		blank: func() *pb.PriceSeries { return new(pb.PriceSeries) },
		wrap:  func(v *pb.PriceSeries) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_PriceSeries{PriceSeries: v}} },
	}
	calendars = table[*pb.HolidayCalendar]{table: "holiday_calendar", kind: pb.ThingKind_THING_KIND_HOLIDAY_CALENDAR,
		blank: func() *pb.HolidayCalendar { return new(pb.HolidayCalendar) },
		wrap: func(v *pb.HolidayCalendar) *pb.Thing {
			return &pb.Thing{Thing: &pb.Thing_HolidayCalendar{HolidayCalendar: v}}
		},
	}
	pours = table[*pb.Pour]{table: "pour", kind: pb.ThingKind_THING_KIND_POUR,
		blank: func() *pb.Pour { return new(pb.Pour) },
		wrap:  func(v *pb.Pour) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Pour{Pour: v}} },
		keys:  func(p *pb.Pour) keyed { return keyed{parties: p.Parties} },
	}
	bars = table[*pb.Bar]{table: "bar", kind: pb.ThingKind_THING_KIND_BAR,
		blank:   func() *pb.Bar { return new(pb.Bar) },
		wrap:    func(v *pb.Bar) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Bar{Bar: v}} },
		columns: []string{"pour", "state", "holder", "box", "consignment", "lot"},
		keys: func(b *pb.Bar) keyed {
			return keyed{values: [maxColumns]string{b.Pour, b.State.String(), b.Holder, b.Box, b.Consignment, b.Lot},
				parties: b.Parties}
		},
	}
	samples = table[*pb.Sample]{table: "sample", kind: pb.ThingKind_THING_KIND_SAMPLE,
		blank:   func() *pb.Sample { return new(pb.Sample) },
		wrap:    func(v *pb.Sample) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Sample{Sample: v}} },
		columns: []string{"party"},
		keys:    func(s *pb.Sample) keyed { return keyed{values: [maxColumns]string{s.Party}, parties: s.Parties} },
	}
	boxes = table[*pb.Box]{table: "box", kind: pb.ThingKind_THING_KIND_BOX,
		blank:   func() *pb.Box { return new(pb.Box) },
		wrap:    func(v *pb.Box) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Box{Box: v}} },
		columns: []string{"holder", "released_to", "consignment"},
		keys: func(b *pb.Box) keyed {
			return keyed{values: [maxColumns]string{b.Holder, b.ReleasedTo, b.Consignment},
				parties: b.Parties}
		},
	}
	consignments = table[*pb.Consignment]{table: "consignment", kind: pb.ThingKind_THING_KIND_CONSIGNMENT,
		blank:   func() *pb.Consignment { return new(pb.Consignment) },
		wrap:    func(v *pb.Consignment) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Consignment{Consignment: v}} },
		columns: []string{"party", "refiner"},
		keys: func(c *pb.Consignment) keyed {
			return keyed{values: [maxColumns]string{c.Party, c.Refiner},
				parties: c.Parties}
		},
	}
	lots = table[*pb.Lot]{table: "lot", kind: pb.ThingKind_THING_KIND_LOT,
		blank:   func() *pb.Lot { return new(pb.Lot) },
		wrap:    func(v *pb.Lot) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Lot{Lot: v}} },
		columns: []string{"state", "agreement", "consignment", "party", "seller"},
		keys: func(l *pb.Lot) keyed {
			return keyed{values: [maxColumns]string{l.State.String(), l.Agreement, l.Consignment, l.Party, l.Seller},
				parties: l.Parties}
		},
	}
	statements = table[*pb.Statement]{table: "statement", kind: pb.ThingKind_THING_KIND_STATEMENT,
		blank:   func() *pb.Statement { return new(pb.Statement) },
		wrap:    func(v *pb.Statement) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Statement{Statement: v}} },
		columns: []string{"lot"},
		keys:    func(s *pb.Statement) keyed { return keyed{values: [maxColumns]string{s.Lot}, parties: s.Parties} },
	}
	returns = table[*pb.Return]{table: "return", kind: pb.ThingKind_THING_KIND_RETURN,
		blank:   func() *pb.Return { return new(pb.Return) },
		wrap:    func(v *pb.Return) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Return{Return: v}} },
		columns: []string{"lot"},
		keys:    func(r *pb.Return) keyed { return keyed{values: [maxColumns]string{r.Lot}, parties: r.Parties} },
	}
	discrepancies = table[*pb.Discrepancy]{table: "discrepancy", kind: pb.ThingKind_THING_KIND_DISCREPANCY,
		blank:   func() *pb.Discrepancy { return new(pb.Discrepancy) },
		wrap:    func(v *pb.Discrepancy) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Discrepancy{Discrepancy: v}} },
		columns: []string{"state", "kind", "subject", "answerable", "consignment", "lot"},
		keys: func(d *pb.Discrepancy) keyed {
			return keyed{values: [maxColumns]string{d.State.String(), d.Kind.String(), d.Subject, d.Answerable, d.Consignment, d.Lot},
				parties: d.Parties}
		},
	}
	grants = table[*pb.Grant]{table: "grant", kind: pb.ThingKind_THING_KIND_GRANT,
		blank:   func() *pb.Grant { return new(pb.Grant) },
		wrap:    func(v *pb.Grant) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Grant{Grant: v}} },
		columns: []string{"auditor"},
		keys:    func(g *pb.Grant) keyed { return keyed{values: [maxColumns]string{g.Auditor}, parties: g.Parties} },
	}
	cosignatures = table[*pb.Cosignature]{table: "cosignature", kind: pb.ThingKind_THING_KIND_COSIGNATURE,
		blank: func() *pb.Cosignature { return new(pb.Cosignature) },
		wrap:  func(v *pb.Cosignature) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Cosignature{Cosignature: v}} },
	}
	corrections = table[*pb.Correction]{table: "correction", kind: pb.ThingKind_THING_KIND_CORRECTION,
		blank:   func() *pb.Correction { return new(pb.Correction) },
		wrap:    func(v *pb.Correction) *pb.Thing { return &pb.Thing{Thing: &pb.Thing_Correction{Correction: v}} },
		columns: []string{"waits_for", "corrects"},
		keys: func(c *pb.Correction) keyed {
			return keyed{values: [maxColumns]string{c.WaitsFor, c.Corrects},
				parties: c.Parties}
		},
	}
	notes = table[*pb.EntryNote]{table: "note", blank: func() *pb.EntryNote { return new(pb.EntryNote) }}
)
