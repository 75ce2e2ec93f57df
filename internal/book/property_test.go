package book

import (
	"flag"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"barward/internal/identity"
	"barward/internal/quantity"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// rapidly checks a property on a few sequences; each writes a ledger of its own to the disk. A flag given on the command
// line asks for more.
func rapidly(t *testing.T, runs string, property func(*rapid.T)) {
	t.Helper()
	f := flag.Lookup("rapid.checks")
	if f.Value.String() == f.DefValue {
		if err := f.Value.Set(runs); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = f.Value.Set(f.DefValue) }()
	}
	rapid.Check(t, property)
}

// Whatever is recorded, in whatever order, by whomever: nothing breaks the fold (empty verifies and rebuilds at the end),
// no two parties hold one box, a bar in a box is where the box is, the bars of a lot add up to what was received, and
// every discrepancy names evidence that exists.
func TestAnyOrderOfEventsFolds(t *testing.T) {
	rapidly(t, "12", func(rt *rapid.T) {
		h := staffed(t)
		agreement := h.agree("A1")
		r := h.poured("X", agreement, "20000.00 g", "18000.00 g", "1000.00 g")
		loose := h.poured("Y", agreement, "500.00 g")
		h.must("dilly", passed("thistlequay/TB1"))
		h.must("dilly", passed("thistlequay/TM1"))
		var recorded []uint64
		pick := func(label string, list ...string) string { return rapid.SampledFrom(list).Draw(rt, label) }
		bar := func() string { return pick("bar", r.mark(0), r.mark(1), r.mark(2), loose.mark(0), "nowhere/Z") }
		box := func() int { return rapid.IntRange(0, 2).Draw(rt, "box") }
		mass := func() string {
			return pick("mass", "20000.00 g", "19999.40 g", "18000.00 g", "1000.00 g", "1000.01 g", "0.00 g")
		}
		holders := []string{"quillmoss", "pebblewing", "saltferry", "thistlequay"}
		hands := map[string]string{"quillmoss": "ibbet", "pebblewing": "hob", "saltferry": "marjory", "thistlequay": "dilly"}
		readings := func() (list []*pb.BoxReading) {
			for i := range 3 {
				if rapid.Bool().Draw(rt, "listed") {
					list = append(list, &pb.BoxReading{Box: r.box(i), Seals: []string{pick("seal", r.seal(i), "OTHER")}, Gross: pick("gross", "", "21000.00 g")})
				}
			}
			return list
		}
		steps := rapid.IntRange(10, 60).Draw(rt, "steps")
		for n := range steps {
			who := pick("party", holders...)
			person := hands[who]
			var body proto.Message
			switch what := rapid.IntRange(0, 13).Draw(rt, "what"); what {
			case 0:
				i := box()
				body = &pb.BoxPacked{BoxId: fmt.Sprintf("X-B%d", i), Bars: []string{r.mark(i)}, Seals: []string{r.seal(i)}}
			case 1:
				body = r.advice()
			case 2:
				body = &pb.Released{Consignment: r.consignment(), ToParty: pick("to", holders...), Boxes: readings()}
			case 3, 4:
				body = &pb.Accepted{Consignment: r.consignment(), FromParty: pick("from", holders...), Count: int32(rapid.IntRange(0, 3).Draw(rt, "count")), Boxes: readings()}
			case 5, 6:
				body = &pb.BarReceived{Consignment: r.consignment(), Box: r.box(box()), Bar: bar(), Balance: "thistlequay/TB1", Readings: twice(mass())}
			case 7:
				body = weighedAs(bar(), rapid.SampledFrom([]pb.WeighingStage{release, transit, recheck}).Draw(rt, "stage"), pick("balance", "quillmoss/QB1", "thistlequay/TB1"), mass())
			case 8:
				e := &pb.LotOpened{LotId: fmt.Sprint("L", n), Agreement: agreement}
				for range rapid.IntRange(1, 3).Draw(rt, "bars") {
					e.Bars = append(e.Bars, bar())
				}
				body = e
			case 9:
				body = &pb.SealReplaced{Box: r.box(box()), RemovedSeal: "X-S0", NewSeal: fmt.Sprint("N", n), Reason: "invented"}
			case 10:
				body = &pb.IncidentReported{Subject: pick("subject", bar(), r.box(0), r.consignment()), Description: "invented"}
			case 11:
				body = &pb.Melted{Lot: fmt.Sprint("thistlequay/L", rapid.IntRange(0, n).Draw(rt, "lot")), Balance: "thistlequay/TM1", Before: "1000.00 g", After: pick("after", "999.90 g", "900.00 g")}
			case 12, 13:
				if len(recorded) == 0 {
					continue
				}
				seq := rapid.SampledFrom(recorded).Draw(rt, "entry")
				if what == 12 {
					body = h.countersign(seq)
					break
				}
				switch old := h.sent[seq].Body.(type) {
				case *pb.Event_Weighed:
					e := proto.CloneOf(old.Weighed)
					e.Readings = twice(mass())
					body = h.correct(seq, e)
				case *pb.Event_BarReceived:
					e := proto.CloneOf(old.BarReceived)
					e.Readings = twice(mass())
					body = h.correct(seq, e)
				default:
					body = h.correct(seq, nil)
				}
			}
			seq, err := h.send(person, body)
			if err == nil {
				recorded = append(recorded, seq)
			} else if r := refusal.As(err); r == nil || r.Kind == refusal.Internal || r.Kind == refusal.DataLoss || r.Kind == refusal.Unavailable {
				rt.Fatalf("an event was answered by %v", err)
			}
			invariants(rt, h)
		}
		h.sound()
	})
}

