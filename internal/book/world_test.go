package book

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"barward/internal/assay"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// A world is a book without a ledger round it: it decides and folds as the ledger does, in memory. So a random sequence of events costs milliseconds, and its fold can be made again beside it and compared.
type world struct {
	base   []*ledger.Entry    // what has happened before each sequence
	people map[string]*person // as they were then
	route  *route
}

// newWorld is one with everybody in it, three bars that are advised, three that are loose, and a lot that is melted.
func newWorld(t testing.TB) *world {
	h := staffed(t)
	r := h.poured("X", h.agree("A1"), "20000.00 g", "18000.00 g", "1000.00 g")
	r.assayed("812.90 ppt", "147.60 ppt")
	r.advised()
	h.poured("Z", r.agreement, "500.00 g", "600.00 g", "700.00 g")
	done := h.poured("Y", r.agreement, "20000.00 g")
	done.arrived("20000.00 g")
	done.melted("20000.00 g", "19990.00 g")
	w := &world{people: h.people, route: r}
	for seq := range h.l.Size() {
		e, err := h.l.Entry(seq)
		if err != nil {
			t.Fatal(err)
		}
		w.base = append(w.base, e)
	}
	return w
}

// A life is one sequence of events in a world.
type life struct {
	*world
	judge   *Book // one for all events, where a replay has a new one for each: what it remembers must not show
	book    *ledger.Book
	entries []*ledger.Entry
	sent    []*pb.Event
	people  map[string]*person
	now     time.Time
	made    int
}

// live runs f on a fresh life, then folds its entries again into an empty book and demands the same bytes, and gives the
// book to check.
func (w *world) live(f func(*life) error, check func(b *ledger.Book, size uint64) error) error {
	grown := ledger.NewBook()
	l := &life{world: w, judge: New(), book: grown, people: map[string]*person{}, entries: slices.Clone(w.base), sent: make([]*pb.Event, len(w.base))}
	for name, p := range w.people {
		l.people[name] = p
	}
	for i, e := range w.base {
		if err := New().Apply(grown, e); err != nil {
			return err
		}
		e.Memo = nil
		var err error
		if l.sent[i], err = Decode(e.Event); err != nil {
			return err
		}
	}
	l.now = w.base[len(w.base)-1].RecordedAt
	broken := f(l)
	if broken == nil {
		broken = check(grown, uint64(len(l.entries)))
	}
	folded := ledger.NewBook()
	for _, e := range l.entries {
		e.Memo = nil // as on replay, where nothing was decided before
		if err := New().Apply(folded, e); err != nil && broken == nil {
			broken = fmt.Errorf("entry %d was taken and is not on replay: %w", e.Seq, err)
		}
		e.Memo = nil
	}
	if broken == nil && ledgertest.Dump(grown) != ledgertest.Dump(folded) {
		broken = errors.New("the book folded again differs from the one that grew")
	}
	return broken
}

// send offers an event and returns whether it was taken. A refusal that is a fault of ours is an error.
func (l *life) send(who string, event *pb.Event) (bool, error) {
	p := l.people[who]
	l.made++
	l.now = l.now.Add(time.Minute)
	event.EventId, event.AuthorKey = ledgertest.ID(1<<22+l.made).String(), p.public()
	if event.OccurredAt == "" {
		event.OccurredAt = l.now.Format(time.RFC3339)
	}
	b, err := deterministic.Marshal(event)
	if err != nil {
		return false, err
	}
	ready, err := Prepare(b)
	if err != nil {
		return false, sane(err)
	}
	e := &ledger.Entry{Seq: uint64(len(l.entries)), RecordedAt: l.now, Rules: Rules, Author: p.public(), Event: b, Memo: ready}
	if err := l.judge.Decide(l.book, e); err != nil {
		return false, sane(err)
	}
	if err := l.judge.Apply(l.book, e); err != nil {
		return false, fmt.Errorf("decided and not folded: %w", err)
	}
	l.entries, l.sent = append(l.entries, e), append(l.sent, ready.Event)
	return true, nil
}

// sane passes a refusal that tells its sender something, and keeps what is our fault.
func sane(err error) error {
	r := refusal.As(err)
	if r == nil || r.Kind == refusal.Internal || r.Kind == refusal.DataLoss || r.Kind == refusal.Unavailable || r.Text == "" {
		return fmt.Errorf("an event was answered by %w", err)
	}
	return nil
}

// draws is where a sequence takes its choices from: n > 0, from 0 to n-1.
type draws func(n int) int

func (d draws) one(list ...string) string { return list[d(len(list))] }

// step sends one event of any kind, chosen by d: mostly by somebody who may, of things that are there, in any order.
func (l *life) step(d draws) error {
	r := l.route
	holders := []string{"quillmoss", "pebblewing", "saltferry", "thistlequay"}
	hands := map[string]string{"quillmoss": "ibbet", "pebblewing": "hob", "saltferry": "marjory", "thistlequay": "dilly"}
	everybody := []string{"wren", "ibbet", "tamsin", "perpetua", "lucan", "gale", "hob", "marjory", "auberon", "dilly", "ansel", "fennimore", "rook", "umbra", "vera", "quentin", "odo"}
	bar := func() string {
		return d.one(r.mark(0), r.mark(1), r.mark(2), "quillmoss/Y-0", "quillmoss/Z-0", "nowhere/Z")
	}
	mass := func() string {
		return d.one("20000.00 g", "19999.40 g", "18000.00 g", "1000.00 g", "1000.01 g", "0.00 g", "-1.00 g", "1e3 g", "32000.01 g")
	}
	lot := func() string {
		return d.one("thistlequay/Y", fmt.Sprint("thistlequay/L", len(l.base)+d(len(l.entries)-len(l.base)+1)))
	}
	fineness := func() string { return d.one("812.90 ppt", "812.20 ppt", "811.00 ppt", "0 ppt", "1000.1 ppt") }
	readings := func() (list []*pb.BoxReading) {
		for i := range 3 {
			if d(2) == 1 {
				list = append(list, &pb.BoxReading{Box: r.box(i), Seals: []string{d.one(r.seal(i), "OTHER")}, Gross: d.one("", "21000.00 g")})
			}
		}
		return list
	}
	party := holders[d(len(holders))]
	who, n := hands[party], len(l.entries)
	desk := func(seller, refiner string) string { return d.one(seller, refiner) }
	var body proto.Message
	switch d(30) {
	case 0:
		i := d(3)
		who, body = "ibbet", &pb.BoxPacked{BoxId: fmt.Sprint("Z-B", i), Bars: []string{fmt.Sprint("quillmoss/Z-", i)}, Seals: []string{fmt.Sprint("Z-S", i)}, Gross: d.one("", "21000.00 g")}
	case 1:
		who, body = "ibbet", &pb.ConsignmentAdvised{ConsignmentId: fmt.Sprint("Z", n), Agreement: r.agreement, Boxes: []string{fmt.Sprint("quillmoss/Z-B", d(3))}, Carrier: d.one("", "pebblewing")}
	case 2, 3:
		body = &pb.Released{Consignment: r.consignment(), ToParty: d.one(holders...), Boxes: readings(), AcceptBy: d.one("", l.now.Add(time.Hour).Format(time.RFC3339))}
	case 4, 5:
		body = &pb.Accepted{Consignment: r.consignment(), FromParty: d.one(holders...), Count: int32(d(4)), Boxes: readings()}
	case 6, 7, 8:
		who, body = "dilly", &pb.BarReceived{Consignment: d.one(r.consignment(), "quillmoss/Y"), Box: r.box(d(3)), Bar: d.one(bar(), bar(), bar(), ""), Balance: "thistlequay/TB1", Readings: twice(mass()), Condition: d.one("", "", "dented")}
	case 9:
		body = weighedAs(d.one(bar(), r.box(d(3))), []pb.WeighingStage{release, transit, recheck}[d(3)], d.one("quillmoss/QB1", "thistlequay/TB1"), mass())
	case 10, 11:
		e := &pb.LotOpened{LotId: fmt.Sprint("L", n), Agreement: r.agreement}
		for range 1 + d(3) {
			e.Bars = append(e.Bars, bar())
		}
		who, body = "dilly", e
	case 12:
		body = &pb.SealReplaced{Box: r.box(d(3)), RemovedSeal: d.one("X-S0", "X-S1"), NewSeal: fmt.Sprint("N", n), Reason: "invented"}
	case 13:
		who, body = d.one(everybody...), &pb.IncidentReported{Subject: d.one(bar(), r.box(0), r.consignment()), Description: "invented"}
	case 14:
		who, body = "dilly", &pb.Melted{Lot: lot(), Balance: "thistlequay/TM1", Before: mass(), After: mass(), Slag: d.one("", "10.00 g")}
	case 15, 16:
		e := new(pb.Countersigned)
		if target := d(n); l.sent[target] != nil {
			digest := sha256.Sum256(l.entries[target].Event)
			e.EventId, e.EventSha256 = l.sent[target].EventId, digest[:]
		}
		who, body = d.one(everybody...), e
	case 17, 18:
		return l.correct(d, mass)
	case 19, 20:
		side, who := assay.Seller, "perpetua"
		if d(2) == 1 {
			side, who = assay.Refiner, "ansel"
		}
		of := &route{house: r.house, name: "Y"}
		commit, reveal := of.sealed(side, 1, d.one("812.90 ppt", "812.20 ppt", "811.00 ppt"), d.one("147.60 ppt", "147.00 ppt"))
		if d(2) == 1 {
			return l.offer(who, commit)
		}
		return l.offer(who, reveal)
	case 21:
		who, body = desk("lucan", "fennimore"), &pb.UmpireAppointed{Lot: lot(), Elements: []string{d.one("Au", "Ag")}, Laboratory: d.one("umbercount", "thistlequay"), PacketSeal: "U1"}
	case 22:
		who, body = "umbra", &pb.UmpireReported{Lot: lot(), Results: results2(fineness(), d.one("", "147.30 ppt")), PacketSeal: d.one("U1", "U2"), Fee: d.one("", "640.00 USD")}
	case 23:
		l.now = l.now.Add(time.Duration(d(30)) * 24 * time.Hour)
		who, body = desk("lucan", "fennimore"), &pb.SilenceDeclared{Lot: lot()}
	case 24:
		who, body = "fennimore", &pb.AdvancePaid{Lot: lot(), Amount: d.one("1000.00 USD", "0 USD", "1.00 EUR"), PaidOn: "2027-03-01"}
	case 25:
		who, body = d.one("ibbet", "dilly"), &pb.SampleTaken{SampleId: fmt.Sprint("S", n), Source: d.one(bar(), lot(), "quillmoss/X"), Method: pb.SampleMethod(d(3)), Packets: []*pb.Packet{{PacketId: "P", Seal: d.one("", "U1"), Holder: pb.PacketHolder(d(4)), Laboratory: d.one("", "umbercount", "hob")}}}
	case 26:
		who, body = d.one("perpetua", "ansel", "umbra"), &pb.AssayReported{AssayId: fmt.Sprint("R", n), Sample: d.one("quillmoss/X", fmt.Sprint(d.one("quillmoss", "thistlequay"), "/S", len(l.base)+d(n-len(l.base)+1))), Results: results2(fineness(), fineness())}
	case 27:
		who = d.one(everybody...)
		p := l.people[who]
		next := &person{p.party, p.id, keyOf(fmt.Sprint(who, n))}
		old := p.public()
		e := &pb.KeyRotated{NewPublicKey: next.public(), Proof: proves(next, p)}
		if d(2) == 1 {
			return l.offer(d.one("wren", "auberon", "odo"), &pb.KeyRevoked{PublicKey: old, Reason: "invented", Since: d.one("", l.now.Add(-time.Hour).Format(time.RFC3339))})
		}
		taken, err := l.send(who, wrapped(e))
		if taken {
			l.people[who] = next
		}
		return err
	case 28:
		who, body = desk("lucan", "fennimore"), &pb.DiscrepancyDecided{Discrepancy: fmt.Sprintf("d%d.1", d(n)), Decision: pb.Decision(d(7)), Reason: "invented", Conceded: d.one("", "1.00 USD")}
	case 29:
		who, body = d.one("wren", "odo"), &pb.PartyChanged{PartyId: d.one("quillmoss", "thistlequay"), Sites: []*pb.Site{{SiteId: d.one("works", "pit"), DisplayName: "Works", ElevationM: d.one("10", "3900", "9000")}}}
	}
	return l.offer(who, body)
}