// invariants are what holds of any book.
func invariants(t *rapid.T, h *house) {
	h.view(func(b *Bucket) {
		s := &store{bucket: b}
		boxed := map[string]string{}
		fail := func(err error) {
			if err != nil {
				t.Fatal(err)
			}
		}
		fail(boxes.each(b, func(box *pb.Box) error {
			if box.Holder == "" || box.ReleasedTo == box.Holder {
				return fmt.Errorf("box %s is held by %q and released to %q", box.Name, box.Holder, box.ReleasedTo)
			}
			boxed[box.Name] = box.Holder
			return nil
		}))
		fail(bars.each(b, func(bar *pb.Bar) error {
			switch {
			case bar.State == pb.BarState_BAR_STATE_PACKED && bar.Holder != boxed[bar.Box]:
				return fmt.Errorf("bar %s is held by %s and its box by %s", bar.Name, bar.Holder, boxed[bar.Box])
			case bar.State == pb.BarState_BAR_STATE_POURED && bar.Holder != bar.Party:
				return fmt.Errorf("bar %s has not left and is held by %s", bar.Name, bar.Holder)
			case (bar.Lot != "") != (bar.State >= pb.BarState_BAR_STATE_IN_LOT):
				return fmt.Errorf("bar %s is %v in lot %q", bar.Name, bar.State, bar.Lot)
			}
			return nil
		}))
		inLot := map[string]string{}
		fail(lots.each(b, func(lot *pb.Lot) error {
			var sum quantity.Mass
			for _, name := range lot.Bars {
				if other := inLot[name]; other != "" {
					return fmt.Errorf("bar %s is in the lots %s and %s", name, other, lot.Name)
				}
				inLot[name] = lot.Name
				bar, _ := bars.load(s, name)
				_, arrival := aroundArrival(bar)
				if arrival == nil {
					return fmt.Errorf("bar %s of lot %s has no weight on arrival", name, lot.Name)
				}
				sum = sum.Add(quantity.MustMass(arrival.Mass))
			}
			if sum.Cmp(quantity.MustMass(lot.Received)) != 0 {
				return fmt.Errorf("the bars of lot %s add up to %s, and %s were received", lot.Name, sum, lot.Received)
			}
			return nil
		}))
		fail(consignments.each(b, func(c *pb.Consignment) error {
			var sum quantity.Mass
			for _, name := range c.Received {
				bar, _ := bars.load(s, name)
				_, arrival := aroundArrival(bar)
				sum = sum.Add(quantity.MustMass(arrival.GetMass()))
			}
			if len(c.Received) > 0 && sum.Cmp(quantity.MustMass(c.ReceivedTotal)) != 0 {
				return fmt.Errorf("the bars received of %s add up to %s, and the total says %s", c.Name, sum, c.ReceivedTotal)
			}
			return nil
		}))
		fail(discrepancies.each(b, func(d *pb.Discrepancy) error {
			if len(d.Evidence) == 0 || d.Words == "" || d.Answerable == "" || len(d.Parties) == 0 || (d.State == opened) != (d.DecidedEntry == 0) {
				return fmt.Errorf("%v", d)
			}
			for _, e := range d.Evidence {
				if e >= h.l.Size() {
					return fmt.Errorf("%s rests on entry %d, which does not exist", d.Name, e)
				}
			}
			return nil
		}))
	})
}

// Lists that grow from one another never write into each other's room.
func TestJoinSharesNothing(t *testing.T) {
	base := make([]string, 2, 8)
	base[0], base[1] = "a", "b"
	one, two := join(base, "c"), join(base, "d")
	if !slices.Equal(one, []string{"a", "b", "c"}) || !slices.Equal(two, []string{"a", "b", "d"}) {
		t.Errorf("got %v and %v", one, two)
	}
}

// What decodes knows every field, has a body, and says the same when it is encoded again.
func FuzzDecode(f *testing.F) {
	r, first := everything(f) // one seed of each kind
	for _, seq := range first {
		e, err := r.l.Entry(seq)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(e.Event)
	}
	f.Add([]byte{})
	f.Add([]byte{0x0a, 0x01, 'x', 0x92, 0x3f, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) {
		event, err := Decode(b)
		if err != nil {
			if r := refusal.As(err); r == nil || r.Kind != refusal.Invalid || r.Text == "" {
				t.Fatalf("refused by %v", err)
			}
			return
		}
		if kindOf(event) == "" || unknownField(event.ProtoReflect()) != "" || len(b) > MaxEvent {
			t.Fatalf("took %v", event)
		}
		if !slices.Contains(identity.EventKinds, identity.EventKind(kindOf(event))) {
			t.Fatalf("took a kind that the matrix does not know: %s", kindOf(event))
		}
		again, err := deterministic.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		other, err := Decode(again)
		if len(again) > MaxEvent {
			return // a shorter spelling of the same
		}
		if err != nil || !proto.Equal(event, other) {
			t.Fatalf("encoded again it says another thing: %v", err)
		}
	})
}