func (l *life) offer(who string, body proto.Message) error {
	_, err := l.send(who, wrapped(body))
	return err
}

// correct sends a correction or withdrawal of an entry, by a person of its party.
func (l *life) correct(d draws, mass func() string) error {
	target := l.sent[d(len(l.sent))]
	e := &pb.Corrected{Reason: "misread, invented"}
	who := d.one("ibbet", "dilly", "ansel", "perpetua")
	if d(4) > 0 {
		switch old := target.GetBody().(type) {
		case *pb.Event_Weighed:
			is := proto.CloneOf(old.Weighed)
			is.Readings = twice(mass())
			e.Replacement = &pb.Corrected_Weighed{Weighed: is}
		case *pb.Event_BarReceived:
			is := proto.CloneOf(old.BarReceived)
			is.Readings = twice(mass())
			e.Replacement = &pb.Corrected_BarReceived{BarReceived: is}
		case *pb.Event_Melted:
			is := proto.CloneOf(old.Melted)
			is.After = mass()
			e.Replacement = &pb.Corrected_Melted{Melted: is}
		case *pb.Event_AssayReported:
			is := proto.CloneOf(old.AssayReported)
			is.Results = results2(d.one("812.90 ppt", "812.20 ppt"), "")
			e.Replacement = &pb.Corrected_AssayReported{AssayReported: is}
		}
	}
	event := wrapped(e)
	event.Supersedes = target.GetEventId()
	_, err := l.send(who, event)
	return err
}

// wrapped is wrap outside a test: the body is known to be one.
func wrapped(body proto.Message) *pb.Event {
	event, err := eventOf(body)
	if err != nil {
		panic(err)
	}
	return event
}

// Whatever sequence of events comes, the book keeps its invariants, and folded again it has the same bytes. The input is
// the sequence of choices. Corpora are small: a byte is a choice.
func FuzzDecideApply(f *testing.F) {
	w := newWorld(f)
	f.Add([]byte{})
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 1, 0, 2, 1, 1, 1, 1, 0})
	f.Add([]byte("a shipment of three bars leaves the gold room, and every hand on the way says something else of it"))
	f.Fuzz(func(t *testing.T, script []byte) {
		if len(script) > 400 {
			return
		}
		rest := script
		d := draws(func(n int) int {
			if len(rest) == 0 {
				return 0
			}
			c := int(rest[0])
			rest = rest[1:]
			return c % n
		})
		err := w.live(func(l *life) error {
			for len(rest) > 0 {
				if err := l.step(d); err != nil {
					return err
				}
			}
			return nil
		}, soundBook)
		if err != nil {
			t.Error(err)
		}
	})
}
